"""Activity of a source: the times at which it plays, defined here for every measurement that looks only at playing.

A source is active while its 300 ms level stands above a threshold, with hysteresis: on above it, off 6 dB below. The
threshold comes from the source's own levels: what lies well above its floor, never more than 30 dB below its loud playing.
Where the levels fall into two heaps at least 13 dB apart, playing and the bleed of the others, the gap between them is the
threshold (Otsu 1979, doi:10.1109/TSMC.1979.4310076). Sources that strike are active in the windows that hold a hit; their level is that of the
loud strokes, by which drums are set: half of the energy of all strokes lies in louder ones, so that ghost strokes, and what of the other
drums opens a gate, hardly count, however many they are. The level of what hears a whole kit is found in the same way. Windows
that the bleed of the other sources explains are not playing, whatever their level, unless that would leave little of what
stands far above the floor. What comes by cable hears nobody else: its soft and loud sounds are one source's. A stretch begins and ends with the 300 ms
window that touches it: it is up to 0.2 s longer at either end than the playing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.units import dbfs_from_mean_square, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCK_S: Final = 0.1
"""Length of a block whose mean square is read."""
WINDOW_BLOCKS: Final = 3
"""100 ms blocks in the window whose RMS is the level. Common practice, no source."""
DEAD_DBFS: Final = -65.0
"""A source whose loud windows stay below this carries nothing. Common practice, no source."""
# The limits below are common practice, no source: set by tests on the invented venue and on real recordings.
_ABOVE_FLOOR_DB: Final = 10.0  # playing stands this far above a source's floor (no source)
_STEADY_FLOOR_DB: Final = (
    2.0  # noise and hum stay within this from the 1st to the 5th percentile; playing does not (no source)
)
_LEAST_PAUSE_DB: Final = (
    20.0  # the pauses of what comes by cable lie this far below its loud playing at least (no source)
)
_BELOW_LOUD_DB: Final = 30.0  # or less than this below its loud playing (no source)
_HYSTERESIS_DB: Final = 6.0  # it stops this far below the level at which it begins (no source)
_LEAST_WINDOWS: Final = 30
"""Windows (three seconds) that make a heap of levels of their own. Common practice, no source."""
_HEAPS_APART_DB: Final = 13.0  # playing and bleed lie this far apart; soft and loud playing lie closer (no source)
_HITS_APART_DB: Final = 8.0  # hits of a drum and of its neighbours lie this far apart (no source)
_HIT_RISE_DB: Final = 6.0  # a hit raises a block of 100 ms by this (no source)
_HIT_RANGE_DB: Final = 15.0  # softer than the loud hits by this, it is another drum (no source)
_ABOVE_BLEED_DB: Final = 4.0  # playing stands this far above predicted bleed (no source)
_CLEAR_DB: Final = 30.0
"""Above its floor by this, what a source carries is not given away to the others for its greater part. Common practice, no source."""
_BLEED_GAP: Final = 6  # windows (0.6 s) for which a source may be covered by bleed and play on (no source)
_KIT_TOP_PERCENT: Final = 90.0
"""Percentile of a whole kit's levels above which windows weigh no more: the crash at a song's end is not how loud the kit is. Common
practice, no source; set by validations/clean_stage.py, half to tune on."""
_LEAST_RUN: Final = 3  # windows (0.3 s): a shorter run above bleed is a loud moment of another source (no source)


LevelRule = Literal["playing", "strokes", "kit"]
"""Middle of all playing; of the strokes by their energy; of a whole kit's windows by their energy."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Activity:
    """Windows and blocks in which a source plays."""

    level_dbfs: NDArray[np.float32]
    """(windows,) RMS of 300 ms, one every 100 ms; window k covers blocks k to k + 2."""
    windows: NDArray[np.bool_]
    """(windows,) True where the source plays (for one that strikes: where a hit lies in it)."""
    blocks: NDArray[np.bool_]
    """(blocks,) True for 100 ms blocks that an active window covers."""
    level_rule: LevelRule = "playing"
    """How the level follows from the levels of the active windows."""

    def level_of(self, levels_dbfs: NDArray[np.floating]) -> float | None:
        """Level of a source from the levels of its active windows, in dBFS; None where there are none.

        Parameters
        ----------
        levels_dbfs : (windows,) array
            At the tap, or anywhere behind it.
        """
        if self.level_rule == "playing":
            return float(np.median(levels_dbfs)) if levels_dbfs.size else None
        return energy_median_dbfs(levels_dbfs, top_percent=_KIT_TOP_PERCENT if self.level_rule == "kit" else 100.0)

    @property
    def fraction(self) -> float:
        """Share of the take in which the source plays."""
        return float(self.blocks.mean()) if self.blocks.size else 0.0


