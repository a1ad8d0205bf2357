"""Number of examples that a property is tried with: a third by default, all where the slow tests run too."""

from __future__ import annotations

import os
from typing import Final

ALL: Final = "DESKHAND_TESTS_ALL"
"""Set by `tests/conftest.py`, also for the other test processes, where slow tests are not left out."""
SHARE: Final = 3
LEAST: Final = 4
"""Examples that are drawn at least: the simplest one, and some beside it."""


def examples(count: int) -> int:
    """Examples to draw of so many: the first third of them, but for a run of everything."""
    return count if ALL in os.environ else min(count, max(LEAST, -(-count // SHARE)))
