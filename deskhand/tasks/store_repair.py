"""Repairs a history: a copy first, then what can be read of it, put right."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from deskhand.errors import HistoryError, UsageError
from deskhand.files import replace_synced
from deskhand.leftovers import unfinished_prefix
from deskhand.store.examine import Damage, repair
from deskhand.store.exchange import export_history
from deskhand.store.history import open_history
from deskhand.store.records import file_of
from deskhand.store.salvage import salvage

if TYPE_CHECKING:
    from deskhand.store.history import History


@dataclass(frozen=True, slots=True, kw_only=True)
class Repaired:
    """History that was put right."""

    copy: Path
    """Copy of it as it was."""
    damage: Damage
    unread: tuple[str, ...] = ()
    """Lines on tables of which the file's pages were broken: how many rows could be read."""


def repair_history(url: str, *, copy: Path | None = None) -> Repaired:
    """Put a history right, after a copy of it as it was; every row that can be read stays.

    Parameters
    ----------
    url : str
    copy : Path, optional
        Where the copy goes. Default: beside an SQLite file, under a name that is free. A server's has to be named.

    Raises
    ------
    HistoryError
        Nothing can be read of it.
    UsageError
        The copy cannot be written.
    """
    file = file_of(url)
    if file is None:
        return _server_repaired(url, copy)
    if not file.exists():
        raise UsageError(str(file), "is not there", "name a history with --history")
    copy = copy or _free_name(file)
    _copied(file, copy)
    if _pages_are_whole(file):
        with closing(_opened(url)) as history:
            return Repaired(copy=copy, damage=repair(history))
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=unfinished_prefix())
    new = Path(name)
    try:
        # opened by its name again
        os.close(handle)
        with closing(_opened(f"sqlite:///{new}", create=True)) as history:
            counts = _salvaged(file, new)
            damage = repair(history)
        replace_synced(new, file)
    finally:
        new.unlink(missing_ok=True)
    return Repaired(
        copy=copy, damage=damage, unread=tuple(f"{table}: {count} rows could be read" for table, count in counts.items() if count)
    )  # fmt: skip


def _salvaged(file: Path, new: Path) -> dict[str, int]:
    try:
        return salvage(file, new)
    except sqlite3.Error as error:
        raise HistoryError(str(file), f"nothing of it can be read ({error})", "put a copy in its place") from error


def _opened(url: str, *, create: bool = False) -> History:
    history = open_history(url, create=create)
    if history is None:
        raise HistoryError(url, "is not there", "name a history with --history")
    return history


def _pages_are_whole(file: Path) -> bool:
    """True where SQLite finds every page and index of a file well."""
    try:
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as connection:
            return bool(connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)])
    except sqlite3.Error:
        return False


def _free_name(file: Path) -> Path:
    """Name beside a file that nothing has yet."""
    number = 1
    while (copy := file.with_name(f"{file.name}.before-repair-{number}")).exists():
        number += 1
    return copy


def _copied(file: Path, copy: Path) -> None:
    """Copy a file, whole and synced, to a name that nothing has yet."""
    if copy.exists():
        raise UsageError(str(copy), "is there already", "name another file with --copy")
    try:
        handle, name = tempfile.mkstemp(dir=copy.parent, prefix=unfinished_prefix())
        try:
            with os.fdopen(handle, "wb") as target, file.open("rb") as source:
                shutil.copyfileobj(source, target)
            replace_synced(Path(name), copy)
        finally:
            Path(name).unlink(missing_ok=True)
    except OSError as error:
        raise UsageError(
            str(copy), f"no copy can be written ({error.strerror})", "name another place with --copy"
        ) from error


def _server_repaired(url: str, copy: Path | None) -> Repaired:
    if copy is None:
        raise UsageError(
            "--copy", "is needed for a server: a copy is made first", "name a file, like --copy before.jsonl"
        )
    if copy.exists():
        raise UsageError(str(copy), "is there already", "name another file with --copy")
    with closing(_opened(url)) as history:
        export_history(history, copy, checked=False)
        return Repaired(copy=copy, damage=repair(history))
