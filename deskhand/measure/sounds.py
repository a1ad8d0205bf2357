"""The distinct sounds of a source: stretches alike in tone, level and width, and the level step between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.kernel import kernel
from deskhand.measure.activity import Activity, stretches
from deskhand.measure.figures import TAIL_OCTAVES_HZ
from deskhand.measure.notes import observed_tail, together
from deskhand.measure.tone import octaves, tone_db
from deskhand.units import db_from_power, dbfs_from_mean_square

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from deskhand.measure.figures import Figures

LEAST_S: Final = 30.0
"""Less playing than this is one sound. Common practice, no source."""
_LEAST_STRETCH: Final = 8
"""Seconds of playing in the shortest stretch. Common practice, no source."""
# Differences that count alike: common practice, no source; docs/validation-sounds.md says what is found with them.
_BAND_DB: Final = 3.0  # of the share of a band (no source)
_CREST_DB: Final = 4.0  # of the crest (no source)
_LEVEL_DB: Final = 3.0  # of the level (validations/lead_steps.py, half to tune on: of steps of 5 dB and more 93 % are told, with 4 dB 80 %)
_WIDTH_DB: Final = 4.0  # of the width of a pair (no source)
_FLOOR_DB: Final = -36.0
"""Bands further below the sum do not count for the tone. Common practice, no source."""
_APART: Final = 1.2
"""Sounds differ by more than this, in those units. No source; docs/validation-sounds.md says what is found with it."""
_PENALTY: Final = 3.0
"""Times the Bayesian price of a change, because neighbouring seconds are not independent. No source, see docs/validation-sounds.md."""
_CHI_MEDIAN: Final = 0.455
"""Median of the square of a standard normal value."""
_MOST_SOUNDS: Final = 5
"""Sounds told of one source: more would be no help before doors. Common practice, no source."""
_LEAST_SHARE: Final = 0.08
"""Share of the playing from which a sound counts for the level step. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """Sound of a source: stretches alike in tone, level and width."""

    share: float
    """Share of the time the source plays."""
    stretches_s: tuple[tuple[float, float], ...]
    level_dbfs: float | None
    """Median of its active 300 ms windows."""
    loudness_lufs: float | None
    tone_db: dict[str, float] | None
    tail_s: float | None


@kernel("void(float64[:, ::1], float64, int64, int64[::1])")
def _partition(features: np.ndarray, penalty: float, least: int, last_change: np.ndarray) -> None:
    """Optimal partitioning into stretches of constant mean (Jackson et al. 2005, doi:10.1109/LSP.2001.838216).

    `last_change[k]` (k = 1 .. n) is where the last stretch of the best partition of the first k begins.
    """
    count, wide = features.shape
    sums = np.zeros((count + 1, wide))
    squares = np.zeros(count + 1)
    for index in range(count):
        squares[index + 1] = squares[index]
        for column in range(wide):
            sums[index + 1, column] = sums[index, column] + features[index, column]
            squares[index + 1] += features[index, column] ** 2
    best = np.full(count + 1, np.inf)
    best[0] = -penalty
    for end in range(least, count + 1):
        for start in range(end - least + 1):
            if best[start] == np.inf:
                continue
            mean = 0.0
            for column in range(wide):
                mean += (sums[end, column] - sums[start, column]) ** 2
            cost = best[start] + squares[end] - squares[start] - mean / (end - start) + penalty
            if cost < best[end]:
                best[end] = cost
                last_change[end] = start


