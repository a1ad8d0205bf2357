"""Fixtures for all tests; what a run prints at its end: the published sources, and the runtime by file.

Programs and recordings that a test needs: `support.needs`. Rights of root that it must not have: `support.rights`.
"""

from __future__ import annotations

import gc
import os
import pickle
from collections import Counter
from typing import TYPE_CHECKING, Final
from unittest import mock

import numpy as np
import pytest

from tests.support import hypotheses, long_tests
from tests.support.needs import Missing, require, skip_or_fail
from tests.support.rights import CHILD, modes_are_ignored, run_without_rights
from tests.support.runtime import Runtime
from tests.support.slow import SLOW

if TYPE_CHECKING:
    from collections.abc import Callable, Generator
    from pathlib import Path

    from deskhand.tasks.check import ShowCheck
    from tests.support.measuring import MeasuredOnce

_SOURCES: Counter[str] = Counter()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Name the option that lists the long tests anew."""
    parser.addoption(
        "--write-long-tests", action="store_true", help="list the long tests of this run, all of which run"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Measure the run; tell it how many examples properties are tried with, and which of the long tests run."""
    config.pluginmanager.register(Runtime())
    if "PYTEST_XDIST_WORKER" not in os.environ:
        all_run = "not slow" not in config.option.markexpr or config.option.write_long_tests
        some_named = config.args_source is pytest.Config.ArgsSource.ARGS
        # test processes that it starts inherit it
        os.environ.setdefault(long_tests.CHOICE, "all" if all_run or some_named else str(long_tests.chosen()))
    if "not slow" not in config.option.markexpr:
        os.environ[hypotheses.ALL] = "1"


@pytest.fixture
def rng() -> np.random.Generator:
    """One seed for every test."""
    return np.random.default_rng(20260301)


@pytest.fixture(autouse=True)
def _leftovers_of_others(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """What killed processes of other tests left in the temporary folder is no matter of this one's."""
    if request.module.__name__ != "tests.test_leftovers":
        monkeypatch.setattr("deskhand.cli.group._clear_leftovers", lambda arguments: None)


def _shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Temporary folder of this run that all test processes share."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base


@pytest.fixture(scope="session")
def readings_once(tmp_path_factory: pytest.TempPathFactory) -> MeasuredOnce:
    """Measuring of a check that measures each take once a run for all test processes."""
    from tests.support.measuring import MeasuredOnce

    return MeasuredOnce(_shared(tmp_path_factory) / "readings")


@pytest.fixture
def measured_once(readings_once: MeasuredOnce, monkeypatch: pytest.MonkeyPatch) -> None:
    """Checks in this test measure a take once a run: for tests of what is made of the readings."""
    monkeypatch.setattr("deskhand.tasks.check._measured", readings_once)


def _season(tmp_path_factory: pytest.TempPathFactory, name: str, shows: int) -> Path:
    """Folder of the newest shows of the invented venue's season, made once a run for all test processes."""
    from filelock import FileLock

    from tests.support.troubled_season import make_season

    base = _shared(tmp_path_factory)
    folder, done = base / name, base / f"{name}-is-made"
    with FileLock(base / f"{name}.lock"):
        if not done.exists():
            make_season(folder, shows=shows)
            done.touch()
    return folder


@pytest.fixture(scope="session")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The newest two shows of the season, a clean one and this week's; do not write into it."""
    return _season(tmp_path_factory, "season", 2)


@pytest.fixture(scope="session")
def whole_season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All shows of the season; do not write into it."""
    return _season(tmp_path_factory, "whole-season", 5)


@pytest.fixture(scope="session")
def checked_show(season: Path, readings_once: MeasuredOnce) -> Callable[[str], ShowCheck]:
    """From the name of one of the season's newest shows to its check, made once a run for all test processes."""
    from filelock import FileLock

    from deskhand.tasks.check import check

    def of(name: str) -> ShowCheck:
        kept = season.parent / f"checked-{name}.pickle"
        with FileLock(f"{kept}.lock"):
            if not kept.exists():
                with mock.patch("deskhand.tasks.check._measured", readings_once):
                    kept.write_bytes(pickle.dumps(check(season / name)))
        made: ShowCheck = pickle.loads(kept.read_bytes())
        return made

    return of


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item: pytest.Item) -> Generator[None, None, None]:
    """Skip or fail for want of what a test's marks ask for, or of what its fixtures find missing."""
    try:
        for mark in item.iter_markers("needs"):
            require(*mark.args)
        return (yield)
    except Missing as error:
        skip_or_fail(error)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, None, None]:
    """Skip or fail for want of what a test itself finds missing."""
    try:
        return (yield)
    except Missing as error:
        skip_or_fail(error)


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run a test that modes of files must count for where they do."""
    if pyfuncitem.get_closest_marker("modes_count") is None or CHILD in os.environ or not modes_are_ignored():
        return None
    run_without_rights(pyfuncitem, _shared(pyfuncitem._request.getfixturevalue("tmp_path_factory")))
    return True


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Leave what was imported and collected out of the collecting of garbage: it stays to the end. Look for the rest less often."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 50)


_LONG: Final = (
    "web/test_browser.py", "live/test_jack.py", "compare/", "live/test_watch.py", "baseline/test_season.py",
    "test_keep.py", "demo/test_season.py", "store/test_history.py", "moves/", "test_done.py", "report/test_sheet.py",
    "web/test_hall.py", "findings/test_judge.py", "mix/", "test_evenings.py", "real/test_end_to_end.py", "test_cli.py",
)  # fmt: skip
"""Files whose tests take longest: started first, so that no process is left alone with one of them at the end."""


def pytest_report_header() -> str:
    """Say which of the long tests run."""
    third = long_tests.chosen()
    if third is None:
        return "long tests: all"
    return (
        f"long tests: third {third} of {long_tests.THIRDS}, whose day it is ({long_tests.CHOICE}=all runs all of them)"
    )


def _take_turns(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out the long tests whose day it is not."""
    third, listed = long_tests.chosen(), long_tests.listed()
    waiting = [item for item in items if item.nodeid in listed and long_tests.waits(item.nodeid, third)]
    if waiting:
        config.hook.pytest_deselected(items=waiting)
        items[:] = [item for item in items if item not in frozenset(waiting)]


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Long files first; long tests take turns; slow tests marked; and collect where expected values come from: an empty source is a mistake."""
    _take_turns(config, items)
    items.sort(
        key=lambda item: next((at for at, name in enumerate(_LONG) if f"tests/{name}" in item.nodeid), len(_LONG))
    )
    for item in items:
        if isinstance(item, pytest.Function) and any(slow.holds(item) for slow in SLOW):
            item.add_marker("slow")
        if isinstance(item, pytest.Function) and hypotheses.ALL in os.environ:
            hypotheses.draw_anew(item.obj)
        for mark in item.iter_markers("source"):
            text = str(mark.args[0]).strip() if mark.args else ""
            if not text:
                raise pytest.UsageError(f"{item.nodeid}: @pytest.mark.source needs the name of the source")
            _SOURCES[text] += 1


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the sources that were tested against, and the pages of studies that are older than their code."""
    for report in terminalreporter.stats.get("passed", ()):
        for name, value in report.user_properties:
            if name == "old pages" and value:
                terminalreporter.section("pages older than their code: python -m validations --stale says what changed")
                terminalreporter.write_line(value)
    if _SOURCES:
        terminalreporter.section("checked against")
        for text, count in sorted(_SOURCES.items()):
            terminalreporter.write_line(f"{count:4d}  {text}")