def window_levels(mean_square: NDArray[np.float32]) -> NDArray[np.float64]:
    """(blocks - 2,) level of 300 ms windows in dBFS (AES17), from (blocks,) mean squares of 100 ms."""
    if mean_square.size < WINDOW_BLOCKS:
        return dbfs_from_mean_square(mean_square[:1].astype(np.float64))
    sums = np.convolve(mean_square.astype(np.float64), np.full(WINDOW_BLOCKS, 1 / WINDOW_BLOCKS), mode="valid")
    return dbfs_from_mean_square(np.maximum(sums, 0.0))


def energy_median_dbfs(levels_dbfs: NDArray[np.floating], *, top_percent: float = 100.0) -> float | None:
    """Level in dBFS above which half of the energy lies; None where there is none.

    Parameters
    ----------
    levels_dbfs : (windows,) array
    top_percent : float
        Percentile of the levels above which windows weigh as much as one of that level.
    """
    ordered_dbfs = np.sort(levels_dbfs[np.isfinite(levels_dbfs)].astype(np.float64))
    if not ordered_dbfs.size:
        return None
    energy = power_from_db(np.minimum(ordered_dbfs, np.percentile(ordered_dbfs, top_percent)))
    # each window's own energy lies half below it and half above
    below = np.cumsum(energy) - 0.5 * energy
    return float(np.interp(0.5 * energy.sum(), below, ordered_dbfs))


def _gap(levels: NDArray[np.floating], apart_db: float) -> float | None:
    """Level in dBFS that parts two heaps of levels, None when there is one only: soft and loud playing lie closer."""
    low, high = float(levels.min()), float(levels.max())
    if high - low < apart_db:
        return None
    counts, edges = np.histogram(levels, bins=max(8, int(high - low)))
    middle = 0.5 * (edges[:-1] + edges[1:])
    below = np.cumsum(counts)[:-1]
    above = counts.sum() - below
    mass = np.cumsum(counts * middle)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_below = mass[:-1] / below
        mean_above = (mass[-1] - mass[:-1]) / above
        between = below * above * (mean_above - mean_below) ** 2
    between = np.nan_to_num(between)
    # any place in an empty stretch between the heaps is as good: take its middle
    best = int(np.median(np.flatnonzero(between >= 0.999 * between.max())))
    share = below[best] / counts.sum()
    few = above[best] < _LEAST_WINDOWS
    if mean_above[best] - mean_below[best] < apart_db or share <= 0.1 or (few and share >= 0.98):
        return None
    spread = float(
        np.sqrt(
            np.sum(
                counts * (middle - np.where(np.arange(counts.size) <= best, mean_below[best], mean_above[best])) ** 2
            )
            / counts.sum()
        )
    )
    if mean_above[best] - mean_below[best] < 2.2 * spread:
        return None
    return float(edges[best + 1])


def _with_hysteresis(levels: NDArray[np.floating], on_db: float, off_db: float) -> NDArray[np.bool_]:
    """True where the level is up: from passing `on_db` until it falls below `off_db`."""
    state = np.full(levels.size, -1, np.int8)
    state[levels >= on_db] = 1
    state[levels < off_db] = 0
    known = np.flatnonzero(state >= 0)
    if not known.size:
        return np.zeros(levels.size, bool)
    last = np.maximum.accumulate(np.where(state >= 0, np.arange(levels.size), -1))
    return np.asarray((last >= 0) & (state[np.maximum(last, 0)] == 1))


def _hits(mean_square: NDArray[np.float32], levels: NDArray[np.floating]) -> NDArray[np.bool_]:
    """True for 300 ms windows that begin with a hit: their first block rises by 6 dB or more.

    Softer hits within 15 dB of the loud ones count; where the hits fall into two heaps, the lower one is other drums.
    """
    block = np.maximum(dbfs_from_mean_square(mean_square.astype(np.float64)), -200.0)
    rises = np.zeros(levels.size, bool)
    rises[1:] = (np.diff(block) >= _HIT_RISE_DB)[: levels.size - 1]
    # a hit that straddles two blocks rises twice: the first counts
    rises[1:] &= ~rises[:-1]
    heights = levels[rises]
    if not heights.size:
        return rises
    limit = float(np.percentile(heights, 90)) - _HIT_RANGE_DB
    gap = _gap(heights[heights > limit - 15.0], _HITS_APART_DB)
    return rises & (levels > (limit if gap is None else max(limit, gap)))


