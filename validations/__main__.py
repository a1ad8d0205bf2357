"""Run by `make test-all`."""

from validations import (
    chain,
    clearance,
    clipping,
    compare,
    encodings,
    evenings,
    killed,
    live,
    measurements,
    moments,
    moves,
    normal,
    one_state,
    pictures,
    polarity,
    reduction,
    room,
    seasons,
    sound,
    sounds,
    tails,
)

for study in (
    seasons, tails, sounds, measurements, chain, clearance, killed, normal, moments, moves, reduction, room, live, compare,
    polarity, sound, encodings, clipping, evenings, one_state, pictures,
):  # fmt: skip
    study.main()
