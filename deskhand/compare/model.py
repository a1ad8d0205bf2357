"""Model of a processor: the legs it works on, left and right or middle and sides, moved together or each by itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks import to_mid_side
from deskhand.compare.linear import JointEstimate, estimate, still

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_TRIED_S: Final = 16.0
"""Length of the stretch on which the legs are chosen. Common practice, no source."""
LONG_S: Final = 60.0
"""Length of the stretch on which response and moving gain are found. Common practice, no source."""
_STILL_S: Final = 180.0
"""Length of the stretch on which a response is found where no gain moves. Common practice, no source."""
_STILL_SEGMENT: Final = 65536
"""Frames of a segment of the spectra where no gain moves: lines 0.7 Hz apart at 48 kHz. Common practice, no source."""
_MOVING_SEGMENT: Final = _STILL_SEGMENT // 2
"""Frames of a segment where a gain moves: half as long, for twice as many to average. Common practice, no source."""
_SIMPLER_DB: Final = 1.5
"""A model that leaves no more than this above the best is the one, when it is simpler. Common practice, no source."""
AS_GOOD_AS_ANY_DB: Final = -75.0
"""A residual below which no further model is tried. Common practice, no source."""
_LEGS_APART_DB: Final = 3.0
"""Middle and sides are the legs of a gain that stands still when they leave less by this. Common practice, no source."""
_SILENT_LEG: Final = 1e-7
"""Power of a leg against the strongest below which it holds nothing: -70 dB. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LegModel:
    """Response and moving gain of a processor, with the legs that it works on."""

    legs: tuple[str, ...]
    """left; left and right; or mid and side."""
    together: bool
    """True where one gain moves all legs."""
    part: slice
    """Frames that it was found on."""
    joint: JointEstimate


def to_legs(signal: Array, legs: tuple[str, ...]) -> Array:
    """(legs, frames) of a signal: left and right as they are, or middle and sides."""
    if legs == ("mid", "side"):
        return to_mid_side(signal)
    return signal


def lively(signal: Array, rate: int, length_s: float) -> slice:
    """Stretch of a signal that plays most throughout: its soft moments are the loudest."""
    frame_count = min(round(length_s * rate), signal.shape[1])
    hop = max(1, rate // 10)
    power = np.mean(signal[:, : signal.shape[1] // hop * hop].reshape(signal.shape[0], -1, hop) ** 2, axis=(0, 2))
    hops = max(1, frame_count // hop)
    starts = list(range(0, max(1, power.size - hops + 1), max(1, hops // 4)))
    best = max(starts, key=lambda start: float(np.percentile(power[start : start + hops], 30)))
    return slice(best * hop, best * hop + frame_count)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trial:
    """Choice of legs, tried on a short stretch."""

    legs: tuple[str, ...]
    together: bool
    residual_db: float
    at_rest: bool


def choose_model(before: Array, after: Array, rate: int, tell: Callable[[float], None]) -> LegModel:
    """Simplest model that leaves next to the least.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate : int
        Sample rate in Hz.
    tell : callable
        Told the share of the comparison that is done, 0 to 1.
    """
    sides: tuple[str, ...] = ("left", "right") if before.shape[0] == 2 else ("left",)
    options = [(sides, True)]
    if before.shape[0] == 2:
        options += [(("mid", "side"), True), (sides, False), (("mid", "side"), False)]
    part = lively(before, rate, _TRIED_S)
    trials: list[_Trial] = []
    for legs, together in options:
        before_legs, after_legs = to_legs(before[:, part], legs), to_legs(after[:, part], legs)
        if not _all_sound(before_legs):
            continue
        joint = estimate(before_legs, after_legs, rate, together=together, rounds=5)
        trials.append(_Trial(legs=legs, together=together, residual_db=joint.residual_db, at_rest=still(joint)))
        tell(0.15 + 0.08 * len(trials))
        if joint.residual_db < AS_GOOD_AS_ANY_DB:
            break
    least = min(trial.residual_db for trial in trials)
    simplest = next(trial for trial in trials if trial.residual_db <= least + _SIMPLER_DB)
    if simplest.at_rest:
        return resting_model(before, after, rate, sides)
    part = lively(before, rate, LONG_S)
    joint = estimate(
        to_legs(before[:, part], simplest.legs),
        to_legs(after[:, part], simplest.legs),
        rate,
        together=simplest.together,
        segment=_MOVING_SEGMENT,
    )
    return LegModel(legs=simplest.legs, together=simplest.together, part=part, joint=joint)


def _all_sound(legs: Array) -> bool:
    """True where every leg holds something: the sides of what is mono do not."""
    power = np.mean(legs**2, axis=1)
    return bool(power.min() > _SILENT_LEG * power.max())


def resting_model(before: Array, after: Array, rate: int, sides: tuple[str, ...]) -> LegModel:
    """Model without a moving gain: left and right, or middle and sides when that explains clearly more."""
    part = lively(before, rate, _STILL_S)

    def model(legs: tuple[str, ...]) -> LegModel:
        before_legs, after_legs = to_legs(before[:, part], legs), to_legs(after[:, part], legs)
        joint = estimate(before_legs, after_legs, rate, together=True, moving=False, segment=_STILL_SEGMENT)
        return LegModel(legs=legs, together=True, part=part, joint=joint)

    left_right = model(sides)
    if (
        len(sides) == 2
        and left_right.joint.residual_db > AS_GOOD_AS_ANY_DB
        and _all_sound(to_mid_side(before[:, part]))
    ):
        mid_side = model(("mid", "side"))
        if mid_side.joint.residual_db < left_right.joint.residual_db - _LEGS_APART_DB:
            return mid_side
    return left_right
