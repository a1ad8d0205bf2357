"""Ring-out beside a line check or soundcheck: whoever looks on begins it, answers it and leaves it again. It moves nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from deskhand.live.board import BoardAnswer
from deskhand.live.messages import LiveMessage
from deskhand.live.ring_out import ring_out_of
from deskhand.live.ring_out_file import taken_up
from deskhand.live.ring_out_listener import RingOutListener
from deskhand.live.ring_out_pair import level_of
from deskhand.live.ring_out_picture import found_lines, page_answers, ring_out_picture
from deskhand.live.ring_out_text import sentence
from deskhand.live.soundcheck import Soundcheck

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.live.ring_out import RingOut
    from deskhand.live.ring_out_file import RingOutFile
    from deskhand.live.watch import Watch


class SharedRingOut:
    """Ring-out of one session.

    Parameters
    ----------
    listener : Watch or Soundcheck
        What it is begun from, and left for; it hears nothing meanwhile.
    file : RingOutFile or None
        None: nothing of it is kept on disk, as when a recording is played back.
    microphones : sequence of str
        Those that are rung out; all where none are named.
    """

    def __init__(
        self, listener: Watch | Soundcheck, file: RingOutFile | None = None, microphones: Sequence[str] = ()
    ) -> None:
        self._listener = listener
        self._file = file
        self._is_show = isinstance(listener, Soundcheck) and listener.request.phase == "show"
        state = ring_out_of(listener.house)
        there = {source.name for source, _ in listener.inputs} & (
            set(microphones) or {pair.source for pair in state.pairs}
        )
        self._fresh = replace(state, pairs=tuple(pair for pair in state.pairs if pair.source in there))
        self._state: RingOut | None = None
        """What was found; None before the first beginning of this evening."""
        self._ears: RingOutListener | None = None
        """None while it is not going on."""

    @property
    def is_open(self) -> bool:
        """True while it is going on, and the line check or soundcheck hears nothing."""
        return self._ears is not None

    @property
    def state(self) -> RingOut | None:
        """State as it stands; None before the first beginning of this evening."""
        return self._state if self._ears is None else self._ears.state

    def resume(self) -> None:
        """Take up what was found earlier this evening; it is begun again by a person."""
        kept = None if self._file is None else self._file.read(self._fresh)
        if kept is None:
            return
        time_of_day, self._state = kept
        if self._state.step != "over":
            self._tell(sentence("page", "resumed", {"time": time_of_day}), urgent=True)

    def begin(self, *, by: str = "", anew: bool = False) -> BoardAnswer:
        """Begin it, or go on where it was left; the line check or soundcheck waits meanwhile.

        Parameters
        ----------
        by : str
            Who begins it.
        anew : bool
            Forget what was found.
        """
        if self._is_show:
            return BoardAnswer(accepted=False, text=sentence("page", "not-in-show"))
        if not self._fresh.pairs:
            return BoardAnswer(accepted=False, text=sentence("page", "no-microphone"))
        if self._ears is not None:
            return BoardAnswer(accepted=True)
        is_new = anew or self._state is None or self._state.step == "over"
        state = self._fresh if is_new or self._state is None else taken_up(self._state, self._fresh)
        self._ears = RingOutListener(
            state=state,
            inputs=self._listener.inputs,
            ring=self._listener.ring,
            sample_rate_hz=self._listener.sample_rate_hz,
        )
        self._ears.follower.pass_over()
        self._tell(_said(by, sentence("page", "began")))
        return BoardAnswer(accepted=True)

    def leave(self, by: str = "") -> BoardAnswer:
        """Go back to the line check or soundcheck; a send that was raised is to be brought back by a person, who is told so."""
        if self._ears is None:
            return BoardAnswer(accepted=True)
        self._state, self._ears = self._ears.state, None
        self._write(self._state)
        self._tell(_said(by, sentence("page", "left-it")))
        pair = self._state.pair
        if self._state.step in ("raise", "rang", "cut", "told") and pair.stands_db is not None:
            values = {"source": pair.source, "mix": pair.mix_words, "stands_db": pair.stands_db}
            self._tell(sentence("page", "send-back", values), source=pair.source, urgent=True)
        return BoardAnswer(accepted=True)

    def answer(self, key: str, text: str, by: str = "") -> BoardAnswer:
        """Go on with an answer; refused where somebody else gave one before, or a ring came between.

        Parameters
        ----------
        key : str
            Of the question that it was made for (`RingOut.key`).
        text : str
            One of the answers, or a level in dB.
        by : str
            Who answers.
        """
        if self._ears is None:
            return BoardAnswer(accepted=False, text=sentence("page", "not-now"))
        state = self._ears.state
        if key != state.key:
            return BoardAnswer(accepted=False, text=sentence("page", "stale"))
        labels = dict(page_answers(state))
        level_db = level_of(text)
        if text not in labels and (level_db is None or state.step not in ("stands", "raise", "rang")):
            example_db = float(state.answers[0]) if state.step in ("stands", "raise", "rang") else 0.0
            return BoardAnswer(accepted=False, text=sentence("page", "no-level", {"example_db": example_db}))
        self._ears.answer(text)
        label = labels.get(text) or sentence("page", "level", {"level_db": level_db})
        self._tell(_said(by, label), source=state.pair.source)
        self._write(self._ears.state)
        return BoardAnswer(accepted=True)

    def obey(self, pressed: str) -> bool:
        """Take a key of the terminal: r begins and leaves it, a digit chooses an answer; returns whether it was for the ring-out."""
        if pressed == "r":
            self.leave() if self.is_open else self.begin()
            return True
        state = self.state
        if not self.is_open or state is None or not pressed.isdecimal():
            return False
        answers = page_answers(state)
        if 0 < int(pressed) <= len(answers):
            self.answer(state.key, answers[int(pressed) - 1][0])
        return True

    def advance(self) -> None:
        """Go through the audio that has come since, while the line check or soundcheck waits."""
        assert self._ears is not None
        rings = len(self._ears.state.pair.rings)
        self._listener.messages += self._ears.advance()
        self._listener.pass_over()
        state = self._ears.state
        if len(state.pair.rings) > rings:
            self._tell(state.sentence, source=state.pair.source)
            self._write(state)

    @property
    def notes(self) -> list[str]:
        """What was found, a sentence each, for the result of the evening."""
        return [] if self.state is None else found_lines(self.state)

    def picture(self) -> dict[str, Any]:
        """Picture for those who look on: how to begin it and what was found, or the conversation while it is going on."""
        state = self.state
        phase = sentence("page", "soundcheck" if isinstance(self._listener, Soundcheck) else "line-check")
        is_over = state is None or state.step == "over"
        labels = {
            "title": sentence("page", "title"),
            "leave": sentence("page", "back" if is_over and self.is_open else "leave", {"phase": phase}),
            "head_found": sentence("page", "found"),
            "head_to_come": sentence("page", "to-come"),
            "head_cautions": sentence("page", "cautions"),
            "head_rang": sentence("page", "what-rang"),
            "head_cuts": sentence("page", "on-send"),
            "label_level": sentence("answer", "other-level"),
            "take_level": sentence("answer", "take-level"),
        }
        if self.is_open:
            assert state is not None
            return {"open": True, **labels, **ring_out_picture(state)}
        if self._is_show or not self._fresh.pairs:
            return {"open": False, **labels, "begin": "", "anew": "", "found": self.notes}
        begin = sentence("page", "begin")
        if state is not None and not is_over:
            begin = sentence("page", "go-on", {"source": state.pair.source, "mix": state.pair.mix_words})
        anew = "" if is_over else sentence("page", "anew")
        return {"open": False, **labels, "begin": begin, "anew": anew, "found": self.notes}

    def _tell(self, text: str, source: str | None = None, *, urgent: bool = False) -> None:
        self._listener.messages.append(
            LiveMessage(time_s=self._listener.now_s, source=source, text=text, urgent=urgent)
        )

    def _write(self, state: RingOut) -> None:
        if self._file is not None:
            self._file.write(state)


def _said(by: str, text: str) -> str:
    """What was answered, with who did."""
    return sentence("page", "answered", {"by": by, "answer": text}) if by else text
