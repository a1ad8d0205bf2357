"""Arrivals of the loudspeakers' sound at the seat: when the first comes, and what comes after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

from deskhand.house.values import SPEED_OF_SOUND_M_S
from deskhand.units import amplitude_from_db, db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

EARLIEST_S: Final = -0.05
"""Earliest that sound is looked for: a main mix that was recorded behind a delay comes after the loudspeakers. Common practice, no source."""
LATEST_S: Final = 0.35
"""Latest that it is looked for: 120 m. Common practice, no source."""
BEFORE_S: Final = 1.0
"""Stretch in front of the first arrival in which nothing can have come yet: what is read there is noise. Common practice, no source."""
GUARD_S: Final = 0.01
"""Distance of that stretch from the arrival: the pulse of a band-limited response reaches to both sides. Common practice, no source."""
_LOW_HZ, _HIGH_HZ = 250.0, 16000.0
"""Range that tells a time: below it a tenth of a millisecond is too small a part of a period. Common practice, no source."""
_DIRECT_BELOW_DB: Final = -10.0
"""First peak this far below the highest is the direct sound: later ones are reflections, which may add up to more. Set by the study of feed and
seat (docs/validation-feed-to-seat.md)."""
_PULSE_S: Final = 0.0003
"""Stretch in which the highest peak is the pulse itself: ripples of its band limits come in front of it. Common practice, no source."""
_ABOVE_NOISE: Final = 6.0
"""Height of an arrival over the noise's RMS at least: among 20 000 taps noise reaches 4.5. Arithmetic of a Rayleigh distribution."""
_SMOOTH_OCTAVE: Final = 1.0 / 3.0
"""Width over which signal and noise are weighed against each other. Common practice, no source."""
_OVERSAMPLED: Final = 4
"""Samples of the envelope for each of the response: a parabola through three then reads the peak to 0.01 ms. Common practice, no source."""
MOST_ARRIVALS: Final = 3
"""Arrivals that are told, the first among them: more are the room. Common practice, no source."""
_APART_S: Final = 0.01
"""Arrivals nearer to each other than this are told as one: what comes so soon is the room near the loudspeaker. Common practice, no source."""
_ZONE_BELOW_DB: Final = -6.0
"""Level against the strongest from which a later arrival is told. Common practice, no source."""
_STANDS_OUT_DB: Final = 6.0
"""Height above the middle of what comes in the 20 ms around it: a loudspeaker stands out, the room's reflections crowd. Common practice, no source."""
_CROWD_S: Final = 0.01
"""Half of that stretch. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """One arrival of sound."""

    delay_ms: float
    level_db: float
    """Against the strongest of its side."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ArrivalEnvelope:
    """Envelope of a flattened response over time, around the first arrival."""

    start_s: float
    step_s: float
    envelope: Array
    """(steps,) in multiples of the noise's RMS."""


def speed_of_sound_m_s(temperature_c: float) -> float:
    """Speed of sound in air, in m/s.

    References
    ----------
    ISO 9613-1:1993, A.5.

    Examples
    --------
    >>> round(speed_of_sound_m_s(20.0), 1)
    343.2
    """
    return float(SPEED_OF_SOUND_M_S * np.sqrt((temperature_c + 273.15) / 293.15))


