"""Filters without recursion: delay by a fraction of a sample, oversampling, and a measured response."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.kernel import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

FRACTION_TAPS: Final = 64
"""Taps of a fractional delay: 31 samples of it are latency. Flat within 0.01 dB to 0.45 of the sample rate."""
OVERSAMPLING: Final = 4
"""Times the sample rate at which a curve bends, so that less folds back. Common practice, no source."""
_OVERSAMPLING_TAPS: Final = 64
"""Taps for each sample of the lower rate; the pass-band is flat within 0.01 dB to 0.42 of it, images 99 dB down from 0.52 on."""
_OVERSAMPLING_CUTOFF: Final = 0.47
"""Of the lower rate: middle between the pass-band's end at 0.42 and the images' fall at 0.52."""


def fractional_delay(fraction: float) -> NDArray[np.float64]:
    """(64,) taps that delay by 31 + fraction samples, fraction in [0, 1): a sinc in a Kaiser window (beta 9)."""
    offset = np.arange(FRACTION_TAPS) - (FRACTION_TAPS // 2 - 1) - fraction
    half = FRACTION_TAPS / 2
    taps = np.sinc(offset) * np.i0(9.0 * np.sqrt(np.clip(1.0 - (offset / half) ** 2, 0.0, 1.0)))
    return np.asarray(taps / taps.sum())


def oversampling_filter() -> NDArray[np.float64]:
    """(4 * 64 + 1,) linear-phase low-pass at four times the rate, 0 dB; a Kaiser-windowed sinc (beta 10)."""
    half = OVERSAMPLING * _OVERSAMPLING_TAPS // 2
    offset = np.arange(-half, half + 1)
    taps = np.sinc(2.0 * _OVERSAMPLING_CUTOFF * offset / OVERSAMPLING) * np.kaiser(2 * half + 1, 10.0)
    return np.asarray(taps / taps.sum())


OVERSAMPLING_LATENCY: Final = _OVERSAMPLING_TAPS
"""Samples of the lower rate, up and down together."""


@kernel("void(float64[::1], float64[::1], int64, int64, float64[::1])")
def _add_convolved(signal: np.ndarray, taps: np.ndarray, first: int, step: int, filtered: np.ndarray) -> None:
    """Add to filtered[n] the sum over k of taps[first + step k] signal[n + history - k], history being what `signal` is longer by."""
    history = signal.shape[0] - filtered.shape[0]
    count = (taps.shape[0] - 1 - first) // step + 1
    for begin in range(0, filtered.shape[0], 1024):
        size = min(1024, filtered.shape[0] - begin)
        sums = filtered[begin : begin + size]
        # two taps a turn: the running sum is then loaded and stored half as often
        for k in range(0, count - 1, 2):
            w0, w1 = taps[first + step * k], taps[first + step * (k + 1)]
            x0 = signal[begin + history - k : begin + history - k + size]
            x1 = signal[begin + history - k - 1 : begin + history - k - 1 + size]
            for index in range(size):
                sums[index] += w0 * x0[index] + w1 * x1[index]
        if count % 2:
            w0 = taps[first + step * (count - 1)]
            x0 = signal[begin + history - count + 1 : begin + history - count + 1 + size]
            for index in range(size):
                sums[index] += w0 * x0[index]


def bend(signal: NDArray[np.float64], drive: float, bias: float) -> NDArray[np.float64]:
    """Bend a signal by a soft curve: (tanh(drive x + bias) - tanh(bias)) / (drive (1 - tanh(bias)^2)), of any shape.

    Small signals pass with gain 1; the bias makes the two halves bend unequally, so that even harmonics come too.
    """
    still = float(np.tanh(bias))
    return np.asarray((np.tanh(drive * signal + bias) - still) / (drive * (1.0 - still * still)))


class Oversampled:
    """Runs `bend` at four times the rate on one channel, in stretches of any length.

    The fast signal is kept as four slow ones, one for each phase, so that every filter runs along memory.
    """

    def __init__(self) -> None:
        self._taps = oversampling_filter()
        self._before = np.zeros(_OVERSAMPLING_TAPS)
        self._bent = np.zeros((OVERSAMPLING, _OVERSAMPLING_TAPS + 1))

    def bend(self, signal: NDArray[np.float64], drive: float, bias: float) -> NDArray[np.float64]:
        """Bend the next (frames,) samples; what comes back is `OVERSAMPLING_LATENCY` samples late."""
        history = np.concatenate([self._before, signal])
        self._before = history[signal.size :].copy()
        fast = np.zeros((OVERSAMPLING, signal.size))
        for phase in range(OVERSAMPLING):
            _add_convolved(history, self._taps, phase, OVERSAMPLING, fast[phase])
        fast = bend(OVERSAMPLING * fast, drive, bias)
        held = np.concatenate([self._bent, fast], axis=1)
        self._bent = held[:, signal.size :].copy()
        slow = np.zeros(signal.size)
        # the sample t phases before the newest of a slow sample is of phase -t, one slow sample earlier for t > 0
        for tap in range(OVERSAMPLING):
            row = held[-tap % OVERSAMPLING]
            _add_convolved(np.ascontiguousarray(row[1:] if tap == 0 else row[:-1]), self._taps, tap, OVERSAMPLING, slow)
        return slow


class Convolver:
    """Convolves channels with taps, in stretches of any length."""

    def __init__(self, taps: NDArray[np.float64], channels: int) -> None:
        self._taps = taps
        self._before = np.zeros((channels, taps.size - 1))

    def __call__(self, signal: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convolve the next (channels, frames) samples; shape as given."""
        import scipy.signal

        history = np.concatenate([self._before, signal], axis=1)
        self._before = history[:, signal.shape[1] :].copy()
        if not signal.shape[1]:
            return signal
        return np.asarray(scipy.signal.oaconvolve(history, self._taps[None, :], mode="valid", axes=1))


def curve(
    frequency_hz: NDArray[np.float64],
    magnitude_db: NDArray[np.float64],
    *,
    sample_rate_hz: float,
    minimum_phase: bool,
    taps: int,
) -> NDArray[np.float64]:
    """Taps of a filter with a measured magnitude.

    Parameters
    ----------
    frequency_hz, magnitude_db : (points,) arrays
        Rising frequencies; the magnitude is interpolated on a logarithmic axis and goes on flat beyond both ends.
    minimum_phase : bool
        With the least delay (Oppenheim & Schafer, Discrete-Time Signal Processing: from the real cepstrum), or else
        with linear phase and a latency of taps // 2 samples.
    taps : int
        Even.

    Returns
    -------
    (taps,) array; linear phase: (taps + 1,).
    """
    size = 8 * taps
    grid = np.fft.rfftfreq(size, 1.0 / sample_rate_hz)
    grid[0] = grid[1]
    level_db = np.interp(np.log(grid), np.log(frequency_hz), magnitude_db)
    magnitude = 10.0 ** (level_db / 20.0)
    if not minimum_phase:
        whole = np.roll(np.fft.irfft(magnitude, size), taps // 2)[: taps + 1]
        return np.asarray(whole * np.kaiser(taps + 1, 6.0))
    cepstrum = np.fft.irfft(np.log(np.maximum(magnitude, 1e-6)), size)
    cepstrum[1 : size // 2] *= 2.0
    cepstrum[size // 2 + 1 :] = 0.0
    whole = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), size)[:taps]
    fade = np.ones(taps)
    fade[taps // 2 :] = np.cos(0.5 * np.pi * np.arange(taps - taps // 2) / (taps - taps // 2)) ** 2
    return np.asarray(whole * fade)
