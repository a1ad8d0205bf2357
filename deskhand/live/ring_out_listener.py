"""Ears of a ring-out: tones that build up in the microphone whose turn it is, and the margin that talk tells."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from deskhand.live.messages import LiveMessage
from deskhand.live.ring import Follower
from deskhand.live.ring_out_text import sentence
from deskhand.live.ringing import ringing_message
from deskhand.live.talk import TalkSpectrum
from deskhand.live.tones import ToneWatch

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.house import Source
    from deskhand.live.ring import Ring
    from deskhand.live.ring_out import RingOut


@dataclass(slots=True, kw_only=True)
class RingOutListener:
    """Ears of a ring-out: gives its state the tones that build up, and the margin that talk tells.

    Parameters
    ----------
    state : RingOut
    inputs : sequence of (source, rows)
    ring : Ring
    sample_rate_hz : int
    """

    state: RingOut
    inputs: Sequence[tuple[Source, tuple[int, ...]]]
    ring: Ring
    sample_rate_hz: int
    follower: Follower = field(init=False)
    _tones: ToneWatch | None = None
    _all: ToneWatch | None = None
    _talk: TalkSpectrum = field(init=False)
    _of: tuple[int, float | None] | None = None

    def __post_init__(self) -> None:
        self.follower = Follower(self.ring, self.sample_rate_hz)
        self._talk = TalkSpectrum(sample_rate_hz=self.sample_rate_hz)

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""
        return self.follower.now_s

    def advance(self) -> list[LiveMessage]:
        """Go through the audio that has come since; what is urgent of it beside the state."""
        return [message for hop in self.follower.steps() for message in self._take(hop)]

    def answer(self, answer: str) -> None:
        """Go on with an answer.

        Parameters
        ----------
        answer : str
        """
        self.state = self.state.answered(answer)

    def _take(self, hop: NDArray[np.float32]) -> list[LiveMessage]:
        """Listen to the microphone whose turn it is; to all of them while none is raised."""
        state = self.state
        rows = next((rows for source, rows in self.inputs if source.name == state.listens_to), None)
        if rows is None or state.listens_to is None:
            self._tones, self._of = None, None
            self._all = self._all or ToneWatch(inputs=self.inputs, sample_rate_hz=self.sample_rate_hz)
            return [ringing_message(tone, "line-check") for tone in self._all.take(hop, self.now_s)]
        self._all = None
        if self._of is None or self._of[0] != state.turn:
            # a microphone that is muted at the desk hears the tone as well: it is the one that is raised
            alone = [(source, of_source) for source, of_source in self.inputs if source.name == state.listens_to]
            self._tones = ToneWatch(inputs=alone, sample_rate_hz=self.sample_rate_hz)
        if self._of != (state.turn, state.pair.now_db):
            # another level, another loop
            self._talk = TalkSpectrum(sample_rate_hz=self.sample_rate_hz)
            self._of = (state.turn, state.pair.now_db)
        assert self._tones is not None
        urgent = []
        for tone in self._tones.take(hop, self.now_s):
            if self.state.step != "raise":
                values = {"source": state.listens_to, "frequency_hz": tone.frequency_hz}
                text = sentence("page", "mute-now", values)
                urgent.append(LiveMessage(time_s=self.now_s, source=state.listens_to, text=text, urgent=True))
            self.state = self.state.rang(tone.frequency_hz, tone.growth_db_s)
        self._talk.take(hop[rows[0]])
        margin_db = self._talk.margin_db()
        if margin_db is not None and self.state.step == "raise":
            self.state = self.state.near(margin_db)
        return urgent
