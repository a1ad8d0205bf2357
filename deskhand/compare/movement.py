"""Gain that moves by itself: rides of a fader, and tremolo, told by its rate and depth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.compare.impulse import level_left_db
from deskhand.compare.interval import Interval
from deskhand.compare.result import GainMovement, Modulation
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_SLOW_S: Final = 0.12
"""Standard deviation of the Gaussian over which a slow gain is read: a hand on a fader. Common practice, no source."""
_TREMOLO_S: Final = 0.012
"""The same for a tremolo: up to 15 times a second. Common practice, no source."""
_QUIET: Final = 1e-5
"""Power against the loud moments' below which the gain is held: -50 dB. Common practice, no source."""
_TREMOLO_HZ: Final = (0.4, 16.0)
"""Rates that are looked for. Common practice, no source."""
_TREMOLO_SHARE: Final = 0.7
"""Share of the gain's movement that one rate and its harmonics explain, or it is no tremolo. The study `validations/compare_cases.py`."""
_MOST_SHARPER: Final = 1.2
"""Most of a harmonic's angle over the reading that is given back: a factor of two. Common practice, no source."""
_STEP_S: Final = 0.005
"""Distance between two readings. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MovingGain:
    """Gain over time that does not ask for the level."""

    gain: Array
    """(frames,) factor."""
    residual_db: float
    parameters: int
    """Numbers that it takes to write it down."""


def _gain(before: Array, after: Array, deviation: float) -> Array:
    """(frames,) running ratio of AFTER to BEFORE over a Gaussian, held where nothing plays."""
    hop = max(1, round(deviation / 6.0))
    count = before.shape[1] // hop
    shape = (before.shape[0], count, hop)
    product = np.sum(before[:, : count * hop].reshape(shape) * after[:, : count * hop].reshape(shape), axis=(0, 2))
    power = np.sum(before[:, : count * hop].reshape(shape) ** 2, axis=(0, 2))
    side = np.arange(-24, 25) * hop / deviation
    window = np.exp(-0.5 * side**2)
    product, power = np.convolve(product, window, "same"), np.convolve(power, window, "same")
    known = power > _QUIET * float(np.percentile(power, 98))
    centre = (np.arange(count) + 0.5) * hop
    gain = np.interp(np.arange(before.shape[1]), centre[known], (product[known] / power[known]))
    return np.maximum(gain, 1e-4)


def slow_gain(before: Array, after: Array, rate_hz: int) -> MovingGain:
    """Gain that moves slowly, whatever the level.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int
    """
    gain = _gain(before, after, _SLOW_S * rate_hz)
    parameters = max(1, round(before.shape[1] / rate_hz / (2.5 * _SLOW_S)))
    return MovingGain(gain=gain, residual_db=level_left_db(after, gain * before), parameters=parameters)


def describe_slow(moving: MovingGain, rate_hz: int) -> GainMovement:
    """Gain movement in numbers."""
    gain_db = db_from_amplitude(moving.gain[:: max(1, round(0.1 * rate_hz))])
    return GainMovement(
        lowest_db=round(float(gain_db.min()), 2),
        highest_db=round(float(gain_db.max()), 2),
        gains_db=tuple(round(float(value), 2) for value in gain_db[::5]),
        step_s=0.5,
    )


def find_tremolo(before: Array, after: Array, rate_hz: int) -> tuple[MovingGain, Modulation] | None:
    """Gain that goes up and down at one rate; None where no rate explains it.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int
    """
    if not before.any():
        return None
    gain = _gain(before, after, _TREMOLO_S * rate_hz)
    hop = max(1, round(_STEP_S * rate_hz))
    curve = gain[::hop]
    power = np.add.reduceat(np.sum(before**2, axis=0), np.arange(0, before.shape[1], hop))[: curve.size]
    # digital silence says nothing of how loud the playing is
    weight = np.minimum(power, np.percentile(power[power > 0.0], 70))
    time_s = np.arange(curve.size) * hop / rate_hz
    mean = float(np.sum(weight * curve) / np.sum(weight))
    centred = weight * (curve - mean)
    size = 8 * curve.size
    lines = np.abs(np.fft.rfft(centred, size)) ** 2
    hz = np.fft.rfftfreq(size, hop / rate_hz)
    inside = (hz >= _TREMOLO_HZ[0]) & (hz <= _TREMOLO_HZ[1])
    if not inside.any():
        return None
    rate = float(hz[inside][np.argmax(lines[inside])])
    best: tuple[float, float, Array] | None = None
    for tried in rate + np.linspace(-0.5, 0.5, 9) * rate_hz / hop / curve.size:
        turns = 2.0 * np.pi * tried * time_s
        basis = np.stack([np.ones(curve.size), *(wave(n * turns) for n in (1, 2, 3) for wave in (np.cos, np.sin))])
        weights = np.linalg.lstsq((basis * np.sqrt(weight)).T, np.sqrt(weight) * curve, rcond=None)[0]
        # reading it over some milliseconds has lowered each harmonic by a known factor
        number = np.array([0, 1, 1, 2, 2, 3, 3])
        sharper = np.exp(0.5 * np.minimum(2.0 * np.pi * tried * number * _TREMOLO_S, _MOST_SHARPER) ** 2)
        fitted, sharp = weights @ basis, (weights * sharper) @ basis
        share = 1.0 - float(np.sum(weight * (curve - fitted) ** 2) / max(np.sum(weight * (curve - mean) ** 2), 1e-30))
        if best is None or share > best[0]:
            best = share, float(tried), sharp
    assert best is not None
    share, rate, fitted = best
    if share < _TREMOLO_SHARE:
        return None
    smooth = np.maximum(np.interp(np.arange(before.shape[1]) / rate_hz, time_s, fitted), 1e-4)
    spread = 1.2 / time_s[-1] / max(1.0, rate) ** 0.5
    period = fitted[time_s <= time_s[0] + 1.0 / rate]
    depth = float(db_from_amplitude(max(float(period.max()), 1e-6) / max(float(period.min()), 1e-6)))
    moving = MovingGain(gain=smooth, residual_db=level_left_db(after, smooth * before), parameters=8)
    return moving, Modulation(
        kind="tremolo", rate_hz=round(rate, 3), rate_interval_hz=Interval(low=round(rate - spread, 3), high=round(rate + spread, 3)),
        depth_db=round(depth, 1), depth_ms=None,
    )  # fmt: skip
