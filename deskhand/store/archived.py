"""Takes that an archive measured: written once, outside of the reference until all are there, then brought into it together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from deskhand.store.inserts import insert_take, version_of
from deskhand.store.months import count_month, rebuild_months
from deskhand.store.records import AGAIN, ARCHIVE_MARKS, MEASURED, WAITING, TakeRow
from deskhand.store.rows import now_utc, refuse_no_text, take_of_row
from deskhand.store.tables import PART, SEAT_RECORD, TAKE, VALUE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.store.history import History
    from deskhand.store.records import ArchiveMark, KeptTake

_SAME_LENGTH_S: Final = 0.002
"""Seconds by which two lengths differ that are one: a kept length is rounded to the millisecond (arithmetic)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedTake:
    """A take as an archive left it in the history."""

    number: int
    is_archived: bool
    """False for a take that a person kept or took out: nothing of it was changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveSwitch:
    """Takes that were brought into the reference, and those that wait."""

    kept: int
    """Takes kept from now on."""
    replaced: int
    """Kept takes in whose place the ones measured again stand from now on."""
    refused: int
    """Takes that were to be kept and are not: the same show and phase is kept already."""
    older: int
    """Kept takes that hold readings of an earlier version and are not measured again yet."""


def archived_row(history: History, *, house: str, digest: str, start_s: float, duration_s: float) -> TakeRow | None:
    """Take of these files and this stretch that stands in the history, kept or not; None where none does.

    Parameters
    ----------
    history : History
    house : str
    digest : str
        Of the take's files.
    start_s, duration_s : float
        Stretch of the recording.
    """
    with history.transaction() as connection:
        return _row_of(connection, history, house, digest, start_s, duration_s)


def _row_of(
    connection: sa.Connection, history: History, house: str, digest: str, start_s: float, duration_s: float
) -> TakeRow | None:
    query = (
        sa.select(*(TAKE.c[name] for name in TakeRow.__dataclass_fields__))
        .where(
            TAKE.c.house.in_(history.names.houses_of(house)),
            TAKE.c.digest == digest,
            sa.or_(TAKE.c.replaced_by.is_(None), TAKE.c.forgotten_at.is_(None)),
            sa.or_(
                TAKE.c.start_s.is_(None), TAKE.c.start_s.between(start_s - _SAME_LENGTH_S, start_s + _SAME_LENGTH_S)
            ),
            TAKE.c.duration_s.between(duration_s - _SAME_LENGTH_S, duration_s + _SAME_LENGTH_S),
        )
        # a kept one goes before one that was taken out
        .order_by(TAKE.c.forgotten_at.isnot(None), TAKE.c.id.desc())
    )
    row = connection.execute(query).mappings().first()
    return None if row is None else take_of_row(row)


def _begin_writing(connection: sa.Connection) -> None:
    """Let nobody else write takes until the transaction ends; SQLite's has begun so already."""
    if connection.dialect.name == "postgresql":
        connection.execute(sa.text("LOCK TABLE take IN SHARE ROW EXCLUSIVE MODE"))


def put_take(history: History, take: KeptTake, mark: ArchiveMark, *, anew: bool = False) -> ArchivedTake:
    """Write a take unless it is there: however often and by however many it is called, one stands in the history.

    What a person kept or took out stays as it is. An archive's own take, measured under another house file or note, gives way.

    Parameters
    ----------
    history : History
    take : KeptTake
        Of the whole recording, with its digest.
    mark : str
        Whether it is to be kept when the others are measured.
    anew : bool
        Let an archive's own take give way in any case: its readings are of an earlier version.

    Raises
    ------
    UsageError
        A name is no text.
    """
    for text in (take.house, take.show, take.note, take.kept_by, *(part.source for part in take.parts)):
        refuse_no_text(text)
    assert take.digest is not None
    with history.transaction(writes=True) as connection:
        _begin_writing(connection)
        row = _row_of(connection, history, take.house, take.digest, take.start_s or 0.0, take.duration_s)
        if row is not None and row.forgotten_by not in ARCHIVE_MARKS:
            return ArchivedTake(number=row.id, is_archived=False)
        same = ("house_hash", "show", "date", "phase")
        if row is not None and not anew and all(getattr(row, name) == getattr(take, name) for name in same):
            _write(connection, row.id, forgotten_by=mark)
            return ArchivedTake(number=row.id, is_archived=True)
        now = now_utc()
        number = insert_take(connection, take, kept_at=now)
        _write(connection, number, forgotten_by=mark, forgotten_at=now)
        if row is not None:
            _write(connection, row.id, replaced_by=number)
        count_month(connection, house=take.house, date=take.date)
    return ArchivedTake(number=number, is_archived=True)


def _write(connection: sa.Connection, number: int, **values: Any) -> None:
    connection.execute(sa.update(TAKE).where(TAKE.c.id == number).values(**values))


def mark_take(history: History, number: int, mark: ArchiveMark) -> None:
    """Say of an archive's own take whether it is to be kept; any other stays as it is."""
    with history.transaction(writes=True) as connection:
        own = sa.update(TAKE).where(TAKE.c.id == number, TAKE.c.forgotten_by.in_(ARCHIVE_MARKS))
        connection.execute(own.values(forgotten_by=mark))


