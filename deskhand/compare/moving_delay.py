"""Second sound whose delay goes up and down (chorus, flanger), told by its rate, its depth and its delay.

Within a window that is short enough for the delay to stand still, music is too like itself a little earlier. So every rate is tried:
windows at one place of its turn are averaged, and the averages summed along sines over the delay, which all of the recording bears out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft
import scipy.linalg
import scipy.signal as ss

from deskhand.compare.interval import Interval
from deskhand.compare.result import Modulation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_RATE_HZ: Final = 7000.0
"""Rate down to which moving delays are looked for: above 3 kHz they turn too far within a window. Common practice, no source."""
_WINDOW_S: Final = 0.03
"""Window in which a moving delay stands nearly still. Common practice, no source."""
_LAGS_S: Final = (0.004, 0.065)
"""Delays that are looked for, up to a doubling's: nearer ones lie in what the direct sound is like. The study `validations/compare_cases.py`."""
_TURNS_HZ: Final = (0.3, 4.0)
"""Rates that are looked for. Common practice, no source."""
_DEPTHS_S, _DEPTHS_TRIED = (0.00025, 0.005), 36
"""Swings to each side that are looked for, and how many of them. Common practice, no source."""
_PLACES: Final = 16
"""Places of a turn at which windows are averaged. Common practice, no source."""
_LEAST_TURNS: Final = 4.0
"""Turns that a recording must hold for their rate to be told. Common practice, no source."""
_STEP_TURNS: Final = 0.4
"""Distance of two rates that are tried, in turns over the whole recording: less than half of one goes astray. Common practice, no source."""
_WHITENING: Final = 24
"""Coefficients of the prediction (Makhoul 1975) that makes all frequencies alike. Common practice, no source."""
_LEAST_PEAK: Final = 12.5
"""Sum along a sine from which it is told, in standard deviations of chance. The study `validations/compare_cases.py`."""
_LEAST_OVER: Final = 1.75
"""The same against the ninetieth percentile of all rates: music that repeats itself lifts them all. The same study."""


def find_moving_delay(before: Array, after: Array, rate_hz: int) -> Modulation | None:
    """Second, delayed sound whose delay moves (chorus, flanger); None where none is followed.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int

    References
    ----------
    Makhoul, Proc. IEEE 63 (1975) 561: linear prediction, by which both are whitened.
    """
    down = max(1, int(rate_hz / _RATE_HZ))
    rate = rate_hz / down
    dry, wet = _whitened(*(ss.resample_poly(signal, 1, down, axis=1) for signal in (before, after)))
    surface, time_s = _surface(dry, wet, rate)
    if surface.shape[0] < _PLACES * _LEAST_TURNS:
        return None
    span_s = float(time_s[-1] - time_s[0])
    depths = np.unique(np.rint(rate * np.geomspace(*_DEPTHS_S, _DEPTHS_TRIED)).astype(int))
    sines = _sines(depths, surface.shape[1])
    turns_hz = np.arange(max(_TURNS_HZ[0], _LEAST_TURNS / span_s), _TURNS_HZ[1], _STEP_TURNS / span_s)
    if turns_hz.size < _PLACES:
        return None
    heights, swings = np.zeros(turns_hz.size), np.zeros(turns_hz.size)
    for index, turn_hz in enumerate(turns_hz):
        sums = np.abs(_sums(surface, time_s, float(turn_hz), sines))
        # a sine that leaves the delays that are looked for comes round at their other end
        for row, depth in enumerate(depths):
            sums[row, :, : depth + 1] = sums[row, :, surface.shape[1] - depth - 1 :] = 0.0
        tallest = sums.max(axis=(1, 2))
        heights[index], swings[index] = tallest.max(), depths[int(np.argmax(tallest))]
    best = int(np.argmax(heights))
    if heights[best] < max(_LEAST_PEAK, _LEAST_OVER * float(np.percentile(heights, 90))):
        return None
    spread = 1.0 / span_s
    turn_hz = float(turns_hz[best])
    return Modulation(
        kind="chorus", rate_hz=round(turn_hz, 2), rate_interval_hz=Interval(low=round(max(turn_hz - spread, 0.0), 2), high=round(turn_hz + spread, 2)),
        depth_db=None, depth_ms=round(2000.0 * float(swings[best]) / rate, 2),
    )  # fmt: skip


