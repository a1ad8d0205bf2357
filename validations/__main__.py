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
    reduction,
    seasons,
    sounds,
    space,
    tails,
)

for study in (
    seasons, tails, sounds, measurements, chain, clearance, killed, normal, moves, reduction, space, live, compare,
):  # fmt: skip
    study.main()
