"""Rows of the history's tables to records, with damaged ones refused, and what may not be written."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from deskhand.errors import UsageError
from deskhand.recording.names import dated
from deskhand.store.records import Dismissal, KeptPart, TakeRow
from deskhand.store.tables import DISMISSAL, PART, TAKE

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.house import FormerNames


def _shared_names(table: sa.Table, record: type, *, without: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Names that a table's columns and a record's fields share, without those whose values differ between the two."""
    names = {entry.name for entry in fields(record)}
    return tuple(column.name for column in table.columns if column.name in names and column.name not in without)


PART_NAMES: Final = _shared_names(PART, KeptPart)
DISMISSAL_NAMES: Final = _shared_names(DISMISSAL, Dismissal, without=("id", "for_good"))
"""Columns that are written and read as they are."""


def number_of_row(value: Any, metric: str) -> float:
    """Number of a row; ValueError where a damaged row holds none (SQLite keeps text in a column of numbers)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"a row of {metric} holds {value!r} where a number belongs")  # noqa: TRY004 - damaged data, not a caller's mistake
    return float(value)


def numbers_of_text(text: Any) -> dict[str, float]:
    """Readings of a dismissal, by name; ValueError where a damaged row holds no such JSON."""
    values = json.loads(str(text))
    if not isinstance(values, dict):
        raise ValueError(f"a dismissal holds {values!r} where its readings belong")  # noqa: TRY004 - damaged data, as above
    return {name: number_of_row(value, name) for name, value in values.items()}


def take_of_row(row: Any) -> TakeRow:
    """Take of a row; ValueError where a damaged row holds no such day, time or text."""
    for name in ("house", "show", "phase", "recording", "note", "kept_by", "kept_at"):
        if not isinstance(row[name], str):
            raise ValueError(f"take {row['id']} holds {row[name]!r} where its {name} belongs")  # noqa: TRY004 - damaged data, not a caller's mistake
    if row["date"] is not None:
        date.fromisoformat(str(row["date"]))
    datetime.fromisoformat(row["kept_at"])
    number_of_row(row["duration_s"], "duration_s")
    lists = {name: _names_of_text(row[name], f"take {row['id']}") for name in ("left_out", "faults")}
    return TakeRow(**(dict(row) | lists))


def in_order(takes: Sequence[TakeRow]) -> list[TakeRow]:
    """Takes oldest first: by their date, and by the time of keeping where they have none.

    A computer's clock that was set back tells a later take an earlier time: nothing that was kept later comes before what was kept
    earlier for that.

    Parameters
    ----------
    takes : sequence of TakeRow
        All of them by their numbers, which is the order in which they were written; a take that was measured again stands where the
        earlier one stood.
    """
    first_written = {take.id: take.id for take in takes}
    for take in takes:
        if take.replaced_by is not None:
            first_written[take.replaced_by] = first_written[take.id]
    moments: dict[int, str] = {}
    newest = ""
    for take in sorted(takes, key=lambda take: first_written[take.id]):
        newest = max(newest, take.kept_at)
        moments[take.id] = take.date or newest
    return sorted(takes, key=lambda take: (moments[take.id], first_written[take.id], take.id))


def _names_of_text(text: Any, holder: str) -> tuple[str, ...]:
    """Names that a column holds as JSON; ValueError where a damaged row holds none."""
    names = json.loads(str(text))
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise ValueError(f"{holder} holds {names!r} where names belong")
    return tuple(names)


def part_of_row(
    row: Any, values: Mapping[str, tuple[float, float | None]], other_version: Iterable[str] = ()
) -> KeptPart:
    """Kept part of a row, with its readings, and the names of those by another definition."""
    names = {name: getattr(row, name) for name in PART_NAMES}
    return KeptPart(values=values, take=row.take_id, other_version=frozenset(other_version), **names)


def with_todays_sources(parts: Sequence[KeptPart], names: FormerNames) -> list[KeptPart]:
    """Kept parts under the names that their sources have today; a part that has it already goes before one that had another."""
    if not names.sources:
        return list(parts)
    held = {(part.take, part.source, part.stage, part.sound) for part in parts}
    return [
        part if today == part.source else replace(part, source=today)
        for part in parts
        if (today := names.source(part.source)) == part.source or (part.take, today, part.stage, part.sound) not in held
    ]


def dismissal_of_row(row: Any) -> Dismissal:
    """Dismissal of a row; ValueError where a damaged row holds no such readings."""
    values = {name: getattr(row, name) for name in DISMISSAL_NAMES}
    if row.measured is not None:
        values["measured"] = number_of_row(row.measured, row.kind)
    return Dismissal(id=row.id, for_good=bool(row.for_good), values=numbers_of_text(row.part_values), **values)


def refuse_twice(
    connection: sa.Connection,
    houses: Sequence[str],
    *,
    show: str,
    date: str | None,
    phase: str,
    digest: str | None,
    room: str = "",
    desk: str = "",
) -> None:
    """Refuse a show and phase that is kept already; shows of one name without a date are told apart by their files.

    Those of two rooms or desks are told apart by these, as far as both are named.

    Raises
    ------
    UsageError
        It is.
    """
    same = connection.execute(
        sa.select(TAKE.c.id, TAKE.c.kept_by, TAKE.c.kept_at).where(
            TAKE.c.house.in_(houses),
            TAKE.c.show == show,
            _is_same_evening(date, digest),
            TAKE.c.phase == phase,
            TAKE.c.forgotten_at.is_(None),
            *(TAKE.c[name].in_(("", value)) for name, value in (("room", room), ("desk", desk)) if value),
        )
    ).first()
    if same is None:
        return
    raise UsageError(
        f"{dated(show, date)}, {phase}",
        f"is kept already, as number {same.id}, by {same.kept_by} on {same.kept_at[:10]}",
        f"to put this one in its place, first: deskhand keep --forget {same.id}",
    )


def _is_same_evening(date: str | None, digest: str | None) -> sa.ColumnElement[bool]:
    """Condition of takes of the same date, or without one and of the same files as far as these are known."""
    if date is not None:
        return TAKE.c.date == date
    same_files = sa.true() if digest is None else sa.or_(TAKE.c.digest.is_(None), TAKE.c.digest == digest)
    return sa.and_(TAKE.c.date.is_(None), same_files)


def refuse_no_text(text: str) -> None:
    """Refuse a name that no database holds: the bytes of a file name in a coding that is not known.

    Raises
    ------
    UsageError
        It is one.
    """
    try:
        text.encode()
    except UnicodeEncodeError:
        shown_as = text.encode("utf-8", "replace").decode()
        raise UsageError(
            f'"{shown_as}"',
            "holds bytes that are no text",
            'name the show in its show.toml, like: name = "Sunday evening"',
        ) from None


def now_utc() -> str:
    """Time of writing, in UTC, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds")
