"""Middle and sides of a pair, and the place of a source between left and right."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_CENTRE_POWER_DB: Final = -3.0
"""Gain in the centre of an equal-power pan, sine and cosine: 20 lg sqrt(1/2), rounded as handbooks name the law."""
_CENTRE_LINEAR_DB: Final = -6.0
"""Gain in the centre of a linear pan, equal sum: 20 lg 1/2, rounded as handbooks name the law."""


def to_mid_side(signal: Array) -> Array:
    """(2, frames) of left and right to middle (L + R) / 2 and sides (L - R) / 2, and with factor 2 back."""
    return np.stack([0.5 * (signal[0] + signal[1]), 0.5 * (signal[0] - signal[1])])


def from_mid_side(signal: Array) -> Array:
    """(2, frames) of middle and sides to left and right."""
    return np.stack([signal[0] + signal[1], signal[0] - signal[1]])


def pan_gains(position: float, law_db: float) -> tuple[float, float]:
    """Gains to left and right for a position from -100 to 100, each 1 at its own end.

    -3 dB: sine and cosine (equal power). -6 dB: linear (equal sum). -4.5 dB: the geometric mean of the two. Others lie between
    them in the same way: the law is the gain in the centre (handbook definitions).
    """
    share = 0.5 + position / 200.0
    angle = 0.5 * np.pi * share
    power = (float(np.cos(angle)), float(np.sin(angle)))
    linear = (1.0 - share, share)
    linear_share = (law_db - _CENTRE_POWER_DB) / (_CENTRE_LINEAR_DB - _CENTRE_POWER_DB)
    left, right = (
        max(0.0, p) ** (1.0 - linear_share) * max(0.0, n) ** linear_share for p, n in zip(power, linear, strict=True)
    )
    return (1.0, 0.0) if share == 0.0 else (0.0, 1.0) if share == 1.0 else (left, right)


class MidSideProcessor:
    """Trims of the middle and the sides of a pair."""

    latency = 0
    channels = 2
    reduction_db: Array | None = None
    lane_block = None

    def __init__(self, mid_db: float, side_db: float) -> None:
        self.factors = np.array([[amplitude_from_db(mid_db)], [amplitude_from_db(side_db)]])

    def process(self, signal: Array) -> Array:
        """(2, frames) in and out; 0 dB on both leaves every bit as it is."""
        if (self.factors == 1.0).all():
            return signal
        return from_mid_side(to_mid_side(signal) * self.factors)


class PanProcessor:
    """One channel becomes two; of a pair, the sides are weighed so that the centre leaves them as they are."""

    latency = 0
    channels = 2
    reduction_db: Array | None = None
    lane_block = None

    def __init__(self, position: float, law_db: float, channels: int) -> None:
        left, right = pan_gains(position, law_db)
        if channels == 2:
            centre = pan_gains(0.0, law_db)[0]
            left, right = min(1.0, left / centre), min(1.0, right / centre)
        self.gains = np.array([[left], [right]])

    def process(self, signal: Array) -> Array:
        """(1 or 2, frames) in, (2, frames) out."""
        return np.asarray(signal * self.gains)
