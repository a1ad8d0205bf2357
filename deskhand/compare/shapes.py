"""Fewest named shapes that explain a measured response: passes, shelves, bells, and a gain."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.optimize

from deskhand.compare.filter_shapes import FilterShape, packed, response_db, shape_db, unpacked
from deskhand.house import BLOCKS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

MOST_SHAPES: Final = 6
"""Shapes that a response is explained by at most. Common practice, no source."""
_GOOD_DB: Final = 0.03
"""RMS of what is left below which no further shape is looked for: as much as windows smear. Common practice, no source."""
_WORTH: Final = 0.82
"""A further shape must bring what is left below this share. Common practice, no source."""
_LEAST_GAIN_DB: Final = 0.1
"""A shape of less gain does next to nothing. Common practice, no source."""
_LEAST_BETTER_DB: Final = 0.03
"""And by so much, which is more than windows smear. Common practice, no source."""
_SLOPES_DB_PER_OCTAVE: Final = (6.0, 12.0, 18.0, 24.0)
"""Slopes of a pass that are tried: orders one to four. Common practice, no source."""
_LEAST_SURE_DB: Final = 0.02
"""Added to the uncertainty of each point, so that none decides alone. Common practice, no source."""
_SLOPE_STEP: Final = 1e-6
"""Step of a parameter over which a slope is read. Common practice, no source."""
_FAR_DB: Final = 30.0
"""A point this far below the median counts half. Common practice, no source."""
_REMEMBERED: Final = 64
"""Responses of single shapes that a search remembers: several times the parameters of all shapes, so that a step finds those that stand."""
_GAIN_COST: Final = 0.002
"""Cost of a decibel of a shape's gain, in decibels of what is left: two that undo each other are no explanation. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShapeFit:
    """Shapes and a gain that explain a response."""

    shapes: tuple[FilterShape, ...]
    gain_db: float
    rms_db: float
    """RMS of what they leave, weighted by how sure the response is."""
    warped: bool
    """True where they follow the tangent mapping to the sample rate, False for the analogue filters."""


