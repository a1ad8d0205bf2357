"""Runtime of a test run by file: wall and processor time, its processes included, printed at the end.

On a busy machine the wall says how busy the machine is; the processor says how heavy the tests are. A process that
a test starts counts once it has been waited for. A fixture shared by several files counts with the file that asked first.
"""

from __future__ import annotations

import os
import time
from collections import defaultdict
from typing import TYPE_CHECKING, Final

import pytest

from tests.support import long_tests

if TYPE_CHECKING:
    from collections.abc import Generator, Sequence

FILES_SHOWN: Final = 25
"""Enough to see where the time goes (the others are summed in one line)."""
PROPERTY: Final = "runtime"


def processor_s() -> float:
    """Processor time of this process and of its ended children, in seconds."""
    times = os.times()
    return time.process_time() + times.children_user + times.children_system


class Runtime:
    """Pytest plugin: measures each phase of a test where it runs, sums them by file where the run is reported."""

    def __init__(self) -> None:
        self._wall_s, self._processor_s = time.perf_counter(), processor_s()
        self._by_file: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0, 0.0])
        self._by_test: dict[str, float] = {}
        self._started = time.perf_counter()
        self._processes_s: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        """Leave out what passed between two tests."""
        self._wall_s, self._processor_s = time.perf_counter(), processor_s()
        return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self) -> Generator[None, pytest.TestReport, pytest.TestReport]:
        """Note on a phase's report what it took."""
        report = yield
        wall_s, used_s = time.perf_counter(), processor_s()
        # a report's plain attributes travel from a test process to the one that prints
        setattr(report, PROPERTY, (wall_s - self._wall_s, used_s - self._processor_s))
        self._wall_s, self._processor_s = wall_s, used_s
        return report

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Sum by file."""
        wall_s, used_s = getattr(report, PROPERTY, (0.0, 0.0))
        file = self._by_file[report.location[0]]
        file[0] += wall_s
        file[1] += used_s
        file[2] += report.when == "call"
        if report.when == "call":
            self._by_test[report.nodeid] = used_s

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Tell the printing process what this test process took in all, collecting and importing included."""
        output = getattr(session.config, "workeroutput", None)
        if output is not None:
            output[PROPERTY] = processor_s()

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: object) -> None:
        """Take a test process's total."""
        output = getattr(node, "workeroutput", {})
        self._processes_s[str(node)] = output.get(PROPERTY, 0.0)

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        """Print the files that took longest, and the sum."""
        if not self._by_file:
            return
        if terminalreporter.config.option.write_long_tests:
            terminalreporter.write_line(f"{long_tests.write(self._by_test)} long tests listed")
        terminalreporter.section("runtime by file")
        terminalreporter.write_line(" processor      wall  tests")
        files = sorted(self._by_file.items(), key=lambda entry: -entry[1][1])

        def line(name: str, times: Sequence[float]) -> None:
            wall_s, used_s, count = times
            terminalreporter.write_line(f"{used_s:8.1f} s {wall_s:7.1f} s {count:6.0f}  {name}")

        for name, times in files[:FILES_SHOWN]:
            line(name, times)
        others = files[FILES_SHOWN:]
        if others:
            line(f"{len(others)} more files", [sum(times[column] for _, times in others) for column in range(3)])
        tested_s = sum(times[1] for _, times in files)
        line("all tests", [sum(times[column] for _, times in files) for column in range(3)])
        whole_s = sum(self._processes_s.values()) if self._processes_s else processor_s()
        terminalreporter.write_line(
            f"{whole_s - tested_s:8.1f} s {'':9} {'':6}  starting and collecting in {max(len(self._processes_s), 1)} test processes"
        )
        terminalreporter.write_line(
            f"{whole_s:8.1f} s {time.perf_counter() - self._started:7.1f} s {'':6}  the whole run"
        )
