"""Run by `make test-all`."""

from validations import chain, clearance, measurements, seasons, sounds, tails

for study in (seasons, tails, sounds, measurements, chain, clearance):
    study.main()
