"""Search for the fewest changes of an equaliser that bring a tone to a wanted one, within what the desk can be set to.

One change is searched exactly over the desk's whole grid; two and more by a beam whose members are improved in turn; on a small grid
two are searched exactly as well.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.filters import analogue_power, bell_or_shelf_prototype
from deskhand.dsp.spectrum import exact_hz
from deskhand.house import BLOCKS
from deskhand.moves.equaliser import (
    FINE_HZ,
    LEAST_POWER,
    SHELF_Q,
    WORTH_DB,
    Change,
    ChangeList,
    Grid,
    Shape,
    Task,
    applied,
    band_levels_db,
    band_shares,
    off_db,
    rms_db,
    without_level,
)
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_BELLS_AND_SHELVES: Final = tuple(name for name, block in BLOCKS.items() if block.is_bell_or_shelf)
_WIDE: Final = 1.4
"""Q up to which a bell is broad and costs nothing: an octave wide. Common practice, no source."""
_BEAM: Final = 12
"""Lists that are followed from each length to the next. Common practice, no source."""
_EXACT_PAIRS: Final = 1500
"""Single settings up to which pairs of them are searched exactly: about a million pairs. Common practice, no source."""
_ROUNDS: Final = 4
"""Rounds of improving at most; it ends as soon as nothing gets better. Common practice, no source."""
_UNIT_DB: Final = 5.0
"""Gain by which a bell's effect per decibel is estimated: the middle of what is turned. Common practice, no source."""
_LIKELY, _NEAR_GAINS = 10, 3
"""Settings of frequency and Q, and gains at each, that the estimate leaves to be tried. Common practice, no source."""
_NEW_BLOCK_DB, _PER_DB, _PER_OCTAVE_OF_Q_DB = 0.05, 0.02, 0.1
"""Cost of a new block, of each decibel (twice for a boost), and of each octave narrower than broad. Common practice, no source."""
_LEVEL_COST: Final = 0.06
"""Cost of a decibel of level that a change of tone brings with it, in dB of residual: it has to be made up for elsewhere."""


def _reluctance(change: Change) -> float:
    """Cost of a change in dB of residual, which decides at equal success: existing blocks, cuts, broad and small changes go first."""
    after, before = change.after, change.before
    cost = 0.0 if change.index is not None else _NEW_BLOCK_DB
    if after.kind != "high-pass":
        moved = after.gain_db - (before.gain_db if before is not None else 0.0)
        cost += _PER_DB * abs(moved) + _PER_DB * max(0.0, moved)
        cost += (
            _PER_OCTAVE_OF_Q_DB * max(0.0, float(np.log2(max(after.q, 1e-3) / _WIDE))) if after.kind == "bell" else 0.0
        )
    return cost


def _choices(
    task: Task, grid: Grid, chosen: Sequence[Change]
) -> list[tuple[int | None, Shape | None, tuple[str, ...]]]:
    """Blocks that a change can be made at on top of those chosen, and the kinds it may be of."""
    touched = {change.index for change in chosen}
    choices: list[tuple[int | None, Shape | None, tuple[str, ...]]] = [
        (index, shape, (shape.kind,)) for index, shape in task.blocks if index not in touched
    ]
    new = [change.after for change in chosen if change.index is None]
    standing = [shape for _, shape in task.blocks]
    kinds: tuple[str, ...] = ()
    if sum(shape.kind != "high-pass" for shape in (*standing, *new)) < grid.bells:
        kinds = _BELLS_AND_SHELVES
    if all(shape.kind != "high-pass" for shape in (*standing, *new)):
        kinds = (*kinds, "high-pass")
    if kinds:
        choices.append((None, None, kinds))
    return choices


@lru_cache(maxsize=64)
def _all_shapes(grid: Grid, kind: str) -> tuple[Shape, ...]:
    """Every setting of a kind that a desk has."""
    return tuple(grid.shapes(kind))


@lru_cache(maxsize=8)
def _table(grid: Grid, kind: str) -> NDArray[np.float32]:
    """(settings, fine) power gain of each setting of a kind."""
    return np.array([shape.power() for shape in _all_shapes(grid, kind)], np.float32).reshape(-1, FINE_HZ.size)


