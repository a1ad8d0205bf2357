"""Run by `make test-all`."""

from validations import seasons

seasons.main()
