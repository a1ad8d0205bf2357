"""Run by `make test-all`."""

from validations import (
    chain,
    clearance,
    compare,
    killed,
    live,
    measurements,
    moves,
    normal,
    pictures,
    reduction,
    seasons,
    sound,
    sounds,
    space,
    tails,
)

for study in (
    seasons, tails, sounds, measurements, chain, clearance, killed, normal, moves, reduction, space, live, compare,
    sound, pictures,
):  # fmt: skip
    study.main()