class _ResponseFit:
    """Least-squares fit of shapes to a response, every point counting by how sure it is."""

    def __init__(self, hz: Array, level_db: Array, sure_db: Array, rate_hz: float, *, warped: bool) -> None:
        self.hz, self.level_db, self.rate_hz, self.warped = hz, level_db, rate_hz, warped
        # what lies far down, behind a steep pass, is known least and matters least
        below = np.maximum(0.0, np.median(level_db) - level_db)
        self.weight = 1.0 / np.sqrt(sure_db**2 + _LEAST_SURE_DB**2) / (1.0 + (below / _FAR_DB) ** 2)
        self.weight /= np.sqrt(np.mean(self.weight**2))
        self._squared_weight = self.weight**2
        self._weight_sum = np.sum(self._squared_weight)
        self._shapes_db: dict[tuple[object, ...], Array] = {}

    def _response_db(self, shapes: Sequence[FilterShape]) -> Array:
        """(points,) response of shapes; a search turns one parameter at a time, so the other shapes' is remembered."""
        total_db = np.zeros(self.hz.size)
        for shape in shapes:
            key = (shape.block, shape.frequency_hz, shape.gain_db, shape.q, shape.slope_db_per_octave)
            if key not in self._shapes_db:
                if len(self._shapes_db) >= _REMEMBERED:
                    self._shapes_db.clear()
                self._shapes_db[key] = shape_db(shape, self.hz, self.rate_hz, warped=self.warped)
            total_db += self._shapes_db[key]
        return total_db

    def left(self, shapes: Sequence[FilterShape], standing_db: Array | float = 0.0) -> tuple[Array, float]:
        """((points,) weighted residual with the best gain, that gain); `standing_db` is the response of shapes that stand."""
        off = self.level_db - standing_db - self._response_db(shapes)
        gain = float(np.sum(self._squared_weight * off) / self._weight_sum)
        return (off - gain) * self.weight, gain

    def rms_db(self, shapes: Sequence[FilterShape]) -> float:
        """RMS of what shapes leave, with the cost of their gains."""
        return float(np.sqrt(np.mean(self.left(shapes)[0] ** 2) + np.sum(self.gain_costs(shapes) ** 2) / self.hz.size))

    def gain_costs(self, shapes: Sequence[FilterShape]) -> Array:
        """(shapes,) cost of each gain: two that undo each other are no explanation."""
        gains = np.array([shape.gain_db or 0.0 for shape in shapes], np.float64)
        return np.asarray(_GAIN_COST * np.sqrt(self.hz.size) * gains)

    def refined(self, shapes: Sequence[FilterShape], *, steps: int = 60) -> list[FilterShape]:
        """Shapes, fitted all together from where they stand."""
        if not shapes:
            return []

        def left(values: Array) -> Array:
            candidate = unpacked(values, shapes)
            return np.concatenate([self.left(candidate)[0], self.gain_costs(candidate)])

        def slopes(values: Array) -> Array:
            return self._slopes(values, shapes)

        solution = scipy.optimize.least_squares(
            left,
            packed(shapes),
            jac=slopes,
            loss="soft_l1",
            f_scale=0.3,
            max_nfev=steps,
        )
        return unpacked(solution.x, shapes)

    def refined_last(self, shapes: Sequence[FilterShape], start: FilterShape) -> list[FilterShape]:
        """One more shape, fitted alone while the others stand."""
        standing_db = response_db(shapes, self.hz, self.rate_hz, warped=self.warped)

        def left(values: Array) -> Array:
            return self.left(unpacked(values, [start]), standing_db)[0]

        def slopes(values: Array) -> Array:
            return self._slopes(values, [start])[: self.hz.size]

        solution = scipy.optimize.least_squares(
            left, packed([start]), jac=slopes, loss="soft_l1", f_scale=0.3, max_nfev=15
        )
        return unpacked(solution.x, [start])

    def _slopes(self, values: Array, like: Sequence[FilterShape]) -> Array:
        """(points + shapes, parameters) slopes of the residual and of the gains' costs: a parameter turns its own shape only."""
        shapes = unpacked(values, like)
        slopes = np.zeros((self.hz.size + len(shapes), values.size))
        column = 0
        for number, shape in enumerate(shapes):
            resting_db = self._response_db([shape])
            count = packed([shape]).size
            for index in range(count):
                turned = values[column : column + count].copy()
                turned[index] += _SLOPE_STEP
                [moved] = unpacked(turned, [shape])
                slope = (shape_db(moved, self.hz, self.rate_hz, warped=self.warped) - resting_db) / _SLOPE_STEP
                mean = float(np.sum(self._squared_weight * slope) / self._weight_sum)
                slopes[: self.hz.size, column + index] = (mean - slope) * self.weight
                if moved.gain_db != shape.gain_db:
                    slopes[self.hz.size + number, column + index] = _GAIN_COST * np.sqrt(self.hz.size)
            column += count
        return slopes


def _pass(block: str, hz: float, slope_db_per_octave: float) -> FilterShape:
    """A pass; one of 12 dB an octave may have any Q."""
    q = 0.707 if slope_db_per_octave == 12.0 else None
    return FilterShape(block=block, frequency_hz=hz, gain_db=None, q=q, slope_db_per_octave=slope_db_per_octave)


