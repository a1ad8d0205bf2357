"""Board of a line check or soundcheck: what everybody who looks on sees, and what they ask for.

One thread listens, and alone changes what it knows; others look at the newest picture of it, and put requests that it answers on its next turn. So the
desk and the stage see the same, and two who press at once are answered one after the other.
"""

from __future__ import annotations

import queue
import secrets
import threading
import time
from concurrent.futures import Future
from concurrent.futures import TimeoutError as NotInTimeError
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

from deskhand.report.words import text as words
from deskhand.tasks.handover import MOST_LETTERS

if TYPE_CHECKING:
    from collections.abc import Callable

Act = Literal[
    "heard",
    "back",
    "not-tonight",
    "player",
    "planned",
    "exchanged",
    "note",
    "check",
    "ring-out",
    "ring-answer",
    "ring-leave",
    "done",
]
MOST_NAME: Final = 80
"""Most letters of a person's name, as in the house file."""
MOST_NOTE: Final = MOST_LETTERS
"""Most letters of a note, as of those that are handed over."""
MOST_NOTES: Final = 100
"""Most notes of one evening: each picture holds them all. More than one for each of 64 inputs; common practice, no source."""
_WAIT_S: Final = 3.0
"""Time that a request waits for its answer: many turns of the loop that listens. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardRequest:
    """Request of a person who looks on."""

    act: Act
    source: str = ""
    """Input that it was meant for: the one at hand when it was made, or the one that a note or a player belongs to; of an answer in the
    ring-out the mark of its question."""
    by: str = ""
    """Who asks."""
    text: str = ""
    """Note, the player's name, or the answer; "anew" where a ring-out is to begin from the start."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardAnswer:
    """Answer to a request."""

    accepted: bool
    text: str = ""
    """Why not, or what came of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardNote:
    """Note that somebody left."""

    text: str
    by: str
    source: str
    time_s: float
    """Of audio since the beginning."""

    def __str__(self) -> str:
        """Note with its input and who left it, in one line."""
        about = f"{self.source}: " if self.source else ""
        return f"{about}{self.text}" + (f" ({self.by})" if self.by else "")


@dataclass(slots=True)
class _Waiting:
    request: BoardRequest
    answer: Future[BoardAnswer] = field(default_factory=Future)


class Board:
    """Newest picture of what is listened to, numbered, and the requests that wait."""

    def __init__(self) -> None:
        self.session: Final = secrets.token_hex(4)
        """Differs from one start to the next: numbers begin anew with it."""
        self._lock = threading.Lock()
        self._number = 0
        self._picture: dict[str, Any] = {}
        self._drawn_s = time.monotonic()
        self._waiting: queue.SimpleQueue[_Waiting] = queue.SimpleQueue()
        self._over = False

    def publish(self, picture: dict[str, Any]) -> None:
        """Show a new picture; called by the thread that listens. One that shows nothing new keeps its number: it is not sent again."""
        with self._lock:
            if picture != self._picture:
                self._number += 1
                self._picture = picture
            self._drawn_s = time.monotonic()

    def newest(self) -> tuple[int, dict[str, Any], float]:
        """Number of the newest picture, the picture, and its age in seconds."""
        with self._lock:
            return self._number, self._picture, time.monotonic() - self._drawn_s

    @property
    def number(self) -> int:
        """Number of the newest picture."""
        return self._number

    @property
    def over(self) -> bool:
        """True once nothing is listened to any more."""
        return self._over

    def ask(self, request: BoardRequest) -> BoardAnswer:
        """Put a request, and wait for its answer; called by everybody but the thread that listens."""
        if self._over:
            return BoardAnswer(accepted=False, text=words("live.over"))
        waiting = _Waiting(request)
        self._waiting.put(waiting)
        try:
            return waiting.answer.result(_WAIT_S)
        except NotInTimeError:
            if waiting.answer.cancel():
                return BoardAnswer(accepted=False, text=words("live.no_answer"))
            # it is being answered at this moment: what is done is not called undone
            return waiting.answer.result()

    def answer(self, handle: Callable[[BoardRequest], BoardAnswer]) -> int:
        """Answer what waits, one after the other; called by the thread that listens. Returns the number of requests."""
        count = 0
        while True:
            try:
                waiting = self._waiting.get_nowait()
            except queue.Empty:
                return count
            # whoever gave up meanwhile pressed again, or did not: nothing is done behind their back
            if waiting.answer.set_running_or_notify_cancel():
                try:
                    waiting.answer.set_result(handle(waiting.request))
                except BaseException:
                    # whoever asked is not left waiting by what ends the session
                    waiting.answer.set_result(BoardAnswer(accepted=False, text=words("live.no_answer")))
                    raise
                count += 1

    def end(self) -> None:
        """Answer whoever waits that it is over."""
        self._over = True
        self.answer(lambda _: BoardAnswer(accepted=False, text=words("live.over")))