def _smoothed(power: Array, frequency_hz: Array) -> Array:
    """Power averaged over a third of an octave around each line."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    half = 2.0 ** (_SMOOTH_OCTAVE / 2.0)
    low = np.searchsorted(frequency_hz, frequency_hz / half)
    high = np.maximum(np.searchsorted(frequency_hz, frequency_hz * half), low + 1)
    return np.asarray((total[np.minimum(high, power.size)] - total[low]) / (np.minimum(high, power.size) - low))


def arrival_envelope(response: Spectrum, variance: Array, *, sample_rate_hz: float) -> ArrivalEnvelope:
    """Envelope of a response, flattened and weighted by what stands above the noise.

    Parameters
    ----------
    response : (bins,) array
    variance : (bins,) array
        Of the response, by line.
    sample_rate_hz : float
    """
    segment = 2 * (response.size - 1)
    frequency_hz = np.arange(response.size) * sample_rate_hz / segment
    noise = _smoothed(variance, frequency_hz)
    signal = np.maximum(_smoothed(np.abs(response) ** 2, frequency_hz) - noise, 1e-3 * noise) + 1e-300
    top_hz = min(_HIGH_HZ, 0.45 * sample_rate_hz)
    edge = np.clip(np.log2(np.maximum(frequency_hz, 1.0) / _LOW_HZ) + 0.5, 0.0, 1.0)
    edge *= np.clip(np.log2(top_hz / np.maximum(frequency_hz, 1.0)) * 2.0, 0.0, 1.0)
    # flattened, so that the pulse is short; lines in which noise stands count for less (a Wiener weight)
    weight = np.sin(0.5 * np.pi * edge) ** 2 * signal / (signal + noise) / np.sqrt(signal)
    analytic = np.zeros(segment * _OVERSAMPLED, np.complex128)
    analytic[: response.size] = response * weight
    envelope = np.abs(scipy.fft.ifft(analytic))
    step_s = 1.0 / (sample_rate_hz * _OVERSAMPLED)
    first, last = (round(time_s / step_s) for time_s in (EARLIEST_S - BEFORE_S, LATEST_S))
    around = np.concatenate([envelope[first:], envelope[:last]])
    silent = around[: round((BEFORE_S - GUARD_S) / step_s)]
    rms = float(np.sqrt(np.mean(silent**2))) or 1e-300
    return ArrivalEnvelope(start_s=EARLIEST_S - BEFORE_S, step_s=step_s, envelope=around / rms)


def _peaks(envelope: ArrivalEnvelope) -> tuple[Array, Array]:
    """Times in seconds and heights of the envelope's local maxima from the earliest time on, a parabola through three steps each."""
    values = envelope.envelope
    inner = values[1:-1]
    rows = np.flatnonzero((inner >= values[:-2]) & (inner > values[2:])) + 1
    rows = rows[rows * envelope.step_s + envelope.start_s >= EARLIEST_S]
    before, middle, after = values[rows - 1], values[rows], values[rows + 1]
    bend = before - 2.0 * middle + after
    offset = 0.5 * (before - after) / np.where(bend == 0.0, -1.0, bend)
    return envelope.start_s + (rows + offset) * envelope.step_s, middle - 0.25 * (before - after) * offset


def first_arrival_s(envelope: ArrivalEnvelope) -> float | None:
    """Time of the direct sound in seconds; None where nothing stands above the noise."""
    times_s, heights = _peaks(envelope)
    if not heights.size or heights.max() < _ABOVE_NOISE:
        return None
    least = max(_ABOVE_NOISE, heights.max() * float(amplitude_from_db(_DIRECT_BELOW_DB)))
    first_s = float(times_s[np.argmax(heights >= least)])
    near = (times_s >= first_s) & (times_s <= first_s + _PULSE_S)
    return float(times_s[near][np.argmax(heights[near])])


def arrivals(envelope: ArrivalEnvelope) -> tuple[Arrival, ...]:
    """Arrivals that stand out, in order of time: loudspeakers of several zones, or a bare wall, which a response cannot tell apart."""
    first_s = first_arrival_s(envelope)
    if first_s is None:
        return ()
    times_s, heights = _peaks(envelope)
    strongest = float(heights.max())
    told = [
        Arrival(delay_ms=1e3 * first_s, level_db=_height_db(heights[np.argmin(np.abs(times_s - first_s))], strongest))
    ]
    for row in np.argsort(-heights):
        level_db, time_s = _height_db(heights[row], strongest), float(times_s[row])
        if level_db < _ZONE_BELOW_DB or heights[row] < _ABOVE_NOISE:
            break
        near = np.abs(times_s - time_s) < _CROWD_S
        crowd = float(np.median(heights[near]))
        alone = all(abs(1e3 * time_s - arrival.delay_ms) >= 1e3 * _APART_S for arrival in told)
        if time_s > first_s and alone and _height_db(heights[row], crowd) >= _STANDS_OUT_DB:
            told.append(Arrival(delay_ms=1e3 * time_s, level_db=level_db))
    return tuple(sorted(told[:MOST_ARRIVALS], key=lambda arrival: arrival.delay_ms))


def _height_db(height: float, against: float) -> float:
    """Height against another, in dB."""
    return float(db_from_amplitude(height / max(against, 1e-300)))
