"""Programs and recordings that a test needs of the machine: where one is missing the test is skipped, in CI it fails.

A skip hides that nothing was tested. On somebody's own machine that is right, since nobody should have to install a
database to mend a sentence; where `CI` is set (`.ci/run` sets it) the machine is meant to have everything. Every test that
needs a program or a recording says so through here: `@pytest.mark.needs("sox")`, or a `Missing` that is raised.
"""

from __future__ import annotations

import ctypes.util
import os
import shutil
from typing import TYPE_CHECKING, Final, NoReturn

import pytest

if TYPE_CHECKING:
    from collections.abc import Mapping

DEBIAN: Final[Mapping[str, str]] = {
    "chromium": "chromium",
    "ffmpeg": "ffmpeg",
    "jackd": "jackd2",
    "node": "nodejs",
    "portaudio": "libportaudio2",
    "setpriv": "util-linux",
    "sox": "sox",
}
"""Debian package of each program (and of one library) that tests may ask for."""


class Missing(Exception):
    """Program or recording that cannot be had here; says in one line what to install."""


def in_ci(environment: Mapping[str, str] = os.environ) -> bool:
    """Tell a run in CI from one on somebody's own machine."""
    return environment.get("CI", "").lower() not in ("", "0", "false")


def program(name: str) -> str | None:
    """Path of a program, or of a library; None where it is not installed."""
    if name == "portaudio":
        return ctypes.util.find_library("portaudio")
    if name == "chromium":
        # the shell first: the same engine without a window is a third lighter
        names = ("chromium-headless-shell", "chromium", "chromium-browser")
        return next((path for path in map(shutil.which, names) if path is not None), None)
    return shutil.which(name)


def require(*names: str) -> None:
    """Go on only where all of these are installed.

    Parameters
    ----------
    names : str
        Programs, each one of `DEBIAN`.

    Raises
    ------
    Missing
        One is not; conftest turns this into a skip or a failure.
    """
    for name in names:
        package = DEBIAN[name]
        if program(name) is None:
            raise Missing(f"no {name} here: apt-get install {package}")


def skip_or_fail(missing: Missing) -> NoReturn:
    """Skip the test, or fail it where it must not be skipped."""
    if in_ci():
        pytest.fail(
            f"{missing} (CI is set: nothing may be skipped for want of a program or a recording)", pytrace=False
        )
    pytest.skip(str(missing))
