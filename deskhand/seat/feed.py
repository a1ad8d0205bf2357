"""Feed to seat: delay, level and response by octave from the recorded main mix to the seat's microphone, with music as the signal.

Each side of the mix is one input of a least-squares system by averaged cross-spectra, so that the two loudspeakers come apart as far as
the mix lets them; what the audience adds is alike to neither and averages out. Of each response the early part counts, from the direct sound on.
What the response holds before any sound can have come is its noise: it is taken off the energy, and gives the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

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
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Spectrum = NDArray[np.complex128]

Side = Literal["left", "right", "both"]
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
_EFFECTIVE_S: Final = 0.0465
"""Length of that window as far as averaging goes, (sum w^2)^2 / sum w^4. Arithmetic."""
_BAND_WIDER: Final = 1.6
"""Factor on the random error: residues of the room's tail come in lines, not as noise does. Set by the study (docs/validation-feed-to-seat.md)."""
CERTAIN_PM_DB: Final = 1.0
"""Half of the 95 % band up to which an octave is said to be certain: what has to be told by it are changes of 3 dB and more. Common practice, no source."""
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
    """What one seat gets of the main mix."""

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


def feed_response(spectra: CrossSpectra, *, sample_rate_hz: float) -> FeedResponse | None:
    """Delay and early response of each side and of both fed alike; None where there is too little music.

    Parameters
    ----------
    spectra : CrossSpectra
        Of one or several stretches.
    sample_rate_hz : float

    References
    ----------
    Bendat & Piersol, Random Data, 4th ed. 2010, 7.3 and 9.3.
    """
    if spectra.segments < LEAST_SEGMENTS:
        return None
    solved = solve_responses(spectra)
    variance = np.einsum("iib->ib", solved.covariance).real
    rows: dict[Side, tuple[Spectrum, Array]] = {
        "both": (solved.response.sum(axis=0), solved.covariance.sum(axis=(0, 1)).real)
    }
    if len(solved.response) == 2:
        rows = {"left": (solved.response[0], variance[0]), "right": (solved.response[1], variance[1]), **rows}
    weights = _octave_weights(solved.response.shape[1], sample_rate_hz)
    envelopes = {side: arrival_envelope(*row, sample_rate_hz=sample_rate_hz) for side, row in rows.items()}
    delays_s = {side: first_arrival_s(envelope) for side, envelope in envelopes.items()}
    first_s = (
        delays_s["both"]
        if delays_s["both"] is not None
        else min((delay for delay in delays_s.values() if delay is not None), default=None)
    )
    if first_s is None:
        return None
    sides = {}
    for side, (response, line_variance) in rows.items():
        delay_s = delays_s[side]
        sides[side] = SideResponse(
            side=side,
            delay_ms=None if delay_s is None else 1e3 * delay_s,
            octaves=_octaves(response, line_variance, weights, first_s if delay_s is None else delay_s, sample_rate_hz),
            arrivals=arrivals(envelopes[side]),
        )
    return FeedResponse(
        sides=sides, music_s=(spectra.segments + 1) * segment_frames(sample_rate_hz) / sample_rate_hz / 2.0
    )


def _octave_weights(bins: int, sample_rate_hz: float) -> Array:
    """(octaves, bins) weights that average a power over each octave, every part of an octave alike."""
    frequency_hz = np.arange(bins) * sample_rate_hz / (2 * (bins - 1))
    half = 10.0**0.15
    exact_hz = [1000.0 * 10.0 ** (0.3 * round(np.log2(hz / 1000.0))) for hz in OCTAVES_HZ]
    rows = [
        ((frequency_hz >= hz / half) & (frequency_hz < hz * half)) / np.maximum(frequency_hz, 1.0) for hz in exact_hz
    ]
    return np.array([row / max(row.sum(), 1e-300) for row in rows])


def early_window(frames: int, delay_s: float, *, sample_rate_hz: float) -> Array:
    """(frames,) window over the early part of a response that arrives after a delay; the response is circular, so that a delay may be negative."""
    length_s = frames / sample_rate_hz
    time_s = (np.arange(frames) / sample_rate_hz - delay_s + _LEAD_S) % length_s - _LEAD_S
    rise = np.clip((time_s + _LEAD_S) / (0.5 * _LEAD_S), 0.0, 1.0)
    fade = np.clip((EARLY_S - time_s) / _FADE_S, 0.0, 1.0)
    return np.asarray(rise * np.sin(0.5 * np.pi * fade) ** 2)


def early_power(taps: Array, delay_s: float, weights: Array, *, sample_rate_hz: float) -> Array:
    """(octaves,) mean power gain of the early part of an impulse response."""
    window = early_window(taps.size, delay_s, sample_rate_hz=sample_rate_hz)
    return np.asarray(weights @ np.abs(scipy.fft.rfft(taps * window)) ** 2)


def _octaves(
    response: Spectrum, variance: Array, weights: Array, delay_s: float, sample_rate_hz: float
) -> dict[int, OctaveResponse]:
    """Early response by octave with its band."""
    taps = scipy.fft.irfft(response)
    frames = taps.size
    # a delayed copy lies a little outside a segment's window: Hann's correlation at that lag (Bendat & Piersol 2010, 9.2: bias by propagation time)
    taps = taps / _hann_correlation(np.minimum(np.arange(frames), frames - np.arange(frames)) / frames)
    window_energy = float(np.sum(early_window(frames, delay_s, sample_rate_hz=sample_rate_hz) ** 2))
    silent = np.zeros(frames)
    last = round((delay_s - GUARD_S) * sample_rate_hz)
    rows = np.arange(last - round(BEFORE_S * sample_rate_hz), last) % frames
    silent[rows] = taps[rows]
    before = weights @ np.abs(scipy.fft.rfft(silent)) ** 2 / rows.size
    noise = np.maximum(before, weights @ variance / frames) * window_energy
    power = early_power(taps, delay_s, weights, sample_rate_hz=sample_rate_hz)
    octaves = {}
    for row, hz in enumerate(OCTAVES_HZ):
        octaves[hz] = _octave(float(power[row]), float(noise[row]), hz)
    return octaves


def _hann_correlation(lag: Array) -> Array:
    """Autocorrelation of Hann's window, 1 at no lag, for lags in segments up to a half."""
    angle = 2.0 * np.pi * lag
    return np.asarray((1.0 - lag) * (2.0 / 3.0 + np.cos(angle) / 3.0) + np.sin(angle) / (2.0 * np.pi))


def _octave(power: float, noise: float, hz: int) -> OctaveResponse:
    """Level of an octave without its noise, and the band that noise leaves."""
    # independent values in the early part of an octave: twice its bandwidth times the window
    freedoms = 2.0 * hz * (10.0**0.15 - 10.0**-0.15) * _EFFECTIVE_S
    signal = power - noise
    spread = _BAND_WIDER * np.sqrt(4.0 * noise * max(signal, 0.0) / freedoms + 2.0 * noise**2 / freedoms)
    most_db = float(db_from_power(max(signal, 0.0) + 2.0 * spread + 1e-300))
    if signal <= 2.0 * spread:
        return OctaveResponse(level_db=None, pm_db=None, most_db=most_db)
    pm_db = float(db_from_power((signal + 2.0 * spread) / signal))
    return OctaveResponse(level_db=float(db_from_power(signal)), pm_db=pm_db, most_db=most_db)
