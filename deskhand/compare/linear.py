"""Linear part of a processor together with the gain that moves over time.

AFTER is taken for g(t) (h * BEFORE)(t): the response from averaged cross spectra of BEFORE and AFTER divided by the gain, the gain from
the running least-squares ratio of AFTER to the filtered BEFORE; one after the other until both stand still. Coherence alone is blind to a
compressor: what it takes off when some notes are loud looks like a response.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft
import scipy.signal as ss

from deskhand.units import amplitude_from_db, db_from_amplitude, db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

SEGMENT: Final = 16384
"""Frames of a segment of the spectra: lines 3 Hz apart at 48 kHz. Common practice, no source."""
_ROUNDS: Final = 8
"""Times that response and gain are found in turn at most. Common practice, no source."""
_SETTLED_DB: Final = 0.01
"""Change of the gain (RMS) between two rounds below which they end. Common practice, no source."""
GAIN_S: Final = 0.002
"""Standard deviation of the Gaussian over which the gain is read: docs/compare.md tells it. Common practice, no source."""
_QUIET_DB: Final = 45.0
"""The gain is held where the filtered BEFORE lies this far below its loud moments. Common practice, no source."""
STEP_S: Final = 0.001
"""Distance between two readings of the gain: half of `GAIN_S`. Common practice, no source."""
_LEAST_COHERENCE: Final = 0.7
"""Coherence below which the response is not told: docs/compare.md tells it. Common practice, no source."""
_EXCITED_BELOW_STRONGEST: Final = 3e-7
"""Power against the strongest third-octave below which a programme tells nothing: -65 dB. Common practice, no source."""
_REGULAR, _OVER_REGULAR = 1e-14, 100.0
"""Both: power against the strongest that is added where it is divided by, and how far a bin lies above that to be told: a response is
then 0.1 dB too low at most."""
_STILL_QUIET_DB: Final = 30.0
"""Moments this far below the loud ones count as pauses when it is asked whether a gain moves. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transfer:
    """Response of one leg: left, right, middle or sides."""

    frequency_hz: Array
    """(bins,)."""
    response: Spectrum
    """(bins,) of the linear part, at the gain at which a compressor rests."""
    coherence: Array
    """(bins,) after the moving gain is taken out."""
    averages: float
    """Independent segments that went into it."""
    excited: NDArray[np.bool_]
    """(bins,) True where BEFORE holds enough to tell."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointEstimate:
    """Linear part and moving gain of all legs."""

    transfers: tuple[Transfer, ...]
    gain_db: Array
    """(gains, steps) of each 1 ms, 0 dB at the standing response; one row when the legs move together."""
    level_db: Array
    """(gains, steps) level of the filtered BEFORE that goes with it, dB of a mean square of 1."""
    predicted: Array
    """(legs, frames) of BEFORE through the model."""
    linear: Array
    """(legs, frames) of BEFORE through the linear part alone."""
    residual_db: float
    """Level of what the model leaves of AFTER, against AFTER."""
    moves: bool
    """True where a moving gain was looked for."""


def _spectra(signal: Array, segment: int) -> Spectrum:
    """(legs, segments, bins) of windows by Hann, half overlapping (Welch, IEEE Trans. AU 15 (1967) 70)."""
    if signal.shape[1] < segment:
        signal = np.pad(signal, ((0, 0), (0, segment - signal.shape[1])))
    window = np.hanning(segment + 1)[:-1]
    view = np.lib.stride_tricks.sliding_window_view(signal, segment, axis=1)[:, :: segment // 2]
    return np.asarray(scipy.fft.rfft(view * window, axis=2, workers=2))


def _filtered(signal: Array, response: Spectrum, segment: int) -> Array:
    """(legs, frames) through responses given at the bins of a segment; their impulses may lie on both sides of zero."""
    half = segment // 2
    taps = np.roll(scipy.fft.irfft(response, segment, axis=1), half, axis=1)
    # what rings beyond the segment is not known
    taps *= ss.windows.tukey(segment, 0.25)
    # overlap-add with blocks of three segments
    size = 4 * segment
    step = size - segment
    spectrum = scipy.fft.rfft(taps, size, axis=1, workers=2)
    count = -(-signal.shape[1] // step)
    padded = np.pad(signal, ((0, 0), (0, count * step - signal.shape[1]))).reshape(signal.shape[0], count, step)
    blocks = scipy.fft.irfft(
        scipy.fft.rfft(padded, size, axis=2, workers=2) * spectrum[:, None], size, axis=2, workers=2
    )
    filtered = np.zeros((signal.shape[0], count * step + segment))
    for block in range(count):
        filtered[:, block * step : block * step + size] += blocks[:, block]
    return np.ascontiguousarray(filtered[:, half : half + signal.shape[1]])


def _smoothed(series: Array, deviation: float) -> Array:
    """Series through a Gaussian of a standard deviation in samples, by three running means (their variance is the Gaussian's)."""
    width = max(1, round(np.sqrt(12.0 * deviation * deviation / 3.0 + 1.0)))
    smooth = series
    for _ in range(3):
        total = np.concatenate([np.zeros((*smooth.shape[:-1], 1)), np.cumsum(smooth, axis=-1)], axis=-1)
        left, right = (width - 1) // 2, width // 2
        index = np.arange(smooth.shape[-1])
        first, last = np.maximum(0, index - left), np.minimum(smooth.shape[-1], index + right + 1)
        smooth = (total[..., last] - total[..., first]) / width
    return smooth


def _gains(linear: Array, after: Array, groups: list[list[int]], rate_hz: int) -> tuple[Array, Array]:
    """(groups, frames) running ratio of AFTER to the linear part, and the mean square of the linear part."""
    deviation = GAIN_S * rate_hz
    gains, powers = [], []
    for group in groups:
        product = _smoothed(np.sum(linear[group] * after[group], axis=0), deviation)
        power = np.maximum(_smoothed(np.sum(linear[group] ** 2, axis=0), deviation), 0.0)
        loud = float(np.percentile(power, 98))
        known = power > loud * 10.0 ** (-_QUIET_DB / 10.0)
        gain = np.where(known, product / np.maximum(power, 1e-30), np.nan)
        gain = np.where(gain > 1e-3, gain, np.nan)
        if np.isnan(gain).all():
            gain = np.ones_like(power)
        elif np.isnan(gain).any():
            frame = np.arange(gain.size)
            read = ~np.isnan(gain)
            gain = np.interp(frame, frame[read], gain[read])
        gains.append(gain)
        powers.append(power / len(group))
    return np.array(gains), np.array(powers)


def standing_db(gain_db: Array, level_db: Array) -> float:
    """Gain at which a compressor rests: the median over the softest quarter; compressors only take off."""
    order = np.argsort(level_db)
    low = order[: max(1, order.size // 4)]
    return float(np.median(gain_db[low]))


def estimate(
    before: Array,
    after: Array,
    sample_rate_hz: int,
    *,
    together: bool,
    moving: bool = True,
    segment: int = SEGMENT,
    rounds: int = _ROUNDS,
) -> JointEstimate:
    """Linear part of each leg, and the gain that moves over time.

    Parameters
    ----------
    before, after : (legs, frames) arrays
        Recordings, aligned; left and right, or middle and sides.
    sample_rate_hz : int
    together : bool
        True where one gain moves all legs.
    moving : bool
        True where a moving gain is looked for.
    segment : int
        Frames of a segment of the spectra: longer ones tell what rings long.
    rounds : int
        Times that response and gain are found in turn at most.
    """
    legs = before.shape[0]
    groups = [list(range(legs))] if together else [[leg] for leg in range(legs)]
    gain_rows = [0] * legs if together else list(range(legs))
    spectra = _BeforeSpectra(before, segment)
    gain = np.ones((len(groups), before.shape[1]))
    powers = np.ones_like(gain)
    hop = round(STEP_S * sample_rate_hz)
    last_gain_db: Array | None = None
    for _ in range(rounds if moving else 0):
        linear = _filtered(before, spectra.response(after / gain[gain_rows]), segment)
        gain, powers = _gains(linear, after, groups, sample_rate_hz)
        for row in range(len(groups)):
            gain_db = np.asarray(db_from_amplitude(gain[row, ::hop]))
            standing = standing_db(gain_db, db_from_power(np.maximum(powers[row, ::hop], 1e-20)))
            gain[row] /= amplitude_from_db(standing)
        gain_db = np.asarray(db_from_amplitude(gain[:, ::hop]))
        if last_gain_db is not None and float(np.sqrt(np.mean((gain_db - last_gain_db) ** 2))) < _SETTLED_DB:
            break
        last_gain_db = gain_db
    response, transfers = spectra.transfers(after / gain[gain_rows], sample_rate_hz)
    linear = _filtered(before, response, segment)
    predicted = linear * gain[gain_rows]
    left = float(np.sum((after - predicted) ** 2))
    return JointEstimate(
        transfers=transfers,
        gain_db=np.asarray(db_from_amplitude(gain[:, ::hop])),
        level_db=np.asarray(db_from_power(np.maximum(powers[:, ::hop], 1e-20))),
        predicted=predicted,
        linear=linear,
        residual_db=float(db_from_power(max(left, 1e-30) / max(float(np.sum(after**2)), 1e-30))),
        moves=moving,
    )


class _BeforeSpectra:
    """Spectra of the segments of BEFORE, against which AFTER is set."""

    def __init__(self, before: Array, segment: int) -> None:
        self._segment = segment
        self._spectra = _spectra(before, segment)
        self._power = np.sum(np.abs(self._spectra) ** 2, axis=1)
        self._regular = _REGULAR * self._power.max(axis=1, keepdims=True) + 1e-30

    def _cross(self, after: Array) -> tuple[Spectrum, Spectrum]:
        """((legs, bins) cross spectrum, (legs, segments, bins) spectra of AFTER)."""
        spectra = _spectra(after, self._segment)
        return np.sum(np.conj(self._spectra) * spectra, axis=1), spectra

    def response(self, after: Array) -> Spectrum:
        """(legs, bins) response from BEFORE to AFTER."""
        return np.asarray(self._cross(after)[0] / (self._power + self._regular))

    def transfers(self, after: Array, sample_rate_hz: int) -> tuple[Spectrum, tuple[Transfer, ...]]:
        """((legs, bins) response from BEFORE to AFTER, the same of each leg with where it can be told)."""
        cross, spectra = self._cross(after)
        response = cross / (self._power + self._regular)
        coherence = np.abs(cross) ** 2 / np.maximum(self._power * np.sum(np.abs(spectra) ** 2, axis=1), 1e-300)
        hz = np.arange(self._power.shape[1]) * sample_rate_hz / self._segment
        return response, tuple(
            Transfer(
                frequency_hz=hz,
                response=response[leg],
                coherence=np.clip(coherence[leg], 0.0, 1.0),
                # Hann windows that overlap by half share a little: so many of them count (Welch 1967)
                averages=0.94 * self._spectra.shape[1],
                # and where what comes out has to do with what goes in
                excited=_excited(self._power[leg], hz)
                & (self._power[leg] > _OVER_REGULAR * self._regular[leg])
                & (_around(np.nan_to_num(coherence[leg]), 0.03) > _LEAST_COHERENCE),
            )
            for leg in range(response.shape[0])
        )


def _around(values: Array, share: float) -> Array:
    """(bins,) mean over the bins within a share of each bin's own frequency."""
    index = np.arange(values.size)
    wide = np.maximum(1, (index * share).astype(int))
    total = np.concatenate([[0.0], np.cumsum(values)])
    first, last = np.maximum(0, index - wide), np.minimum(values.size, index + wide + 1)
    return np.asarray((total[last] - total[first]) / (last - first))


def _excited(power: Array, hz: Array) -> NDArray[np.bool_]:
    """(bins,) True where a programme holds something: within 65 dB of its strongest third-octave, by the mean of the bins around."""
    band = _around(power, 0.06) * np.maximum(hz, 1.0)
    return np.asarray(band > _EXCITED_BELOW_STRONGEST * band.max())


def still(estimate: JointEstimate, *, least_db: float = 0.15) -> bool:
    """True where the moving gain of an estimate stands still: over the playing, 94 % of it within `least_db`."""
    for gain, level in zip(estimate.gain_db, estimate.level_db, strict=True):
        playing = gain[level > np.percentile(level, 98) - _STILL_QUIET_DB]
        if playing.size and float(np.percentile(playing, 97) - np.percentile(playing, 3)) > least_db:
            return False
    return True
