"""What people ask of a line check or soundcheck, from the page: checked against what is at hand, done, and told to everybody."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.errors import UsageError
from deskhand.live.answers import answer_as_planned, answer_exchanged, answer_player
from deskhand.live.board import MOST_NAME, MOST_NOTE, MOST_NOTES, BoardAnswer, BoardNote
from deskhand.live.messages import LiveMessage
from deskhand.live.soundcheck import Soundcheck
from deskhand.report.words import text as words
from deskhand.words import printable_line

if TYPE_CHECKING:
    from deskhand.live.board import BoardRequest
    from deskhand.live.ring_out_shared import SharedRingOut
    from deskhand.live.watch import Watch

_FOR_THE_TURN: Final = ("heard", "back", "not-tonight")


class Requests:
    """Requests to one listener.

    Parameters
    ----------
    listener : Watch or Soundcheck
    notes : list of BoardNote
        Those that stand; new ones are added.
    ring_out : SharedRingOut, optional
        None: none can be begun.
    """

    def __init__(
        self, listener: Watch | Soundcheck, notes: list[BoardNote], ring_out: SharedRingOut | None = None
    ) -> None:
        self._listener = listener
        self._ring_out = ring_out
        self._notes = notes
        self.done = False
        """True once somebody ended it."""

    def answer(self, request: BoardRequest) -> BoardAnswer:
        """Do what is asked, or say why not."""
        by = printable_line(request.by)
        if len(by) > MOST_NAME:
            return BoardAnswer(accepted=False, text=words("live.too_long", most=MOST_NAME))
        if request.act == "done":
            self.done = True
            return BoardAnswer(accepted=True)
        if request.act == "note":
            return self._note(request, by)
        if request.act in ("ring-out", "ring-answer", "ring-leave") and self._ring_out is not None:
            return self._rung_out(self._ring_out, request, by)
        if isinstance(self._listener, Soundcheck):
            if request.act != "check":
                return BoardAnswer(accepted=False, text=words("live.only_line_check"))
            self._listener.command("c")
            return BoardAnswer(accepted=True)
        if request.act in ("player", "planned", "exchanged"):
            return self._answered(self._listener, request)
        if request.act in _FOR_THE_TURN:
            return self._turn(self._listener, request, by)
        return BoardAnswer(accepted=False, text=words("live.only_soundcheck"))

    @staticmethod
    def _rung_out(ring_out: SharedRingOut, request: BoardRequest, by: str) -> BoardAnswer:
        """Begin the ring-out, answer its question, or leave it."""
        if request.act == "ring-out":
            return ring_out.begin(by=by, anew=request.text == "anew")
        if request.act == "ring-leave":
            return ring_out.leave(by)
        return ring_out.answer(request.source, request.text, by)

    def _tell(self, text: str, source: str | None = None) -> None:
        self._listener.messages.append(LiveMessage(time_s=self._listener.now_s, source=source, text=text))

    def _turn(self, watch: Watch, request: BoardRequest, by: str) -> BoardAnswer:
        """Pass the turn on or back; refused where somebody else did meanwhile: the input that was meant is not at hand any more."""
        line = watch.line
        awaited = line.awaited
        at_hand = awaited.source.name if awaited is not None else ""
        if request.source != at_hand:
            if not request.source:
                # meant for the end of the list, and somebody went back meanwhile
                return BoardAnswer(accepted=False, text=words("live.stale_back", now=at_hand))
            if request.source not in line.by_name:
                return BoardAnswer(accepted=False, text=words("live.no_such_input"))
            key = "live.stale_gone" if at_hand else "live.stale_over"
            return BoardAnswer(accepted=False, text=words(key, source=request.source, now=at_hand))
        if request.act == "back":
            if line.turn == 0:
                return BoardAnswer(accepted=False, text=words("live.first_has_it", source=at_hand))
            line.back()
            assert line.awaited is not None
            self._tell(words("live.went_back", source=line.awaited.source.name))
        elif awaited is None:
            return BoardAnswer(accepted=False, text=words("live.all_done"))
        elif request.act == "heard":
            line.confirm(by)
            key = "live.confirmed" if by else "live.confirmed_nobody"
            self._tell(words(key, by=by, source=at_hand))
        else:
            line.not_tonight()
            self._tell(words("live.left_out", source=at_hand))
        return BoardAnswer(accepted=True)

    def _answered(self, watch: Watch, request: BoardRequest) -> BoardAnswer:
        """Say who plays an input tonight (an empty name: its usual player again), or answer who was playing."""
        try:
            if request.act == "player":
                answer_player(watch, request.source, request.text)
            elif request.act == "planned":
                answer_as_planned(watch, request.source)
            else:
                answer_exchanged(watch, request.source)
        except UsageError as error:
            return BoardAnswer(accepted=False, text=error.problem if request.act == "player" else str(error))
        return BoardAnswer(accepted=True)

    def _note(self, request: BoardRequest, by: str) -> BoardAnswer:
        text = printable_line(request.text)
        if not text:
            return BoardAnswer(accepted=False, text=words("live.no_text"))
        if len(text) > MOST_NOTE:
            return BoardAnswer(accepted=False, text=words("live.too_long", most=MOST_NOTE))
        if len(self._notes) >= MOST_NOTES:
            return BoardAnswer(accepted=False, text=words("live.too_many_notes", most=MOST_NOTES))
        names = {source.name for source in self._listener.house.source}
        note = BoardNote(
            text=text, by=by, source=request.source if request.source in names else "", time_s=self._listener.now_s
        )
        self._notes.append(note)
        self._tell(words("live.noted", note=str(note)))
        return BoardAnswer(accepted=True)