def _starts(fit: _ResponseFit, shapes: Sequence[FilterShape]) -> list[FilterShape]:
    """Shapes that might explain what is left."""
    left, _ = fit.left(shapes)
    off = left / fit.weight
    smooth = np.convolve(np.pad(off, 6, mode="edge"), np.ones(13) / 13, "valid")
    starts = []
    for point in {int(np.argmax(smooth)), int(np.argmin(smooth)), int(np.argmax(np.abs(off)))}:
        hz, gain = float(fit.hz[point]), float(off[point])
        if abs(gain) > 0.02:
            starts += [
                FilterShape(block="bell", frequency_hz=hz, gain_db=gain, q=q, slope_db_per_octave=None)
                for q in (0.7, 2.0, 6.0)
            ]
    middle = float(np.median(off))
    shelves: tuple[tuple[str, Array, tuple[float, ...]], ...] = (
        ("low-shelf", off[: max(3, off.size // 12)], (90.0, 200.0, 450.0)),
        ("high-shelf", off[-max(3, off.size // 12) :], (2000.0, 4500.0, 9000.0)),
    )
    for block, end_db, corners_hz in shelves:
        gain = float(np.median(end_db)) - middle
        if abs(gain) > 0.05:
            starts += [
                FilterShape(block=block, frequency_hz=hz, gain_db=gain, q=0.707, slope_db_per_octave=None)
                for hz in corners_hz
            ]
    passes: tuple[tuple[str, Array, tuple[float, ...]], ...] = (
        ("high-pass", off[: max(3, off.size // 20)], (40.0, 100.0, 220.0)),
        ("low-pass", off[-max(3, off.size // 20) :], (3000.0, 7000.0, 12000.0)),
    )
    for block, end_db, corners_hz in passes:
        if end_db.min() < middle - 0.5 and not any(shape.block == block for shape in shapes):
            starts += [_pass(block, hz, slope) for slope in _SLOPES_DB_PER_OCTAVE for hz in corners_hz]
    return starts


def describe(hz: Array, level_db: Array, sure_db: Array, sample_rate_hz: float) -> ShapeFit:
    """Fewest named shapes that explain a response.

    Parameters
    ----------
    hz, level_db : (points,) arrays
        Frequency and magnitude, on a logarithmic grid.
    sure_db : (points,) array
        Half of the interval that holds 95 %.
    sample_rate_hz : float

    Notes
    -----
    One shape more as long as it brings what is left to four fifths; all are fitted again together. Filters are taken as their
    analogue prototypes (Audio EQ Cookbook, W3C Note 2021) or as the tangent mapping makes them, whichever leaves less.
    """
    fits: list[ShapeFit] = []
    for warped in (False, True):
        fit = _ResponseFit(hz, level_db, sure_db, sample_rate_hz, warped=warped)
        for beginning in _beginnings(fit):
            shapes = _merged(fit, _pruned(fit, _greedy(fit, beginning)))
            least_gain_shapes, gain_db = _with_least_gain(shapes, fit.left(shapes)[1])
            fits.append(
                ShapeFit(
                    shapes=tuple(sorted(least_gain_shapes, key=lambda shape: shape.frequency_hz)),
                    gain_db=gain_db,
                    rms_db=fit.rms_db(shapes),
                    warped=warped,
                )
            )
        if fits and min(candidate.rms_db for candidate in fits) < _GOOD_DB:
            break
    nearest = min(candidate.rms_db for candidate in fits)
    # the fewest among those that are as good
    as_good = [candidate for candidate in fits if candidate.rms_db <= max(1.25 * nearest, nearest + _LEAST_BETTER_DB)]
    return min(as_good, key=lambda candidate: (len(candidate.shapes), _unusual(candidate.shapes), candidate.rms_db))


def _unusual(shapes: Sequence[FilterShape]) -> float:
    """Distance of all passes from 12 dB an octave, which most have, where the programme does not tell."""
    return sum(abs((shape.slope_db_per_octave or 12.0) - 12.0) for shape in shapes)


def _with_least_gain(shapes: Sequence[FilterShape], gain_db: float) -> tuple[list[FilterShape], float]:
    """Each shelf as the one that leaves the least gain besides: lifting all below is the same as lowering all above, and a gain."""
    turned, left = list(shapes), gain_db
    shelf_that_acts = {block.acts: name for name, block in BLOCKS.items() if block.is_bell_or_shelf and block.acts}
    for index, shape in enumerate(turned):
        if shape.acts and shape.gain_db is not None and abs(left + shape.gain_db) < abs(left) - 0.05:
            left += shape.gain_db
            opposite = shelf_that_acts["above" if shape.acts == "below" else "below"]
            turned[index] = replace(shape, block=opposite, gain_db=-shape.gain_db)
    return turned, left


def _greedy(fit: _ResponseFit, beginning: list[FilterShape]) -> list[FilterShape]:
    """One shape more as long as it is worth it."""
    shapes = list(beginning)
    rms_db = fit.rms_db(shapes)
    while len(shapes) < MOST_SHAPES and rms_db > _GOOD_DB:
        candidates = sorted(
            ([*shapes, *fit.refined_last(shapes, start)] for start in _starts(fit, shapes)), key=fit.rms_db
        )
        # the nearest, and the nearest of each kind
        nearest = candidates[:2]
        kinds = {candidate[-1].block: candidate for candidate in reversed(candidates)}
        tried = nearest + [
            candidate for candidate in kinds.values() if all(candidate is not chosen for chosen in nearest)
        ]
        if not tried:
            break
        better = min((fit.refined(candidate) for candidate in tried), key=fit.rms_db)
        better_db = fit.rms_db(better)
        if better_db > _WORTH * rms_db or rms_db - better_db < _LEAST_BETTER_DB:
            break
        shapes, rms_db = better, better_db
    return shapes


def _beginnings(fit: _ResponseFit) -> list[list[FilterShape]]:
    """Shapes to begin with: none, and a pass where an end falls away."""
    beginnings: list[list[FilterShape]] = [[]]
    level = fit.level_db
    edge = max(3, level.size // 16)
    passes: tuple[tuple[str, Array, tuple[float, ...]], ...] = (
        ("high-pass", level[:edge], (40.0, 90.0, 180.0)),
        ("low-pass", level[-edge:], (4000.0, 9000.0, 14000.0)),
    )
    for block, end_db, corners_hz in passes:
        if float(np.median(level)) - float(end_db.min()) < 1.0:
            continue
        tried = [[_pass(block, hz, slope)] for slope in _SLOPES_DB_PER_OCTAVE for hz in corners_hz]
        slopes: set[float | None] = set()
        for beginning in sorted((fit.refined(shapes, steps=20) for shapes in tried), key=fit.rms_db):
            if beginning[0].slope_db_per_octave not in slopes and len(slopes) < 2:
                slopes.add(beginning[0].slope_db_per_octave)
                beginnings.append(beginning)
    return beginnings


def _without(shapes: Sequence[FilterShape], *left_out: FilterShape) -> list[FilterShape]:
    """Shapes but for some of them, told apart by what they are and not by their values."""
    return [shape for shape in shapes if all(shape is not spare for spare in left_out)]


def _pruned(fit: _ResponseFit, shapes: list[FilterShape]) -> list[FilterShape]:
    """Shapes without those that do next to nothing."""
    needed = list(shapes)
    while True:
        small = [shape for shape in needed if shape.gain_db is not None and abs(shape.gain_db) < _LEAST_GAIN_DB]
        spare = [
            shape
            for shape in needed
            if shape in small
            or fit.rms_db(_without(needed, shape))
            < max(fit.rms_db(needed) / _WORTH**0.5, fit.rms_db(needed) + _LEAST_BETTER_DB)
        ]
        if not spare:
            return needed
        needed.remove(min(spare, key=lambda shape: fit.rms_db(_without(needed, shape))))
        needed = fit.refined(needed)


def _merged(fit: _ResponseFit, shapes: list[FilterShape]) -> list[FilterShape]:
    """Two shapes as one bell where that is as good: two shelves that face each other make a hump."""
    merged = list(shapes)
    while True:
        allowed_db = max(fit.rms_db(merged) / _WORTH**0.5, fit.rms_db(merged) + _LEAST_BETTER_DB)
        best: list[FilterShape] | None = None
        for first, second in itertools.combinations([shape for shape in merged if shape.gain_db is not None], 2):
            hz = float(np.sqrt(first.frequency_hz * second.frequency_hz))
            # gain of the two in their middle, against that far from it
            below, middle, above = response_db(
                [first, second], np.array([hz / 8.0, hz, hz * 8.0]), fit.rate_hz, warped=False
            )
            gain = float(middle - 0.5 * (below + above)) or 0.5
            bell = FilterShape(block="bell", frequency_hz=hz, gain_db=gain, q=0.8, slope_db_per_octave=None)
            tried = fit.refined([*_without(merged, first, second), bell])
            if fit.rms_db(tried) < allowed_db and (best is None or fit.rms_db(tried) < fit.rms_db(best)):
                best = tried
        if best is None:
            return merged
        merged = best
