"""Exponential sweeps, and the impulse response that lies in a recording of one: each harmonic's response stands apart in time."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_EDGE_OCTAVE: Final = 0.25
"""Octaves inside each end of a sweep over which its inverse fades in: its own fades lie there. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepShape:
    """Exponential sweep, without a level or a sample rate."""

    low_hz: float
    high_hz: float
    length_s: float
    fade_in_s: float
    fade_out_s: float

    @property
    def e_fold_s(self) -> float:
        """Seconds in which its frequency rises by the factor e."""
        return self.length_s / math.log(self.high_hz / self.low_hz)

    def passes_s(self, frequency_hz: float) -> float:
        """Seconds from its start to the moment at which it passes a frequency."""
        return self.e_fold_s * math.log(frequency_hz / self.low_hz)

    def lead_s(self, harmonic: int) -> float:
        """Seconds by which the response of a harmonic comes before the linear one (Farina 2000)."""
        return self.e_fold_s * math.log(harmonic)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SweepResponse:
    """Impulse response of a recorded sweep, with what comes before time 0."""

    samples: Array
    """(frames,) at the recording's rate; 1.0 at one frame is a gain of 1."""
    origin: int
    """Frame of time 0: sound without any delay. Responses of harmonics lie before it."""


def exponential_sweep(shape: SweepShape, *, sample_rate_hz: float) -> Array:
    """(frames,) of a sweep with a peak of 1.0; faded in and out by half a cosine.

    Parameters
    ----------
    shape : SweepShape
    sample_rate_hz : float
        Any number: a clock that is off is a rate that is no whole one.

    References
    ----------
    Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine technique", AES Convention 108
    (2000), 5093, eq. 7; ISO 18233:2006, Annex B.
    """
    time_s = np.arange(round(shape.length_s * sample_rate_hz)) / sample_rate_hz
    phase = 2.0 * np.pi * shape.low_hz * shape.e_fold_s * np.expm1(time_s / shape.e_fold_s)
    rising = np.clip(time_s / shape.fade_in_s, 0.0, 1.0)
    falling = np.clip((shape.length_s - time_s) / shape.fade_out_s, 0.0, 1.0)
    return np.asarray(
        np.sin(phase) * 0.25 * (1.0 - np.cos(np.pi * rising)) * (1.0 - np.cos(np.pi * falling)), np.float64
    )


@functools.lru_cache(maxsize=2)
def inverse_spectrum(shape: SweepShape, *, sample_rate_hz: float, transform: int) -> NDArray[np.complex128]:
    """(transform // 2 + 1,) spectrum by which a recorded sweep becomes its impulse response; read only.

    One over the spectrum of the sweep inside its band, faded to nothing at its ends: what lies outside was never played.
    """
    spectrum = scipy.fft.rfft(exponential_sweep(shape, sample_rate_hz=sample_rate_hz), transform)
    frequency_hz = np.maximum(np.arange(spectrum.size) * sample_rate_hz / transform, 1e-3)
    inside_octave = np.minimum(np.log2(frequency_hz / shape.low_hz), np.log2(shape.high_hz / frequency_hz))
    share = np.clip(inside_octave / _EDGE_OCTAVE, 0.0, 1.0)
    weight = 0.5 - 0.5 * np.cos(np.pi * share)
    power = np.maximum(spectrum.real**2 + spectrum.imag**2, 1e-12)
    inverse: NDArray[np.complex128] = np.asarray(weight * np.conj(spectrum) / power, np.complex128)
    inverse.setflags(write=False)
    return inverse


def deconvolved(recording: Array, shape: SweepShape, *, sample_rate_hz: float) -> SweepResponse:
    """Impulse response from a recording of a sweep that begins at its first frame.

    Parameters
    ----------
    recording : (frames,) array
        From the moment at which the sweep begins (or before) until the room has died away.
    shape : SweepShape
        What was played, at a peak of 1.0.
    sample_rate_hz : float
        Rate at which the sweep lies in the recording.

    Returns
    -------
    SweepResponse
        From one length of the sweep before time 0 to the end of the recording.

    References
    ----------
    ISO 18233:2006, Annex B (deconvolution without wrapping: zeros of at least the sweep's length).
    """
    length = round(shape.length_s * sample_rate_hz)
    transform = scipy.fft.next_fast_len(recording.size + length, real=True)
    spectrum = scipy.fft.rfft(recording, transform)
    spectrum *= inverse_spectrum(shape, sample_rate_hz=sample_rate_hz, transform=transform)
    circle = scipy.fft.irfft(spectrum, transform)
    return SweepResponse(
        samples=np.concatenate([circle[transform - length :], circle[: recording.size]]), origin=length
    )
