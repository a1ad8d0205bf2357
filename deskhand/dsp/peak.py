"""Sample peak, mean square and sharpness of short blocks, and true peak by oversampling."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.kernel import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

TAPS_A_SIDE: Final = 12
"""Samples on each side of the gap that the interpolator looks at: 24 taps, twice those of BS.1770-5 Annex 2."""


@kernel("float64(float32[::1])")
def _energy(signal: np.ndarray) -> float:
    """Sum of squares of at most some thousand values: eight running sums, which vectorise and keep rounding small."""
    s0, s1, s2, s3 = np.float32(0), np.float32(0), np.float32(0), np.float32(0)
    s4, s5, s6, s7 = np.float32(0), np.float32(0), np.float32(0), np.float32(0)
    whole = signal.shape[0] // 8 * 8
    for index in range(0, whole, 8):
        s0 += signal[index] * signal[index]
        s1 += signal[index + 1] * signal[index + 1]
        s2 += signal[index + 2] * signal[index + 2]
        s3 += signal[index + 3] * signal[index + 3]
        s4 += signal[index + 4] * signal[index + 4]
        s5 += signal[index + 5] * signal[index + 5]
        s6 += signal[index + 6] * signal[index + 6]
        s7 += signal[index + 7] * signal[index + 7]
    remainder = 0.0
    for index in range(whole, signal.shape[0]):
        remainder += np.float64(signal[index]) * signal[index]
    return (np.float64(s0) + s1) + (np.float64(s2) + s3) + (np.float64(s4) + s5) + (np.float64(s6) + s7) + remainder


@kernel("float64(float32[::1])")
def _sum(signal: np.ndarray) -> float:
    """Sum of at most some thousand values, as `_energy` sums squares."""
    s0, s1, s2, s3 = np.float32(0), np.float32(0), np.float32(0), np.float32(0)
    whole = signal.shape[0] // 8 * 8
    for index in range(0, whole, 8):
        s0 += signal[index] + signal[index + 4]
        s1 += signal[index + 1] + signal[index + 5]
        s2 += signal[index + 2] + signal[index + 6]
        s3 += signal[index + 3] + signal[index + 7]
    remainder = 0.0
    for index in range(whole, signal.shape[0]):
        remainder += signal[index]
    return (np.float64(s0) + s1) + (np.float64(s2) + s3) + remainder


@kernel("void(float32[::1], int64, float32[::1], float32[::1], float64[::1])")
def block_levels(signal: np.ndarray, step: int, peak: np.ndarray, mean_square: np.ndarray, total: np.ndarray) -> None:
    """Fill in sample peak and mean square of each block; the last block may be shorter. `total[0]` gains the sum of all samples.

    Shapes: signal (frames,), peak and mean_square (ceil(frames / step),), total (1,).
    """
    # the bits of a float without its sign order like the float itself, and integer maxima vectorise
    bits, peak_bits = signal.view(np.int32), peak.view(np.int32)
    frames = signal.shape[0]
    for block in range(peak.shape[0]):
        first = block * step
        last = min(first + step, frames)
        top = np.int32(0)
        piece, piece_bits = signal[first:last], bits[first:last]
        for index in range(piece_bits.shape[0]):
            top = max(top, piece_bits[index] & np.int32(0x7FFFFFFF))
        mean_square[block] = _energy(piece) / max(1, last - first)
        total[0] += _sum(piece)
        peak_bits[block] = top


@kernel("void(float32[::1], int64, int64, float32[::1], float32[::1])")
def sharpness(signal: np.ndarray, step: int, stride: int, top: np.ndarray, mean_square: np.ndarray) -> None:
    """Largest magnitude and mean square of the fourth difference, block by block: music has hardly any.

    x[i] - 4 x[i+s] + 6 x[i+2s] - 4 x[i+3s] + x[i+4s] keeps the top of the band: white noise gains 18.5 dB, a tone at a
    sixth of rate / s 0 dB, one an octave lower loses 22 dB.

    Parameters
    ----------
    signal : (frames,) float32
    step : int
        Places a block, at most 2048; the last block may be shorter.
    stride : int
        s above: 1 at 48 kHz, 2 at 96 kHz, so that the same frequencies are kept.
    top, mean_square : (ceil((frames - 4 stride) / step),) float32
        Filled.
    """
    places = signal.shape[0] - 4 * stride
    work = np.empty(2048, np.float32)
    bits = work.view(np.int32)
    top_bits = top.view(np.int32)
    for block in range(top.shape[0]):
        first = block * step
        count = min(step, places - first)
        x0 = signal[first : first + count]
        x1 = signal[first + stride : first + stride + count]
        x2 = signal[first + 2 * stride : first + 2 * stride + count]
        x3 = signal[first + 3 * stride : first + 3 * stride + count]
        x4 = signal[first + 4 * stride : first + 4 * stride + count]
        for index in range(count):
            work[index] = (x0[index] + x4[index]) - np.float32(4) * (x1[index] + x3[index]) + np.float32(6) * x2[index]
        highest = np.int32(0)
        for index in range(count):
            highest = max(highest, bits[index] & np.int32(0x7FFFFFFF))
        top_bits[block] = highest
        mean_square[block] = _energy(work[:count]) / max(1, count)


def oversampling(sample_rate_hz: float) -> int:
    """Times to oversample so that the rate is at least 176.4 kHz (ITU-R BS.1770-5 Annex 2 asks for 192 kHz at 48 kHz)."""
    return max(1, int(np.ceil(176400.0 / sample_rate_hz)))


def interpolator(factor: int) -> NDArray[np.float32]:
    """Polyphase interpolation filter, (factor - 1, 24) taps; the samples themselves are the phase left out.

    A windowed sinc with 24 taps a phase (Kaiser, beta 6): flat within 0.05 dB to 0.42 of the sampling rate, where the
    example of ITU-R BS.1770-5 Annex 2 with its 12 taps is 0.3 dB down or more.
    """
    taps = 2 * TAPS_A_SIDE
    rows = []
    for phase in range(1, factor):
        distance = np.arange(taps) - (TAPS_A_SIDE - 1) - phase / factor
        window = np.i0(6.0 * np.sqrt(np.maximum(0.0, 1.0 - (distance / TAPS_A_SIDE) ** 2))) / np.i0(6.0)
        row = np.sinc(distance) * window
        rows.append(row / row.sum())
    return np.array(rows, np.float32).reshape(factor - 1, taps)


@kernel("void(float32[:, ::1], float64[::1])")
def _bounds(phases: np.ndarray, bounds: np.ndarray) -> None:
    """Bounds of what lies between samples: most gain; and (1 + b) and c, where |y| <= (1 + b) max|x| + c max|x[i] - 2 x[i+1] + x[i+2]|.

    A phase whose taps h add up to one gives y = x[n] + sum a[j] (x[j+1] - x[j]) by summation by parts, a[j] being the sum of the
    taps after j (before n: less that of those up to j). What this has beyond a straight line from x[n] to x[n+1] is summed by
    parts once more. Music has little curvature: c is 0.42, where the most gain is 1.9.
    """
    taps = phases.shape[1]
    middle = taps // 2 - 1
    bounds[0], bounds[1], bounds[2] = 1.0, 1.0, 0.0
    slopes = np.empty(taps - 1)
    for phase in range(phases.shape[0]):
        gain, total, left = 0.0, 0.0, 0.0
        for tap in range(taps):
            gain += abs(phases[phase, tap])
            total += phases[phase, tap]
        for tap in range(taps - 1):
            left += phases[phase, tap]
            slopes[tap] = total - left if tap >= middle else -left
        slopes[middle] -= (phase + 1) / (phases.shape[0] + 1)
        moment, left, bend = 0.0, 0.0, 0.0
        for tap in range(taps - 1):
            moment += slopes[tap]
        for tap in range(taps - 2):
            left += slopes[tap]
            bend += abs(moment - left if tap >= middle else -left)
        bounds[0] = max(bounds[0], gain)
        # a difference of neighbours is twice the largest sample at most
        bounds[1] = max(bounds[1], 1.0 + abs(total - 1.0) + 2.0 * abs(moment))
        bounds[2] = max(bounds[2], bend)


# long: one walk over the blocks; split, the taps would no longer stay in registers
@kernel("float32(float32[::1], int64, float32[:, ::1], float32)")
def true_peak(signal: np.ndarray, step: int, phases: np.ndarray, so_far: np.float32) -> np.float32:
    """Largest magnitude between samples, or `so_far` where that is larger.

    Blocks that cannot beat it, by their largest sample and the most the filter can add or by their curvature, are skipped: the
    result is the same.

    Parameters
    ----------
    signal : (frames,) float32
        Positions between `TAPS_A_SIDE - 1` and `frames - TAPS_A_SIDE` are looked at.
    step : int
        Frames a block, at most 1024.
    phases : (factor - 1, 24) float32
        From `interpolator`.
    so_far : float
        Largest magnitude known.

    Returns
    -------
    float32, the largest of `so_far`, the samples and the interpolated values.

    References
    ----------
    ITU-R BS.1770-5 (2023), Annex 2.
    """
    frames = signal.shape[0]
    taps = phases.shape[1]
    bounds = np.empty(3)
    _bounds(phases, bounds)
    # a little more, for what is lost by rounding to single precision
    most_gain, with_size, with_bend = np.float32(bounds[0]), np.float32(1.00001 * bounds[1]), np.float32(bounds[2])
    largest = so_far
    work = np.empty(1024 + taps, np.float32)
    # the bits of a float without its sign order like the float itself, and integer maxima vectorise
    bits, work_bits = signal.view(np.int32), work.view(np.int32)
    top_bits = np.empty(1, np.int32)
    for first in range(0, frames - taps + 1, step):
        count = min(step, frames - taps + 1 - first)
        top = np.int32(0)
        for index in range(first, first + count + taps - 1):
            top = max(top, bits[index] & np.int32(0x7FFFFFFF))
        top_bits[0] = top
        size = top_bits.view(np.float32)[0]
        largest = max(largest, size)
        if size * most_gain <= largest:
            continue
        before, between, after = (
            signal[first : first + count + taps - 3],
            signal[first + 1 : first + count + taps - 2],
            signal[first + 2 : first + count + taps - 1],
        )
        for index in range(count + taps - 3):
            work[index] = (before[index] - between[index]) + (after[index] - between[index])
        top = np.int32(0)
        for index in range(count + taps - 3):
            top = max(top, work_bits[index] & np.int32(0x7FFFFFFF))
        top_bits[0] = top
        if size * with_size + top_bits.view(np.float32)[0] * with_bend * np.float32(1.00001) <= largest:
            continue
        for phase in range(phases.shape[0]):
            for index in range(count):
                work[index] = np.float32(0.0)
            # four taps a turn: the running sum is then loaded and stored a quarter as often
            for tap in range(0, taps, 4):
                w0, w1 = phases[phase, tap], phases[phase, tap + 1]
                w2, w3 = phases[phase, tap + 2], phases[phase, tap + 3]
                x0 = signal[first + tap : first + tap + count]
                x1 = signal[first + tap + 1 : first + tap + 1 + count]
                x2 = signal[first + tap + 2 : first + tap + 2 + count]
                x3 = signal[first + tap + 3 : first + tap + 3 + count]
                for index in range(count):
                    work[index] += (w0 * x0[index] + w1 * x1[index]) + (w2 * x2[index] + w3 * x3[index])
            top = np.int32(0)
            for index in range(count):
                top = max(top, work_bits[index] & np.int32(0x7FFFFFFF))
            top_bits[0] = top
            largest = max(largest, top_bits.view(np.float32)[0])
    return largest
