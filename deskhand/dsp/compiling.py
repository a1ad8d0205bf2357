"""Second process that compiles half of the kernels the first time, while the first process compiles the others."""

from __future__ import annotations

import importlib
import subprocess
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from deskhand.dsp import kernels_are_compiled

if TYPE_CHECKING:
    from collections.abc import Sequence

HALF: Final = (
    "deskhand.dsp.chain_lanes:run",
    "deskhand.dsp.growing_tones:growing_tones",
    "deskhand.dsp.hearing:_core_in_time",
    "deskhand.dsp.intelligibility:_audible_over_time",
    "deskhand.dsp.hearing:_loudness_in_time",
)
"""Kernels of the second process: about half of the time that all of a check take to compile (benchmarks/README.md)."""
MEANWHILE: Final = (
    "deskhand.dsp.scan:scan",
    "deskhand.dsp.scan:levels",
    "deskhand.dsp.lanes:energies",
    "deskhand.dsp.decays:free_decays_of_all",
    "deskhand.dsp.decays:onsets",
    "deskhand.dsp.intelligibility:_in_windows",
    "deskhand.dsp.filters:cascade",
    "deskhand.dsp.spectrum:add_pair",
)
"""Kernels that a check needs sooner or later, and that are compiled here before it waits for the second process."""
_LONGEST_S: Final = 120.0
"""Seconds that are waited for it: far more than it takes; then the kernel is compiled here. Common practice, no source."""
_WORK: Final = "import sys; sys.path[:] = sys.argv[1:]; from deskhand.dsp import compiling; compiling.compile_kernels(compiling.HALF)"
_running: list[subprocess.Popen[bytes]] = []


def compile_beside() -> None:
    """Start the second process, where nothing is compiled yet; it ends by itself."""
    # a program that was packed into one file is no interpreter
    if _running or kernels_are_compiled() or getattr(sys, "frozen", False) or not sys.executable:
        return
    with suppress(OSError):
        _running.append(
            subprocess.Popen(  # noqa: S603 - this interpreter with the text above
                [sys.executable, "-c", _WORK, *sys.path],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        )


def compile_kernels(names: Sequence[str]) -> None:
    """Compile kernels and write them into the cache; those that are compiled are left.

    Parameters
    ----------
    names : sequence of str
        "module:function" each.
    """
    for name in names:
        module, function = name.split(":")
        getattr(importlib.import_module(module), function).prepare()


def wait_for_helper(name: str) -> None:
    """Wait until the second process is done, where it compiles this kernel: it is read from the cache then. What else is needed is compiled meanwhile."""
    if name in HALF and _running:
        if _running[0].poll() is None:
            compile_kernels(MEANWHILE)
        with suppress(subprocess.TimeoutExpired):
            _running[0].wait(_LONGEST_S)
