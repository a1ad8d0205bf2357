"""Records of what was measured at the seats, written to the history and read from it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

import sqlalchemy as sa

from deskhand.store.rows import refuse_no_text
from deskhand.store.tables import SEAT_RECORD, TAKE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.store.history import History

SeatRecordKind = Literal["calibration", "level", "response", "noise", "room"]
SEAT_RECORD_KINDS: Final[tuple[SeatRecordKind, ...]] = get_args(SeatRecordKind)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatRecord:
    """Measurement at a seat, as the history keeps it."""

    seat: str
    microphone: str
    """Name of the microphone; the seat's own where nobody named one."""
    kind: SeatRecordKind
    measured_at: str
    """Day, or day and time, in ISO 8601."""
    content: Mapping[str, Any] = field(default_factory=dict)
    """Values by their names, as JSON can hold them."""
    version: int = 1
    """Version of what `content` holds, counted by each kind for itself."""
    take: int | None = None
    """Number of the kept take that it belongs to; None where it stands for itself."""
    id: int | None = None


def add_seat_record(history: History, record: SeatRecord, *, house: str) -> int:
    """Write a record and return its number.

    Raises
    ------
    UsageError
        A name is no text.
    ValueError
        Its kind or day is none, or JSON cannot hold its content.
    """
    for text in (house, record.seat, record.microphone):
        refuse_no_text(text)
    if record.kind not in SEAT_RECORD_KINDS:
        raise ValueError(f"{record.kind!r} is no kind of seat record; allowed: {', '.join(SEAT_RECORD_KINDS)}")
    datetime.fromisoformat(record.measured_at)
    content = json.dumps(dict(record.content), allow_nan=False, ensure_ascii=False)
    with history.transaction(writes=True) as connection:
        number = connection.execute(
            sa.insert(SEAT_RECORD).values(
                house=house,
                seat=record.seat,
                microphone=record.microphone,
                kind=record.kind,
                measured_at=record.measured_at,
                take_id=record.take,
                version=record.version,
                content=content,
            )
        ).inserted_primary_key
    assert number is not None
    return int(number[0])


def seat_records(
    history: History,
    *,
    house: str,
    kind: SeatRecordKind,
    seat: str | None = None,
    microphone: str | None = None,
    forgotten: bool = False,
) -> list[SeatRecord]:
    """Records of a kind, newest first; those of takes that were taken out of the reference only where they are asked for.

    Parameters
    ----------
    history : History
    house : str
    kind : SeatRecordKind
    seat, microphone : str, optional
        Only of this one.
    forgotten : bool
        Those of forgotten takes too.

    Raises
    ------
    HistoryError
        A row is damaged.
    """
    query = (
        sa.select(SEAT_RECORD)
        .select_from(SEAT_RECORD.outerjoin(TAKE, TAKE.c.id == SEAT_RECORD.c.take_id))
        .where(SEAT_RECORD.c.house.in_(history.names.houses_of(house)), SEAT_RECORD.c.kind == kind)
        .order_by(SEAT_RECORD.c.measured_at.desc(), SEAT_RECORD.c.id.desc())
    )
    if seat is not None:
        query = query.where(SEAT_RECORD.c.seat.in_(history.names.sources_of(seat)))
    if microphone is not None:
        query = query.where(SEAT_RECORD.c.microphone == microphone)
    if not forgotten:
        query = query.where(TAKE.c.forgotten_at.is_(None))
    with history.transaction() as connection:
        return [_record_of_row(row, history) for row in connection.execute(query)]


def delete_seat_records(history: History, take: int) -> int:
    """Delete the records of a take; returns how many there were."""
    with history.transaction(writes=True) as connection:
        return connection.execute(sa.delete(SEAT_RECORD).where(SEAT_RECORD.c.take_id == take)).rowcount


def delete_seat_record(history: History, number: int) -> bool:
    """Delete a record by its number; False where there is none."""
    with history.transaction(writes=True) as connection:
        return bool(connection.execute(sa.delete(SEAT_RECORD).where(SEAT_RECORD.c.id == number)).rowcount)


def _record_of_row(row: Any, history: History) -> SeatRecord:
    """Record of a row; ValueError where a damaged row holds none."""
    content = json.loads(str(row.content))
    if not isinstance(content, dict) or row.kind not in SEAT_RECORD_KINDS:
        raise ValueError(f"seat record {row.id} holds no content of its kind")
    datetime.fromisoformat(str(row.measured_at))
    return SeatRecord(
        id=row.id,
        seat=history.names.source(str(row.seat)),
        microphone=str(row.microphone),
        kind=row.kind,
        measured_at=str(row.measured_at),
        take=row.take_id,
        version=int(row.version),
        content=content,
    )