def _whitened(dry: Array, wet: Array) -> tuple[Array, Array]:
    """Both through the filter that predicts the first best, what they share with one gain taken out of the second."""
    size = scipy.fft.next_fast_len(2 * dry.shape[1], real=True)
    power = np.sum(np.abs(scipy.fft.rfft(dry, size, axis=1)) ** 2, axis=0)
    correlation = scipy.fft.irfft(power, size)[: _WHITENING + 1]
    correlation[0] *= 1.0001
    error = np.concatenate([[1.0], scipy.linalg.solve_toeplitz(correlation[:-1], -correlation[1:])])
    gain = float(np.sum(dry * wet) / max(float(np.sum(dry * dry)), 1e-30))
    return ss.lfilter(error, np.ones(1), dry, axis=1), ss.lfilter(error, np.ones(1), wet - gain * dry, axis=1)


def _surface(dry: Array, late: Array, rate: float) -> tuple[Array, Array]:
    """((windows, lags) likeness of what is late to what came before it, spread evenly and without what stands still; (windows,) times)."""
    frames = round(_WINDOW_S * rate)
    first, last = (round(lag * rate) for lag in _LAGS_S)
    size = scipy.fft.next_fast_len(2 * frames + last, real=True)
    window = np.hanning(frames + 1)[:-1]
    starts = np.arange(last, dry.shape[1] - frames, frames // 2)
    if not starts.size:
        return np.zeros((0, last - first)), np.zeros(0)
    lags = (np.arange(last + 1) - last) % size
    likeness, own, energy = np.zeros((starts.size, last + 1)), np.zeros((starts.size, last + 1)), np.zeros(starts.size)
    for dry_row, late_row in zip(dry, late, strict=True):
        earlier = np.lib.stride_tricks.sliding_window_view(dry_row, last + frames)[starts - last]
        spectrum = np.conj(scipy.fft.rfft(earlier, size, axis=1))
        for signal, total in ((late_row, likeness), (dry_row, own)):
            part = np.lib.stride_tricks.sliding_window_view(signal, frames)[starts] * window
            total += scipy.fft.irfft(scipy.fft.rfft(part, size, axis=1) * spectrum, size, axis=1)[:, lags]
            if signal is late_row:
                energy += np.sum(part**2, axis=1) * np.sum(earlier**2, axis=1)
    # what is only the direct sound, and what that is like, goes
    likeness -= likeness[:, :1] / np.maximum(own[:, :1], 1e-30) * own
    likeness = likeness[:, first:last] / np.sqrt(energy + 1e-3 * float(np.median(energy)) + 1e-30)[:, None]
    likeness -= likeness.mean(axis=0)
    return likeness / max(float(np.sqrt(np.mean(likeness**2))), 1e-30), starts / rate


def _sines(depths: NDArray[np.int64], lags: int) -> NDArray[np.complex128]:
    """(depths, places, bins) spectra of sines over the lags of a turn, each of unit sum of squares."""
    kernel = np.zeros((depths.size, _PLACES, lags))
    places = np.arange(_PLACES)
    shift = np.rint(depths[:, None] * np.sin(2.0 * np.pi * (places + 0.5) / _PLACES)).astype(int)
    kernel[np.arange(depths.size)[:, None], places, shift % lags] = 1.0 / np.sqrt(_PLACES)
    return np.asarray(np.conj(scipy.fft.rfft2(kernel)))


def _sums(surface: Array, time_s: Array, turn_hz: float, sines: NDArray[np.complex128]) -> Array:
    """(depths, phases, lags) sums along sines of one rate, in standard deviations of chance."""
    place = ((turn_hz * time_s) % 1.0 * _PLACES).astype(int)
    order = np.argsort(place, kind="stable")
    edges = np.searchsorted(place[order], np.arange(_PLACES))
    folded = np.add.reduceat(surface[order], np.minimum(edges, order.size - 1), axis=0)
    folded /= np.sqrt(np.maximum(np.bincount(place, minlength=_PLACES), 1))[:, None]
    return np.asarray(scipy.fft.irfft2(scipy.fft.rfft2(folded) * sines, s=folded.shape, workers=2))
