"""Notes and jobs that are handed over from one evening to the next, written to the history and read from it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from deskhand.errors import UsageError
from deskhand.store.records import HandoverNote
from deskhand.store.rows import now_utc, refuse_no_text
from deskhand.store.tables import HANDOVER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.store.history import History

_FIELDS = ("date", "source", "text", "said_by", "done_by", "done_at")
"""Fields that a row holds as they are."""


def add_handover_notes(history: History, notes: Sequence[HandoverNote], *, house: str) -> list[int]:
    """Write notes and jobs; all of them or none.

    Returns
    -------
    list of int
        Their numbers.

    Raises
    ------
    UsageError
        A name or a note is no text.
    """
    for note in notes:
        for text in (house, note.source, note.text, note.said_by):
            refuse_no_text(text)
    numbers = []
    with history.transaction(writes=True) as connection:
        for note in notes:
            row = {name: getattr(note, name) for name in _FIELDS}
            insert = sa.insert(HANDOVER).values(**row, house=house, is_job=int(note.is_job), said_at=now_utc())
            numbers.append(connection.execute(insert.returning(HANDOVER.c.id)).scalar_one())
    return numbers


def handover_notes(history: History, *, house: str) -> list[HandoverNote]:
    """Notes and jobs of a house in the order of writing, without those that were taken back.

    Inputs are called as they are called today.
    """
    query = (
        sa.select(HANDOVER)
        .where(HANDOVER.c.house.in_(history.names.houses_of(house)), HANDOVER.c.taken_back_at.is_(None))
        .order_by(HANDOVER.c.id)
    )
    with history.transaction() as connection:
        notes = [_note_of_row(row) for row in connection.execute(query)]
    names = history.names
    return [replace(note, source=names.source(note.source)) if note.source in names.sources else note for note in notes]


def _note_of_row(row: Any) -> HandoverNote:
    """Note of a row; ValueError where a damaged row holds none."""
    for moment in (row.said_at, row.done_at):
        if moment is not None:
            datetime.fromisoformat(str(moment))
    if row.is_job not in (0, 1):
        raise ValueError(f"note {row.id} is neither a note nor a job")
    return HandoverNote(
        id=row.id, is_job=bool(row.is_job), said_at=row.said_at, **{name: getattr(row, name) for name in _FIELDS}
    )


def finish_job(history: History, number: int, *, house: str, by: str | None) -> HandoverNote:
    """Tick a job as done by somebody, or, with None, open it again.

    Raises
    ------
    UsageError
        There is no such job, or it is as wanted already.
    """
    if by is not None:
        refuse_no_text(by)
    note = _found(history, number, house)
    if not note.is_job:
        raise UsageError(f"note {number}", "is a note and no job", "there is nothing to tick")
    if (note.done_by is not None) == (by is not None):
        state = f"is done already, by {note.done_by}" if by is not None else "is open"
        raise UsageError(f"job {number}", state, "see: deskhand note --list")
    _change(history, number, {"done_by": by, "done_at": None if by is None else now_utc()})
    return note


def take_back_note(history: History, number: int, *, house: str) -> HandoverNote:
    """Take a note or a job back; it stays in the history.

    Raises
    ------
    UsageError
        There is no such note.
    """
    note = _found(history, number, house)
    _change(history, number, {"taken_back_at": now_utc()})
    return note


def _found(history: History, number: int, house: str) -> HandoverNote:
    note = next((note for note in handover_notes(history, house=house) if note.id == number), None)
    if note is None:
        raise UsageError(f"note {number}", "is not there", "see: deskhand note --list")
    return note


def _change(history: History, number: int, values: dict[str, str | None]) -> None:
    with history.transaction(writes=True) as connection:
        connection.execute(
            sa.update(HANDOVER).where(HANDOVER.c.id == number, HANDOVER.c.taken_back_at.is_(None)).values(**values)
        )
