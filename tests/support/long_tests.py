"""Long tests take turns: a run of all tests does the third whose day it is, so that whoever waits for it waits for minutes.

The list is made by a run itself (`pytest --write-long-tests`). The third depends on the date alone, and a run says which it is; `LONG_TESTS`
chooses another (1, 2 or 3) or `all`. Every day run all short tests, and the long ones of `EVERY_DAY`; a run of single files leaves out none.
Slow tests (`slow.py`) are others.
"""

from __future__ import annotations

import os
import zlib
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

CHOICE: Final = "LONG_TESTS"
FILE: Final = Path(__file__).parent / "long_tests.txt"
THIRDS: Final = 3
LONG_S: Final = 0.5
"""Processor time from which a test is long: one test in thirty, and two thirds of what all of them take (measured, 1 December 2026)."""
EVERY_DAY: Final = (
    "tests/web/test_browser.py",
    "tests/demo/test_season.py",
    "tests/baseline/test_season.py",
    "tests/test_docs.py",
    "tests/test_shape.py",
)
"""Files whose long tests run every day: the main job from end to end, clean shows that are left alone, the page in a browser, and the rules of the code."""


def third_of(test: str) -> int:
    """Third in which a long test runs, from its id: 1 to `THIRDS`."""
    return zlib.crc32(test.encode()) % THIRDS + 1


def chosen() -> int | None:
    """Third that is to run: the day's, or the one that the environment names; None: all.

    Raises
    ------
    ValueError
        The environment names no third.
    """
    choice = os.environ.get(CHOICE, "")
    if choice == "all":
        return None
    if not choice:
        return datetime.now(UTC).date().toordinal() % THIRDS + 1
    if choice not in {str(third) for third in range(1, THIRDS + 1)}:
        raise ValueError(f"{CHOICE}={choice}: no third of the long tests; give 1 to {THIRDS}, or all")
    return int(choice)


def listed() -> frozenset[str]:
    """Ids of the long tests."""
    return frozenset(FILE.read_text("utf-8").splitlines())


def waits(test: str, third: int | None) -> bool:
    """Tell whether it is another day's turn of a long test."""
    return third is not None and third_of(test) != third


def write(used_s: Mapping[str, float]) -> int:
    """Write the ids of the long tests of a run, from the processor time that each took; returns their number."""
    tests = sorted(test for test, used in used_s.items() if used >= LONG_S and not test.startswith(EVERY_DAY))
    FILE.write_text("".join(f"{test}\n" for test in tests), "utf-8")
    return len(tests)
