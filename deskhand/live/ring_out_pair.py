"""One microphone and one mix of a ring-out: where the send stands, what rang, and the cuts that are proposed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.live.ring_out_text import sentence

if TYPE_CHECKING:
    from deskhand.house.model import Equaliser

NEAREST_WEDGE: Final = "its nearest wedge"
"""Name of the mix of a microphone whose sends nobody wrote down."""
_NARROW_Q: Final = 8.0
"""Narrowest cut: a ring moves with whoever stands there, by more than a narrower one takes in. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SendRing:
    """Ring of one send: frequency, growth, and where the send stood."""

    frequency_hz: float
    growth_db_s: float
    send_db: float | None = None
    """None until it was asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SendCut:
    """Narrow cut proposed on one send, in the desk's steps."""

    frequency_hz: float
    gain_db: float
    q: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RingOutPair:
    """Microphone and mix that are rung out together, with what was found."""

    source: str
    mix: str
    known_db: float | None = None
    """Level of the send in the house file."""
    stands_db: float | None = None
    """Level of the send for the show, as it was answered; None where the pair was left out."""
    now_db: float | None = None
    margin_db: float | None = None
    """Margin heard in talk, at the level where it stands now; None while none is told."""
    rings: tuple[SendRing, ...] = ()
    cuts: tuple[SendCut, ...] = ()

    @property
    def mix_words(self) -> str:
        """Name of the mix; in words of the language where no send is written down."""
        return sentence("word", "nearest-wedge") if self.mix == NEAREST_WEDGE else self.mix

    @property
    def left_db(self) -> float | None:
        """Margin between the last ring, or what it was raised to since without one, and where the send stands; None where it did not ring."""
        rang_at_db = [ring.send_db for ring in self.rings if ring.send_db is not None]
        if not rang_at_db or self.stands_db is None or self.now_db is None:
            return None
        return max(rang_at_db[-1], self.now_db) - self.stands_db


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualiserSteps:
    """Steps in which the desk's equaliser can cut."""

    gain_step_db: float
    frequency_step_octave: float
    qs: tuple[float, ...]
    bells: int

    @classmethod
    def of(cls, equaliser: Equaliser) -> EqualiserSteps:
        """Steps of a house's desk."""
        return cls(
            gain_step_db=equaliser.gain_step_db,
            frequency_step_octave=equaliser.frequency_step_octave,
            qs=tuple(equaliser.q),
            bells=equaliser.bells,
        )

    def cut(self, frequency_hz: float, gain_db: float) -> SendCut:
        """Cut nearest to a frequency and gain, as narrow as the desk has it up to a Q of 8."""
        octaves = math.log2(frequency_hz / 1000.0)
        if self.frequency_step_octave > 0:
            octaves = round(octaves / self.frequency_step_octave) * self.frequency_step_octave
        if self.gain_step_db > 0:
            gain_db = round(gain_db / self.gain_step_db) * self.gain_step_db
        narrow = [q for q in self.qs if q <= _NARROW_Q] or [min(self.qs)]
        return SendCut(frequency_hz=round(1000.0 * 2.0**octaves, 1), gain_db=round(gain_db, 6), q=max(narrow))


def level_of(text: str) -> float | None:
    """Level that was typed, in dB; None where it is none, or beyond what a send has."""
    try:
        level_db = float(text.strip().lower().removesuffix("db").replace("\N{MINUS SIGN}", "-").replace(",", "."))
    except ValueError:
        return None
    return level_db if -90.0 <= level_db <= 20.0 else None
