"""Feed to seat: delay, level and response by octave from the recorded main mix to the seat's microphone, with music as the signal.

Each side of the mix is one input of a least-squares system by averaged cross-spectra, so that the two loudspeakers come apart as far as
the mix lets them; what the audience adds is alike to neither and averages out. Of each response the early part counts, from the direct sound on.
What the response holds before any sound can have come is its noise: it is taken off the energy, and gives the uncertainty.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, get_args

import numpy as np
import scipy.fft

from deskhand.dsp.two_inputs import CrossSpectra, cross_spectra, solve_responses
from deskhand.seat.arrivals import (
    BEFORE_S,
    GUARD_S,
    Arrival,
    arrival_envelope,
    arrivals,
    first_arrival_s,
)
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

Side = Literal["left", "right", "both"]
SIDES: Final[tuple[Side, ...]] = get_args(Side)
OCTAVES_HZ: Final = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
"""Octave bands by their nominal mid-band frequencies (IEC 61260-1:2014)."""
SEGMENT_S: Final = 2.73
"""Length of a segment: of 0.7, 1.4, 2.7 and 4.1 s this one and the longest had no octave said to be certain off by more than 1 dB, and this
one needs less music (docs/validation-feed-to-seat.md)."""
LEAST_SEGMENTS: Final = 12
"""Segments that it takes, 18 s of music: with fewer the noise takes the octaves anyway. Common practice, no source."""
EARLY_S: Final = 0.05
"""Early part of a response, from the direct sound on: ISO 3382-1:2009, A.4 (early to late index C50)."""
_LEAD_S: Final = 0.002
"""Part before the direct sound's peak that belongs to its pulse. Common practice, no source."""
_FADE_S: Final = 0.01
"""End of the early part over which it is faded. Common practice, no source."""
_LINES_HZ: Final = 3.0
"""Distance of the lines over which an octave is averaged, at most. Common practice, no source."""
_EFFECTIVE_S: Final = 0.0465
"""Length of that window as far as averaging goes, (sum w^2)^2 / sum w^4. Arithmetic."""
_BAND_WIDER: Final = 1.25
"""Factor on the random error: residues of the room's tail come in lines, not as noise does. Set by the study (docs/validation-feed-to-seat.md)."""
PARTS: Final = 4
"""Parts that a recording is divided into for the scatter. Common practice, no source."""
_LEAST_PARTS: Final = 3
"""Parts from which their scatter says something. Common practice, no source."""
CERTAIN_PM_DB: Final = 0.8
"""Half of the 95 % band up to which an octave is said to be certain to 1 dB. Set by the study (docs/validation-feed-to-seat.md)."""
_LEAST_APART: Final = 0.004
"""Part of one side's power that the other does not explain, from which the sides of an octave may be certain: in narrower ones the tail of the room's
sound leaves errors that look like no noise. Set by the study."""
_UNCERTAIN_PM_DB: Final = 1.5
"""Half of the band that a narrower one has at least. Set by the study."""
LEVEL_HZ: Final = (500, 1000, 2000)
"""Octaves whose mean is the level. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OctaveResponse:
    """Early response in one octave."""

    level_db: float | None
    """Seat against feed, in dB of the two tracks as recorded; None where noise covers it."""
    pm_db: float | None
    """Half of its 95 % band."""
    most_db: float
    """Upper end of the band: no more than this arrives."""

    @property
    def certain(self) -> bool:
        """True where the band is narrow enough to be judged."""
        return self.pm_db is not None and self.pm_db <= CERTAIN_PM_DB


@dataclass(frozen=True, slots=True, kw_only=True)
class SideResponse:
    """Response of one loudspeaker side, or of both fed alike."""

    side: Side
    delay_ms: float | None
    """From the recorded mix to the direct sound at the seat, processors and air together; None where no sound of that side stands out."""
    octaves: Mapping[int, OctaveResponse]
    """Nominal mid-band frequency to its response."""
    arrivals: tuple[Arrival, ...] = ()

    @property
    def level_db(self) -> float | None:
        """Mean of the certain octaves from 500 Hz to 2 kHz."""
        levels_db = [octave.level_db for hz, octave in self.octaves.items() if hz in LEVEL_HZ and octave.certain]
        return float(np.mean([level_db for level_db in levels_db if level_db is not None])) if levels_db else None


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedResponse:
    """Main mix as one seat gets it."""

    sides: Mapping[Side, SideResponse]
    """Left and right as far as the mix lets them apart, and both fed alike."""
    music_s: float
    """Length of what it was read from."""

    @property
    def apart(self) -> tuple[int, ...]:
        """Octaves in which both sides are certain by themselves."""
        left, right = self.sides.get("left"), self.sides.get("right")
        if left is None or right is None:
            return ()
        return tuple(hz for hz in OCTAVES_HZ if left.octaves[hz].certain and right.octaves[hz].certain)

    @property
    def between_sides_db(self) -> dict[int, float]:
        """Left against right, by octave in which both are certain."""
        difference_db = {}
        for hz in self.apart:
            left_db, right_db = (self.sides[side].octaves[hz].level_db for side in ("left", "right"))
            if left_db is not None and right_db is not None:
                difference_db[hz] = left_db - right_db
        return difference_db


def segment_frames(sample_rate_hz: float) -> int:
    """Frames of a segment: even, and quick to transform."""
    return 2 * int(scipy.fft.next_fast_len(round(SEGMENT_S * sample_rate_hz / 2.0), real=True))


def feed_spectra(mix: Array, seat: Array, *, sample_rate_hz: float) -> CrossSpectra:
    """Cross-spectra of one stretch of music: stretches are added.

    Parameters
    ----------
    mix : (1 or 2, frames) array
        Recorded main mix.
    seat : (frames,) array
        The seat's track, from the same moment on.
    sample_rate_hz : float
    """
    return cross_spectra(mix, seat, segment=segment_frames(sample_rate_hz))


def feed_response(parts: Sequence[CrossSpectra], *, sample_rate_hz: float) -> FeedResponse | None:
    """Delay and early response of each side and of both fed alike; None where there is too little music.

    Parameters
    ----------
    parts : sequence of CrossSpectra
        Of several stretches: how far the responses scatter when each is left out widens the band where it is more than noise explains.
    sample_rate_hz : float

    References
    ----------
    Bendat & Piersol, Random Data, 4th ed. 2010, 7.3 and 9.3. The scatter: Efron & Tibshirani, An Introduction to the Bootstrap, 1993, 11.2 (jackknife).
    """
    parts = [part for part in parts if part.segments]
    if sum(part.segments for part in parts) < LEAST_SEGMENTS:
        return None
    whole = CrossSpectra.total(parts)
    rows = _by_side(whole)
    envelopes = {side: arrival_envelope(*row, sample_rate_hz=sample_rate_hz) for side, row in rows.items()}
    delays_s = {side: first_arrival_s(envelope) for side, envelope in envelopes.items()}
    known_s = [delay_s for delay_s in delays_s.values() if delay_s is not None]
    if not known_s:
        return None
    windows_s = {side: min(known_s) if delay_s is None else delay_s for side, delay_s in delays_s.items()}
    taps = {side: _taps(response) for side, (response, _) in rows.items()}
    powers = {side: early_power(taps[side], windows_s[side], sample_rate_hz=sample_rate_hz) for side in rows}
    noises = {side: _early_noise(taps[side], rows[side][1], windows_s[side], sample_rate_hz) for side in rows}
    scatter = _scatter(parts, windows_s, sample_rate_hz)
    apart = _apart(whole, sample_rate_hz)
    sides: dict[Side, SideResponse] = {}
    for side, delay_s in delays_s.items():
        least_pm_db = np.where(apart < _LEAST_APART, _UNCERTAIN_PM_DB, 0.0) if side != "both" else np.zeros(apart.size)
        rows_of_octaves = zip(OCTAVES_HZ, powers[side], noises[side], scatter[side], least_pm_db, strict=True)
        sides[side] = SideResponse(
            side=side,
            delay_ms=None if delay_s is None else 1e3 * delay_s,
            octaves={hz: _octave(*map(float, row), hz=hz) for hz, *row in rows_of_octaves},
            arrivals=arrivals(envelopes[side]),
        )
    return FeedResponse(
        sides=sides, music_s=(whole.segments + 1) * segment_frames(sample_rate_hz) / sample_rate_hz / 2.0
    )


def _apart(spectra: CrossSpectra, sample_rate_hz: float) -> Array:
    """(octaves,) part of one side's power that the other does not explain, as a harmonic mean: the narrowest lines are what it fails at."""
    if len(spectra.cross) < 2:
        return np.ones(len(OCTAVES_HZ))
    left, right = spectra.inputs[0, 0].real, spectra.inputs[1, 1].real
    alike = np.abs(spectra.inputs[0, 1]) ** 2 / np.maximum(left * right, 1e-300)
    return np.asarray(1.0 / (octave_weights(left.size, sample_rate_hz) @ (1.0 / np.maximum(1.0 - alike, 1e-9))))


