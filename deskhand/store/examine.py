"""Damage of a history: looked for in every row, and put right as far as it can be, after a copy was made."""

from __future__ import annotations

import math
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from deskhand.store.exchange import exported_tables, rows_of
from deskhand.store.months import fault_counts, readings_query, rebuild_months
from deskhand.store.row_rules import RowKeys, row_problem, value_problem
from deskhand.store.tables import MONTH_FAULT, MONTH_READING, TAKE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.store.history import History

_SAME: Final = 1e-9
"""Relative difference of two means that are the same: servers add in other orders. Common practice, no source."""


@dataclass(slots=True)
class Damage:
    """Damage of a history in lines for people, and what a repair changed or lost."""

    lines: list[str] = field(default_factory=list)
    rows: int = 0
    """Rows that were looked at."""
    lost: Counter[str] = field(default_factory=Counter)
    """Table to the number of its rows that a repair took out."""
    emptied: Counter[str] = field(default_factory=Counter)
    """Table and column to the number of values that a repair emptied."""


def examine(history: History) -> Damage:
    """Damage of a history: broken pages, rows that break a rule, missing parents, months that do not add up.

    Raises
    ------
    HistoryError
        It cannot be read as far as that.
    """
    damage = Damage()
    with history.transaction() as connection:
        if connection.dialect.name == "sqlite":
            for (line,) in connection.exec_driver_sql("PRAGMA integrity_check"):
                if line != "ok":
                    damage.lines.append(f"the file: {line}")
        _walk(connection, damage, mend=False)
        # a damaged list of faults is told above, as a line of its row
        with suppress(ValueError):
            if not damage.lines:
                damage.lines += _wrong_months(connection)
    return damage


def repair(history: History) -> Damage:
    """Take out or empty what breaks a rule, and count the months anew, in one transaction; the caller made a copy before.

    Raises
    ------
    HistoryError
        It cannot be read or written.
    """
    damage = Damage()
    with history.transaction(writes=True) as connection:
        _walk(connection, damage, mend=True)
        rebuild_months(connection)
    return damage


def _walk(connection: sa.Connection, damage: Damage, *, mend: bool) -> None:
    """Look at every row of every table, those before first that others refer to."""
    keys = RowKeys()
    changes: list[sa.Delete | sa.Update] = []
    for table in exported_tables():
        for read in rows_of(connection, table):
            damage.rows += 1
            row = dict(read)
            name, problem = row_problem(table, row)
            emptied: dict[str, Any] = {}
            while problem:
                key = " ".join(str(row[column.name]) for column in table.primary_key)
                damage.lines.append(f"{table.name} {key}: {name} {problem}")
                if not _empty(table, row, name):
                    break
                emptied[name] = row[name]
                name, problem = row_problem(table, row)
            if not problem:
                name, problem = keys.problem(table, row)
                if problem:
                    damage.lines.append(f"{table.name} {row[next(iter(table.primary_key)).name]}: {name} {problem}")
                    if table.c[name].nullable:
                        row[name] = emptied[name] = None
                        name, problem = keys.problem(table, row)
            _note(table, read, emptied, changes, damage, lost=bool(problem))
    _look_for_replacements(connection, keys, changes, damage)
    if mend:
        # rows that refer to others go first
        for change in reversed(changes):
            connection.execute(change)


def _empty(table: sa.Table, row: dict[str, Any], name: str) -> bool:
    """Empty a value that breaks a rule, where its column may be empty; False where it may not."""
    column = table.c[name]
    default = getattr(column.server_default, "arg", None)
    for candidate in (None, *(() if default is None or column.primary_key else (str(default),)), ""):
        if column.name not in ("id", "source") and not value_problem(table, column, candidate):
            row[name] = candidate
            return True
    return False


def _note(
    table: sa.Table,
    read: Mapping[Any, Any],
    emptied: dict[str, Any],
    changes: list[sa.Delete | sa.Update],
    damage: Damage,
    *,
    lost: bool,
) -> None:
    """Note what a repair does to a row."""
    this = sa.and_(*(column == read[column.name] for column in table.primary_key))
    if lost:
        damage.lost[table.name] += 1
        changes.append(sa.delete(table).where(this))
    elif emptied:
        damage.emptied.update(f"{table.name}.{name}" for name in emptied)
        changes.append(sa.update(table).where(this).values(emptied))


def _look_for_replacements(
    connection: sa.Connection, keys: RowKeys, changes: list[sa.Delete | sa.Update], damage: Damage
) -> None:
    """Look whether the takes are there that hold others measured again."""
    query = sa.select(TAKE.c.id, TAKE.c.replaced_by).where(TAKE.c.replaced_by.is_not(None))
    for number, replaced_by in connection.execute(query):
        if not isinstance(replaced_by, int) or keys.holds("take", replaced_by):
            continue
        damage.lines.append(f"take {number}: replaced_by refers to take {replaced_by}, which is not there")
        damage.emptied["take.replaced_by"] += 1
        changes.append(sa.update(TAKE).where(TAKE.c.id == number).values(replaced_by=None))


def _wrong_months(connection: sa.Connection) -> list[str]:
    """Lines on months that are not what the kept takes say."""
    counted = {tuple(row[:8]): (row[8], row[9]) for row in connection.execute(readings_query())}
    held = {tuple(row[:8]): (row[8], row[9]) for row in connection.execute(sa.select(MONTH_READING))}
    wrong = [key for key in counted.keys() | held.keys() if not _agree(counted.get(key), held.get(key))]
    faults = {tuple(row[:6]): row[6] for row in connection.execute(sa.select(MONTH_FAULT))}
    lines = []
    if wrong:
        lines.append(f"month_reading: {len(wrong)} months of a reading are not what the kept takes say")
    if faults != dict(fault_counts(connection)):
        lines.append("month_fault: the counts of faults are not what the kept takes say")
    return lines


def _agree(counted: tuple[int, float] | None, held: tuple[int, float] | None) -> bool:
    if counted is None or held is None:
        return False
    return counted[0] == held[0] and math.isclose(counted[1], held[1], rel_tol=_SAME, abs_tol=_SAME)
