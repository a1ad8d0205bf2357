"""Alignment of two recordings of one performance: delay, polarity, and the drift between two clocks.

The delay is followed along the recordings by cross-correlation with whitening (Knapp & Carter 1976), a line through it gives the
drift, and what is left is refined on the transfer function.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft
import scipy.signal as ss
import scipy.stats

from deskhand.compare.anchors import (
    ANCHOR_S,
    LEAST_PEAK,
    SURE_PEAK,
    find_anchors,
    jumps_between,
    shared_anchors,
    whitened,
)
from deskhand.dsp.warp import read_at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.compare.anchors import Anchor, Jump

    Array = NDArray[np.float64]

_WINDOW_S: Final = 2.0
"""Length of the windows in which the delay is followed. Common practice, no source."""
_REACH_S: Final = 0.004
"""Distance from the expected delay that is looked at: as far as a clock 500 ppm off moves in 8 s. Common practice, no source."""
_INTERPOLATION: Final = 32
"""Values that a correlation is interpolated to for each sample: steps of 0.03 sample, parted further by a parabola. Common practice, no source."""
_INTERPOLATED_SIDE: Final = 32
"""Samples on each side of a peak that are interpolated. Common practice, no source."""
_WINDOWS_WANTED: Final = 8
"""Windows that a short recording is followed in; they overlap there. Common practice, no source."""
_WINDOW_SHARE: Final = 0.25
"""Height of a window's peak against that of a stretch found elsewhere below which the delay does not hold beside that: a window that reaches
across a cut still holds some. The study `validations/compare_cases.py`."""
_SHORT_S: Final = 6.0
"""Stretch beside a cut so short that the other side is tried. Common practice, no source."""
_EDGE_S, _EDGE_HOP_S = 1.0, 0.25
"""Both: length and distance of the windows in which the end of what a delay holds for is looked for, beside a cut. Common practice, no source."""
_EDGE_SHARE: Final = 0.5
"""Height of a peak against the middle one's below which a window beside a cut holds something else. Common practice, no source."""
_LEAST_WINDOWS: Final = 4
"""Windows that a line is laid through at least: two more than it needs. Common practice, no source."""
_NO_DRIFT_PPM: Final = 0.3
"""A smaller slope is no drift: it moves 0.1 sample in 8 s at 48 kHz. Common practice, no source."""
_LEAST_MOVED: Final = 0.75
"""Samples by which a drift moves from the first window to the last: filters move the peak by half a sample as the music changes. The study
`validations/compare_cases.py`."""
_CHANCE: Final = 0.01
"""A slope is a drift when chance makes one as steep more seldom: filters move the peak by tenths of a sample as the music changes."""
_HIGHEST_PPM: Final = 500.0
"""A steeper slope is no drift of a clock and is left out; crystals keep within 100 ppm. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeAlignment:
    """Delay, polarity and clock of AFTER against BEFORE."""

    delay_samples: float
    """Samples by which AFTER comes later, at its beginning."""
    polarity: int
    """1, or -1 where AFTER is upside down."""
    drift_ppm: float
    """Parts in a million by which the clock of AFTER is fast: positive when it needs more samples for the same time."""
    same_performance: bool
    """False where nothing of one is found in the other."""
    used: tuple[int, int] | None = None
    """First and last frame of BEFORE that the delay holds for; None for all that the two share."""
    jumps: tuple[Jump, ...] = ()
    """Cuts and insertions, in order of time."""
    sure: bool = False
    """True where chance does not align two recordings as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _WindowDelay:
    """Result of one window of BEFORE: where it lies, by how much AFTER is late in it, its polarity, and how sure."""

    centre: float
    """Frame of BEFORE in the middle of the window."""
    delay_samples: float
    sign: float
    """1, or -1 where the peak points down."""
    prominence: float
    """Height of the peak in standard deviations of the correlation."""


_NO_ALIGNMENT: Final = TimeAlignment(delay_samples=0.0, polarity=1, drift_ppm=0.0, same_performance=False)