def _by_side(spectra: CrossSpectra) -> dict[Side, tuple[Spectrum, Array]]:
    """Side to its response and the variance of it, by line."""
    solved = solve_responses(spectra)
    both = (solved.response.sum(axis=0), solved.covariance.sum(axis=(0, 1)).real)
    if len(solved.response) < 2:
        return {"both": both}
    left, right = ((solved.response[row], solved.covariance[row, row].real) for row in (0, 1))
    return {"left": left, "right": right, "both": both}


def _scatter(
    parts: Sequence[CrossSpectra], windows_s: Mapping[Side, float], sample_rate_hz: float
) -> dict[Side, Array]:
    """Side to the jackknife's standard error of its power by octave; 0 where there are too few parts to tell."""
    count = len(parts)
    if count < _LEAST_PARTS:
        return {side: np.zeros(len(OCTAVES_HZ)) for side in windows_s}
    powers: dict[Side, list[Array]] = {side: [] for side in windows_s}
    for left_out in range(count):
        rows = _by_side(CrossSpectra.total([part for number, part in enumerate(parts) if number != left_out]))
        for side, (response, _) in rows.items():
            powers[side].append(early_power(_taps(response), windows_s[side], sample_rate_hz=sample_rate_hz))
    return {side: np.sqrt((count - 1) * np.var(np.array(rows), axis=0)) for side, rows in powers.items()}


