"""Handover from one evening to the next: what was done and by whom, and the jobs that are open."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Final

from deskhand.errors import DeskhandError, UsageError
from deskhand.house import read_house
from deskhand.store import HandoverNote, history_url
from deskhand.tasks.keep import history_at
from deskhand.words import printable_line

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.store.history import History

MOST_LETTERS: Final = 500
"""Most letters of a note: some lines on the sheet. Common practice, no source."""
_STANDS_DAYS: Final = 8
"""Days that a note stands: until the next week's evening is over. A job stands until it is done. Common practice, no source."""


def one_line(text: str) -> str:
    """Text in one line, without signs that are no text.

    Raises
    ------
    UsageError
        It is empty, or too long.
    """
    line = printable_line(text)
    if not line:
        raise UsageError("the note", "is empty", "write what the next one should know")
    if len(line) > MOST_LETTERS:
        raise UsageError("the note", f"has {len(line)} letters", f"write {MOST_LETTERS} at most")
    return line


def history_of(given: str | None, house_file: Path, *, create: bool) -> tuple[History | None, str]:
    """History of a house, and the house's name; None where nothing was written yet and none is to be made."""
    house = read_house(house_file)
    try:
        return history_at(given, house_file, create=create), house.house.name
    except UsageError:
        if create or history_url(given, house_file.parent) is None:
            raise
        return None, house.house.name


def leave_notes(
    notes: Sequence[HandoverNote], *, house_file: Path, history: str | None, sources: Sequence[str] | None = None
) -> list[int]:
    """Write notes for the next evening; returns their numbers.

    Parameters
    ----------
    notes : sequence of HandoverNote
    house_file : Path
    history : str or None
        URL or file of the history.
    sources : sequence of str, optional
        Names that a note may be about; those of the house file by default.

    Raises
    ------
    UsageError
        A note is about an input that is not there.
    """
    from deskhand.store.handover import add_handover_notes

    known = sources if sources is not None else [source.name for source in read_house(house_file).source]
    for note in notes:
        if note.source and note.source not in known:
            raise UsageError(f'--source "{note.source}"', "is no input of the house file", "use its name there")
    store, house = history_of(history, house_file, create=True)
    assert store is not None
    try:
        return add_handover_notes(store, notes, house=house)
    finally:
        store.close()


def standing(notes: Sequence[HandoverNote], today: str | None = None) -> tuple[list[HandoverNote], list[HandoverNote]]:
    """Open jobs, and the notes that still stand: those of the last eight days, jobs that were done in them among these.

    Parameters
    ----------
    notes : sequence of HandoverNote
        In the order of writing.
    today : str, optional
        Date like 2026-03-08; this computer's by default.
    """
    now = dt.date.today()  # noqa: DTZ011 - the evening's own date
    evening = dt.date.fromisoformat(today) if today else now
    jobs = [note for note in notes if note.is_job and note.done_by is None]

    def is_new(note: HandoverNote) -> bool:
        moment = dt.datetime.fromisoformat(note.done_at or note.said_at).astimezone().date()
        said = dt.date.fromisoformat(note.date) if note.date and note.done_at is None else moment
        # an older show is looked at with what stood then, and with what was said since
        spans = [(day, day - dt.timedelta(days=_STANDS_DAYS)) for day in (evening, now)]
        return any(oldest <= date <= day for day, oldest in spans for date in (said, moment))

    return jobs, [note for note in notes if note not in jobs and is_new(note)]


def line_of(note: HandoverNote) -> str:
    """Note as it is printed: its text, who left it, who did it."""
    done = f"; done by {note.done_by}" if note.done_by is not None else ""
    return f"{note}{done}"


def handed_over(
    *, house_file: Path | None, history: str | None, today: str | None = None
) -> tuple[list[HandoverNote], list[HandoverNote]]:
    """Open jobs and standing notes of a house; none where there is no house file or no history.

    A history that cannot be read is told by whoever needs it; here it holds no notes.
    """
    from deskhand.store.handover import handover_notes

    if house_file is None:
        return [], []
    try:
        store, house = history_of(history, house_file, create=False)
    except DeskhandError:
        return [], []
    if store is None:
        return [], []
    try:
        return standing(handover_notes(store, house=house), today)
    except DeskhandError:
        return [], []
    finally:
        store.close()