def _window_delay(
    before: Array, after: Array, start: int, frames: int, expected: float, reach: int
) -> _WindowDelay | None:
    """Delay in the window that begins at a frame of BEFORE, near an expected one; None where a window is empty or outside."""
    after_start = start + round(expected)
    if (
        start < 0
        or after_start - reach < 0
        or start + frames > before.shape[1]
        or after_start + frames + reach > after.shape[1]
    ):
        return None
    window = np.hanning(frames + 1)[:-1]
    before_part = before[:, start : start + frames] * window
    after_part = after[:, after_start : after_start + frames] * window
    if not before_part.any() or not after_part.any():
        return None
    size = scipy.fft.next_fast_len(2 * frames, real=True)
    cross = whitened(scipy.fft.rfft(before_part, size, axis=1), scipy.fft.rfft(after_part, size, axis=1))
    correlation = scipy.fft.irfft(cross, size)
    near = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    best = int(np.argmax(np.abs(near)))
    lags = np.arange(best - reach - _INTERPOLATED_SIDE, best - reach + _INTERPOLATED_SIDE)
    around = np.take(correlation, lags, mode="wrap")
    # band-limited interpolation of the few samples that hold the peak
    fine = ss.resample(around * np.hanning(around.size), around.size * _INTERPOLATION)
    top_index = int(np.clip(np.argmax(np.abs(fine)), 1, fine.size - 2))
    below, top, above = np.abs(fine[top_index - 1 : top_index + 2])
    # a parabola through the three highest values
    vertex = (
        top_index + 0.5 * float(below - above) / max(float(below - 2.0 * top + above), -1e30)
        if below + above < 2.0 * top
        else top_index
    )
    return _WindowDelay(
        centre=start + 0.5 * frames,
        delay_samples=round(expected) + best - reach - _INTERPOLATED_SIDE + vertex / _INTERPOLATION,
        sign=float(np.sign(fine[top_index])),
        prominence=float(np.abs(near[best])) / max(float(np.sqrt(np.mean(correlation**2))), 1e-30),
    )


def align(before: Array, after: Array, sample_rate_hz: int, *, drifts: bool = False) -> TimeAlignment:
    """Delay, polarity and drift between two recordings of one performance.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings of the same channels, at the same nominal rate.
    sample_rate_hz : int
    drifts : bool
        True where it is known that the clocks differ: then any slope is taken, else one above 0.3 ppm that is not chance.

    Returns
    -------
    TimeAlignment
        `same_performance` is False when nothing in one is found in the other.

    References
    ----------
    Knapp & Carter, IEEE Trans. ASSP 24 (1976) 320, doi:10.1109/TASSP.1976.1162830.
    """
    anchors = shared_anchors(find_anchors(before, after, sample_rate_hz), sample_rate_hz)
    if not anchors:
        return _NO_ALIGNMENT
    alignment = _of_group(before, after, anchors, anchors[0], sample_rate_hz, drifts=drifts)
    if alignment.used is not None and alignment.used[1] - alignment.used[0] < _SHORT_S * sample_rate_hz:
        # beside a cut, the side that holds more tells more
        others = (_of_group(before, after, anchors, run, sample_rate_hz, drifts=drifts) for run in anchors[1:])
        alignment = max(
            [alignment, *(other for other in others if other.used)], key=lambda each: np.ptp(each.used or (0, 0))
        )
    return alignment


def _of_group(
    before: Array, after: Array, groups: list[list[Anchor]], run: list[Anchor], rate_hz: int, *, drifts: bool
) -> TimeAlignment:
    """Alignment by one group of anchors; what lies at the delays of the others is left out."""
    windows = _follow(before, after, run, rate_hz)
    if not windows:
        return _NO_ALIGNMENT
    line = replace(_line_through(windows, drifts=drifts), sure=max(anchor.prominence for anchor in run) >= SURE_PEAK)
    elsewhere = [
        group
        for group in groups
        if group is not run
        # what gives way to another delay and comes back to the first is a bar that was played before
        and not all(run[0].frame < anchor.frame < run[-1].frame for anchor in group)
        and not _holds_there(windows, group, rate_hz)
    ]
    if not elsewhere:
        return line
    # another delay holds elsewhere: only what lies on this side of the jump is described
    first, last = _holds_between(before, after, windows, rate_hz)
    earlier = [anchor.frame for group in elsewhere for anchor in group if anchor.frame < run[0].frame]
    later = [anchor.frame for group in elsewhere for anchor in group if anchor.frame > run[-1].frame]
    return replace(
        line,
        used=(first if earlier else 0, last if later else before.shape[1]),
        jumps=jumps_between([run, *elsewhere], rate_hz),
    )