@functools.cache
def octave_weights(bins: int, sample_rate_hz: float) -> Array:
    """(octaves, bins) weights that average a power over each octave, every part of an octave alike."""
    frequency_hz = np.arange(bins) * sample_rate_hz / (2 * (bins - 1))
    half = 10.0**0.15
    exact_hz = [1000.0 * 10.0 ** (0.3 * round(np.log2(hz / 1000.0))) for hz in OCTAVES_HZ]
    rows = [
        ((frequency_hz >= hz / half) & (frequency_hz < hz * half)) / np.maximum(frequency_hz, 1.0) for hz in exact_hz
    ]
    return np.array([row / max(row.sum(), 1e-300) for row in rows])


def early_power(taps: Array, delay_s: float, *, sample_rate_hz: float) -> Array:
    """(octaves,) mean power gain of the early part of a circular impulse response, whose sound arrives after a delay."""
    first = round((delay_s - _LEAD_S) * sample_rate_hz)
    rows = np.arange(first, round((delay_s + EARLY_S) * sample_rate_hz))
    window = _early_window(rows / sample_rate_hz - delay_s)
    return _octave_power(taps[rows % taps.size] * window, sample_rate_hz)


def _early_window(time_s: Array) -> Array:
    """Window over the early part, by the time after the direct sound."""
    rise = np.clip((time_s + _LEAD_S) / (0.5 * _LEAD_S), 0.0, 1.0)
    fade = np.clip((EARLY_S - time_s) / _FADE_S, 0.0, 1.0)
    return np.asarray(rise * np.sin(0.5 * np.pi * fade) ** 2)


def _octave_power(taps: Array, sample_rate_hz: float) -> Array:
    """(octaves,) mean power gain of taps."""
    size = 2 * scipy.fft.next_fast_len(max(taps.size, round(sample_rate_hz / _LINES_HZ)) // 2 + 1, real=True)
    return np.asarray(octave_weights(size // 2 + 1, sample_rate_hz) @ np.abs(scipy.fft.rfft(taps, size)) ** 2)


def _taps(response: Spectrum) -> Array:
    """Circular impulse response.

    A delayed copy lies a little outside a segment's window: the response is divided by the window's correlation at each lag (Bendat & Piersol 2010,
    9.2: bias by propagation time).
    """
    taps = scipy.fft.irfft(response)
    lags = np.arange(taps.size)
    return np.asarray(taps / _hann_correlation(np.minimum(lags, taps.size - lags) / taps.size))


def _early_noise(taps: Array, variance: Array, delay_s: float, sample_rate_hz: float) -> Array:
    """(octaves,) noise in the power of the early part: as it is before any sound can have come, or as the random error has it, whichever is more."""
    last = round((delay_s - GUARD_S) * sample_rate_hz)
    rows = np.arange(last - round(BEFORE_S * sample_rate_hz), last) % taps.size
    before = _octave_power(taps[rows], sample_rate_hz) / rows.size
    window = _early_window(np.arange(-_LEAD_S, EARLY_S, 1.0 / sample_rate_hz))
    by_formula = octave_weights(variance.size, sample_rate_hz) @ variance / taps.size
    return np.asarray(np.maximum(before, by_formula) * np.sum(window**2))


def _hann_correlation(lag: Array) -> Array:
    """Autocorrelation of Hann's window, 1 at no lag, for lags in segments up to a half."""
    angle = 2.0 * np.pi * lag
    return np.asarray((1.0 - lag) * (2.0 / 3.0 + np.cos(angle) / 3.0) + np.sin(angle) / (2.0 * np.pi))


def _octave(power: float, noise: float, scatter: float, least_pm_db: float, *, hz: int) -> OctaveResponse:
    """Level of an octave without its noise, and the band that noise leaves."""
    # independent values in the early part of an octave: twice its bandwidth times the window
    freedoms = 2.0 * hz * (10.0**0.15 - 10.0**-0.15) * _EFFECTIVE_S
    signal = power - noise
    random = _BAND_WIDER * np.sqrt(4.0 * noise * max(signal, 0.0) / freedoms + 2.0 * noise**2 / freedoms)
    spread = max(float(random), scatter)
    most_db = float(db_from_power(max(signal, 0.0) + 2.0 * spread + 1e-300))
    if signal <= 2.0 * spread:
        return OctaveResponse(level_db=None, pm_db=None, most_db=most_db)
    pm_db = max(float(db_from_power((signal + 2.0 * spread) / signal)), least_pm_db)
    return OctaveResponse(level_db=float(db_from_power(signal)), pm_db=pm_db, most_db=most_db)
