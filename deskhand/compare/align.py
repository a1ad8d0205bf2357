"""How two recordings of one performance lie to each other: delay, polarity, and the drift between two clocks.

The delay is followed along the recordings by cross-correlation with whitening (Knapp & Carter 1976), a line through it gives the
drift, and what is left is refined on the transfer function.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft
import scipy.signal as ss
import scipy.stats

from deskhand.dsp.warp import read_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

_ANCHOR_S: Final = 4.0
_WINDOW_S: Final = 2.0
_NEAR_S: Final = 0.004
_FINER: Final = 32
_AROUND: Final = 32
_LEAST_PEAK: Final = 8.0
"""A correlation peak stands this many standard deviations above the rest, or it is chance. Common practice, no source."""
_LEAST_WINDOWS: Final = 4
_NO_DRIFT_PPM: Final = 0.3
_CHANCE: Final = 0.01
"""A slope is a drift when chance makes one as steep more seldom: filters move the peak by tenths of a sample as the music changes."""
_HIGHEST_PPM: Final = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Alignment:
    """How AFTER lies to BEFORE."""

    delay_samples: float
    """By how much it comes later, at its beginning."""
    polarity: int
    """1, or -1 when it is upside down."""
    drift_ppm: float
    """By how much its clock is fast: positive when it needs more samples for the same time."""
    same_performance: bool


_LOST: Final = Alignment(delay_samples=0.0, polarity=1, drift_ppm=0.0, same_performance=False)


def _whitened(one: Spectrum, other: Spectrum) -> Spectrum:
    """Circular cross-correlation of (channels, frames), every frequency counting alike by what the two share."""
    cross = np.sum(np.conj(one) * other, axis=0)
    size = np.sum(np.abs(one) * np.abs(other), axis=0)
    floor = 1e-4 * float(size.max()) if size.size else 0.0
    return np.asarray(cross / np.maximum(size, max(floor, 1e-30)), np.complex128)


def _peak(correlation: Array) -> tuple[int, float]:
    """Place of the largest magnitude, and how far it stands out, in standard deviations of the rest."""
    at = int(np.argmax(np.abs(correlation)))
    spread = float(np.sqrt(np.mean(correlation**2)))
    return at, abs(float(correlation[at])) / max(spread, 1e-30)


def _anchor(before: Array, after: Array, rate_hz: int) -> tuple[int, int, float]:
    """(frame in BEFORE, delay in frames, how far it stands out) of its most lively four seconds, looked for in all of AFTER."""
    frames = min(round(_ANCHOR_S * rate_hz), before.shape[1])
    hop = max(1, frames // 16)
    power = np.mean(before[:, : before.shape[1] // hop * hop].reshape(before.shape[0], -1, hop) ** 2, axis=(0, 2))
    wide = frames // hop
    # a quarter of it on at a time; where it plays for more than half of it, and loudest
    starts = range(0, power.size - wide + 1, max(1, wide // 4))
    first = hop * max(starts, key=lambda at: float(np.median(power[at : at + wide])))
    size = scipy.fft.next_fast_len(after.shape[1] + frames, real=True)
    one = scipy.fft.rfft(before[:, first : first + frames], size, axis=1)
    other = scipy.fft.rfft(after, size, axis=1)
    found = scipy.fft.irfft(_whitened(one, other), size)
    at, stands = _peak(found)
    if at > after.shape[1]:
        at -= size
    return first, at - first, stands


def _local(
    before: Array, after: Array, start: int, frames: int, delay: float, reach: int
) -> tuple[float, float, float] | None:
    """(delay, sign, how far it stands out) in a window near an expected delay."""
    at = start + round(delay)
    if start < 0 or at - reach < 0 or start + frames > before.shape[1] or at + frames + reach > after.shape[1]:
        return None
    window = np.hanning(frames + 1)[:-1]
    one, other = before[:, start : start + frames] * window, after[:, at : at + frames] * window
    if not one.any() or not other.any():
        return None
    size = scipy.fft.next_fast_len(2 * frames, real=True)
    cross = _whitened(scipy.fft.rfft(one, size, axis=1), scipy.fft.rfft(other, size, axis=1))
    plain = scipy.fft.irfft(cross, size)
    _, stands = _peak(plain)
    near = np.concatenate([plain[-reach:], plain[: reach + 1]])
    best = int(np.argmax(np.abs(near)))
    around = np.take(plain, np.arange(best - reach - _AROUND, best - reach + _AROUND), mode="wrap")
    # band-limited interpolation of the few samples that hold the peak
    fine = ss.resample(around * np.hanning(around.size), around.size * _FINER)
    place = int(np.clip(np.argmax(np.abs(fine)), 1, fine.size - 2))
    below, top, above = np.abs(fine[place - 1 : place + 2])
    place_at = (
        place + 0.5 * float(below - above) / max(float(below - 2.0 * top + above), -1e30)
        if below + above < 2.0 * top
        else place
    )
    return round(delay) + best - reach - _AROUND + place_at / _FINER, float(np.sign(fine[place])), stands


def align(before: Array, after: Array, sample_rate_hz: int, *, drifts: bool = False) -> Alignment:
    """How two recordings lie to each other.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Of the same channels, at the same nominal rate.
    sample_rate_hz : int
    drifts : bool
        Whether it is known that the clocks differ: then any slope is taken, else one above 0.3 ppm that is not chance.

    Returns
    -------
    Alignment
        `same_performance` is False when nothing in one is found in the other.

    References
    ----------
    Knapp & Carter, IEEE Trans. ASSP 24 (1976) 320, doi:10.1109/TASSP.1976.1162830.
    """
    first, delay, stands = _anchor(before, after, sample_rate_hz)
    if stands < _LEAST_PEAK:
        return _LOST
    frames = round(_WINDOW_S * sample_rate_hz)
    reach = round(_NEAR_S * sample_rate_hz)
    found: list[tuple[float, float, float]] = []
    for direction in (1, -1):
        expected, slope = float(delay), 0.0
        at = first if direction > 0 else first - frames
        last_at = first
        while True:
            one = _local(before, after, at, frames, expected + slope * (at - last_at), reach)
            if one is None:
                if at < 0 or at + frames > before.shape[1] or at + expected + frames + reach > after.shape[1]:
                    break
            elif one[2] > _LEAST_PEAK:
                if found and abs(at - last_at) > 0:
                    slope = 0.7 * slope + 0.3 * (one[0] - expected) / (at - last_at)
                found.append((at + 0.5 * frames, one[0], one[1]))
                expected, last_at = one[0], at
            at += direction * 2 * frames
            if at < -frames or at > before.shape[1]:
                break
    if not found:
        return _LOST
    return _line_through(found, drifts=drifts)


def _line_through(found: list[tuple[float, float, float]], *, drifts: bool) -> Alignment:
    """Delay and drift from delays along the recording: a straight line without its outliers."""
    places, delays, signs = (np.array(column) for column in zip(*found, strict=True))
    polarity = 1 if signs.sum() >= 0 else -1
    drift, start = 0.0, float(np.median(delays))
    if len(found) >= _LEAST_WINDOWS:
        good = np.ones(len(found), bool)
        for _ in range(4):
            line = scipy.stats.linregress(places[good], delays[good])
            off = np.abs(delays - line.intercept - line.slope * places)
            good = off <= max(3.0 * float(np.median(off)), 0.1)
            if good.sum() < _LEAST_WINDOWS:
                break
        slope_ppm = float(line.slope) * 1e6
        if abs(slope_ppm) > _HIGHEST_PPM:
            return _LOST
        if drifts or (abs(slope_ppm) >= _NO_DRIFT_PPM and line.pvalue < _CHANCE):
            drift, start = slope_ppm, float(line.intercept)
    return Alignment(
        delay_samples=float(start),
        polarity=polarity,
        drift_ppm=drift,
        same_performance=bool(np.mean(signs == polarity) > 0.5),
    )


def refined(first: Alignment, second: Alignment) -> Alignment:
    """An alignment with what was still found after it was taken out."""
    if not second.same_performance:
        return first
    factor = 1.0 + first.drift_ppm * 1e-6
    return Alignment(
        delay_samples=first.delay_samples + second.delay_samples * factor,
        polarity=first.polarity,
        drift_ppm=first.drift_ppm + second.drift_ppm if first.drift_ppm else 0.0,
        same_performance=True,
    )


def shifted(signal: Array, delay_samples: float, drift_ppm: float, frames: int) -> Array:
    """(channels, `frames`) of a signal brought forward by a delay, its clock set right; zeros where it has nothing."""
    whole = round(delay_samples)
    if drift_ppm == 0.0 and abs(delay_samples - whole) < 1e-9:
        out = np.zeros((signal.shape[0], frames))
        first, last = max(0, whole), min(signal.shape[1], whole + frames)
        if last > first:
            out[:, first - whole : last - whole] = signal[:, first:last]
        return out
    return read_at(signal, delay_samples, 1.0 + drift_ppm * 1e-6, frames)
