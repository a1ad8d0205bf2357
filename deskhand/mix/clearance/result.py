"""Result of a voice's clearance: shares of it, the phrases, what each source takes, and what turning middles down gives."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

CLEAR_PCT, COVERED_PCT = 60.0, 35.0
"""Audible shares from which the words are clear, and below which they are covered, until the house has kept weeks of its own.
Common practice, no source."""
SIDES: Final = ("mono", "left", "right")
"""Order in which the feed's energies and shares are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudibilityLimits:
    """Audible shares from which words are clear, and below which they are covered."""

    clear_pct: float = CLEAR_PCT
    covered_pct: float = COVERED_PCT

    def word(self, audible_pct: float) -> str:
        """Word that stands for an audible share."""
        return (
            "clear" if audible_pct >= self.clear_pct else "strained" if audible_pct >= self.covered_pct else "covered"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """One number for the mono sum and each side of the feed, in percent."""

    mono: float
    left: float
    right: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """A few seconds of the voice."""

    start_s: float
    end_s: float
    audible_pct: float
    """In the mono sum."""
    left_pct: float
    """Audible on the left side alone."""
    right_pct: float
    """Audible on the right side alone."""
    clearance_pct: float
    word: str
    """clear, strained or covered."""
    by: str | None
    """Source that covers it most, when it is not clear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """Audible share that one source takes from the voice."""

    source: str
    cost_pct: float
    """Points of audible share, in the mono sum, over all of the voice."""
    low_hz: float
    high_hz: float
    """The bands in which most of it is lost."""
    most_s: tuple[tuple[float, float], ...]
    """The phrases in which it costs most, up to three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MiddleTrims:
    """Audible shares, width and levels for trims of a pair's middle, which makes room for the voice."""

    source: str
    """The pair; "all pairs" for all together."""
    trim_db: tuple[float, ...]
    audible_pct: tuple[Sides, ...]
    width_db: tuple[float, ...]
    mono_loss_db: tuple[float, ...]
    level_db: tuple[float, ...]
    """Level of the pair, against no trim."""
    knee_db: float | None
    """Trim from which a further decibel gives less than half of what the first gave; None when that is not so up to 6 dB, or the
    first gives nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearanceWithMoves:
    """Clearance of one voice with this week's moves, run and measured again."""

    clearance_pct: Sides
    audible_pct: Sides
    wanted_pct: float | None
    """Share that was aimed at, in the mono sum; None when nothing had to give way for it."""
    gives_way: tuple[str, ...]
    """Sources that are moved for it, in the order in which they are moved: the voice itself where its own fader goes up, and those that
    are muted in songs, among them."""
    change_db: float | None
    """Sum over those that are turned down of the RMS change of their level in the feed, over the voice's third-octaves."""
    plain_db: float | None
    """Sum of such changes for turning everything else down alike until the voice is as clear; None where 12 dB do not do it."""
    text: str
    """Outcome in words."""
    hands: int = 0
    """Controls that are moved for it; a group's fader is one."""
    voice_up_db: float | None = None
    """By how much the voice's own fader goes up; None when nothing had to be moved for it."""
    muted: tuple[str, ...] = ()
    """Open microphones that are muted in songs, since nobody uses them there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """Clearance of one voice over a take: shares, phrases, costs and room."""

    source: str
    clearance_pct: Sides
    """The extended index (Rhebergen & Versfeld 2005), with the standard's term that makes loud speech score lower."""
    audible_pct: Sides
    """The extended index without that term."""
    method: str
    """Method by which the costs were shared out: "shapley" (exact), or "mean of leave-one-out and add-one-in"."""
    by_source: tuple[Cost, ...]
    """Largest first."""
    by_band_pct: dict[str, float]
    """Audible share of each third-octave, mono."""
    phrases: tuple[Phrase, ...]
    covered_s: tuple[tuple[float, float], ...]
    room: tuple[MiddleTrims, ...]
    words: AudibilityLimits = field(default_factory=AudibilityLimits)
    """Limits of clear, strained and covered words: by the house's own kept weeks, or by what is common."""
    voice_to_rest_db: float | None
    """Level of the voice against everything else, 160 Hz to 8 kHz, mono, while it is active; None when it is alone."""
    with_moves: ClearanceWithMoves | None = None
    """None when no move changes what is heard with it."""


def shifted(clearance: Clearance, by_s: float) -> Clearance:
    """Clearance with all times later by some seconds."""

    def spans(old: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        return tuple((round(begin_s + by_s, 2), round(end_s + by_s, 2)) for begin_s, end_s in old)

    return replace(
        clearance,
        phrases=tuple(
            replace(phrase, start_s=round(phrase.start_s + by_s, 2), end_s=round(phrase.end_s + by_s, 2))
            for phrase in clearance.phrases
        ),
        covered_s=spans(clearance.covered_s),
        by_source=tuple(replace(cost, most_s=spans(cost.most_s)) for cost in clearance.by_source),
    )
