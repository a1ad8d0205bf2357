"""Rows of an SQLite history with broken pages, read around what is broken."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING, Any, Final

from deskhand.store.exchange import exported_tables

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import sqlalchemy as sa

_FARTHEST: Final = 1 << 31
"""Largest key that is looked for: what an integer column of a server holds."""


def salvage(damaged: Path, whole: Path) -> dict[str, int]:
    """Copy every row that can be read into a new history, unchecked; the number of rows of each table.

    Parameters
    ----------
    damaged : Path
        Only read.
    whole : Path
        History with its tables and no rows.

    Raises
    ------
    sqlite3.Error
        Not even the list of its tables can be read.
    """
    counts: dict[str, int] = {}
    with (
        closing(sqlite3.connect(f"{damaged.resolve().as_uri()}?mode=ro", uri=True)) as source,
        closing(sqlite3.connect(whole)) as target,
    ):
        source.execute("SELECT count(*) FROM sqlite_master").fetchone()
        # bytes that are no text any more come out as they are, and the repair that follows sees to them
        source.text_factory = lambda data: data.decode("utf-8", "replace")
        with target:
            for table in exported_tables():
                names = [column.name for column in table.columns]
                marks = ", ".join("?" * len(names))
                columns = ", ".join(f'"{name}"' for name in names)
                insert = f"INSERT OR IGNORE INTO {table.name} ({columns}) VALUES ({marks})"  # noqa: S608 - names of our own tables
                before = target.total_changes
                for row in _readable_rows(source, table, columns):
                    target.execute(insert, row)
                counts[table.name] = target.total_changes - before
    return counts


def _readable_rows(source: sqlite3.Connection, table: sa.Table, columns: str) -> Iterator[tuple[Any, ...]]:
    """Rows by their first key, from each break on at the next key that can be read."""
    key = next(iter(table.primary_key)).name
    position = [column.name for column in table.columns].index(key)
    query = f"SELECT {columns} FROM {table.name} NOT INDEXED WHERE {key} >= ? ORDER BY {key}"  # noqa: S608 - as above
    begin = 0
    while True:
        newest = begin - 1
        try:
            for row in source.execute(query, (begin,)):
                newest = row[position] if isinstance(row[position], int) else newest
                yield row
        except sqlite3.Error:
            after = _next_readable(source, query, max(newest + 1, begin))
            if after is None:
                return
            begin = after
        else:
            return


def _next_readable(source: sqlite3.Connection, query: str, broken: int) -> int | None:
    """Smallest key behind a break from which a row can be read, by steps that double and then halve; None where there is none."""

    def reads(begin: int) -> bool:
        try:
            return source.execute(query, (begin,)).fetchone() is not None
        except sqlite3.Error:
            return False

    step = 1
    while not reads(broken + step):
        step *= 2
        if broken + step > _FARTHEST:
            return None
    low, high = broken + step // 2, broken + step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reads(middle) else (middle, high)
    return high
