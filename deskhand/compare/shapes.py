"""A measured response as the fewest named shapes that explain it: passes, shelves, bells, and a gain."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import scipy.optimize

from deskhand.dsp.filters import (
    analogue_power,
    bell_prototype,
    high_shelf_prototype,
    low_shelf_prototype,
    pass_prototypes,
)
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Kind = Literal["bell", "low-shelf", "high-shelf", "high-pass", "low-pass"]
MOST: Final = 6
_GOOD_DB: Final = 0.03
_WORTH: Final = 0.82
"""A further shape must bring what is left below this share. Common practice, no source."""
_LEAST_GAIN_DB: Final = 0.1
_LEAST_BETTER_DB: Final = 0.03
"""And by so much, which is more than windows smear. Common practice, no source."""
_SLOPES: Final = (6.0, 12.0, 18.0, 24.0)
_FLOOR_DB: Final = 0.02
_FAR_DB: Final = 30.0
_BELLS: Final = (-5.3, 4.3)
_PASSES: Final = (-6.0, 4.2)
_QS: Final = (-1.8, 3.6)
_MOST_DB: Final = 20.0
"""What people turn: 25 Hz to 20 kHz, Q 0.29 to 12, 20 dB. Common practice, no source."""
_DEAR: Final = 0.002
"""What a decibel of a shape's gain costs, in decibels of what is left."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One of them."""

    block: Kind
    frequency_hz: float
    gain_db: float | None
    """None for a pass."""
    q: float | None
    slope_db_per_octave: float | None
    """Of a pass."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Described:
    """A response in shapes."""

    shapes: tuple[Shape, ...]
    gain_db: float
    rms_db: float
    """What they leave, weighted by how sure the response is."""
    warped: bool
    """Whether they follow the tangent mapping to the sample rate, or the analogue filters."""


def _db(shape: Shape, hz: Array, rate_hz: float, *, warped: bool) -> Array:
    """(points,) magnitude of a shape, as analogue filters have it or as the tangent mapping to a sample rate does."""
    if warped:
        top = 0.499 * rate_hz
        at = np.tan(np.pi * np.minimum(hz, top) / rate_hz) / np.tan(np.pi * min(shape.frequency_hz, top) / rate_hz)
    else:
        at = hz / shape.frequency_hz
    if shape.block in ("high-pass", "low-pass"):
        power = np.ones(hz.size)
        order = round((shape.slope_db_per_octave or 12.0) / 6.0)
        sections = pass_prototypes(order=order, high=shape.block == "high-pass", alignment="butterworth")
        for place, (top_part, bottom) in enumerate(sections):
            # a second-order pass may have another Q than Butterworth's
            if order == 2 and place == 0 and shape.q is not None:
                bottom = (bottom[0], 1.0 / shape.q, bottom[2])
            power = power * analogue_power(top_part, bottom, at)
    else:
        made = {"bell": bell_prototype, "low-shelf": low_shelf_prototype, "high-shelf": high_shelf_prototype}[
            shape.block
        ]
        power = analogue_power(*made(shape.gain_db or 0.0, shape.q or 1.0), at)
    return np.asarray(db_from_power(np.maximum(power, 1e-12)))


def response_db(shapes: Sequence[Shape], hz: Array, rate_hz: float, *, warped: bool) -> Array:
    """(points,) of all together."""
    return np.asarray(sum((_db(shape, hz, rate_hz, warped=warped) for shape in shapes), np.zeros(hz.size)))


def _packed(shapes: Sequence[Shape]) -> Array:
    out: list[float] = []
    for shape in shapes:
        out.append(float(np.log2(shape.frequency_hz / 1000.0)))
        if shape.gain_db is not None:
            out.append(shape.gain_db)
        if shape.q is not None:
            out.append(float(np.log2(shape.q)))
    return np.array(out)


def _unpacked(values: Array, like: Sequence[Shape]) -> list[Shape]:
    out, at = [], 0
    for shape in like:
        hz = 1000.0 * 2.0 ** float(np.clip(values[at], *(_PASSES if shape.gain_db is None else _BELLS)))
        at += 1
        gain, q = shape.gain_db, shape.q
        if gain is not None:
            gain = float(np.clip(values[at], -_MOST_DB, _MOST_DB))
            at += 1
        if q is not None:
            q = 2.0 ** float(np.clip(values[at], *_QS))
            at += 1
        out.append(replace(shape, frequency_hz=hz, gain_db=gain, q=q))
    return out


class _Task:
    def __init__(self, hz: Array, level_db: Array, sure_db: Array, rate_hz: float, *, warped: bool) -> None:
        self.hz, self.level_db, self.rate_hz, self.warped = hz, level_db, rate_hz, warped
        # what lies far down, behind a steep pass, is known least and matters least
        below = np.maximum(0.0, np.median(level_db) - level_db)
        self.weight = 1.0 / np.sqrt(sure_db**2 + _FLOOR_DB**2) / (1.0 + (below / _FAR_DB) ** 2)
        self.weight /= np.sqrt(np.mean(self.weight**2))

    def left(self, shapes: Sequence[Shape], there: Array | float = 0.0) -> tuple[Array, float]:
        """(points,) weighted residual with the best gain, and that gain; `there` is what other shapes make."""
        off = self.level_db - there - response_db(shapes, self.hz, self.rate_hz, warped=self.warped)
        gain = float(np.sum(self.weight**2 * off) / np.sum(self.weight**2))
        return (off - gain) * self.weight, gain

    def rms(self, shapes: Sequence[Shape]) -> float:
        return float(np.sqrt(np.mean(self.left(shapes)[0] ** 2) + np.sum(self.dear(shapes) ** 2) / self.hz.size))

    def dear(self, shapes: Sequence[Shape]) -> Array:
        """(shapes,) what large gains cost: two that undo each other are no explanation."""
        gains = np.array([one.gain_db or 0.0 for one in shapes], np.float64)
        return np.asarray(_DEAR * np.sqrt(self.hz.size) * gains)

    def refined(self, shapes: Sequence[Shape], *, steps: int = 60) -> list[Shape]:
        if not shapes:
            return []

        def left(values: Array) -> Array:
            made = _unpacked(values, shapes)
            return np.concatenate([self.left(made)[0], self.dear(made)])

        found = scipy.optimize.least_squares(left, _packed(shapes), loss="soft_l1", f_scale=0.3, max_nfev=steps)
        return _unpacked(found.x, shapes)

    def refined_last(self, shapes: Sequence[Shape], start: Shape) -> list[Shape]:
        """One more shape, fitted alone while the others stand."""
        there = response_db(shapes, self.hz, self.rate_hz, warped=self.warped)

        def left(values: Array) -> Array:
            return self.left(_unpacked(values, [start]), there)[0]

        found = scipy.optimize.least_squares(left, _packed([start]), loss="soft_l1", f_scale=0.3, max_nfev=15)
        return _unpacked(found.x, [start])


def _pass(block: Kind, hz: float, slope_db_per_octave: float) -> Shape:
    """A pass; one of 12 dB an octave may have any Q."""
    q = 0.707 if slope_db_per_octave == 12.0 else None
    return Shape(block=block, frequency_hz=hz, gain_db=None, q=q, slope_db_per_octave=slope_db_per_octave)


def _starts(task: _Task, shapes: Sequence[Shape]) -> list[Shape]:
    """Shapes that might explain what is left."""
    left, _ = task.left(shapes)
    off = left / task.weight
    smooth = np.convolve(np.pad(off, 6, mode="edge"), np.ones(13) / 13, "valid")
    out = []
    for at in {int(np.argmax(smooth)), int(np.argmin(smooth)), int(np.argmax(np.abs(off)))}:
        hz, gain = float(task.hz[at]), float(off[at])
        if abs(gain) > 0.02:
            out += [
                Shape(block="bell", frequency_hz=hz, gain_db=gain, q=q, slope_db_per_octave=None)
                for q in (0.7, 2.0, 6.0)
            ]
    middle = float(np.median(off))
    shelves: tuple[tuple[Kind, Array, tuple[float, ...]], ...] = (
        ("low-shelf", off[: max(3, off.size // 12)], (90.0, 200.0, 450.0)),
        ("high-shelf", off[-max(3, off.size // 12) :], (2000.0, 4500.0, 9000.0)),
    )
    for block, ends, places in shelves:
        gain = float(np.median(ends)) - middle
        if abs(gain) > 0.05:
            out += [
                Shape(block=block, frequency_hz=hz, gain_db=gain, q=0.707, slope_db_per_octave=None) for hz in places
            ]
    passes: tuple[tuple[Kind, Array, tuple[float, ...]], ...] = (
        ("high-pass", off[: max(3, off.size // 20)], (40.0, 100.0, 220.0)),
        ("low-pass", off[-max(3, off.size // 20) :], (3000.0, 7000.0, 12000.0)),
    )
    for block, ends, places in passes:
        if ends.min() < middle - 0.5 and not any(one.block == block for one in shapes):
            out += [_pass(block, hz, slope) for slope in _SLOPES for hz in places]
    return out


def describe(hz: Array, level_db: Array, sure_db: Array, sample_rate_hz: float) -> Described:
    """The fewest named shapes that explain a response.

    Parameters
    ----------
    hz, level_db : (points,) arrays
        On a logarithmic grid.
    sure_db : (points,) array
        Half of the interval that holds 95 %.
    sample_rate_hz : float

    Notes
    -----
    One shape more as long as it brings what is left to four fifths; all are fitted again together. Filters are taken as their
    analogue prototypes (Audio EQ Cookbook, W3C Note 2021) or as the tangent mapping makes them, whichever leaves less.
    """
    found: list[Described] = []
    for warped in (False, True):
        task = _Task(hz, level_db, sure_db, sample_rate_hz, warped=warped)
        for begun in _beginnings(task):
            made = _merged(task, _pruned(task, _greedy(task, begun)))
            said, gain_db = _said(made, task.left(made)[1])
            found.append(
                Described(
                    shapes=tuple(sorted(said, key=lambda one: one.frequency_hz)),
                    gain_db=gain_db,
                    rms_db=task.rms(made),
                    warped=warped,
                )
            )
        if found and min(one.rms_db for one in found) < _GOOD_DB:
            break
    nearest = min(one.rms_db for one in found)
    # the fewest among those that are as good
    as_good = [one for one in found if one.rms_db <= max(1.25 * nearest, nearest + _LEAST_BETTER_DB)]
    return min(as_good, key=lambda one: (len(one.shapes), _unusual(one.shapes), one.rms_db))


def _unusual(shapes: Sequence[Shape]) -> float:
    """How far passes are from 12 dB an octave, which most are, where the programme does not tell."""
    return sum(abs((one.slope_db_per_octave or 12.0) - 12.0) for one in shapes)


def _said(shapes: Sequence[Shape], gain_db: float) -> tuple[list[Shape], float]:
    """Each shelf as the one that leaves the least gain besides: lifting all below is the same as lowering all above, and a gain."""
    out, left = list(shapes), gain_db
    other = {"low-shelf": "high-shelf", "high-shelf": "low-shelf"}
    for at, one in enumerate(out):
        if one.block in other and one.gain_db is not None and abs(left + one.gain_db) < abs(left) - 0.05:
            left += one.gain_db
            out[at] = replace(one, block=other[one.block], gain_db=-one.gain_db)  # type: ignore[arg-type]
    return out, left


def _greedy(task: _Task, begun: list[Shape]) -> list[Shape]:
    """One shape more as long as it is worth it."""
    shapes = list(begun)
    rms = task.rms(shapes)
    while len(shapes) < MOST and rms > _GOOD_DB:
        every = sorted(([*shapes, *task.refined_last(shapes, start)] for start in _starts(task, shapes)), key=task.rms)
        # the nearest, and the nearest of each kind
        kinds = {one[-1].block: one for one in reversed(every)}
        tried = every[:2] + [one for one in kinds.values() if all(one is not other for other in every[:2])]
        if not tried:
            break
        again = min((task.refined(one) for one in tried), key=task.rms)
        now = task.rms(again)
        if now > _WORTH * rms or rms - now < _LEAST_BETTER_DB:
            break
        shapes, rms = again, now
    return shapes


def _beginnings(task: _Task) -> list[list[Shape]]:
    """From nothing, and from a pass where an end falls away."""
    out: list[list[Shape]] = [[]]
    level = task.level_db
    edge = max(3, level.size // 16)
    passes: tuple[tuple[Kind, Array, tuple[float, ...]], ...] = (
        ("high-pass", level[:edge], (40.0, 90.0, 180.0)),
        ("low-pass", level[-edge:], (4000.0, 9000.0, 14000.0)),
    )
    for block, ends, places in passes:
        if float(np.median(level)) - float(ends.min()) < 1.0:
            continue
        tried = [[_pass(block, hz, slope)] for slope in _SLOPES for hz in places]
        made = sorted((task.refined(one, steps=20) for one in tried), key=task.rms)
        slopes: set[float | None] = set()
        for one in made:
            if one[0].slope_db_per_octave not in slopes and len(slopes) < 2:
                slopes.add(one[0].slope_db_per_octave)
                out.append(one)
    return out


def _pruned(task: _Task, shapes: list[Shape]) -> list[Shape]:
    """Without those that do next to nothing."""
    out = list(shapes)
    while True:
        small = [one for one in out if one.gain_db is not None and abs(one.gain_db) < _LEAST_GAIN_DB]
        spare = [
            one
            for one in out
            if one in small
            or task.rms([other for other in out if other is not one])
            < max(task.rms(out) / _WORTH**0.5, task.rms(out) + _LEAST_BETTER_DB)
        ]
        if not spare:
            return out
        out.remove(min(spare, key=lambda one: task.rms([other for other in out if other is not one])))
        out = task.refined(out)


def _merged(task: _Task, shapes: list[Shape]) -> list[Shape]:
    """Two shapes as one bell where that is as good: two shelves that face each other make a hump."""
    out = list(shapes)
    while True:
        allowed = max(task.rms(out) / _WORTH**0.5, task.rms(out) + _LEAST_BETTER_DB)
        best: list[Shape] | None = None
        for one, other in itertools.combinations([shape for shape in out if shape.gain_db is not None], 2):
            hz = float(np.sqrt(one.frequency_hz * other.frequency_hz))
            rest = [shape for shape in out if shape is not one and shape is not other]
            # what the two make there, against what they make far from it
            three = np.array([hz / 8.0, hz, hz * 8.0])
            made = response_db([one, other], three, task.rate_hz, warped=False)
            gain = float(made[1] - 0.5 * (made[0] + made[2])) or 0.5
            start = Shape(block="bell", frequency_hz=hz, gain_db=gain, q=0.8, slope_db_per_octave=None)
            tried = task.refined([*rest, start])
            if task.rms(tried) < allowed and (best is None or task.rms(tried) < task.rms(best)):
                best = tried
        if best is None:
            return out
        out = best
