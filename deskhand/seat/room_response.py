"""Response of a room to each sweep at a seat: decays by octave, distortion, gain, and the early sound that tells a moved microphone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import events
from deskhand.dsp.octaves import exact_octave_hz, in_octaves
from deskhand.dsp.room_decay import OCTAVES_HZ, RoomDecay, decay_end, onset_frame, room_decay
from deskhand.dsp.speech_transmission import OCTAVES_HZ as SPEECH_OCTAVES_HZ
from deskhand.dsp.speech_transmission import modulation_transfer
from deskhand.dsp.sweep import deconvolved
from deskhand.seat.sweep_plan import SHAPE, TAIL_S
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.dsp.sweep import SweepResponse
    from deskhand.seat.sweep_search import FoundSweep

    Array = NDArray[np.float64]

_AHEAD_S: Final = 0.2
"""Part of a recording that is read in front of a sweep: filters ring there. Common practice, no source."""
_GUARD_S: Final = 0.05
"""Part of an octave's response in front of its start that counts as its start: the ring of the filter at 63 Hz (computed)."""
_ONSET_HZ: Final = 2000.0
"""Octave in which the start of a response is looked for: sharp, and below what air takes. Common practice, no source."""
_ONSET_S: Final = 0.6
"""Time behind the expected arrival in which the start lies: the search tells it to a few ms. Common practice, no source."""
_EARLY_S: Final = 0.08
"""Early sound, which a moved microphone hears otherwise: the early part of C80 (ISO 3382-1:2009, A.2.3)."""
_EARLY_HZ: Final = (500.0, 1000.0, 2000.0)
"""Octaves in which two early sounds are compared: half a wavelength is 34 to 9 cm. Common practice, no source."""
_HARMONICS: Final = (2, 3)
"""Harmonics that distortion is summed from: the strongest two of a loudspeaker. Common practice, no source."""
_HARMONIC_S: Final = 0.3
"""Part of a harmonic's response that is summed, and of the linear one it is compared with. Common practice, no source."""
_ABOVE_NOISE: Final = 2.0
"""Power against the noise from which a harmonic counts as more than noise. Common practice, no source."""
_FLAT_SHARE: Final = 0.7
"""Share of the loudest sample from which a flat top is a clipped one. Common practice, no source."""
_FLAT_CONTEXT: Final = 110
"""Samples behind a run that `flat_tops` reads."""
_CLIPPED_TOPS: Final = 3
"""Flat tops from which a sweep is clipped: fewer are chance (docs/validation-clipping.md)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepReading:
    """Readings of one sweep at one seat."""

    sweep: FoundSweep
    decays: tuple[RoomDecay, ...]
    """One an octave of `OCTAVES_HZ`."""
    gain_db: Array
    """(octaves,) gain from the file to the track, early sound; NaN where it does not stand above the noise."""
    distortion_db: Array
    """(octaves,) level of the harmonics against their fundamental in the octave; NaN where they lie in the noise."""
    transfer: Array
    """(7, 14) modulation transfers of the octaves of speech."""
    early: Array
    """(frames,) early sound from 500 Hz to 2 kHz, from 5 ms before its start."""
    early_range_db: float
    """Distance of the early sound above the noise."""
    clipped_tops: int

    @property
    def is_clipped(self) -> bool:
        """True where more tops are flat than by chance."""
        return self.clipped_tops >= _CLIPPED_TOPS


def sweep_segment(samples: Array, sweep: FoundSweep, *, sample_rate_hz: int, end_s: float) -> Array:
    """(frames,) of a track around a sweep: from a little before it to `end_s`, zeros where the track does not reach."""
    first = round((sweep.start_s - _AHEAD_S) * sample_rate_hz)
    last = round(end_s * sample_rate_hz)
    segment = np.zeros(last - first)
    inside = samples[max(first, 0) : last]
    segment[max(-first, 0) : max(-first, 0) + inside.size] = inside
    return segment


def clipped_tops(segment: Array) -> int:
    """Number of flat tops near the loudest sample of a stretch."""
    signal = segment.astype(np.float32)
    places = np.empty(64, np.int64), np.empty(64, np.float32), np.empty(64, np.int64)
    floor = np.float32(_FLAT_SHARE * float(np.abs(signal).max(initial=0.0)))
    if not floor > 0.0 or signal.size <= 2 * _FLAT_CONTEXT:
        return 0
    return int(events.flat_tops(signal, 1, signal.size - _FLAT_CONTEXT, floor, *places))


def _distortion_db(response: SweepResponse, start: int, fundamental: Array, rate_hz: float) -> Array:
    """(octaves,) level of the harmonics against the linear response, in dB.

    A harmonic's response at n times a frequency is as strong as the harmonic is, so over an octave n times as wide its
    energy is n times as much (Farina 2000).
    """
    levels = np.full(len(OCTAVES_HZ), np.nan)
    length = round(_HARMONIC_S * rate_hz)
    for row, nominal_hz in enumerate(OCTAVES_HZ):
        total = 0.0
        for harmonic in _HARMONICS:
            middle_hz = harmonic * exact_octave_hz(nominal_hz)
            if middle_hz > SHAPE.high_hz / 2.0**0.5:
                continue
            first = start - round(SHAPE.lead_s(harmonic) * rate_hz)
            # as long a stretch in front of all harmonics that stand out is noise alone
            quiet = start - round(SHAPE.lead_s(12) * rate_hz)
            guard = round(_GUARD_S * rate_hz)
            energy, noise = (
                float(
                    (
                        in_octaves(
                            response.samples[begin - guard : begin + length], [middle_hz], sample_rate_hz=rate_hz
                        )
                        ** 2
                    ).sum()
                )
                for begin in (first, quiet)
            )
            if energy > _ABOVE_NOISE * noise:
                total += (energy - noise) / harmonic
        if total > 0.0 and fundamental[row] > 0.0:
            levels[row] = float(db_from_power(total / fundamental[row]))
    return levels


def _decays(power: Array, guard: int, rate_hz: float) -> tuple[list[RoomDecay], list[Array]]:
    """Decay of each octave, and its (frames,) squared response from the start on with the noise taken off."""
    decays, cleaned = [], []
    for row in power:
        after = row[guard:]
        end = decay_end(after, sample_rate_hz=rate_hz)
        # in front of the start lies the ring of the filter and as much noise as anywhere
        before = max(float(row[:guard].sum()) - guard * end.noise_power, 0.0)
        decays.append(room_decay(after, sample_rate_hz=rate_hz, early=before))
        decaying = np.where(np.arange(after.size) < end.end_s * rate_hz, after - end.noise_power, 0.0)
        decaying[0] += before
        cleaned.append(decaying)
    return decays, cleaned


def response_decays(response: Array, start: int, *, sample_rate_hz: float) -> tuple[list[RoomDecay], list[Array]]:
    """Decay of each octave of a response, and its squared response without the noise.

    Parameters
    ----------
    response : (frames,) array
        Impulse response; zeros are put where it does not reach.
    start : int
        Frame at which it begins.
    sample_rate_hz : float
    """
    power = _octaves(response, start, sample_rate_hz) ** 2
    return _decays(power, round(_GUARD_S * sample_rate_hz), sample_rate_hz)


def _octaves(response: Array, start: int, rate_hz: float) -> Array:
    """(octaves, frames) of a response from a little before its start on."""
    guard = round(_GUARD_S * rate_hz)
    stretch = response[max(start - guard, 0) : start + round(TAIL_S * rate_hz)]
    stretch = np.concatenate([np.zeros(max(guard - start, 0)), stretch])
    middles_hz = [exact_octave_hz(nominal_hz) for nominal_hz in OCTAVES_HZ]
    return in_octaves(stretch, middles_hz, sample_rate_hz=rate_hz)


def read_sweep(segment: Array, sweep: FoundSweep, *, sample_rate_hz: float) -> SweepReading:
    """Readings of one sweep.

    Parameters
    ----------
    segment : (frames,) array
        From `sweep_segment`.
    sweep : FoundSweep
    sample_rate_hz : float
        Rate at which the sweep lies in the recording: the recording's, times the clock.

    References
    ----------
    Farina 2000 (AES Convention 108, 5093); ISO 3382-1:2009; IEC 60268-16:2020.
    """
    response = deconvolved(segment / sweep.planned.amplitude, SHAPE, sample_rate_hz=sample_rate_hz)
    first = response.origin
    near = response.samples[first : first + round(_ONSET_S * sample_rate_hz)]
    start = first + onset_frame(in_octaves(near, [_ONSET_HZ], sample_rate_hz=sample_rate_hz)[0])
    guard = round(_GUARD_S * sample_rate_hz)
    octaves = _octaves(response.samples, start, sample_rate_hz)
    power = octaves**2
    decays, cleaned = _decays(power, guard, sample_rate_hz)
    length = round(_HARMONIC_S * sample_rate_hz)
    fundamental = np.array([float(row[: guard + length].sum()) for row in power])
    noise = np.array([decay_end(row[guard:], sample_rate_hz=sample_rate_hz).noise_power for row in power]) * (
        guard + length
    )
    gain_db = np.where(
        fundamental > _ABOVE_NOISE * noise, db_from_power(np.maximum(fundamental - noise, 1e-300)), np.nan
    )
    early = slice(guard - round(0.005 * sample_rate_hz), guard + round(_EARLY_S * sample_rate_hz))
    rows = [OCTAVES_HZ.index(nominal_hz) for nominal_hz in _EARLY_HZ]
    return SweepReading(
        sweep=sweep,
        decays=tuple(decays),
        gain_db=gain_db,
        distortion_db=_distortion_db(response, start, fundamental, sample_rate_hz),
        transfer=modulation_transfer(
            np.array([cleaned[OCTAVES_HZ.index(nominal_hz)] for nominal_hz in SPEECH_OCTAVES_HZ]),
            sample_rate_hz=sample_rate_hz,
        ),
        early=octaves[rows, early].sum(axis=0),
        early_range_db=float(
            db_from_power(
                max(float(power[rows, early].mean()), 1e-300)
                / max(float(np.mean(noise[rows])) / (guard + length), 1e-300)
            )
        ),
        clipped_tops=clipped_tops(segment),
    )


def early_likeness(first: SweepReading, second: SweepReading) -> float:
    """Likeness of two early sounds, 1.0 for the same but for a delay and a gain: the peak of their normalised cross-correlation."""
    size = 2 * max(first.early.size, second.early.size)
    product = np.fft.rfft(first.early, size) * np.conj(np.fft.rfft(second.early, size))
    # between samples too: a shift of a fraction of one is no change
    fine = np.fft.irfft(np.concatenate([product, np.zeros(3 * (product.size - 1))]), 4 * size) * 4.0
    scale = float(np.sqrt(np.sum(first.early**2) * np.sum(second.early**2)))
    return float(np.max(fine)) / max(scale, 1e-300)


def expected_likeness(first: SweepReading, second: SweepReading) -> float:
    """Likeness that noise alone would leave of two equal early sounds."""
    shares = [1.0 / (1.0 + float(power_from_db(-reading.early_range_db))) for reading in (first, second)]
    return float(np.sqrt(shares[0] * shares[1]))