@lru_cache(maxsize=64)
def _units(grid: Grid, kind: str, sign: int) -> tuple[tuple[tuple[float, float], ...], Array]:
    """Frequencies and Q of a kind, and (settings, 31) the gain of the bands for a decibel of each, at their centres."""
    qs = grid.qs if kind == "bell" else (SHELF_Q,)
    knobs = tuple((hz, q) for hz in grid.frequencies_hz for q in qs)
    centre, gain_db, acts = exact_hz(), sign * _UNIT_DB, BLOCKS[kind].acts
    rows = [
        db_from_power(analogue_power(*bell_or_shelf_prototype(acts, gain_db, q), centre / hz)) / gain_db
        for hz, q in knobs
    ]
    return knobs, np.array(rows)


def _likely(task: Task, grid: Grid, kind: str, off: Array) -> list[Shape]:
    """Settings of a kind that by a straight-line estimate leave least of what is off."""
    if kind == "high-pass":
        return list(_all_shapes(grid, kind))
    weight = band_shares(task)
    steps = np.array(grid.gains_db)
    likely: list[Shape] = []
    for sign in (-1, 1):
        knobs, unit = _units(grid, kind, sign)
        moved = without_level(unit, task)
        size = (moved**2 * weight).sum(axis=1)
        gain = -(moved * off * weight).sum(axis=1) / np.maximum(size, 1e-9)
        gain = np.where(size > 1e-4, np.clip(gain, steps.min(), min(steps.max(), grid.most_boost_db)), 0.0)
        gain = np.where(np.sign(gain) == sign, gain, 0.0)
        left = ((off + gain[:, None] * moved) ** 2 * weight).sum(axis=1)
        for knob in np.argsort(left)[:_LIKELY]:
            hz, q = knobs[knob]
            near = np.argsort(np.abs(steps - gain[knob]))[:_NEAR_GAINS]
            likely += [
                Shape(kind=kind, frequency_hz=hz, gain_db=float(steps[step]), q=q)
                for step in near
                if steps[step] <= grid.most_boost_db
            ]
    return likely


def _ranked(
    task: Task, grid: Grid, chosen: tuple[Change, ...], power: Array, *, exact: bool, keep: int
) -> list[ChangeList]:
    """Best single changes on top of those chosen.

    Parameters
    ----------
    exact : bool
        Over the whole grid; otherwise among the settings that a straight-line estimate finds likely.
    """
    ranked: list[tuple[float, ChangeList]] = []
    for index, before, kinds in _choices(task, grid, chosen):
        base = power if before is None else power / np.maximum(before.power(), LEAST_POWER)
        off = off_db(band_levels_db(base), task)
        for kind in kinds:
            shapes = _all_shapes(grid, kind) if exact else _likely(task, grid, kind, off)
            if not shapes:
                continue
            effects = _table(grid, kind) if exact else np.array([shape.power() for shape in shapes])
            spectra = effects * base
            left = rms_db(band_levels_db(spectra), task)
            level = np.asarray(db_from_power(spectra.sum(axis=1) / task.power.sum()))
            changes = [Change(index=index, before=before, after=shape) for shape in shapes]
            cost = left + _LEVEL_COST * np.abs(level) + np.array([_reluctance(change) for change in changes])
            best = np.argsort(cost)[:keep]
            ranked += [
                (
                    float(cost[row]),
                    ChangeList(changes=(*chosen, changes[row]), rms_db=float(left[row]), level_db=float(level[row])),
                )
                for row in best
            ]
    ranked.sort(key=lambda ranking: ranking[0])
    return [changes for _, changes in ranked[:keep]]


def _improved(task: Task, grid: Grid, start: ChangeList) -> ChangeList:
    """Each change of a list chosen anew in turn, the others held, until none gets better."""
    best = start
    for _ in range(_ROUNDS):
        before = best
        for number in range(len(best.changes)):
            held = best.changes[:number] + best.changes[number + 1 :]
            again = _ranked(task, grid, held, applied(task.power, held), exact=False, keep=1)
            if again and _cost(again[0]) < _cost(best) - 1e-9:
                best = again[0]
        if best is before:
            break
    return best


