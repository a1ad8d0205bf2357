"""Number of examples that a property is tried with: a third by default, all where the slow tests run too."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

from hypothesis import settings

if TYPE_CHECKING:
    from collections.abc import Callable

ALL: Final = "DESKHAND_TESTS_ALL"
"""Set by `tests/conftest.py`, also for the other test processes, where slow tests are not left out."""
SHARE: Final = 3
_SETTINGS: Final = "_hypothesis_internal_use_settings"
"""Attribute in which the library keeps the settings of a test."""
LEAST: Final = 4
"""Examples that are drawn at least: the simplest one, and some beside it."""


def draw_anew(test: Callable[..., object]) -> None:
    """Let a property draw other examples than the last time, and print how to draw those that failed again."""
    function = getattr(test, "__func__", test)
    chosen = getattr(function, _SETTINGS, None)
    if isinstance(chosen, settings):
        setattr(function, _SETTINGS, settings(chosen, derandomize=False, print_blob=True))


def examples(count: int) -> int:
    """Examples to draw of so many: the first third of them, but for a run of everything."""
    return count if ALL in os.environ else min(count, max(LEAST, -(-count // SHARE)))
