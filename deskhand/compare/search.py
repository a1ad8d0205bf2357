"""Search for the model of a level-dependent gain that is nearest to a measured one, and how sure each of its settings is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.optimize

from deskhand.compare.interval import Interval
from deskhand.compare.laws import HIGHEST, LOWEST, NAMES, SCALE, STEP_S, Bench, ModelMake, part_of, settings
from deskhand.compare.starts import SearchStart, rms_db, search_starts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.laws import GainReading

    Array = NDArray[np.float64]

_MOST_CHOSEN: Final = 8
"""Detectors and laws with which a search begins. Common practice, no source."""
_BLEND_WORTH: Final = 0.8
"""Share of the difference that may be left when a parallel path is taken in, one parameter more. Common practice, no source."""
AS_NEAR: Final = 1.5
"""Misfit against the nearest's up to which a model's settings are within what can be told. Common practice, no source."""
_LIFT_WORTH: Final = 1.2
"""Factor by which an upward compression must be nearer: less gain above a threshold does the same where no soft moment is lifted less. The
study `validations/compare_cases.py`."""
_LEAST_PASSED: Final = 0.05
"""Share of the playing above its threshold up to which an upward compression is no other than a downward one. Common practice, no source."""
_STEEPER: Final = 1.3
"""log2 by which a ratio is steeper where half goes beside it, to begin with: what both take off is about the same."""
_AS_NEAR_BLEND, _BESIDE = 1.1, 0.85
"""Both: a parallel path with less than this share compressed that explains as much leaves the ratio open. Common practice, no source."""
_NEAR_DB: Final = 0.001
"""Difference (RMS) at which nothing more is tried. Common practice, no source."""
_SOFT_DB: Final = 0.5
"""Difference from which a moment counts less than by its square: zero crossings tell a gain badly. Common practice, no source."""
_SLOPE_STEP: Final = 2e-3
"""Share of a parameter's step in `SCALE` over which a slope is read. Common practice, no source."""
_SECTION_S: Final = 1.0
"""Sections of time that are drawn again for the intervals. Common practice, no source."""
_ASKED_AGAIN: Final = 3.0
"""Misfit against the nearest's up to which the next is tried on the whole as well. Common practice, no source."""
_EXCERPT_S: Final = 8.0
"""Stretch that models are tried on first: some tens of releases. Common practice, no source."""
_SETTLE_S: Final = 0.7
"""Beginning of that stretch that does not count. Common practice, no source."""
_DRAWS: Final = 300
"""Draws of a bootstrap (Efron & Tibshirani 1993 have 50 to 200 for standard errors, more for ends of intervals)."""
_WIDER: Final = 1.3
"""Factor by which the intervals are wider than the draws: the nearest model is not the unit itself. The study `validations/compare_cases.py`."""
_TELLS_DB: Final = 0.002
"""Change of the gain (RMS) by a setting's step in `SCALE`, the others turned to meet it, below which it is not told. The same study."""
_LEAST_SURE: Final = np.array([0.3, 0.06, 1.0, 0.1, 0.05, 0.5, 0.03])
"""Half of the interval, in parameters of `LOWEST`, that stays unsure beside chance. The same study."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LawFit:
    """Nearest model of a gain."""

    shape: ModelMake
    values: Array
    """Parameters, in the order of `NAMES`."""
    misfit_db: float
    """RMS difference from the measured gain."""
    makeup_db: float
    intervals: dict[str, Interval]
    """Interval of each setting that the model has."""
    bench: Bench
    parallel_open: bool = False
    """True where a steeper ratio with the untouched signal beside it explains as much."""
    lift_open: bool = False
    """True where lifting soft moments up to a range explains as much: nothing is as loud as where that would end."""

    @property
    def parameters(self) -> int:
        """Numbers that the model takes."""
        return len(self.shape.free) + 1

    def gain(self, frames: int) -> Array:
        """(frames,) gain, as a factor, without the make-up: straight lines between a model's readings."""
        stride = self.bench.reading.stride
        gain = self.bench.stride_gain(self.shape, self.values)
        return np.interp(np.arange(frames), np.arange(gain.size) * stride + stride // 2, gain)


def _refined(bench: Bench, start: SearchStart, *, steps: int) -> tuple[SearchStart, Array | None]:
    """(nearest model from a start on, (steps, parameters) its derivatives)."""
    free = start.shape.free
    root = np.sqrt(bench.reading.weight)

    last: dict[bytes, Array] = {}

    def off(free_values: Array) -> Array:
        values = start.values.copy()
        values[free] = free_values
        last.clear()
        last[free_values.tobytes()] = off_db = bench.off_db(start.shape, values)[0]
        return root * off_db

    def slopes(free_values: Array) -> Array:
        rows = np.repeat(start.values[None], len(free), axis=0)
        rows[:, free] = free_values
        step = _SLOPE_STEP * SCALE[free] * np.where(free_values + _SLOPE_STEP * SCALE[free] > HIGHEST[free], -1.0, 1.0)
        rows[np.arange(len(free)), free] += step
        resting_db = last.get(free_values.tobytes())
        if resting_db is None:
            off(free_values)
            resting_db = last[free_values.tobytes()]
        offs_db = bench.offs_db(start.shape, rows)[0]
        return np.asarray(((offs_db - resting_db) / step[:, None] * root).T)

    solution = scipy.optimize.least_squares(
        off, np.clip(start.values[free], LOWEST[free] + 1e-6, HIGHEST[free] - 1e-6), jac=slopes, bounds=(LOWEST[free], HIGHEST[free]),
        x_scale=SCALE[free], loss="soft_l1", f_scale=_SOFT_DB, max_nfev=steps,
    )  # fmt: skip
    values = start.values.copy()
    values[free] = solution.x
    misfit = rms_db(bench, bench.off_db(start.shape, values)[0])
    return SearchStart(misfit_db=misfit, shape=start.shape, values=values), np.asarray(solution.jac)


def _liveliest(reading: GainReading) -> GainReading:
    """Stretch in which the gain moves most while something plays."""
    steps = round(_EXCERPT_S / STEP_S)
    if reading.gain_db.size <= steps:
        return reading
    moved = np.abs(np.diff(reading.gain_db, prepend=reading.gain_db[0])) * reading.weight
    total = np.cumsum(moved)
    firsts = np.arange(0, reading.gain_db.size - steps, steps // 8)
    first = int(firsts[np.argmax(total[firsts + steps - 1] - total[firsts])])
    part = part_of(reading, first, first + steps)
    # what came before the stretch still rings in its beginning
    return replace(part, weight=part.weight * (np.arange(steps) * STEP_S >= _SETTLE_S)) if first else part


def fit_law(reading: GainReading, *, rough: bool = False) -> LawFit | None:
    """Nearest model of a level-dependent gain; None where no level explains any of it.

    Parameters
    ----------
    reading : GainReading
    rough : bool
        True where the nearest of a stretch is enough: no rival of it, no parallel path, and so intervals too narrow to be told.

    References
    ----------
    Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60 (2012) 399: the models. Efron & Tibshirani, An Introduction to the Bootstrap
    (1993): the intervals.
    """
    if np.sum(reading.weight) < 100:
        return None
    # the whole is only gone through from where a livelier stretch has led
    bench = Bench(_liveliest(reading))
    starts = search_starts(bench)
    chosen: list[SearchStart] = []
    for start in starts:
        same = [
            candidate
            for candidate in chosen
            if (candidate.shape.detector, candidate.shape.law) == (start.shape.detector, start.shape.law)
        ]
        if not same:
            chosen.append(start)
    refined = sorted(
        (_refined(bench, start, steps=5)[0] for start in chosen[:_MOST_CHOSEN]), key=lambda start: start.misfit_db
    )
    nearest = sorted(
        (_refined(bench, start, steps=12)[0] for start in _gone_on_with(refined)), key=lambda start: start.misfit_db
    )
    chosen_starts = nearest[:1] + [
        start for start in nearest[1:] if start.misfit_db < _ASKED_AGAIN * nearest[0].misfit_db
    ]
    whole = Bench(reading)
    if rough:
        start = min(nearest, key=lambda each: each.misfit_db * (_LIFT_WORTH if each.shape.law == "lift" else 1.0))
        return finished(whole, start.shape, start.values)
    fits = [finished(whole, start.shape, start.values) for start in chosen_starts]
    fit = min(fits, key=lambda candidate: candidate.misfit_db * (_LIFT_WORTH if candidate.shape.law == "lift" else 1.0))
    if fit.shape.law == "lift":
        fit = _turned_round(whole, fit)
    parallel_open = False
    downward = [fit, *sorted(fits, key=lambda candidate: candidate.misfit_db)]
    downward = [each for each in downward if each.shape.law == "above" and each.shape.detector != "look-ahead"][:1]
    for plain in (
        downward if fit.misfit_db > _NEAR_DB and fit.shape.law != "below" and fit.shape.detector != "look-ahead" else ()
    ):
        beside, is_open = _beside(bench, plain)
        # one that lifts what is soft looks like one with the untouched signal beside it
        blended = None if beside is None else finished(whole, beside.shape, beside.values)
        if blended is not None and (plain is fit or blended.misfit_db < _LIFT_WORTH * fit.misfit_db):
            fit = blended
        parallel_open = is_open and plain is fit
    return replace(fit, intervals=_joined(fit, fits), parallel_open=parallel_open)


def _gone_on_with(refined: list[SearchStart]) -> list[SearchStart]:
    """Models that a search goes on with: the nearest, the one that follows powers instead of amplitudes, the next, the nearest of another law."""
    first = refined[0]
    twins = {"level peak": "level rms", "level rms": "level peak", "gain peak": "gain rms", "gain rms": "gain peak"}
    wanted = (twins.get(first.shape.detector), first.shape.law)
    twin = [start for start in refined[1:] if (start.shape.detector, start.shape.law) == wanted][:1]
    other = [
        start
        for start in refined[1:]
        if start.shape.law != first.shape.law and start.misfit_db < _ASKED_AGAIN * first.misfit_db
    ][:1]
    chosen = [first]
    for start in [*twin, *refined[1:2], *other]:
        if all(start is not already for already in chosen):
            chosen.append(start)
    return chosen


def _turned_round(bench: Bench, fit: LawFit) -> LawFit:
    """Upward compression whose threshold is hardly ever passed as what it is as well: less gain above where its range ends."""
    turned = settings(fit.values)
    level = bench.level_db(fit.shape.detector, fit.shape.ahead_s, turned["attack_ms"], turned["release_ms"])
    strides = bench.reading.hop // bench.reading.stride
    top = level[: bench.reading.gain_db.size * strides].reshape(-1, strides).max(axis=1)[bench.reading.weight > 0]
    if float(np.mean(top > turned["threshold_dbfs"])) > _LEAST_PASSED:
        return fit
    values = fit.values.copy()
    values[0] -= turned["range_db"] / (1.0 - 1.0 / turned["ratio"])
    values[2] = 0.5
    above = finished(bench, replace(fit.shape, law="above"), np.clip(values, LOWEST + 1e-3, HIGHEST - 1e-3))
    return replace(above, lift_open=True) if above.misfit_db < AS_NEAR * fit.misfit_db + 0.01 else fit


def _joined(fit: LawFit, fits: list[LawFit]) -> dict[str, Interval]:
    """Intervals that hold those of every model that explains next to as much."""
    near = [candidate for candidate in fits if candidate.misfit_db < AS_NEAR * fit.misfit_db]
    joined = {}
    for name, interval in fit.intervals.items():
        near_intervals = [candidate.intervals[name] for candidate in near if name in candidate.intervals]
        joined[name] = Interval(
            low=min([interval.low, *(candidate.low for candidate in near_intervals)]),
            high=max([interval.high, *(candidate.high for candidate in near_intervals)]),
        )
    return joined


def finished(bench: Bench, shape: ModelMake, values: Array) -> LawFit:
    """Nearest model of one make from some settings on, with its intervals.

    Parameters
    ----------
    bench : Bench
    shape : ModelMake
    values : (parameters,) array
        Where the search begins.
    """
    start = SearchStart(misfit_db=np.inf, shape=shape, values=values)
    best, jacobian = _refined(bench, start, steps=12)
    off, makeup_db = bench.off_db(best.shape, best.values)
    return LawFit(
        shape=best.shape, values=best.values, misfit_db=best.misfit_db, makeup_db=makeup_db,
        intervals=_intervals(bench, best, off, jacobian), bench=bench,
    )  # fmt: skip


def _beside(bench: Bench, fit: LawFit) -> tuple[SearchStart | None, bool]:
    """(model with some of the untouched signal beside it where that is clearly nearer, True where it is as near)."""
    values = fit.values.copy()
    values[1] = min(values[1] + _STEEPER, HIGHEST[1] - 0.1)
    values[6] = 0.5
    shape = replace(fit.shape, blend=True)
    beside = _refined(bench, SearchStart(misfit_db=np.inf, shape=shape, values=values), steps=14)[0]
    plain_db = rms_db(bench, bench.off_db(fit.shape, fit.values)[0])
    if beside.values[6] >= _BESIDE:
        return None, False
    if beside.misfit_db < _BLEND_WORTH * plain_db:
        return beside, False
    return None, beside.misfit_db < _AS_NEAR_BLEND * plain_db


def _intervals(bench: Bench, best: SearchStart, off: Array, jacobian: Array | None) -> dict[str, Interval]:
    """Interval of each setting: sections of time drawn again, each draw solved by one step of Newton's."""
    free = best.shape.free
    if jacobian is None:
        return {}
    weight = np.sqrt(bench.reading.weight)
    scaled = jacobian * SCALE[free]
    section = round(_SECTION_S / STEP_S)
    count = max(2, off.size // section)
    parts = np.array_split(np.arange(off.size), count)
    # the loss lets what lies far off count less
    slope = (weight * off) / np.sqrt(1.0 + (off / _SOFT_DB) ** 2)
    squares = np.array([scaled[part].T @ scaled[part] for part in parts])
    pulls = np.array([scaled[part].T @ slope[part] for part in parts])
    rng = np.random.default_rng(count)
    moved = []
    ridge = (1e-9 * float(np.trace(squares.sum(axis=0))) + 1e-12) * np.eye(len(free))
    for _ in range(_DRAWS):
        drawn = rng.integers(0, count, count)
        moved.append(np.linalg.solve(squares[drawn].sum(axis=0) + ridge, pulls[drawn].sum(axis=0)))
    half = np.zeros(len(NAMES))
    half[free] = _WIDER * np.percentile(np.abs(np.array(moved)), 95, axis=0) * SCALE[free]
    half = np.hypot(half, _LEAST_SURE)
    # a setting that moves nothing that the others do not move as well is open from end to end
    total = squares.sum(axis=0) + ridge
    alone_db = 1.0 / np.sqrt(
        np.maximum(np.diag(np.linalg.inv(total)), 1e-30) * max(float(np.sum(bench.reading.weight)), 1.0)
    )
    half[np.array(free)[alone_db < _TELLS_DB]] = np.inf
    low, high = settings(best.values - half), settings(best.values + half)
    return {
        NAMES[index]: Interval(low=round(low[NAMES[index]], 3), high=round(high[NAMES[index]], 3)) for index in free
    }
