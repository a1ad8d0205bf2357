"""Run by `make test-all`."""

from validations import (
    chain,
    clean_stage,
    clearance,
    clipping,
    compare,
    encodings,
    evenings,
    heard_numbers,
    heard_through,
    killed,
    lead_steps,
    limits,
    live,
    measurements,
    moments,
    moves,
    names,
    normal,
    one_state,
    pictures,
    polarity,
    reduction,
    role_by_sound,
    room,
    seasons,
    songs,
    sound,
    sounds,
    tails,
    year,
)

for study in (
    seasons, tails, sounds, measurements, chain, clearance, killed, normal, moments, moves, names, reduction, room, live, compare,
    polarity, sound, encodings, clipping, evenings, one_state, pictures, clean_stage, limits, role_by_sound, lead_steps, year, songs,
    heard_through, heard_numbers,
):  # fmt: skip
    study.main()