def _segments(features: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Stretches of constant mean among (seconds, features).

    Each feature is measured against its own noise, so that a steady one tells as much as a restless one. A change costs
    three times what the Bayesian criterion asks (Schwarz 1978, doi:10.1214/aos/1176344136): neighbouring seconds are not
    independent.
    """
    count, wide = features.shape
    # half the mean square of differences is the variance of what has no memory; at a lag of two, notes have little
    noise = np.sqrt(0.5 * np.median((features[2:] - features[:-2]) ** 2, axis=0) / _CHI_MEDIAN)
    white = features / np.maximum(noise, 0.05)
    last_change = np.zeros(count + 1, np.int64)
    _partition(np.ascontiguousarray(white), _PENALTY * (wide + 1) * np.log(count), _LEAST_STRETCH, last_change)
    segments, end = [], count
    while end > 0:
        segments.append((int(last_change[end]), end))
        end = int(last_change[end])
    return segments[::-1]


def _with_level_steps(segments: list[tuple[int, int]], levels: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stretches that also end where the level alone steps, as long as none becomes too short.

    A lead sound that is nothing but louder has to beat the price of a change in the level only, not in all that tells sounds apart.
    """
    ends = [end for _, end in segments]
    for _, step in levels[:-1]:
        begin = max((end for end in ends if end <= step), default=0)
        end = min(end for end in ends if end >= step)
        if min(step - begin, end - step) >= _LEAST_STRETCH:
            ends = sorted([*ends, step])
    return list(zip([0, *ends[:-1]], ends, strict=True))


def _groups(means: NDArray[np.float64], sizes: NDArray[np.float64]) -> NDArray[np.int_]:
    """Label (stretches,) of the sound each stretch belongs to: the nearest are joined until all lie apart."""
    label = np.arange(len(means))
    means, sizes = means.copy(), sizes.copy()
    alive = list(range(len(means)))
    while len(alive) > 1:
        distances = [
            (float(np.sqrt(np.sum((means[first] - means[second]) ** 2))), first, second)
            for index, first in enumerate(alive)
            for second in alive[index + 1 :]
        ]
        nearest, first, second = min(distances)
        if nearest > _APART and len(alive) <= _MOST_SOUNDS:
            break
        means[first] = (sizes[first] * means[first] + sizes[second] * means[second]) / (sizes[first] + sizes[second])
        sizes[first] += sizes[second]
        label[label == second] = first
        alive.remove(second)
    return label


LEVEL_COLUMN: Final = 4
"""Column of the level among the features, behind the shares of four bands."""


def _features(
    figures: Figures, tracks: tuple[int, ...], playing: Activity, seconds: NDArray[np.intp]
) -> NDArray[np.float64]:
    """(seconds, features) in units that count alike: octave levels, level, and for a pair width."""
    tone = np.mean([figures.tracks[track].tone[seconds] for track in tracks], axis=0)
    bands = octaves(tone).reshape(len(seconds), 4, 2).sum(axis=2)
    shares = np.maximum(db_from_power(bands / np.maximum(bands.sum(axis=1, keepdims=True), 1e-30) + 1e-9), _FLOOR_DB)
    columns = [shares / (_BAND_DB * np.sqrt(shares.shape[1]))]

    def each_second(values: NDArray[np.floating]) -> NDArray[np.float64]:
        padded = np.zeros(10 * len(figures.tracks[0].tone))
        mask = np.zeros(padded.size, bool)
        count = min(values.size, padded.size)
        padded[:count], mask[:count] = values[:count], playing.blocks[:count]
        rows, playing_rows = padded.reshape(-1, 10)[seconds], mask.reshape(-1, 10)[seconds]
        return np.asarray((rows * playing_rows).sum(axis=1) / np.maximum(1, playing_rows.sum(axis=1)))

    power = each_second(np.mean([figures.tracks[track].mean_square for track in tracks], axis=0))
    columns.append(dbfs_from_mean_square(np.maximum(power, 1e-12))[:, None] / _LEVEL_DB)
    top = np.max([figures.tracks[track].peak[:-1] for track in tracks], axis=0)
    crest = each_second(top.astype(np.float64) ** 2) / np.maximum(power, 1e-12)
    columns.append(db_from_power(np.maximum(crest, 1.0))[:, None] / _CREST_DB)
    if len(tracks) == 2:
        product = each_second(figures.pairs[tracks[0], tracks[1]].product)
        side, mid = np.maximum(power - product, 1e-12), np.maximum(power + product, 1e-12)
        columns.append(np.clip(db_from_power(side / mid), -20.0, 6.0)[:, None] / _WIDTH_DB)
    return np.concatenate(columns, axis=1)


def find_sounds(
    figures: Figures, tracks: tuple[int, ...], playing: Activity, loudness: Callable[[NDArray[np.bool_]], float | None]
) -> tuple[tuple[Sound, ...], float | None]:
    """Find the sounds a source uses, the most used first, and the level step in LU between the loudest and the quietest.

    Parameters
    ----------
    figures : Figures
    tracks : one or two track positions
    playing : Activity
    loudness : callable
        Integrated loudness of the source over a (blocks,) mask.

    Returns
    -------
    (sounds, step). No sounds for less than 30 s of playing; no step when there is one sound only. Sounds used for less than
    8 % of the playing do not count for the step.
    """
    share = np.zeros(10 * len(figures.tracks[0].tone))
    share[: min(playing.blocks.size, share.size)] = playing.blocks[: share.size]
    known = np.all([np.isfinite(figures.tracks[track].tone).all(axis=1) for track in tracks], axis=0)
    seconds = np.flatnonzero((share.reshape(-1, 10).mean(axis=1) >= 0.5) & known)
    if seconds.size < LEAST_S:
        return (), None
    features = _features(figures, tracks, playing, seconds)
    segments = _with_level_steps(_segments(features), _segments(features[:, LEVEL_COLUMN : LEVEL_COLUMN + 1]))
    means = np.array([features[first:last].mean(axis=0) for first, last in segments])
    label = _groups(means, np.array([float(last - first) for first, last in segments]))
    decays = together([figures.tracks[track].decays for track in tracks], 4)
    sounds: list[Sound] = []
    for sound_label in np.unique(label):
        mask = np.zeros(share.size, bool)
        second = np.zeros(len(known), bool)
        for (first, last), segment_label in zip(segments, label, strict=True):
            if segment_label == sound_label:
                # from this stretch's first second to the next one's: pauses in between belong to it
                end = seconds[last] if last < seconds.size else seconds[-1] + 1
                mask[10 * seconds[first] : 10 * end] = True
                second[seconds[first:last]] = True
        mask = mask[: playing.blocks.size]
        active = mask & playing.blocks
        windows = playing.windows & mask[: playing.windows.size]
        levels = playing.level_dbfs[windows]
        decay_blocks = np.minimum((decays[:, 1] / figures.grid.hop_s).astype(np.intp), mask.size - 1)
        sounds.append(
            Sound(
                share=round(float(second.sum() / seconds.size), 4),
                stretches_s=tuple(stretches(mask, figures.grid.hop_s)),
                level_dbfs=float(np.median(levels)) if levels.size else None,
                loudness_lufs=loudness(active),
                tone_db=tone_db(np.mean([figures.tracks[track].tone for track in tracks], axis=0), active),
                tail_s=observed_tail(decays[mask[decay_blocks]], len(TAIL_OCTAVES_HZ)).tail_s,
            )
        )
    sounds.sort(key=lambda sound: -sound.share)
    loud = [sound.loudness_lufs for sound in sounds if sound.loudness_lufs is not None and sound.share >= _LEAST_SHARE]
    return tuple(sounds), (max(loud) - min(loud) if len(loud) > 1 else None)