def _cost(changes: ChangeList) -> float:
    """Residual in dB with what speaks against the changes."""
    reluctance = sum(_reluctance(change) for change in changes.changes)
    return changes.rms_db + _LEVEL_COST * abs(changes.level_db) + reluctance


def fewest(task: Task, grid: Grid, good: Callable[[Array], bool], *, most: int = 4) -> list[ChangeList]:
    """Best list of one change, of two, and so on, up to the first that is good.

    Parameters
    ----------
    task : Task
    grid : Grid
    good : callable
        From (31,) third-octave levels after the changes to whether they are home.
    most : int
        Changes at most.

    Returns
    -------
    list of ChangeList
        The best of each length, the last one good unless none is; empty when the tone is good as it is, or when no change
        is worth it.
    """
    if good(band_levels_db(task.power)):
        return []
    best_lists: list[ChangeList] = []
    beam: list[ChangeList] = [ChangeList(changes=(), rms_db=float(rms_db(band_levels_db(task.power), task)))]
    for length in range(1, most + 1):
        if length == 2 and (pairs := _exact_pairs(task, grid)) is not None:
            ranked = pairs
        else:
            ranked = [
                changes
                for start in beam
                for changes in _ranked(
                    task, grid, start.changes, applied(task.power, start.changes), exact=length == 1, keep=_BEAM
                )
            ]
            ranked.sort(key=_cost)
            if length > 1:
                ranked = sorted(
                    (_improved(task, grid, changes) for changes in _distinct(ranked)[: _BEAM // 2]), key=_cost
                )
        if not ranked:
            break
        beam = _distinct(ranked)[:_BEAM]
        # the cheapest that is home, or the nearest to it
        home = next((listed for listed in beam if good(band_levels_db(applied(task.power, listed.changes)))), None)
        best = home or beam[0]
        before = best_lists[-1].rms_db if best_lists else float(rms_db(band_levels_db(task.power), task))
        if best.rms_db > before - WORTH_DB:
            # one more knob for next to nothing: leaving alone is better
            break
        best_lists.append(best)
        if home is not None:
            break
    return best_lists


def _distinct(lists: Sequence[ChangeList]) -> list[ChangeList]:
    """Lists without those that are the same in another order."""
    seen: set[frozenset[Change]] = set()
    distinct = []
    for changes in lists:
        members = frozenset(changes.changes)
        if members not in seen:
            seen.add(members)
            distinct.append(changes)
    return distinct


def _exact_pairs(task: Task, grid: Grid) -> list[ChangeList] | None:
    """Pairs of changes, where there are few enough settings, the best first; None where there are too many."""
    single = [
        Change(index=index, before=before, after=shape)
        for index, before, kinds in _choices(task, grid, ())
        for kind in kinds
        for shape in _all_shapes(grid, kind)
    ]
    if len(single) > _EXACT_PAIRS:
        return None
    ratio = np.array(
        [
            change.after.power() / (1.0 if change.before is None else np.maximum(change.before.power(), LEAST_POWER))
            for change in single
        ]
    )
    bells = sum(shape.kind != "high-pass" for _, shape in task.blocks)
    best: list[tuple[float, ChangeList]] = []
    for row, first in enumerate(single[:-1]):
        levels = band_levels_db(task.power * ratio[row] * ratio[row + 1 :])
        left = rms_db(levels, task)
        order = np.argsort(left)[: 4 * _BEAM]
        for behind in order:
            second_row = row + 1 + int(behind)
            second = single[second_row]
            if not _together(first, second, bells, grid.bells):
                continue
            level = float(db_from_power((task.power * ratio[row] * ratio[second_row]).sum() / task.power.sum()))
            pair = ChangeList(changes=(first, second), rms_db=float(left[behind]), level_db=level)
            best.append((_cost(pair), pair))
    best.sort(key=lambda ranking: ranking[0])
    return [pair for _, pair in best[: 4 * _BEAM]]


def _together(first: Change, second: Change, bells: int, most: int) -> bool:
    """True where two changes can be made together: not at the same block, and with bells enough on the desk."""
    if first.index is not None and first.index == second.index:
        return False
    new = [change for change in (first, second) if change.index is None]
    if sum(change.after.kind == "high-pass" for change in new) > 1:
        return False
    return bells + sum(change.after.kind != "high-pass" for change in new) <= most
