"""Fixtures for all tests, and the list of published sources at the end of a run.

Tests skip where the real audio or a tool cannot be had; DESKHAND_REAL=required makes them fail instead.
"""

from __future__ import annotations

import os
import pickle
from collections import Counter
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from .real.material import MaterialMissing

if TYPE_CHECKING:
    from collections.abc import Callable, Generator
    from pathlib import Path

    from deskhand.tasks.check import ShowCheck

_SOURCES: Counter[str] = Counter()


@pytest.fixture
def rng() -> np.random.Generator:
    """One seed for every test."""
    return np.random.default_rng(20260301)


@pytest.fixture(scope="session")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented venue's season, made once a run for all test processes; do not write into it."""
    from filelock import FileLock

    from deskhand.demo import make_season

    base = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent
    folder, done = base / "season", base / "season-is-made"
    with FileLock(base / "season.lock"):
        if not done.exists():
            make_season(folder)
            done.touch()
    return folder


@pytest.fixture(scope="session")
def checked_show(season: Path) -> Callable[[str], ShowCheck]:
    """From the name of one of the season's shows to its check, made once a run for all test processes."""
    from filelock import FileLock

    from deskhand.tasks.check import check

    def of(name: str) -> ShowCheck:
        kept = season.parent / f"checked-{name}.pickle"
        with FileLock(f"{kept}.lock"):
            if not kept.exists():
                kept.write_bytes(pickle.dumps(check(season / name)))
        made: ShowCheck = pickle.loads(kept.read_bytes())
        return made

    return of


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None, None, None]:
    """Turn a fixture's missing audio into a skip."""
    try:
        return (yield)
    except MaterialMissing as error:
        _skip(error)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, None, None]:
    """Turn a test's missing audio into a skip."""
    try:
        return (yield)
    except MaterialMissing as error:
        _skip(error)


def _skip(error: MaterialMissing) -> None:
    # in CI a skip would hide that nothing was tested
    if os.environ.get("DESKHAND_REAL") != "required":
        pytest.skip(str(error))
    raise error


_SLOW: Final = (
    "web/test_browser.py", "live/test_jack.py", "compare/", "live/test_watch.py", "reference_model/test_season.py",
    "test_keep.py", "demo/test_season.py", "store/test_history.py", "moves/", "test_render.py",
    "real/test_end_to_end.py", "report/test_page.py", "test_cli.py",
)  # fmt: skip
"""Files whose tests take longest: started first, so that no process is left alone with one of them at the end."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Slow files first; and collect where expected values come from: an empty source is a mistake."""
    items.sort(
        key=lambda item: next((at for at, name in enumerate(_SLOW) if f"tests/{name}" in item.nodeid), len(_SLOW))
    )
    for item in items:
        for mark in item.iter_markers("source"):
            text = str(mark.args[0]).strip() if mark.args else ""
            if not text:
                raise pytest.UsageError(f"{item.nodeid}: @pytest.mark.source needs the name of the source")
            _SOURCES[text] += 1


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the sources that were tested against."""
    if _SOURCES:
        terminalreporter.section("checked against")
        for text, count in sorted(_SOURCES.items()):
            terminalreporter.write_line(f"{count:4d}  {text}")
