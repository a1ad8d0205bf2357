"""Second process that compiles half of the kernels the first time: when it is started, what it makes, who waits for it."""

from __future__ import annotations

import importlib
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest

from deskhand.dsp import compiling

if TYPE_CHECKING:
    from collections.abc import Sequence


class Process:
    """Process in the place of a real one, which notes how it was started and who waited."""

    def __init__(self, command: list[str], **_: Any) -> None:
        self.command = command
        self.waits = 0
        self.status: int | None = None

    def poll(self) -> int | None:
        return self.status

    def wait(self, timeout: float) -> None:
        self.waits += 1
        raise subprocess.TimeoutExpired(self.command, timeout)


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Processes that were started."""
    running: list[Any] = []
    monkeypatch.setattr(compiling, "_running", running)
    monkeypatch.setattr(compiling.subprocess, "Popen", Process)
    return running


def test_it_is_started_once_where_nothing_is_compiled(started: list[Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiling, "kernels_are_compiled", lambda: True)
    compiling.compile_beside()
    assert not started
    monkeypatch.setattr(compiling, "kernels_are_compiled", lambda: False)
    compiling.compile_beside()
    compiling.compile_beside()
    assert [process.command[0] for process in started] == [sys.executable]


def test_a_program_packed_into_one_file_starts_none(started: list[Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiling, "kernels_are_compiled", lambda: False)
    monkeypatch.setattr(sys, "frozen", True, raising=False)
    compiling.compile_beside()
    assert not started


def test_only_its_kernels_are_waited_for_and_not_for_ever(started: list[Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(compiling, "kernels_are_compiled", lambda: False)
    compiling.wait_for_helper(compiling.HALF[0])
    compiling.compile_beside()
    compiling.wait_for_helper("deskhand.dsp.scan:scan")
    assert started[0].waits == 0
    made: list[Sequence[str]] = []
    monkeypatch.setattr(compiling, "compile_kernels", made.append)
    compiling.wait_for_helper(compiling.HALF[0])
    assert started[0].waits == 1
    # what it does not make is made meanwhile, but not once it is done
    assert made == [compiling.MEANWHILE]
    started[0].status = 0
    compiling.wait_for_helper(compiling.HALF[0])
    assert made == [compiling.MEANWHILE]
    assert not set(compiling.MEANWHILE) & set(compiling.HALF)


def test_each_name_is_a_kernel_and_is_made(started: list[Any]) -> None:
    names = (*compiling.HALF, *compiling.MEANWHILE)
    compiling.compile_kernels(names)
    for name in names:
        module, function = name.split(":")
        assert getattr(importlib.import_module(module), function).overloads


def test_what_the_process_runs_runs() -> None:
    code = compiling._WORK.replace("(compiling.HALF)", "([])")
    subprocess.run([sys.executable, "-c", code, *sys.path], check=True, timeout=60)
