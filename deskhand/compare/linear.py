"""The linear part of a processor together with the gain that moves over time.

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
_ROUNDS: Final = 8
_STILL_DB: Final = 0.01
GAIN_S: Final = 0.002
"""Standard deviation of the Gaussian over which the gain is read."""
_QUIET_DB: Final = 45.0
"""The gain is held where the filtered BEFORE lies this far below its loud moments."""
_HOP_S: Final = 0.001
_LEAST_COHERENCE: Final = 0.7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Transfer:
    """Response of one leg."""

    frequency_hz: Array
    """(bins,)."""
    response: Spectrum
    """(bins,) of the linear part, at the gain that stands still."""
    coherence: Array
    """(bins,) after the moving gain is taken out."""
    averages: float
    """Independent segments."""
    excited: NDArray[np.bool_]
    """(bins,) where BEFORE holds enough to tell."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Joint:
    """The linear part and the moving gain of all legs."""

    transfers: tuple[Transfer, ...]
    gain_db: Array
    """(gains, steps) of each 1 ms, 0 dB at the standing response; one row when the legs move together."""
    level_db: Array
    """(gains, steps) level of the filtered BEFORE that goes with it, dB of a mean square of 1."""
    predicted: Array
    """(legs, frames) what the model makes of BEFORE."""
    linear: Array
    """(legs, frames) the same without the moving gain."""
    residual_db: float
    """What the model leaves, against AFTER, in dB."""
    moves: bool
    """Whether the gain moves at all."""


def _spectra(signal: Array, segment: int) -> Spectrum:
    """(legs, segments, bins) of windows by Hann, half overlapping (Welch 1967)."""
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
    made = scipy.fft.irfft(scipy.fft.rfft(padded, size, axis=2, workers=2) * spectrum[:, None], size, axis=2, workers=2)
    out = np.zeros((signal.shape[0], count * step + segment))
    for place in range(count):
        out[:, place * step : place * step + size] += made[:, place]
    return np.ascontiguousarray(out[:, half : half + signal.shape[1]])


def _smoothed(series: Array, deviation: float) -> Array:
    """Gaussian of a standard deviation in samples, by three running means (their variance is the Gaussian's)."""
    width = max(1, round(np.sqrt(12.0 * deviation * deviation / 3.0 + 1.0)))
    out = series
    for _ in range(3):
        total = np.concatenate([np.zeros((*out.shape[:-1], 1)), np.cumsum(out, axis=-1)], axis=-1)
        left, right = (width - 1) // 2, width // 2
        place = np.arange(out.shape[-1])
        first, last = np.maximum(0, place - left), np.minimum(out.shape[-1], place + right + 1)
        out = (total[..., last] - total[..., first]) / width
    return out


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
            place = np.arange(gain.size)
            there = ~np.isnan(gain)
            gain = np.interp(place, place[there], gain[there])
        gains.append(gain)
        powers.append(power / len(group))
    return np.array(gains), np.array(powers)


def standing_db(gain_db: Array, level_db: Array) -> float:
    """The gain at which a compressor rests: what the softer half of the playing has; compressors only take off."""
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
) -> Joint:
    """The linear part of each leg, and the gain that moves over time.

    Parameters
    ----------
    before, after : (legs, frames) arrays
        Aligned; left and right, or middle and sides.
    sample_rate_hz : int
    together : bool
        Whether one gain moves all legs.
    moving : bool
        Whether a moving gain is looked for.
    segment : int
        Frames of a segment of the spectra: longer ones tell what rings long.
    rounds : int
        How often response and gain are found in turn at most.
    """
    legs = before.shape[0]
    groups = [list(range(legs))] if together else [[leg] for leg in range(legs)]
    of_leg = [0] * legs if together else list(range(legs))
    mine = _spectra(before, segment)
    power = np.sum(np.abs(mine) ** 2, axis=1)
    regular = 1e-14 * power.max(axis=1, keepdims=True) + 1e-30
    gain = np.ones((len(groups), before.shape[1]))
    powers = np.ones_like(gain)
    hop = round(_HOP_S * sample_rate_hz)

    def against(gain: Array) -> tuple[Spectrum, Spectrum]:
        """(cross spectrum, spectra of AFTER) when a gain is taken out of it."""
        theirs = _spectra(after / gain[of_leg], segment)
        return np.sum(np.conj(mine) * theirs, axis=1), theirs

    before_db: Array | None = None
    for _ in range(rounds if moving else 0):
        linear = _filtered(before, against(gain)[0] / (power + regular), segment)
        gain, powers = _gains(linear, after, groups, sample_rate_hz)
        for row in range(len(groups)):
            gain_db = np.asarray(db_from_amplitude(gain[row, ::hop]))
            rest = standing_db(gain_db, db_from_power(np.maximum(powers[row, ::hop], 1e-20)))
            gain[row] /= amplitude_from_db(rest)
        now_db = np.asarray(db_from_amplitude(gain[:, ::hop]))
        if before_db is not None and float(np.sqrt(np.mean((now_db - before_db) ** 2))) < _STILL_DB:
            break
        before_db = now_db
    cross, theirs = against(gain)
    response = cross / (power + regular)
    coherence = np.abs(cross) ** 2 / np.maximum(power * np.sum(np.abs(theirs) ** 2, axis=1), 1e-300)
    linear = _filtered(before, response, segment)
    predicted = linear * gain[of_leg]
    left = float(np.sum((after - predicted) ** 2))
    # Hann windows that overlap by half share a little: so many of them count (Welch 1967)
    averages = 0.94 * mine.shape[1]
    hz = np.arange(power.shape[1]) * sample_rate_hz / segment
    gain_db = np.asarray(db_from_amplitude(gain[:, ::hop]))
    level_db = np.asarray(db_from_power(np.maximum(powers[:, ::hop], 1e-20)))
    return Joint(
        transfers=tuple(
            Transfer(
                frequency_hz=hz,
                response=response[leg],
                coherence=np.clip(coherence[leg], 0.0, 1.0),
                averages=averages,
                # and where what comes out has to do with what goes in
                excited=_excited(power[leg], hz) & (_around(np.nan_to_num(coherence[leg]), 0.03) > _LEAST_COHERENCE),
            )
            for leg in range(legs)
        ),
        gain_db=gain_db,
        level_db=level_db,
        predicted=predicted,
        linear=linear,
        residual_db=float(db_from_power(max(left, 1e-30) / max(float(np.sum(after**2)), 1e-30))),
        moves=moving,
    )


def _around(values: Array, share: float) -> Array:
    """(bins,) mean over the bins within a share of each bin's own frequency."""
    place = np.arange(values.size)
    wide = np.maximum(1, (place * share).astype(int))
    total = np.concatenate([[0.0], np.cumsum(values)])
    first, last = np.maximum(0, place - wide), np.minimum(values.size, place + wide + 1)
    return np.asarray((total[last] - total[first]) / (last - first))


def _excited(power: Array, hz: Array) -> NDArray[np.bool_]:
    """Where a programme holds something: within 65 dB of its strongest third-octave, by the mean of the bins around."""
    band = _around(power, 0.06) * np.maximum(hz, 1.0)
    return np.asarray(band > 3e-7 * band.max())


def still(joint: Joint, *, least_db: float = 0.15) -> bool:
    """Whether the gain stands still: over the playing, 90 % of it within 0.15 dB."""
    for gain, level in zip(joint.gain_db, joint.level_db, strict=True):
        heard = level > np.percentile(level, 98) - 30.0
        some = gain[heard]
        if some.size and float(np.percentile(some, 97) - np.percentile(some, 3)) > least_db:
            return False
    return True
