"""Sharing of a session with everybody who looks on: requests answered, a new picture some times a second, the course on disk."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from deskhand.live.messages import LiveMessage
from deskhand.live.picture import picture_of
from deskhand.live.requests import Requests
from deskhand.report.words import text as words
from deskhand.store import HandoverNote
from deskhand.tasks.handover import leave_notes

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.live.board import Board, BoardNote
    from deskhand.live.display import AudioFeed
    from deskhand.live.resume import CourseFile
    from deskhand.live.seats import SeatWatch
    from deskhand.live.soundcheck import Soundcheck
    from deskhand.live.watch import Watch

_PICTURE_S: Final = 0.2
"""Time between two pictures where nobody asked for anything: no faster than a person reads. Common practice, no source."""


class Sharing:
    """What a session shares.

    Parameters
    ----------
    board : Board or None
        None: nobody looks on.
    course : CourseFile or None
        None: nothing of it is kept on disk, as when a recording is played back.
    listener : Watch or Soundcheck
    feed : AudioFeed
    """

    def __init__(
        self, board: Board | None, course: CourseFile | None, listener: Watch | Soundcheck, feed: AudioFeed
    ) -> None:
        self.notes: list[BoardNote] = []
        """Notes that people left."""
        self._board = board
        self._course = course
        self._listener = listener
        self._feed = feed
        self._requests = Requests(listener, self.notes)
        self._drawn_s = 0.0
        self._state = ""

    def resume(self) -> bool:
        """Go on where a line check of this evening was broken off; tells so, and returns whether there was one."""
        going_on = None if self._course is None else self._course.resume(self.notes)
        if going_on is None:
            return False
        time_of_day, count = going_on
        text = words("live.resumed", time=time_of_day, count=count)
        self._listener.messages.append(LiveMessage(time_s=0.0, source=None, text=text))
        return True

    @property
    def done(self) -> bool:
        """True once somebody ended it from the page."""
        return self._requests.done

    def step(self, state: str, problem: str, seats: SeatWatch | None) -> None:
        """Answer what waits, and show what has changed."""
        if self._board is not None:
            answered = self._board.answer(self._requests.answer)
            now_s = time.monotonic()
            if answered or state != self._state or now_s - self._drawn_s >= _PICTURE_S:
                self._publish(state, problem, seats)
                self._drawn_s, self._state = now_s, state
        if self._course is not None:
            self._course.write(self.notes)

    def _publish(self, state: str, problem: str, seats: SeatWatch | None) -> None:
        assert self._board is not None
        self._board.publish(
            picture_of(
                self._listener,
                device=self._feed.label,
                state=state,
                problem=problem,
                seats=() if seats is None else seats.lines,
                notes=self.notes,
                practice=self._feed.is_practice,
            )
        )

    def end(self, *, is_ended: bool) -> None:
        """Keep the course for the next start, or remove it where it was ended by a person or its time was over."""
        if self._course is not None:
            self._course.end() if is_ended else self._course.write(self.notes, at_once=True)


def hand_over(notes: Sequence[BoardNote], *, date: str | None, house_file: Path, history: str | None, by: str) -> int:
    """Leave the notes of an evening for the next one; returns their number.

    Parameters
    ----------
    notes : sequence of BoardNote
    date : str or None
        Of the evening.
    house_file : Path
    history : str or None
    by : str
        Who left those without a name.
    """
    left = [HandoverNote(date=date, source=note.source, text=note.text, said_by=note.by or by) for note in notes]
    return len(leave_notes(left, house_file=house_file, history=history)) if left else 0