def put_beside(history: History, earlier: TakeRow, take: KeptTake) -> int:
    """Write a kept take that was measured again beside the earlier one, which stays in the reference; once, however often it is called.

    Returns
    -------
    int
        Number of the one measured again.
    """
    with history.transaction(writes=True) as connection:
        _begin_writing(connection)
        beside = connection.execute(sa.select(TAKE.c.replaced_by).where(TAKE.c.id == earlier.id)).scalar()
        if beside is not None:
            return int(beside)
        number = insert_take(connection, take, kept_at=earlier.kept_at)
        _write(connection, number, forgotten_by=AGAIN, forgotten_at=now_utc())
        _write(connection, earlier.id, replaced_by=number)
        count_month(connection, house=take.house, date=take.date)
    return number


def has_other_version(history: History, take: int, versions: Mapping[str, int]) -> bool:
    """True where a take holds a reading of another version than today's."""
    query = (
        sa.select(VALUE.c.metric, VALUE.c.version)
        .join(PART, VALUE.c.part_id == PART.c.id)
        .where(PART.c.take_id == take)
        .distinct()
    )
    with history.transaction() as connection:
        return any(row.version != version_of(row.metric, versions) for row in connection.execute(query))


def _older_takes(connection: sa.Connection, houses: Sequence[str], versions: Mapping[str, int]) -> int:
    """Kept takes that hold a reading of another version and that none measured again stands beside."""
    query = (
        sa.select(PART.c.take_id, VALUE.c.metric, VALUE.c.version)
        .join(VALUE, VALUE.c.part_id == PART.c.id)
        .join(TAKE, TAKE.c.id == PART.c.take_id)
        .where(TAKE.c.house.in_(houses), TAKE.c.forgotten_at.is_(None), TAKE.c.replaced_by.is_(None))
        .distinct()
    )
    return len({row.take_id for row in connection.execute(query) if row.version != version_of(row.metric, versions)})


def bring_in(
    history: History, *, house: str, by: str, versions: Mapping[str, int], leave_older: bool = False
) -> ArchiveSwitch:
    """Bring what waits into the reference, in one transaction.

    Takes that were to be kept are kept. Takes measured again go in the place of the earlier ones once none is left to be measured.

    Parameters
    ----------
    history : History
    house : str
    by : str
        Name of the person who runs the archive.
    versions : mapping
        Version of each reading today.
    leave_older : bool
        Go on although some takes cannot be measured again.
    """
    houses = history.names.houses_of(house)
    with history.transaction(writes=True) as connection:
        _begin_writing(connection)
        kept, refused = _keep_waiting(connection, houses, by)
        again = sa.select(TAKE.c.id).where(TAKE.c.house.in_(houses), TAKE.c.forgotten_by == AGAIN)
        waiting = list(connection.execute(again).scalars())
        older = _older_takes(connection, houses, versions)
        replaced = 0
        if older == 0 or leave_older:
            replaced = sum(_replace(connection, number, by) for number in waiting)
        if kept or replaced:
            rebuild_months(connection)
    return ArchiveSwitch(kept=kept, replaced=replaced, refused=refused, older=older)


def _keep_waiting(connection: sa.Connection, houses: Sequence[str], by: str) -> tuple[int, int]:
    """Keep the takes that wait for it: how many are, and how many are not since their show and phase is kept already."""
    names = (
        TAKE.c.id,
        TAKE.c.show,
        TAKE.c.date,
        TAKE.c.phase,
        TAKE.c.digest,
        TAKE.c.forgotten_by,
        TAKE.c.room,
        TAKE.c.desk,
    )
    rows = connection.execute(
        sa.select(*names)
        .where(
            TAKE.c.house.in_(houses),
            TAKE.c.replaced_by.is_(None),
            sa.or_(TAKE.c.forgotten_at.is_(None), TAKE.c.forgotten_by == WAITING),
        )
        .order_by(TAKE.c.id)
    ).all()

    def evening(row: Any) -> tuple[Any, ...]:
        return row.show, row.phase, row.room, row.desk, row.date, None if row.date is not None else row.digest

    held = {evening(row) for row in rows if row.forgotten_by != WAITING}
    kept = refused = 0
    for row in rows:
        if row.forgotten_by != WAITING:
            continue
        if evening(row) in held:
            _write(connection, row.id, forgotten_by=MEASURED)
            refused += 1
            continue
        held.add(evening(row))
        _write(connection, row.id, forgotten_by=None, forgotten_at=None, kept_by=by)
        kept += 1
    return kept, refused


def _replace(connection: sa.Connection, number: int, by: str) -> bool:
    """Put a take measured again in the place of its earlier one; False where that was taken out meanwhile."""
    earlier = connection.execute(sa.select(TAKE.c.id, TAKE.c.forgotten_at).where(TAKE.c.replaced_by == number)).first()
    if earlier is None or earlier.forgotten_at is not None:
        _write(connection, number, forgotten_by=MEASURED)
        return False
    _write(connection, earlier.id, forgotten_by=by, forgotten_at=now_utc())
    _write(connection, number, forgotten_by=None, forgotten_at=None)
    # what was measured at the seats stays with the show
    connection.execute(sa.update(SEAT_RECORD).where(SEAT_RECORD.c.take_id == earlier.id).values(take_id=number))
    return True
