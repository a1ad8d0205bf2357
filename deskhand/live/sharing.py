"""Sharing of a session with everybody who looks on: requests answered, a new picture some times a second, the course on disk."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from deskhand.live.messages import LiveMessage
from deskhand.live.picture import picture_of
from deskhand.live.requests import Requests
from deskhand.live.resume import CourseFile
from deskhand.live.ring_out_file import RingOutFile
from deskhand.live.ring_out_shared import SharedRingOut
from deskhand.live.watch import Watch
from deskhand.report.words import text as words
from deskhand.store import HandoverNote
from deskhand.tasks.handover import leave_notes

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.live.board import Board, BoardNote
    from deskhand.live.display import AudioFeed
    from deskhand.live.seats import SeatWatch
    from deskhand.live.soundcheck import Soundcheck

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
    ring_out : SharedRingOut
    """

    def __init__(
        self,
        board: Board | None,
        course: CourseFile | None,
        listener: Watch | Soundcheck,
        feed: AudioFeed,
        ring_out: SharedRingOut,
    ) -> None:
        self.notes: list[BoardNote] = []
        """Notes that people left."""
        self._board = board
        self._course = course
        self._listener = listener
        self._feed = feed
        self.ring_out = ring_out
        self._requests = Requests(listener, self.notes, ring_out)
        self._drawn_s = 0.0
        self._state = ""

    def resume(self) -> bool:
        """Go on where a line check of this evening was broken off; tells so, and returns whether there was one."""
        self.ring_out.resume()
        going_on = None if self._course is None else self._course.resume(self.notes)
        if going_on is None:
            return False
        time_of_day, count = going_on
        text = words("live.resumed", time=time_of_day, count=count)
        self._listener.messages.append(LiveMessage(time_s=0.0, source=None, text=text))
        return True

    def advance(self) -> None:
        """Go through the audio that has come since: for the ring-out while one is going on, else for the line check or soundcheck."""
        self.ring_out.advance() if self.ring_out.is_open else self._listener.advance()

    def obey(self, pressed: str) -> bool:
        """Take a key of the terminal that answers a question; returns whether it did. None of the others counts during a ring-out."""
        if not pressed:
            return False
        if self.ring_out.is_open:
            self.ring_out.obey(pressed)
            return pressed != "q"
        listener = self._listener
        return (isinstance(listener, Watch) and listener.answers.obey(pressed)) or self.ring_out.obey(pressed)

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

    def show_last(self, problem: str, seats: SeatWatch | None) -> None:
        """Show what stands at the end, once everything that was heard is measured."""
        if self._board is not None:
            self._publish("over", problem, seats)

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
                ring_out=self.ring_out.picture(),
            )
        )

    def end(self, *, is_ended: bool) -> None:
        """Keep the course for the next start, or remove it where it was ended by a person or its time was over."""
        # a send that was raised is told to be brought back
        self.ring_out.leave()
        if self._course is not None:
            self._course.end() if is_ended else self._course.write(self.notes, at_once=True)


def sharing_of(
    board: Board | None,
    listener: Watch | Soundcheck,
    feed: AudioFeed,
    *,
    folder: Path,
    date: str,
    microphones: Sequence[str] = (),
) -> Sharing:
    """What a session shares, with its files of this evening; without any where a recording is played back.

    The course of a line check is kept; a soundcheck begins again with the next half minute.

    Parameters
    ----------
    board : Board or None
    listener : Watch or Soundcheck
    feed : AudioFeed
    folder : Path
        Of the house's own files.
    date : str
        Of the evening.
    microphones : sequence of str
        Sources that are rung out; all where none are named.
    """
    is_kept = not feed.is_practice
    course = CourseFile(folder, date, listener) if is_kept and isinstance(listener, Watch) else None
    ring_out = SharedRingOut(listener, RingOutFile(folder, date) if is_kept else None, microphones)
    return Sharing(board, course, listener, feed, ring_out)


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
