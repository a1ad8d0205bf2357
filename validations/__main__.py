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
    sounds,
    space,
    tails,
)

for study in (
    seasons, tails, sounds, measurements, chain, clearance, killed, normal, moves, reduction, space, live, compare,
    pictures,
):  # fmt: skip
    study.main()
