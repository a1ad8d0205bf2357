"""Impulse response between two recordings by least squares, long enough for a room to die away.

The normal equations of a finite response are Toeplitz: they are solved by conjugate gradients whose products are convolutions, with
the spectrum of BEFORE as their preconditioner (Chan & Ng, SIAM Review 38 (1996) 427).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft
import scipy.signal as ss

from deskhand.units import db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SHORT_S: Final = 0.12
"""Response of filters: longer than any of them rings. Common practice, no source."""
_EARLY_S: Final = 0.01
"""Part of the response in front of its direct sound: linear-phase filters ring there. Common practice, no source."""
_RIDGE, _SHORT_RIDGE = 1e-7, 1e-11
"""Power against the strongest below which BEFORE tells nothing of a frequency: -70 dB, and -110 dB where the response is short. Common
practice, no source."""
_MOST_STEPS, _MOST_SHORT_STEPS = 40, 150
"""Steps of the conjugate gradients at most; short ones cost little. Common practice, no source."""
_SETTLED, _SETTLED_SHORT = 1e-4, 1e-6
"""Residual of the normal equations at which they end, against its beginning. Common practice, no source."""
_LEAST_BLOCK, _BLOCK_OF_TAPS = 16384, 3
"""Frames of a block at least, and against the taps: a block and what its transforms need stay in a cache. Common practice, no source."""
_MOST_SHORT_S: Final = 0.3
"""Longest response that counts as short. Common practice, no source."""
_SMOOTH_BINS: Final = 9
"""Bins over which the preconditioner's spectrum is smoothed. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImpulseResponse:
    """Response of each channel over time."""

    taps: Array
    """(channels, taps)."""
    direct: int
    """Tap of time 0."""
    predicted: Array
    """(channels, frames) of BEFORE through it."""
    residual_db: float
    """Level of what it leaves of AFTER, against AFTER."""


def level_left_db(after: Array, predicted: Array) -> float:
    """Level of what a prediction leaves of AFTER, against AFTER, in dB."""
    left = float(np.sum((after - predicted) ** 2))
    return float(db_from_power(max(left, 1e-30) / max(float(np.sum(after**2)), 1e-30)))


def _correlations(before: Array, after: Array, count: int, early: int) -> tuple[Array, Array]:
    """((count,) autocorrelation of BEFORE from lag 0 on, (count,) cross-correlation from lag -`early` on), in blocks that a cache holds."""
    block = min(before.size, max(_LEAST_BLOCK, _BLOCK_OF_TAPS * count))
    size = scipy.fft.next_fast_len(block + count, real=True)
    padded_before, padded_after = np.pad(before, (0, count)), np.pad(after, (early, count))
    auto, cross = np.zeros(size // 2 + 1, np.complex128), np.zeros(size // 2 + 1, np.complex128)
    for first in range(0, before.size, block):
        last = min(first + block, before.size)
        conjugate = np.conj(scipy.fft.rfft(before[first:last], size))
        auto += conjugate * scipy.fft.rfft(padded_before[first : last + count], size)
        cross += conjugate * scipy.fft.rfft(padded_after[first : last + count], size)
    return scipy.fft.irfft(auto, size)[:count], scipy.fft.irfft(cross, size)[:count]


def _channel_taps(before: Array, after: Array, count: int, early: int, *, short: bool) -> Array:
    """(count,) taps from `early` frames before time 0 on."""
    autocorrelation, cross = _correlations(before, after, count, early)
    ring = 2 * scipy.fft.next_fast_len(count, real=True)
    circle = np.zeros(ring)
    circle[:count] = autocorrelation
    circle[ring - count + 1 :] = autocorrelation[:0:-1]
    toeplitz = scipy.fft.rfft(circle, workers=2).real
    # the mean over some bins, so that the preconditioner is no noisier than a response of this length can be
    power = np.maximum(np.convolve(np.maximum(toeplitz, 0.0), np.ones(_SMOOTH_BINS) / _SMOOTH_BINS, "same"), 0.0)
    ridge = (_SHORT_RIDGE if short else _RIDGE) * float(power.max()) + 1e-30
    steps, settled = (_MOST_SHORT_STEPS, _SETTLED_SHORT) if short else (_MOST_STEPS, _SETTLED)
    taps = _solved(toeplitz + ridge, power + ridge, cross, np.zeros(count), steps, settled)
    if not short:
        return taps
    # AFTER ends before it has died away: what is missing is put in by what is known of it
    ending = before[-min(count, before.size) :]
    rung = ss.oaconvolve(ending, taps)[early + ending.size : early + ending.size + count]
    completed = cross.copy()
    completed[early + 1 :] += ss.correlate(rung, ending, "full", method="fft")[: count - early - 1]
    return _solved(toeplitz + ridge, power + ridge, completed, taps, steps, settled)


def _solved(matrix: Array, preconditioner: Array, target: Array, start: Array, steps: int, settled: float) -> Array:
    """(taps,) solution of Toeplitz equations, both given by the spectra of their circles."""
    ring_size, count = 2 * (matrix.size - 1), target.size

    def through(spectrum: Array, values: Array) -> Array:
        ring_spectrum = scipy.fft.rfft(values, ring_size, workers=2)
        return np.asarray(scipy.fft.irfft(ring_spectrum * spectrum, ring_size, workers=2)[:count])

    taps = start.copy()
    left = target - through(matrix, taps) if taps.any() else target.copy()
    step = through(1.0 / preconditioner, left)
    size_left = first_size = float(left @ step)
    if start.any():
        first_size = float(target @ through(1.0 / preconditioner, target))
    for _ in range(steps):
        # a channel of silence is done before it begins
        if size_left <= settled**2 * first_size:
            break
        turned = through(matrix, step)
        length = size_left / max(float(step @ turned), 1e-300)
        taps += length * step
        left -= length * turned
        better = through(1.0 / preconditioner, left)
        size_next = float(left @ better)
        step = better + size_next / size_left * step
        size_left = size_next
    return taps


def impulse_response(before: Array, after: Array, rate_hz: int, length_s: float) -> ImpulseResponse:
    """Response from BEFORE to AFTER that leaves the least, channel by channel.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int
    length_s : float
        Length of the response behind time 0.
    """
    early = round(_EARLY_S * rate_hz)
    count = early + round(length_s * rate_hz)
    taps = np.stack(
        [
            _channel_taps(*pair, count, early, short=length_s <= _MOST_SHORT_S)
            for pair in zip(before, after, strict=True)
        ]
    )
    predicted = ss.oaconvolve(before, taps, axes=1)[:, early : early + before.shape[1]]
    return ImpulseResponse(taps=taps, direct=early, predicted=predicted, residual_db=level_left_db(after, predicted))
