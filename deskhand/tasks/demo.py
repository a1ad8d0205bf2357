"""The invented hall: six good weeks made and kept, this week's soundcheck, and a line check to practise with."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Final

from deskhand.demo.line_check import write_line_check
from deskhand.demo.season import make_show
from deskhand.demo.story import EVENING, good_weeks, make_evening
from deskhand.demo.venue import house_text
from deskhand.errors import UsageError
from deskhand.tasks.check import CheckOptions, check
from deskhand.tasks.keep import KeepTerms, keep

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LINE_CHECK: Final = "line-check"
"""Folder of the line check, in the hall's."""
_MADE: Final = ("show-*", LINE_CHECK, "week-*.toml", "history.sqlite*", ".deskhand", "house.toml")
"""Names of what the hall's folder holds: anything else in it stays. Invented."""


def make_hall(folder: Path, *, seed: int = 1, progress: Callable[[float], None] | None = None) -> Path:
    """Make the invented hall in a folder: its house file, six weeks that are kept, a line check, and this week's soundcheck.

    Parameters
    ----------
    folder : Path
        An invented hall that was made there before is made anew.
    seed : int
        Another one makes other songs.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    Folder of this week's soundcheck.

    Raises
    ------
    UsageError
        The folder cannot be written, or holds somebody's own house.
    """
    try:
        _clear(folder)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "house.toml").write_text(house_text(), "utf-8")
        plans = good_weeks(seed)
        # the next week is made while one is measured
        with ThreadPoolExecutor(1) as pool:
            made = [pool.submit(make_show, folder / plan.name, plan) for plan in plans]
            evening = pool.submit(make_evening, folder, seed=seed)
            practice = pool.submit(write_line_check, folder / LINE_CHECK, seed, EVENING)
            try:
                for count, (plan, week) in enumerate(zip(plans, made, strict=True), 1):
                    week.result()
                    checked = check(folder / plan.name, options=CheckOptions(to_be_kept=True))
                    keep(checked, folder / plan.name, history=None, terms=KeepTerms(note="good week", by="the demo"))
                    if progress is not None:
                        progress(count / (len(plans) + 1))
                practice.result()
                return evening.result()
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
    except OSError as error:
        raise UsageError(
            str(folder), f"cannot be written ({error.strerror})", "name another folder with --output"
        ) from error


def _clear(folder: Path) -> None:
    """Take an invented hall away that was made here before, with its history.

    Raises
    ------
    UsageError
        The house in this folder is somebody's own.
    """
    house_file = folder / "house.toml"
    if not house_file.exists():
        return
    if house_file.read_text("utf-8", errors="replace").splitlines()[:1] != house_text().splitlines()[:1]:
        raise UsageError(str(house_file), "is a house of your own", "name another folder with --output")
    for pattern in _MADE:
        for path in folder.glob(pattern):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
