"""Gains of two sides set against each other: moved together, each by itself, or too alike to tell.

A detector that hears both sides moves them alike; two that hear one side each move them apart wherever the sides differ in level.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.chain.blocks import from_mid_side, to_mid_side
from deskhand.compare.impulse import level_left_db
from deskhand.compare.laws import Bench, read_gain
from deskhand.compare.search import finished, fit_law

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.search import LawFit

    Array = NDArray[np.float64]

Link = Literal["linked", "dual", "cannot be told"]
LEGS: Final = (("left", "right"), ("mid", "side"))
"""Pairs of legs that may have a gain of their own."""
_LEAST_APART_DB, _APART_SHARE = 0.25, 0.3
"""Both: RMS difference of two legs' gains from which they move apart, and as a share of what they move. The study
`validations/compare_cases.py`."""
_BALANCE_DB: Final = 0.3
"""Difference of two legs' gains in the middle from which they are not one gain. Common practice, no source."""
_SIDES_DIFFER_DB: Final = 1.0
"""RMS difference of two sides' levels below which one detector and two do the same. The same study."""
_STILL_DB: Final = 0.3
"""Gain reduction at loud moments below which a leg has none. Common practice, no source."""
_FLOOR: Final = 1e-3
"""Smallest gain that is divided by: -60 dB. Common practice, no source."""
_SILENT_LEG: Final = 1e-6
"""Power of a leg against the other below which its gain is not read: -60 dB. Common practice, no source."""
_LOUD_DB: Final = 25.0
"""Moments in which both legs are less than this below their loud ones count. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LegLaws:
    """Level-dependent gains of two legs, each by itself."""

    legs: tuple[str, str]
    laws: tuple[LawFit, LawFit]
    predicted: Array
    """(channels, frames) of BEFORE through both."""
    undone: Array
    """(channels, frames) of AFTER without them, make-up gains left in."""
    residual_db: float

    @property
    def parameters(self) -> int:
        """Numbers that both take."""
        return self.laws[0].parameters + self.laws[1].parameters

    @property
    def active(self) -> list[int]:
        """Legs whose gain moves."""
        return [number for number, law in enumerate(self.laws) if _moved_db(law) >= _STILL_DB]


def _moved_db(law: LawFit) -> float:
    """Range of a measured gain while it plays, 5 to 95 %, in dB."""
    reading = law.bench.reading
    playing = reading.gain_db[reading.weight > 0]
    return float(np.percentile(playing, 95) - np.percentile(playing, 5)) if playing.size else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Apart:
    """Difference of two rows' gains where both play, in dB."""

    spread_db: float = 0.0
    """Spread of the difference of the gains."""
    balance_db: float = 0.0
    """Size of its middle."""
    levels_db: float = 0.0
    """Spread of the difference of the levels."""
    moved_db: float = 0.0
    """Spread of the gain that moves more."""


def _apart_db(source: Array, after: Array, rate_hz: int) -> _Apart:
    """Gains of two rows set against each other."""
    power = np.mean(source**2, axis=1)
    if power.min() <= _SILENT_LEG * power.max():
        return _Apart()
    first, second = (read_gain(source[row : row + 1], after[row : row + 1], rate_hz) for row in (0, 1))
    both = (first.weight > 0) & (second.weight > 0)
    for reading in (first, second):
        both &= reading.level_db > np.percentile(reading.level_db, 98) - _LOUD_DB
    if both.sum() < 100:
        return _Apart()
    gains = first.gain_db[both], second.gain_db[both]
    difference = gains[0] - gains[1]
    return _Apart(
        spread_db=_spread(difference), balance_db=abs(float(np.median(difference))),
        levels_db=_spread(first.level_db[both] - second.level_db[both]), moved_db=max(_spread(gain) for gain in gains),
    )  # fmt: skip


def _spread(values: Array) -> float:
    """Standard deviation of a normal distribution with the same quartiles: it bears zero crossings, which tell a gain badly."""
    low, high = np.percentile(values, [25, 75])
    return float(high - low) / 1.349


def link_of(source: Array, after: Array, rate_hz: int) -> Link:
    """Answer to whether one detector hears both sides.

    Parameters
    ----------
    source, after : (2, frames) arrays
        Left and right in front of a gain and behind it.
    rate_hz : int
    """
    apart = _apart_db(source, after, rate_hz)
    if apart.levels_db < _SIDES_DIFFER_DB:
        return "cannot be told"
    return "dual" if apart.spread_db > max(_LEAST_APART_DB, _APART_SHARE * apart.moved_db) else "linked"


def legs_apart(source: Array, after: Array, rate_hz: int) -> list[tuple[str, str]]:
    """Pairs of legs whose gains move apart, the clearest first; none where one gain moves all.

    Parameters
    ----------
    source, after : (2, frames) arrays
    rate_hz : int
    """
    pairs = []
    for legs in LEGS:
        signals = (source, after) if legs[0] == "left" else (to_mid_side(source), to_mid_side(after))
        apart = _apart_db(*signals, rate_hz)
        if apart.spread_db > max(_LEAST_APART_DB, _APART_SHARE * apart.moved_db) or apart.balance_db > _BALANCE_DB:
            pairs.append((apart.spread_db / max(apart.moved_db, 0.1), legs))
    return [legs for _, legs in sorted(pairs, reverse=True)]


def fit_legs(
    source: Array, after: Array, rate_hz: int, legs: tuple[str, str], *, rough: bool = False
) -> LegLaws | None:
    """Nearest models of two legs' gains; None where no level explains one.

    Parameters
    ----------
    source, after : (2, frames) arrays
        Left and right.
    rate_hz : int
    legs : pair of str
        Of `LEGS`.
    rough : bool
        True where the nearest models of a stretch are enough.
    """
    sides = legs[0] == "left"
    leg_source, leg_after = (source, after) if sides else (to_mid_side(source), to_mid_side(after))
    laws: list[LawFit] = []
    for row in (0, 1):
        reading = read_gain(leg_source[row : row + 1], leg_after[row : row + 1], rate_hz)
        law = None
        if laws:
            # two sides of one unit are mostly made alike
            law = finished(Bench(reading), laws[0].shape, laws[0].values)
            law = law if law.misfit_db < 2.0 * laws[0].misfit_db else None
        law = law or fit_law(reading, rough=rough)
        if law is None:
            return None
        laws.append(law)
    gains = np.stack([law.gain(source.shape[1]) for law in laws])
    makeups = np.array([[10.0 ** (law.makeup_db / 20.0)] for law in laws])
    predicted, undone = makeups * gains * leg_source, leg_after / np.maximum(gains, _FLOOR)
    if not sides:
        predicted, undone = from_mid_side(predicted), from_mid_side(undone)
    return LegLaws(
        legs=legs,
        laws=(laws[0], laws[1]),
        predicted=predicted,
        undone=undone,
        residual_db=level_left_db(after, predicted),
    )
