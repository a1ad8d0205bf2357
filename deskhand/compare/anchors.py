"""Anchors of an alignment: stretches of BEFORE that are found again in AFTER, and the delays that several of them share.

Several stretches are looked for, so that a pause, a closed gate, a later start or a cut in one of them takes nothing from the others.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft
import scipy.signal as ss

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

ANCHOR_S: Final = 4.0
"""Length of the stretch that is looked for in all of AFTER: some bars of music. Common practice, no source."""
_MOST_ANCHORS: Final = 12
"""Stretches that are looked for at most: with a third of BEFORE gone, eight are left. Common practice, no source."""
_ANCHOR_RATE_HZ: Final = 12000.0
"""Rate down to which the stretches are looked for: the notes of all instruments pass. Common practice, no source."""
LEAST_PEAK: Final = 8.0
"""A correlation peak stands this many standard deviations above all, or it is chance. Common practice, no source."""
_LEAST_ANCHOR: Final = 10.0
"""The same for a stretch that is looked for in all of AFTER. The study `validations/compare_cases.py`: of recordings that have nothing to do
with each other the peaks reach 15, but no two agree; of one performance they lie between 30 and 300."""
SURE_PEAK: Final = 20.0
"""A peak this high is taken by itself, where the recording has no other stretch to bear it out. The same study."""
_ALONE_PEAK: Final = 40.0
"""The same where there are other stretches and none bears it out: music that was cut between each two. The same study."""
_SAME_DELAY_S: Final = 0.003
"""Delays nearer than this, and what 500 ppm add between them, are one: filters move a peak by a millisecond or two. Common practice, no source."""
_CLOCK: Final = 5e-4
"""Largest difference of two clocks: crystals keep within 100 ppm, with room. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchor:
    """Stretch of BEFORE that was found in AFTER."""

    frame: int
    """First frame in BEFORE."""
    delay: int
    """Frames by which AFTER comes later."""
    sign: float
    """1, or -1 where the peak points down."""
    prominence: float
    """Height of the peak in standard deviations of the correlation."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Jump:
    """Moment at which the delay changes: something was cut from AFTER, or put into it."""

    after_s: float
    """Time in BEFORE after which it happens, as near as the anchors tell."""
    until_s: float
    """Time in BEFORE by which it has happened."""
    gone_s: float
    """Seconds that AFTER lacks; negative where it holds more."""


def whitened(before: Spectrum, after: Spectrum) -> Spectrum:
    """(bins,) cross spectrum of two (channels, bins), every frequency counting alike by what the two share."""
    cross = np.sum(np.conj(before) * after, axis=0)
    size = np.sum(np.abs(before) * np.abs(after), axis=0)
    floor = 1e-4 * float(size.max()) if size.size else 0.0
    return np.asarray(cross / np.maximum(size, max(floor, 1e-30)), np.complex128)


def _liveliest_frames(power: Array, hops: int, zones: int) -> list[int]:
    """Hop at which the liveliest stretch of each zone begins; zones of silence have none."""
    last = power.size - hops
    edges = np.linspace(0, last + 1, zones + 1).astype(int)
    firsts = []
    for low, high in itertools.pairwise(edges):
        starts = range(low, max(high, low + 1), max(1, hops // 8))
        # where it plays for more than half of it, and loudest
        levels = {start: float(np.median(power[start : start + hops])) for start in starts if start <= last}
        if not levels:
            continue
        first = max(levels, key=lambda start: levels[start])
        if not levels[first]:
            # strokes with silence between them
            first = max(levels, key=lambda start: float(np.sum(power[start : start + hops])))
        if power[first : first + hops].any():
            firsts.append(first)
    return sorted(set(firsts))


def find_anchors(before: Array, after: Array, rate_hz: int) -> list[Anchor]:
    """Stretches of BEFORE looked for in all of AFTER, each with the delay at which it is most alike.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings of the same channels, at the same nominal rate.
    rate_hz : int

    References
    ----------
    Knapp & Carter, IEEE Trans. ASSP 24 (1976) 320, doi:10.1109/TASSP.1976.1162830.
    """
    down = max(1, int(rate_hz / _ANCHOR_RATE_HZ))
    slow = [ss.resample_poly(signal, 1, down, axis=1) if down > 1 else signal for signal in (before, after)]
    frames = min(round(ANCHOR_S * rate_hz / down), slow[0].shape[1])
    hop = max(1, frames // 16)
    count = slow[0].shape[1] // hop
    power = np.mean(slow[0][:, : count * hop].reshape(slow[0].shape[0], -1, hop) ** 2, axis=(0, 2))
    hops = min(frames // hop, count)
    zones = int(np.clip(slow[0].shape[1] // frames, 1, _MOST_ANCHORS))
    size = scipy.fft.next_fast_len(slow[1].shape[1] + frames, real=True)
    after_spectrum = scipy.fft.rfft(slow[1], size, axis=1)
    anchors = []
    for first in _liveliest_frames(power, hops, zones):
        excerpt = slow[0][:, first * hop : first * hop + frames]
        correlation = scipy.fft.irfft(whitened(scipy.fft.rfft(excerpt, size, axis=1), after_spectrum), size)
        lag = int(np.argmax(np.abs(correlation)))
        prominence = abs(float(correlation[lag])) / max(float(np.sqrt(np.mean(correlation**2))), 1e-30)
        sign = float(np.sign(correlation[lag])) or 1.0
        if lag > slow[1].shape[1]:
            lag -= size
        anchors.append(
            Anchor(frame=first * hop * down, delay=(lag - first * hop) * down, sign=sign, prominence=prominence)
        )
    return anchors


def _agree(first: Anchor, second: Anchor, rate_hz: int) -> bool:
    """True where one delay, or one clock, explains both anchors."""
    allowed = _SAME_DELAY_S * rate_hz + _CLOCK * abs(first.frame - second.frame)
    return abs(first.delay - second.delay) <= allowed and first.sign == second.sign


def shared_anchors(anchors: Sequence[Anchor], rate_hz: int) -> list[list[Anchor]]:
    """Groups of anchors that share a delay, the surest group first; none where nothing of BEFORE is in AFTER.

    Parameters
    ----------
    anchors : sequence of Anchor
    rate_hz : int
    """
    left = [anchor for anchor in anchors if anchor.prominence >= _LEAST_ANCHOR]
    groups: list[list[Anchor]] = []
    alone: list[list[Anchor]] = []
    least_alone = SURE_PEAK if len(anchors) == 1 else _ALONE_PEAK
    while left:
        group = max(
            ([anchor for anchor in left if _agree(anchor, centre, rate_hz)] for centre in left),
            key=lambda members: sum(anchor.prominence for anchor in members),
        )
        left = [anchor for anchor in left if all(anchor is not member for member in group)]
        # one stretch by itself may be chance, or a bar that comes again, where others agree
        if len(group) > 1:
            groups.append(sorted(group, key=lambda anchor: anchor.frame))
        elif group[0].prominence >= least_alone:
            alone.append(group)
    return groups or alone


def jumps_between(groups: Sequence[Sequence[Anchor]], rate_hz: int) -> tuple[Jump, ...]:
    """Moments at which one delay gives way to another, in order of time.

    Parameters
    ----------
    groups : sequence of sequences of Anchor
        From `shared_anchors`.
    rate_hz : int
    """
    ordered = sorted(
        ((anchor, number) for number, group in enumerate(groups) for anchor in group), key=lambda pair: pair[0].frame
    )
    return tuple(
        Jump(
            after_s=round(earlier.frame / rate_hz, 1),
            until_s=round(later.frame / rate_hz + ANCHOR_S, 1),
            gone_s=round((earlier.delay - later.delay) / rate_hz, 2),
        )
        for (earlier, before_group), (later, after_group) in itertools.pairwise(ordered)
        if before_group != after_group
    )