def _without_bleed(
    windows: NDArray[np.bool_], levels: NDArray[np.floating], bleed_dbfs: NDArray[np.floating], *, strikes: bool
) -> NDArray[np.bool_]:
    """True for active windows that bleed does not explain; a source that plays on through a loud moment of another stays active."""
    beyond_bleed = windows & (levels > bleed_dbfs + _ABOVE_BLEED_DB)
    if strikes:
        return beyond_bleed
    edges = np.flatnonzero(np.diff(np.concatenate([[0], beyond_bleed.astype(np.int8), [0]])))
    active = beyond_bleed.copy()
    for first, last in zip(edges[1:-1:2], edges[2::2], strict=True):
        if last - first <= _BLEED_GAP:
            active[first:last] = windows[first:last]
    # a single word may stand out; half a second of nothing around three windows is a loud moment of another source
    edges = np.flatnonzero(np.diff(np.concatenate([[0], active.astype(np.int8), [0]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first < _LEAST_RUN:
            active[first:last] = False
    return active


def _own_windows(
    windows: NDArray[np.bool_],
    clear: NDArray[np.bool_],
    levels: NDArray[np.floating],
    bleed_dbfs: NDArray[np.floating],
    *,
    strikes: bool,
) -> NDArray[np.bool_]:
    """Active windows that bleed does not explain; all of them, where it would take the greater part of what stands clear of the floor."""
    own_windows = _without_bleed(windows, levels, bleed_dbfs, strikes=strikes)
    return own_windows if 2 * np.sum(own_windows & clear) >= np.sum(windows & clear) else windows


def activity(
    mean_square: NDArray[np.float32],
    *,
    strikes: bool = False,
    by_cable: bool = False,
    parted: bool = True,
    bleed: NDArray[np.floating] | None = None,
) -> Activity:
    """Find the times at which a source plays.

    Parameters
    ----------
    mean_square : (blocks,) array
        Mean square of each 100 ms; for a pair the mean of both sides.
    strikes : bool
        True for a source that strikes (kick, snare, toms, percussion).
    by_cable : bool
        True for a source that hears nobody else: no level parts its playing from theirs.
    parted : bool
        False for a source whose soft and loud playing may lie far apart, as those of a whole drum kit: the lower of two heaps of levels
        is then no bleed, and its level is that of its loud windows.
    bleed : (blocks,) array, optional
        Mean square that the other sources put into its microphone (see `deskhand.measure.bleed`).

    Returns
    -------
    Activity
    """
    levels = window_levels(mean_square).astype(np.float32)
    blocks = np.zeros(max(1, mean_square.size), bool)
    level_rule: LevelRule = "strokes" if strikes else "playing" if parted else "kit"
    playing = Activity(level_dbfs=levels, windows=np.zeros(levels.size, bool), blocks=blocks, level_rule=level_rule)
    finite = levels[levels > -120.0]
    if not finite.size or np.percentile(finite, 98) < DEAD_DBFS:
        return playing
    # in a line check an input may play for seconds of many minutes: its loudest three seconds tell where it plays
    top = float(np.sort(finite)[-min(finite.size, _LEAST_WINDOWS)])
    loud = max(float(np.percentile(finite, 95)), top - 6.0)
    near = finite[finite > loud - 50.0]
    floor = float(np.percentile(finite, 5))
    on_db = min(max(floor + _ABOVE_FLOOR_DB, loud - _BELOW_LOUD_DB), loud - 10.0)
    steady = floor - float(np.percentile(finite, 1)) <= _STEADY_FLOOR_DB
    if by_cable and not (steady and floor < loud - _LEAST_PAUSE_DB):
        # nobody rests, and the lowest levels are soft playing
        on_db = loud - _BELOW_LOUD_DB
    gap = _gap(near[near > loud - 40.0], _HEAPS_APART_DB) if parted and not by_cable else None
    if gap is not None:
        on_db = max(on_db, min(gap, loud - 6.0))
    on_db = max(on_db, DEAD_DBFS)
    # where bleed lies below, half the distance: it must not keep a source active that has stopped
    off_db = on_db - (_HYSTERESIS_DB if gap is None else 0.5 * _HYSTERESIS_DB)
    windows = _hits(mean_square, levels) if strikes else _with_hysteresis(levels, on_db, off_db)
    if strikes and not windows.any():
        windows = _with_hysteresis(levels, on_db, off_db)
    if bleed is not None and bleed.any():
        clear = levels > floor + _CLEAR_DB
        windows = _own_windows(windows, clear, levels, window_levels(bleed.astype(np.float32)), strikes=strikes)
    for offset in range(WINDOW_BLOCKS if mean_square.size >= WINDOW_BLOCKS else 1):
        blocks[offset : offset + windows.size] |= windows
    return replace(playing, windows=windows)


def loose_level_dbfs(activity: Activity) -> float | None:
    """Median level of all windows that are not far below the loud ones, in dBFS: nothing is left out as bleed or as the lower of two heaps.

    A second reading beside the level of active windows, which jumps where a source's soft and loud playing are taken apart in one
    take and not in the next. None where the source carries nothing.

    Parameters
    ----------
    activity : Activity
    """
    levels = activity.level_dbfs[np.isfinite(activity.level_dbfs)]
    if not activity.windows.any() or not levels.size:
        return None
    return float(np.median(levels[levels >= np.percentile(levels, 95) - _BELOW_LOUD_DB]))


def stretches(mask: NDArray[np.bool_], step_s: float, *, join_s: float = 0.0) -> list[tuple[float, float]]:
    """Runs of True as (from, to) in seconds; runs closer than `join_s` are one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    runs: list[tuple[float, float]] = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        begin, end = float(first * step_s), float(last * step_s)
        if runs and begin - runs[-1][1] <= join_s:
            runs[-1] = (runs[-1][0], end)
        else:
            runs.append((begin, end))
    return runs
