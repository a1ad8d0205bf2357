"""Saturation without memory: the curve that turns each sample of BEFORE into one of AFTER."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.compare.impulse import level_left_db
from deskhand.compare.interval import Interval
from deskhand.compare.result import CurvePoint, Saturation
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_KNOTS: Final = 33
"""Corners of the curve, from the most negative sample to the most positive. Common practice, no source."""
_BENDING: Final = 1e-4
"""Cost of a corner's turn, against the samples that hold it: bridges what few samples reach. Common practice, no source."""
_DRAWN: Final = 16
"""Corners on each side that the result has. Common practice, no source."""
_SECTION_S: Final = 1.0
"""Sections over which the curve is drawn again for the interval. Common practice, no source."""
_UNEVEN: Final = 0.03
"""Difference of the two halves, against the highest output, from which the curve is called uneven. Common practice, no source."""
_SINE_STEPS: Final = 4096
"""Samples of the sine that the curve is tried on. Common practice, no source."""
_LEAST_SURE_DB: Final = 0.15
"""Squash that stays unsure beside chance: corners are joined by straight lines. The study `validations/compare_cases.py`."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bend:
    """Curve of a saturation."""

    knots: Array
    """(knots,) inputs."""
    values: Array
    """(knots,) outputs."""
    residual_db: float

    def through(self, signal: Array) -> Array:
        """(channels, frames) of a signal through the curve."""
        return np.interp(signal, self.knots, self.values)

    def undone(self, signal: Array) -> Array:
        """(channels, frames) of a signal with the curve undone; where it is flat, as near as its corners tell."""
        values = np.maximum.accumulate(self.values)
        step = 1e-9 * max(float(np.abs(values).max()), 1e-9)
        return np.interp(signal, values + step * np.arange(values.size), self.knots)


def _normal_equations(before: Array, after: Array, knots: Array) -> tuple[Array, Array]:
    """((knots, knots), (knots,)) of the least-squares fit of straight pieces."""
    step = knots[1] - knots[0]
    position = np.clip((before - knots[0]) / step, 0.0, knots.size - 1.000001)
    index = position.astype(np.int64)
    upper = position - index
    lower = 1.0 - upper
    size = knots.size
    diagonal = np.bincount(index, lower**2, size) + np.bincount(index + 1, upper**2, size)
    beside = np.bincount(index, lower * upper, size)[:-1]
    target = np.bincount(index, lower * after, size) + np.bincount(index + 1, upper * after, size)
    return np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1), np.asarray(target)


def _solved(matrix: Array, target: Array) -> Array:
    """(knots,) outputs, smooth where few samples are."""
    size = target.size
    turns = np.diff(np.eye(size), 2, axis=0)
    return np.asarray(np.linalg.solve(matrix + _BENDING * matrix.trace() / size * turns.T @ turns, target))


def find_bend(before: Array, after: Array) -> Bend:
    """Curve from BEFORE to AFTER that leaves the least.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    """
    top = float(np.abs(before).max())
    knots = np.linspace(-top, top, _KNOTS)
    values = _solved(*_normal_equations(before.ravel(), after.ravel(), knots))
    bend = Bend(knots=knots, values=values, residual_db=0.0)
    return Bend(knots=knots, values=values, residual_db=level_left_db(after, bend.through(before)))


def _squash_db(knots: Array, values: Array, top: float) -> float:
    """Gain at the top against that of soft samples, in dB: what it takes off the peaks."""
    soft = float(np.interp(0.06 * top, knots, values) - np.interp(-0.06 * top, knots, values)) / 0.12
    loud = float(np.interp(top, knots, values) - np.interp(-top, knots, values)) / 2.0
    return float(db_from_amplitude(max(soft, 1e-9) / max(loud, 1e-9)))


def describe_bend(bend: Bend, before: Array, after: Array, rate_hz: int) -> Saturation:
    """Saturation in numbers.

    Parameters
    ----------
    bend : Bend
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int
    """
    top = float(np.percentile(np.abs(before), 99.99))
    section = round(_SECTION_S * rate_hz)
    parts = []
    for first in range(0, before.shape[1] - section + 1, section):
        piece = slice(first, first + section)
        parts.append(_normal_equations(before[:, piece].ravel(), after[:, piece].ravel(), bend.knots))
    rng = np.random.default_rng(len(parts))
    squashes = []
    for _ in range(60 if len(parts) > 1 else 0):
        chosen = [parts[index] for index in rng.integers(0, len(parts), len(parts))]
        values = _solved(np.sum([part[0] for part in chosen], axis=0), np.sum([part[1] for part in chosen], axis=0))
        squashes.append(_squash_db(bend.knots, values, top))
    squash = _squash_db(bend.knots, bend.values, top)
    low, high = np.percentile(squashes, [2.5, 97.5]) if squashes else (squash, squash)
    inputs = np.linspace(-top, top, 2 * _DRAWN + 1)
    outputs = np.interp(inputs, bend.knots, bend.values)
    centre = float(np.interp(0.0, bend.knots, bend.values))
    uneven = float(np.abs(outputs - centre + (outputs[::-1] - centre)).max()) / max(float(np.abs(outputs).max()), 1e-12)
    return Saturation(
        curve=tuple(
            CurvePoint(input=round(float(left), 5), output=round(float(right), 5))
            for left, right in zip(inputs, outputs, strict=True)
        ),
        squash_db=round(squash, 2),
        squash_interval_db=Interval(
            low=round(float(low) - _LEAST_SURE_DB, 2), high=round(float(high) + _LEAST_SURE_DB, 2)
        ),
        uneven=uneven > _UNEVEN,
        harmonics_db=round(_harmonics_db(bend, top), 1),
    )


def _harmonics_db(bend: Bend, top: float) -> float:
    """Level of all harmonics together against the fundamental, of a sine as high as the peaks."""
    sine = top * np.sin(2.0 * np.pi * np.arange(_SINE_STEPS) / _SINE_STEPS)
    spectrum = np.abs(np.fft.rfft(bend.through(sine))) ** 2
    return float(10.0 * np.log10(max(float(spectrum[2:].sum()), 1e-30) / max(float(spectrum[1]), 1e-30)))