def _follow(before: Array, after: Array, run: Sequence[Anchor], rate_hz: int) -> list[_WindowDelay]:
    """Delays in windows along the recordings, from the anchor that stands out most to both sides."""
    strongest = max(run, key=lambda anchor: anchor.prominence)
    frames = round(_WINDOW_S * rate_hz)
    reach = round(_REACH_S * rate_hz)
    hop = int(np.clip((before.shape[1] - frames) // _WINDOWS_WANTED, frames // 4, 2 * frames))
    windows: list[_WindowDelay] = []
    for direction in (1, -1):
        expected, slope = float(strongest.delay), 0.0
        start = strongest.frame if direction > 0 else strongest.frame - frames
        last_start = strongest.frame
        while -frames <= start <= before.shape[1]:
            window = _window_delay(before, after, start, frames, expected + slope * (start - last_start), reach)
            if window is None:
                if start < 0 or start + frames > before.shape[1] or start + expected + frames + reach > after.shape[1]:
                    break
            elif window.prominence > LEAST_PEAK:
                if windows and abs(start - last_start) > 0:
                    slope = 0.7 * slope + 0.3 * (window.delay_samples - expected) / (start - last_start)
                    slope = float(np.clip(slope, -_HIGHEST_PPM * 1e-6, _HIGHEST_PPM * 1e-6))
                windows.append(window)
                expected, last_start = window.delay_samples, start
            start += direction * hop
    if not windows:
        # too little stands in any window: the anchors alone
        windows = [
            _WindowDelay(centre=float(anchor.frame), delay_samples=float(anchor.delay), sign=anchor.sign, prominence=anchor.prominence)
            for anchor in run
        ]  # fmt: skip
    return windows


def _holds_between(before: Array, after: Array, windows: Sequence[_WindowDelay], rate_hz: int) -> tuple[int, int]:
    """(first, last) frame of BEFORE between which the delay that was followed holds, as near as short windows tell."""
    frames, hop = round(_EDGE_S * rate_hz), round(_EDGE_HOP_S * rate_hz)
    ends = []
    for window, direction in (
        (min(windows, key=lambda each: each.centre), -1),
        (max(windows, key=lambda each: each.centre), 1),
    ):
        # from inside the window that is known to hold, outwards
        inside = int(window.centre) - frames // 2 - direction * frames
        end, heights = inside + frames // 2 - direction * hop, list[float]()
        for start in range(inside, inside + direction * 64 * hop, direction * hop):
            edge = _window_delay(before, after, start, frames, window.delay_samples, round(_REACH_S * rate_hz))
            if edge is None:
                if start < 0 or start + frames > before.shape[1]:
                    break
                continue
            if edge.prominence < max(LEAST_PEAK, _EDGE_SHARE * float(np.median(heights or [0.0]))):
                break
            heights.append(edge.prominence)
            # as far inwards as a window may reach across a cut and still be like enough
            end = start + frames // 2 - direction * hop
        ends.append(end)
    return max(0, ends[0]), min(before.shape[1], ends[1])


def _holds_there(windows: Sequence[_WindowDelay], group: Sequence[Anchor], rate_hz: int) -> bool:
    """True where the delay that was followed holds beside every anchor of another group: music that repeats, and no cut."""
    near = 1.25 * _WINDOW_S * rate_hz
    middle = 0.5 * ANCHOR_S * rate_hz
    return all(
        any(
            abs(window.centre - anchor.frame - middle) <= near
            and window.prominence >= _WINDOW_SHARE * anchor.prominence
            for window in windows
        )
        for anchor in group
    )


def _line_through(windows: list[_WindowDelay], *, drifts: bool) -> TimeAlignment:
    """Delay and drift from delays along the recording: a straight line without its outliers."""
    centres = np.array([window.centre for window in windows])
    delays = np.array([window.delay_samples for window in windows])
    signs = np.array([window.sign for window in windows])
    polarity = 1 if signs.sum() >= 0 else -1
    drift, delay_at_start = 0.0, float(np.median(delays))
    if len(windows) >= _LEAST_WINDOWS:
        good = np.ones(len(windows), bool)
        for _ in range(4):
            line = scipy.stats.linregress(centres[good], delays[good])
            off = np.abs(delays - line.intercept - line.slope * centres)
            good = off <= max(3.0 * float(np.median(off)), 0.1)
            if good.sum() < _LEAST_WINDOWS:
                break
        slope_ppm = float(line.slope) * 1e6
        moved = abs(float(line.slope)) * float(np.ptp(centres))
        is_drift = abs(slope_ppm) >= _NO_DRIFT_PPM and moved >= _LEAST_MOVED and line.pvalue < _CHANCE
        if abs(slope_ppm) <= _HIGHEST_PPM and (drifts or is_drift):
            drift, delay_at_start = slope_ppm, float(line.intercept)
    return TimeAlignment(
        delay_samples=float(delay_at_start),
        polarity=polarity,
        drift_ppm=drift,
        same_performance=True,
    )


def refined(first: TimeAlignment, second: TimeAlignment) -> TimeAlignment:
    """Alignment with a second one added, which was found after the first was taken out."""
    if not second.same_performance:
        return first
    factor = 1.0 + first.drift_ppm * 1e-6
    return TimeAlignment(
        delay_samples=first.delay_samples + second.delay_samples * factor,
        polarity=first.polarity,
        drift_ppm=first.drift_ppm + second.drift_ppm if first.drift_ppm else 0.0,
        same_performance=True,
        used=first.used,
        jumps=first.jumps,
        sure=first.sure,
    )


def shifted(signal: Array, delay_samples: float, drift_ppm: float, frames: int) -> Array:
    """(channels, `frames`) of a signal brought forward by a delay, its clock set right; zeros where it has nothing."""
    whole = round(delay_samples)
    if drift_ppm == 0.0 and abs(delay_samples - whole) < 1e-9:
        moved = np.zeros((signal.shape[0], frames))
        first, last = max(0, whole), min(signal.shape[1], whole + frames)
        if last > first:
            moved[:, first - whole : last - whole] = signal[:, first:last]
        return moved
    return read_at(signal, delay_samples, 1.0 + drift_ppm * 1e-6, frames)
