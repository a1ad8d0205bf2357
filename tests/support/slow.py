"""Tests that only `make test-all` runs, each with what of it stays in the default run, and why that holds the behaviour.

The default run is for whoever changes a line and waits for the answer; it keeps a part of every study, and every behaviour at
least once. Nothing here is loosened: the tests are the same, and all of them run with `make test-all`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import pytest


@dataclass(frozen=True, slots=True, kw_only=True)
class Slow:
    """Tests of one file that are marked slow."""

    file: str
    """Below `tests/`."""
    tests: tuple[str, ...] = ()
    """Names of functions; none are all of the file."""
    only: tuple[str, ...] = ()
    """Parts of parameter ids: where any are given, only tests with one of them are slow."""
    stays: tuple[str, ...] = ()
    """Parts of parameter ids: tests with one of them stay in the default run."""
    covered: str
    """What the default run still does of it."""

    def holds(self, item: pytest.Function) -> bool:
        """Tell whether a test is one of these."""
        if not item.nodeid.startswith(f"tests/{self.file}::") or (self.tests and item.originalname not in self.tests):
            return False
        parameters = item.callspec.id if hasattr(item, "callspec") else ""
        if self.only and not any(part in parameters for part in self.only):
            return False
        return not any(part in parameters for part in self.stays)


SLOW: Final[tuple[Slow, ...]] = ()
