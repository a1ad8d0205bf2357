"""Run by `make test-all`."""

from validations import chain, clearance, killed, measurements, moves, normal, seasons, sounds, tails

for study in (seasons, tails, sounds, measurements, chain, clearance, killed, normal, moves):
    study.main()
