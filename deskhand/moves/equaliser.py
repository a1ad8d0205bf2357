"""The fewest changes of an equaliser that bring a tone to a wanted one, within what the desk can be set to.

Effects are predicted on a fine power spectrum, not at band centres. One change is searched exactly over the desk's whole grid; two
and more by a beam whose members are improved in turn; on a small grid two are searched exactly as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.dsp.filters import (
    analogue_power,
    bell_prototype,
    high_shelf_prototype,
    low_shelf_prototype,
    pass_prototypes,
)
from deskhand.dsp.spectrum import exact_hz
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FINE_PER_OCTAVE: Final = 24
FINE_HZ: Final = 1000.0 * 2.0 ** (np.arange(-6 * FINE_PER_OCTAVE, 4.5 * FINE_PER_OCTAVE + 1) / FINE_PER_OCTAVE)
"""Centres of the fine spectrum, 15.6 Hz to 22.6 kHz."""
LOW_HZ, HIGH_HZ = 60.0, 12000.0
"""Where a tone is brought home."""
Kind = Literal["bell", "low-shelf", "high-shelf", "high-pass"]
_WIDE: Final = 1.4
_SMOOTHING_OCTAVE: Final = 0.4
_FLOOR_DB: Final = -38.0
_BEAM: Final = 12
_EXACT_PAIRS: Final = 1500
"""Up to this many single settings, pairs of them are searched exactly."""
_ROUNDS: Final = 4
_UNIT_DB: Final = 5.0
_LIKELY, _NEAR_GAINS = 10, 3
_LEAST: Final = 1e-12
WORTH_DB: Final = 0.2
"""What a further change must take off what is left to be asked for at all. Common practice, no source."""
_LEVEL_COST: Final = 0.06
"""A decibel of level that a change of tone brings with it, in dB of residual: it has to be made up for elsewhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One block of an equaliser."""

    kind: Kind
    frequency_hz: float
    gain_db: float = 0.0
    q: float = 1.0
    slope_db_per_octave: float = 12.0

    def power(self) -> Array:
        """(fine,) what it does to the power at each frequency."""
        return _power(self)


_PROTOTYPES: Final = {"bell": bell_prototype, "low-shelf": low_shelf_prototype, "high-shelf": high_shelf_prototype}


@lru_cache(maxsize=200_000)
def _power(shape: Shape) -> Array:
    at = FINE_HZ / shape.frequency_hz
    if shape.kind == "high-pass":
        out = np.ones(FINE_HZ.size)
        for prototype in pass_prototypes(
            order=round(shape.slope_db_per_octave / 6.0), high=True, alignment="butterworth"
        ):
            out = out * analogue_power(*prototype, at)
        return np.asarray(out)
    return np.asarray(analogue_power(*_PROTOTYPES[shape.kind](shape.gain_db, shape.q), at))


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """What the desk's equaliser can be set to."""

    frequencies_hz: tuple[float, ...]
    gains_db: tuple[float, ...]
    """Without 0."""
    qs: tuple[float, ...]
    bells: int
    """How many blocks of bells and shelves there can be."""
    most_boost_db: float = 6.0
    lowest_note_hz: float = 40.0
    """A high-pass stays half an octave below it."""

    def shapes(self, kind: Kind) -> list[Shape]:
        """All settings of a kind."""
        if kind == "high-pass":
            top = self.lowest_note_hz / 2**0.5
            return [
                Shape(kind=kind, frequency_hz=hz, slope_db_per_octave=slope)
                for hz in self.frequencies_hz
                if hz <= top
                for slope in (12.0, 18.0)
            ]
        qs = self.qs if kind == "bell" else (0.707,)
        return [
            Shape(kind=kind, frequency_hz=hz, gain_db=gain, q=q)
            for hz in self.frequencies_hz
            for q in qs
            for gain in self.gains_db
            if gain <= self.most_boost_db
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One block changed, added or taken out."""

    index: int | None
    """Among the blocks that are there; None when it is new."""
    before: Shape | None
    after: Shape


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """A tone, the wanted one, and how much each band matters."""

    power: Array
    """(fine,) spectrum as it is."""
    wanted_db: Array
    """(31,) third-octave levels; only their differences count."""
    weight: Array
    """(31,) 0 where a band does not matter."""
    blocks: tuple[tuple[int, Shape], ...] = ()
    """Bells, shelves and high-passes that are there, with their place in the chain."""


def _bands() -> Array:
    """(31, fine) which fine frequencies belong to which third-octave."""
    # bands of the base-ten series meet at a twentieth of a decade (IEC 61260-1:2014)
    edges = exact_hz()[:, None] * 10.0 ** (np.array([-1.0, 1.0]) / 20.0)
    return np.asarray((edges[:, :1] <= FINE_HZ) & (edges[:, 1:] > FINE_HZ), np.float64)


BANDS: Final = _bands()


def band_levels_db(power: Array) -> Array:
    """(..., 31) third-octave levels of (..., fine) spectra."""
    return np.asarray(db_from_power(np.maximum(power @ BANDS.T, 1e-30)))


def matters(power: Array) -> Array:
    """(31,) weight of each band: 1 from 60 Hz to 12 kHz where the tone lies within 40 dB of its loudest band, falling to 0 at 50 dB."""
    levels = band_levels_db(power)
    centre = exact_hz()
    below = levels.max() - levels
    inside = (centre >= LOW_HZ) & (centre <= HIGH_HZ)
    return np.asarray(np.where(inside, np.clip((50.0 - below) / 10.0, 0.0, 1.0), 0.0))


def _smoothing() -> Array:
    """(31, 31) a band with its neighbours, as a Gaussian of 0.4 octave weighs them."""
    place = np.arange(31)
    return np.asarray(np.exp(-0.5 * ((place[:, None] - place) / (3 * _SMOOTHING_OCTAVE)) ** 2))


_SMOOTHING: Final = _smoothing()


def _heard_db(levels_db: Array) -> Array:
    """(..., 31) levels against the whole with a soft floor: what lies far below it is hardly heard in it, whatever its level."""
    power = np.asarray(power_from_db(levels_db))
    share = power / np.maximum(power.sum(axis=-1, keepdims=True), 1e-30)
    return np.asarray(db_from_power(share + 10 ** (_FLOOR_DB / 10)))


def off_db(levels_db: Array, task: Task) -> Array:
    """(..., 31) levels against the wanted ones, smoothed, their weighted mean taken out.

    Smoothed over 0.4 octave, since the notes of another song and key are no other tone; without the mean, since level is not tone.
    """
    return _without_level(_heard_db(levels_db) - _heard_db(task.wanted_db), task)


def _without_level(differences_db: Array, task: Task) -> Array:
    """(..., 31) differences, smoothed by the weights of the bands, without their weighted mean."""
    spread = _SMOOTHING * task.weight
    spread = spread / np.maximum(spread.sum(axis=1, keepdims=True), 1e-9)
    off = differences_db @ spread.T
    return np.asarray(off - (off * _shares(task)).sum(axis=-1, keepdims=True))


def _shares(task: Task) -> Array:
    """(31,) weights of the bands that sum to one."""
    return np.asarray(task.weight / max(float(task.weight.sum()), 1e-9))


def rms_db(levels_db: Array, task: Task) -> Array:
    """(...,) weighted RMS of what is off."""
    return np.asarray(np.sqrt((off_db(levels_db, task) ** 2 * _shares(task)).sum(axis=-1)))


def _reluctance(change: Change) -> float:
    """What is preferred at equal success, in dB of residual: existing blocks, cuts, broad and small changes."""
    after, before = change.after, change.before
    cost = 0.0 if change.index is not None else 0.05
    if after.kind != "high-pass":
        moved = after.gain_db - (before.gain_db if before is not None else 0.0)
        cost += 0.02 * abs(moved) + 0.02 * max(0.0, moved)
        cost += 0.1 * max(0.0, float(np.log2(max(after.q, 1e-3) / _WIDE))) if after.kind == "bell" else 0.0
    return cost


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A list of changes."""

    changes: tuple[Change, ...]
    rms_db: float
    """Weighted RMS of what would be left."""
    level_db: float = 0.0
    """By how much it changes the level."""


def _places(task: Task, grid: Grid, taken: Sequence[Change]) -> list[tuple[int | None, Shape | None, tuple[Kind, ...]]]:
    """Where a change can be made on top of those taken, and of which kinds."""
    touched = {change.index for change in taken}
    out: list[tuple[int | None, Shape | None, tuple[Kind, ...]]] = [
        (index, shape, (shape.kind,)) for index, shape in task.blocks if index not in touched
    ]
    new = [change.after for change in taken if change.index is None]
    there = [shape for _, shape in task.blocks]
    kinds: tuple[Kind, ...] = ()
    if sum(shape.kind != "high-pass" for shape in (*there, *new)) < grid.bells:
        kinds = ("bell", "low-shelf", "high-shelf")
    if all(shape.kind != "high-pass" for shape in (*there, *new)):
        kinds = (*kinds, "high-pass")
    if kinds:
        out.append((None, None, kinds))
    return out


@lru_cache(maxsize=64)
def _all_shapes(grid: Grid, kind: Kind) -> tuple[Shape, ...]:
    return tuple(grid.shapes(kind))


@lru_cache(maxsize=8)
def _table(grid: Grid, kind: Kind) -> NDArray[np.float32]:
    """(settings, fine) what each setting of a kind does."""
    return np.array([shape.power() for shape in _all_shapes(grid, kind)], np.float32).reshape(-1, FINE_HZ.size)


@lru_cache(maxsize=64)
def _units(grid: Grid, kind: Kind, sign: int) -> tuple[tuple[tuple[float, float], ...], Array]:
    """Frequencies and Q of a kind, and (settings, 31) what a decibel of each does to the bands, at their centres."""
    qs = grid.qs if kind == "bell" else (0.707,)
    places = tuple((hz, q) for hz in grid.frequencies_hz for q in qs)
    centre, gain_db, made = exact_hz(), sign * _UNIT_DB, _PROTOTYPES[kind]
    rows = [db_from_power(analogue_power(*made(gain_db, q), centre / hz)) / gain_db for hz, q in places]
    return places, np.array(rows)


def _likely(task: Task, grid: Grid, kind: Kind, off: Array) -> list[Shape]:
    """Settings of a kind that by a straight-line estimate leave least of what is off."""
    if kind == "high-pass":
        return list(_all_shapes(grid, kind))
    weight = _shares(task)
    steps = np.array(grid.gains_db)
    out: list[Shape] = []
    for sign in (-1, 1):
        places, unit = _units(grid, kind, sign)
        moved = _without_level(unit, task)
        size = (moved**2 * weight).sum(axis=1)
        gain = -(moved * off * weight).sum(axis=1) / np.maximum(size, 1e-9)
        gain = np.where(size > 1e-4, np.clip(gain, steps.min(), min(steps.max(), grid.most_boost_db)), 0.0)
        gain = np.where(np.sign(gain) == sign, gain, 0.0)
        left = ((off + gain[:, None] * moved) ** 2 * weight).sum(axis=1)
        for at in np.argsort(left)[:_LIKELY]:
            hz, q = places[at]
            near = np.argsort(np.abs(steps - gain[at]))[:_NEAR_GAINS]
            out += [
                Shape(kind=kind, frequency_hz=hz, gain_db=float(steps[one]), q=q)
                for one in near
                if steps[one] <= grid.most_boost_db
            ]
    return out


def _ranked(task: Task, grid: Grid, taken: tuple[Change, ...], power: Array, *, exact: bool, keep: int) -> list[Found]:
    """The best single changes on top of those taken.

    Parameters
    ----------
    exact : bool
        Over the whole grid; otherwise among the settings that a straight-line estimate finds likely.
    """
    found: list[tuple[float, Found]] = []
    for index, before, kinds in _places(task, grid, taken):
        base = power if before is None else power / np.maximum(before.power(), _LEAST)
        off = off_db(band_levels_db(base), task)
        for kind in kinds:
            shapes = _all_shapes(grid, kind) if exact else _likely(task, grid, kind, off)
            if not shapes:
                continue
            effects = _table(grid, kind) if exact else np.array([shape.power() for shape in shapes])
            made = effects * base
            left = rms_db(band_levels_db(made), task)
            level = np.asarray(db_from_power(made.sum(axis=1) / task.power.sum()))
            changes = [Change(index=index, before=before, after=shape) for shape in shapes]
            cost = left + _LEVEL_COST * np.abs(level) + np.array([_reluctance(change) for change in changes])
            best = np.argsort(cost)[:keep]
            found += [
                (
                    float(cost[at]),
                    Found(changes=(*taken, changes[at]), rms_db=float(left[at]), level_db=float(level[at])),
                )
                for at in best
            ]
    found.sort(key=lambda item: item[0])
    return [one for _, one in found[:keep]]


def applied(power: Array, changes: Sequence[Change]) -> Array:
    """(fine,) the spectrum behind the changes."""
    out = power
    for change in changes:
        if change.before is not None:
            out = out / np.maximum(change.before.power(), _LEAST)
        out = out * change.after.power()
    return np.asarray(out)


def _improved(task: Task, grid: Grid, found: Found) -> Found:
    """Each change of a list chosen anew in turn, the others held, until none gets better."""
    best = found
    for _ in range(_ROUNDS):
        before = best
        for at in range(len(best.changes)):
            rest = best.changes[:at] + best.changes[at + 1 :]
            again = _ranked(task, grid, rest, applied(task.power, rest), exact=False, keep=1)
            if again and _cost(again[0]) < _cost(best) - 1e-9:
                best = again[0]
        if best is before:
            break
    return best


def _cost(found: Found) -> float:
    return found.rms_db + _LEVEL_COST * abs(found.level_db) + sum(_reluctance(change) for change in found.changes)


def fewest(task: Task, grid: Grid, good: Callable[[Array], bool], *, most: int = 4) -> list[Found]:
    """The best list of one change, of two, and so on, up to the first that is good.

    Parameters
    ----------
    task : Task
    grid : Grid
    good : callable
        From (31,) third-octave levels behind the changes to whether they are home.
    most : int
        Changes at most.

    Returns
    -------
    list of Found
        The best of each length, the last one good unless none is; empty when the tone is good as it is, or when no change
        is worth it.
    """
    if good(band_levels_db(task.power)):
        return []
    out: list[Found] = []
    beam: list[Found] = [Found(changes=(), rms_db=float(rms_db(band_levels_db(task.power), task)))]
    for length in range(1, most + 1):
        if length == 2 and (pairs := _exact_pairs(task, grid)) is not None:
            ranked = pairs
        else:
            ranked = [
                one
                for start in beam
                for one in _ranked(
                    task, grid, start.changes, applied(task.power, start.changes), exact=length == 1, keep=_BEAM
                )
            ]
            ranked.sort(key=_cost)
            if length > 1:
                ranked = sorted((_improved(task, grid, one) for one in _distinct(ranked)[: _BEAM // 2]), key=_cost)
        if not ranked:
            break
        beam = _distinct(ranked)[:_BEAM]
        # the cheapest that is home, or the nearest to it
        home = next((one for one in beam if good(band_levels_db(applied(task.power, one.changes)))), None)
        best = home or beam[0]
        before = out[-1].rms_db if out else float(rms_db(band_levels_db(task.power), task))
        if best.rms_db > before - WORTH_DB:
            # one more knob for next to nothing: leaving alone is better
            break
        out.append(best)
        if home is not None:
            break
    return out


def _distinct(found: Sequence[Found]) -> list[Found]:
    """Without lists that are the same in another order."""
    seen: set[frozenset[Change]] = set()
    out = []
    for one in found:
        key = frozenset(one.changes)
        if key not in seen:
            seen.add(key)
            out.append(one)
    return out


def _exact_pairs(task: Task, grid: Grid) -> list[Found] | None:
    """All pairs of changes, where there are few enough settings; the best first."""
    single = [
        Change(index=index, before=before, after=shape)
        for index, before, kinds in _places(task, grid, ())
        for kind in kinds
        for shape in _all_shapes(grid, kind)
    ]
    if len(single) > _EXACT_PAIRS:
        return None
    ratio = np.array(
        [
            change.after.power() / (1.0 if change.before is None else np.maximum(change.before.power(), _LEAST))
            for change in single
        ]
    )
    bells = sum(shape.kind != "high-pass" for _, shape in task.blocks)
    best: list[tuple[float, Found]] = []
    for at, one in enumerate(single[:-1]):
        levels = band_levels_db(task.power * ratio[at] * ratio[at + 1 :])
        left = rms_db(levels, task)
        order = np.argsort(left)[: 4 * _BEAM]
        for place in order:
            other = single[at + 1 + int(place)]
            if not _together(one, other, bells, grid.bells):
                continue
            level = float(db_from_power((task.power * ratio[at] * ratio[at + 1 + int(place)]).sum() / task.power.sum()))
            found = Found(changes=(one, other), rms_db=float(left[place]), level_db=level)
            best.append((_cost(found), found))
    best.sort(key=lambda item: item[0])
    return [found for _, found in best[: 4 * _BEAM]]


def _together(one: Change, other: Change, bells: int, most: int) -> bool:
    """Whether a desk can do both."""
    if one.index is not None and one.index == other.index:
        return False
    new = [change for change in (one, other) if change.index is None]
    if sum(change.after.kind == "high-pass" for change in new) > 1:
        return False
    return bells + sum(change.after.kind != "high-pass" for change in new) <= most


def desk_grid(
    *,
    gain_step_db: float,
    gain_max_db: float,
    frequency_step_octave: float,
    qs: Sequence[float],
    bells: int,
    lowest_note_hz: float = 40.0,
    most_boost_db: float = 6.0,
) -> Grid:
    """The settings of a desk's equaliser from 20 Hz to 20 kHz, frequencies in whole steps from 1 kHz."""
    steps = np.arange(
        np.ceil(np.log2(20 / 1000) / frequency_step_octave), np.log2(20000 / 1000) / frequency_step_octave
    )
    count = int(gain_max_db / gain_step_db)
    gains = [round(gain_step_db * at, 6) for at in range(-count, count + 1) if at]
    return Grid(
        frequencies_hz=tuple(_round_hz(1000.0 * 2.0 ** (float(step) * frequency_step_octave)) for step in steps),
        gains_db=tuple(gains),
        qs=tuple(qs),
        bells=bells,
        lowest_note_hz=lowest_note_hz,
        most_boost_db=most_boost_db,
    )


def _round_hz(hz: float) -> float:
    """As a desk shows it: three digits."""
    digits = 2 - int(np.floor(np.log10(hz)))
    return round(hz, digits)
