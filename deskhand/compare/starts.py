"""Models from which a search for a level-dependent gain begins, read off the gain over the level."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.compare.laws import DETECTORS, HIGHEST, LOWEST, ModelMake

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.laws import Bench, Detector, GainReading, Law

    Array = NDArray[np.float64]

_ATTACKS_MS, _RELEASES_MS = (0.2, 1.0, 4.0, 16.0, 60.0), (8.0, 30.0, 100.0, 300.0, 1000.0)
"""Both: times from which a search may begin, four times apart: less than it finds its way over. Common practice, no source."""
_AHEADS_S: Final = (0.001, 0.002, 0.005, 0.01)
"""Times that a limiter looks ahead. Common practice, no source."""
_LIMIT: Final = 6.0
"""log2 of ratio - 1 of a limiter: the highest of `HIGHEST`."""
_BINS: Final = 40
"""Levels at which a gain is averaged when it is asked how well it follows a detector. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SearchStart:
    """Model from which a search begins."""

    misfit_db: float
    shape: ModelMake
    values: Array


def _scatter_db(level_db: Array, gain_db: Array, weight: Array) -> float:
    """RMS of a gain around its mean at each level: small where the level explains it."""
    low, high = np.percentile(level_db[weight > 0], [1, 99])
    bins = np.clip(((level_db - low) / max(high - low, 1e-6) * _BINS).astype(int), 0, _BINS - 1)
    mass = np.bincount(bins, weight, _BINS)
    first = np.bincount(bins, weight * gain_db, _BINS)
    second = np.bincount(bins, weight * gain_db**2, _BINS)
    return float(
        np.sqrt(max(float(np.sum(second - first**2 / np.maximum(mass, 1e-9))), 0.0) / max(float(mass.sum()), 1e-9))
    )


def _law_starts(level_db: Array, reading: GainReading) -> list[tuple[Law, float, float, float]]:
    """(law, threshold, ratio, range) that a gain over a level suggests, by straight lines through its means."""
    playing = reading.weight > 0
    span = float(np.percentile(reading.gain_db[playing], 99) - np.percentile(reading.gain_db[playing], 1))
    levels, gains = level_db[playing], reading.gain_db[playing]
    edges = np.percentile(levels, np.linspace(1, 99, 25))
    middle = np.array([
        (float(np.mean(levels[inside])), float(np.median(gains[inside])))
        for low, high in itertools.pairwise(edges)
        if (inside := (levels >= low) & (levels <= high)).sum() > 3
    ])  # fmt: skip
    if len(middle) < 4:
        return []
    starts: list[tuple[Law, float, float, float]] = []
    for threshold in np.percentile(levels, [10, 30, 50, 70, 85]):
        for law, side in (("above", middle[:, 0] > threshold), ("below", middle[:, 0] < threshold)):
            if side.sum() < 2:
                continue
            basis = np.stack([np.ones(len(middle)), np.where(side, middle[:, 0] - threshold, 0.0)])
            weights = np.linalg.lstsq(basis.T, middle[:, 1], rcond=None)[0]
            slope = float(weights[1])
            if law == "above" and slope < -0.02:
                starts.append(("above", float(threshold), 1.0 / max(1.0 + slope, 0.03), 40.0))
            elif law == "below" and slope > 0.05:
                starts.append(("below", float(threshold), 1.0 + slope, max(span, 6.0)))
            elif law == "below" and slope < -0.05:
                starts.append(("lift", float(threshold), 1.0 / max(1.0 + slope, 0.03), max(span, 6.0)))
    if span > 6.0:
        # a gate that is nearly always open or shut has no slope to see
        starts += [("below", float(threshold), 4.0, span) for threshold in np.percentile(levels, [20, 50, 80, 95])]
    return starts


def _values(threshold: float, ratio: float, attack_ms: float, release_ms: float, range_db: float) -> Array:
    values = np.array(
        [threshold, np.log2(max(ratio - 1.0, 0.04)), 2.0, np.log2(attack_ms), np.log2(release_ms), range_db, 1.0]
    )
    return np.asarray(np.clip(values, LOWEST + 1e-3, HIGHEST))


def rms_db(bench: Bench, off: Array) -> float:
    """RMS of a difference in dB, each moment by its weight."""
    weight = bench.reading.weight
    return float(np.sqrt(np.sum(weight * off**2) / max(float(np.sum(weight)), 1e-9)))


def search_starts(bench: Bench) -> list[SearchStart]:
    """Models from which a search may begin, nearest first; two of each detector at most."""
    reading = bench.reading
    strides = reading.hop // reading.stride
    scored: list[tuple[float, Detector, float, float, Array]] = []
    for detector in DETECTORS[:2]:
        times = list(itertools.product(_ATTACKS_MS, _RELEASES_MS))
        for (attack_ms, release_ms), stride_level in zip(times, bench.levels_db(detector, 0.0, times), strict=True):
            level = stride_level[strides // 2 :: strides][: reading.gain_db.size]
            scored.append((_scatter_db(level, reading.gain_db, reading.weight), detector, attack_ms, release_ms, level))
    candidates: dict[ModelMake, list[Array]] = {}
    for detector in DETECTORS[:2]:
        of_it = sorted((score for score in scored if score[1] == detector), key=lambda score: score[0])
        for _, _, attack_ms, release_ms, level in of_it[:3]:
            for law, threshold, ratio, range_db in _law_starts(level, reading):
                values = _values(threshold, ratio, attack_ms, release_ms, range_db)
                # our own blocks smooth the gain: they start from the same settings
                for make in (detector, *DETECTORS[2:]) if detector == "level peak" else (detector,):
                    shape = ModelMake(detector=make, law=law, ahead_s=0.0, blend=False)
                    candidates.setdefault(shape, []).append(values)
    for shape, values in _limiter_starts(bench):
        candidates.setdefault(shape, []).append(values)
    starts = [
        SearchStart(misfit_db=rms_db(bench, off), shape=shape, values=values)
        for shape, rows in candidates.items()
        for values, off in zip(rows, bench.offs_db(shape, np.array(rows))[0], strict=True)
    ]
    return sorted(starts, key=lambda start: start.misfit_db)


def _limiter_starts(bench: Bench) -> list[tuple[ModelMake, Array]]:
    """Limiters that look ahead, from which a search may begin."""
    peaks_db = bench.level_db("gain peak", 0.0, 0.0, 0.0)
    peaks_db = peaks_db[: peaks_db.size // 40 * 40].reshape(-1, 40).max(axis=1)
    starts = []
    for threshold in np.percentile(peaks_db, [50, 70, 85, 95]):
        for ahead_s in _AHEADS_S:
            values = _values(float(threshold), 3.0, 1.0, 60.0, 20.0)
            values[1], values[2] = _LIMIT, 0.0
            starts.append((ModelMake(detector="look-ahead", law="above", ahead_s=ahead_s, blend=False), values))
    return starts
