"""Kept takes month by month: means of a few readings and counts of faults, kept true by each transaction that changes a take.

A question over all houses reads these instead of every value of every take.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from deskhand.store.tables import MONTH_FAULT, MONTH_READING, PART, TAKE, VALUE

if TYPE_CHECKING:
    from collections.abc import Sequence

SUMMED_READINGS: Final = (
    "level_dbfs", "noise_dbfs", "balance_db", *(f"tone_db.{octave}" for octave in (125, 1000, 4000, 8000)),
    *(f"side_tone_db.{octave}" for octave in (125, 1000, 4000, 8000)),
)  # fmt: skip
"""Readings whose months are kept: level, noise, and what a dull or thin side shows; each costs a row a source and month."""
_COUNTING: Final = 5151952
"""Number of the lock behind which a server's programs count a month, one after the other; any other number would do."""


def count_month(connection: sa.Connection, *, house: str, date: str | None) -> None:
    """Count the month of a take anew, in the caller's transaction; takes without a date are in no month.

    Parameters
    ----------
    connection : Connection
    house : str
    date : str or None
        A day of that month, in ISO 8601.
    """
    if date is None:
        return
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_COUNTING)))
    month = date[: len("2026-03")]
    for table in (MONTH_READING, MONTH_FAULT):
        connection.execute(sa.delete(table).where(table.c.house == house, table.c.month == month))
    _count(connection, TAKE.c.house == house, TAKE.c.date >= f"{month}-01", TAKE.c.date <= f"{month}-31")


def rebuild_months(connection: sa.Connection) -> None:
    """Count all months anew, in the caller's transaction."""
    for table in (MONTH_READING, MONTH_FAULT):
        connection.execute(sa.delete(table))
    _count(connection)


def readings_query(*chosen: sa.ColumnElement[bool]) -> sa.Select[Any]:
    """Query that makes the rows of `month_reading` out of the kept values."""
    cell = (VALUE.c.metric, TAKE.c.phase, TAKE.c.house, TAKE.c.room, TAKE.c.desk, PART.c.source, VALUE.c.version)
    month = sa.func.substr(TAKE.c.date, 1, len("2026-03"))
    return (
        sa.select(*cell, month.label("month"), sa.func.count().label("takes"), sa.func.avg(VALUE.c.value).label("mean"))
        .select_from(TAKE.join(PART, PART.c.take_id == TAKE.c.id).join(VALUE, VALUE.c.part_id == PART.c.id))
        .where(
            *_counted(chosen),
            PART.c.stage == "tap",
            PART.c.sound == 0,
            VALUE.c.metric.in_(SUMMED_READINGS),
        )
        .group_by(*cell, sa.literal_column("month"))
    )


def _counted(chosen: Sequence[sa.ColumnElement[bool]]) -> list[sa.ColumnElement[bool]]:
    return [*chosen, TAKE.c.date.is_not(None), TAKE.c.forgotten_at.is_(None)]


def fault_kinds(text: str) -> set[str]:
    """Kinds of fault in a take's list of them.

    Examples
    --------
    >>> sorted(fault_kinds('["bass/hum", "bass/hum-2", "lead voice/level-low"]'))
    ['hum', 'level-low']
    """
    kinds = set()
    for name in json.loads(text):
        kind = str(name).rpartition("/")[2]
        stem, _, number = kind.rpartition("-")
        kinds.add(stem if stem and number.isdigit() else kind)
    return kinds


def fault_counts(
    connection: sa.Connection, *chosen: sa.ColumnElement[bool]
) -> Counter[tuple[str, str, str, str, str, str]]:
    """House, room, desk, phase, month and kind of fault to the number of kept takes; of all of them where the kind is empty."""
    counts: Counter[tuple[str, str, str, str, str, str]] = Counter()
    query = sa.select(TAKE.c.house, TAKE.c.room, TAKE.c.desk, TAKE.c.phase, TAKE.c.date, TAKE.c.faults)
    for row in connection.execute(query.where(*_counted(chosen))):
        month = row.date[: len("2026-03")]
        for kind in {"", *fault_kinds(row.faults)}:
            counts[row.house, row.room, row.desk, row.phase, month, kind] += 1
    return counts


def _count(connection: sa.Connection, *chosen: sa.ColumnElement[bool]) -> None:
    names = ("metric", "phase", "house", "room", "desk", "source", "version", "month", "takes", "mean")
    connection.execute(sa.insert(MONTH_READING).from_select(names, readings_query(*chosen)))
    rows = [
        {"house": house, "room": room, "desk": desk, "phase": phase, "month": month, "kind": kind, "takes": takes}
        for (house, room, desk, phase, month, kind), takes in fault_counts(connection, *chosen).items()
    ]
    if rows:
        connection.execute(sa.insert(MONTH_FAULT), rows)
