"""Questions over many houses and years, answered from indexes and months, never from every value of every take."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import sqlalchemy as sa

from deskhand.store.tables import MONTH_FAULT, MONTH_READING, PART, TAKE, VALUE

if TYPE_CHECKING:
    from typing import Any

    from deskhand.store.history import History


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Room and desk of the takes that are asked for; None: of any."""

    room: str | None = None
    desk: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Months:
    """A reading of one input, month by month."""

    house: str
    room: str
    desk: str
    source: str
    months: tuple[str, ...]
    means: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomMonth:
    """Mean level of the inputs of a room in a month."""

    house: str
    room: str
    desk: str
    month: str
    level_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCount:
    """Kept takes of a room that were kept with a kind of fault, of all that were."""

    house: str
    room: str
    desk: str
    kind: str
    takes: int
    of_takes: int


def course_query(*, house: str, source: str, metric: str, phase: str) -> sa.Select[Any]:
    """Query for a reading of one input over the years: day and value."""
    return (
        sa.select(TAKE.c.date, VALUE.c.value)
        .select_from(TAKE.join(PART, PART.c.take_id == TAKE.c.id).join(VALUE, VALUE.c.part_id == PART.c.id))
        .where(
            TAKE.c.house == house,
            TAKE.c.phase == phase,
            TAKE.c.date.is_not(None),
            TAKE.c.forgotten_at.is_(None),
            PART.c.source == source,
            PART.c.stage == "tap",
            PART.c.sound == 0,
            VALUE.c.metric == metric,
        )
        .order_by(TAKE.c.date, TAKE.c.id)
    )


def farthest_query(*, metric: str, phase: str, most: int, place: Place | None = None) -> sa.Select[Any]:
    """Query for the inputs whose months spread the widest: house, room, desk, source, version."""
    cell = MONTH_READING.c
    spread = sa.func.max(cell.mean) - sa.func.min(cell.mean)
    keys = (*_place(cell), cell.source, cell.version)
    return (
        sa.select(*keys)
        .where(cell.metric == metric, cell.phase == phase, *_chosen(cell, place))
        .group_by(*keys)
        .order_by(spread.desc(), cell.house, cell.room, cell.desk, cell.source)
        .limit(most)
    )


def level_query(*, phase: str, place: Place | None = None) -> sa.Select[Any]:
    """Query for the mean level at the tap by house, room, desk and month."""
    cell = MONTH_READING.c
    mean = sa.func.sum(cell.mean * cell.takes) / sa.func.sum(cell.takes)
    return (
        sa.select(*_place(cell), cell.month, mean.label("level_dbfs"))
        .where(cell.metric == "level_dbfs", cell.phase == phase, *_chosen(cell, place))
        .group_by(*_place(cell), cell.month)
        .order_by(*_place(cell), cell.month)
    )


def fault_query(*, phase: str, place: Place | None = None) -> sa.Select[Any]:
    """Query for the kept takes by house, room, desk and kind of fault; all of them where the kind is empty."""
    cell = MONTH_FAULT.c
    return (
        sa.select(*_place(cell), cell.kind, sa.func.sum(cell.takes).label("takes"))
        .where(cell.phase == phase, *_chosen(cell, place))
        .group_by(*_place(cell), cell.kind)
        .order_by(*_place(cell), cell.kind)
    )


def _place(cell: Any) -> tuple[Any, ...]:
    """Columns that say where it was."""
    return cell.house, cell.room, cell.desk


def _chosen(cell: Any, place: Place | None) -> list[sa.ColumnElement[bool]]:
    """Conditions that leave the takes of a place."""
    named = {} if place is None else {name: getattr(place, name) for name in ("room", "desk")}
    return [cell[name] == value for name, value in named.items() if value is not None]


def course(history: History, *, house: str, source: str, metric: str, phase: str) -> list[tuple[str, float]]:
    """Days and values of a reading of one input over the years, oldest first."""
    query = course_query(house=house, source=source, metric=metric, phase=phase)
    with history.transaction() as connection:
        return [(row.date, row.value) for row in connection.execute(query)]


def widest_months(history: History, *, metric: str, phase: str, most: int, place: Place | None = None) -> list[Months]:
    """Months of the inputs that spread the widest: those to look at for drift."""
    cell = MONTH_READING.c
    with history.transaction() as connection:
        inputs = connection.execute(farthest_query(metric=metric, phase=phase, most=most, place=place)).all()
        by_input = []
        for house, room, desk, source, version in inputs:
            keys = zip((*_place(cell), cell.source, cell.version), (house, room, desk, source, version), strict=True)
            chosen = [cell.metric == metric, cell.phase == phase, *(column == value for column, value in keys)]
            query = sa.select(cell.month, cell.mean).where(*chosen)
            rows = connection.execute(query.order_by(cell.month)).all()
            by_input.append(
                Months(
                    house=house,
                    room=room,
                    desk=desk,
                    source=source,
                    months=tuple(row.month for row in rows),
                    means=tuple(row.mean for row in rows),
                )
            )
    return by_input


def room_levels(history: History, *, phase: str, place: Place | None = None) -> list[RoomMonth]:
    """Mean level at the tap by house, room, desk and month."""
    with history.transaction() as connection:
        return [RoomMonth(**row) for row in connection.execute(level_query(phase=phase, place=place)).mappings()]


def fault_totals(history: History, *, phase: str, place: Place | None = None) -> list[FaultCount]:
    """Kinds of fault by house, room and desk, with how many takes were kept at all."""
    with history.transaction() as connection:
        rows = connection.execute(fault_query(phase=phase, place=place)).all()
    kept = {(row.house, row.room, row.desk): int(row.takes) for row in rows if not row.kind}
    return [
        FaultCount(
            house=row.house,
            room=row.room,
            desk=row.desk,
            kind=row.kind,
            takes=int(row.takes),
            of_takes=kept[row.house, row.room, row.desk],
        )
        for row in rows
        if row.kind
    ]
