"""Speech and noise for the speech intelligibility index, and the standard's worked examples."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.intelligibility import (
    BANDS_HZ,
    BANDWIDTH_DB,
    IMPORTANCE,
    BandEnergies,
    audible_over_time,
    in_windows,
    level_distortion,
)
from tests.support.tables import rows, topic

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

TABLE: Final = rows("sii_third_octave")

EXAMPLES: Final = topic("sii_worked_examples")

BY_ID: Final = {one["id"]: one for one in EXAMPLES["example"]}

BANDS: Final = len(TABLE)

QUIET_DB: Final = -50.0

"""Spectrum level of no noise: the standard's default."""

BINAURAL_DB: Final = -1.7

FULL_SCALE_DB: Final = 100.0

"""DB SPL of a mean square of 1 in the tests that go through filters."""


def column(name: str) -> NDArray[np.float64]:
    return np.array([float(row[name]) for row in TABLE])


def speech(effort: str) -> NDArray[np.float64]:
    return column(f"speech_{effort}_db")


def flat(level_db: float) -> NDArray[np.float64]:
    return np.full(BANDS, float(level_db))


def banks(samples: NDArray[np.floating], rate_hz: int, pieces: Sequence[int] = ()) -> NDArray[np.float32]:
    """(frames, 18, channels) energies of (channels, samples), eight channels at a time, in pieces of some frames each."""
    meter = BandEnergies(len(samples), rate_hz)
    found = []
    for group, first in enumerate(range(0, len(samples), 8)):
        parts, at = [], 0
        for frames in pieces or (samples.shape[1] // meter.step,):
            parts.append(
                meter.take(
                    np.ascontiguousarray(samples[first : first + 8, at : at + frames * meter.step], np.float32), group
                )
            )
            at += frames * meter.step
        found.append(np.concatenate(parts))
    return np.concatenate(found, axis=2)


def noise(
    rng: np.random.Generator, spectrum_db: NDArray[np.float64], length_s: float, rate_hz: int = 48000
) -> NDArray[np.float64]:
    """Gaussian noise with a spectrum level in each band and in between, dB SPL; full scale is `FULL_SCALE_DB`."""
    count = round(length_s * rate_hz)
    frequency_hz = np.fft.rfftfreq(count, 1.0 / rate_hz)
    level_db = np.interp(np.log(np.maximum(frequency_hz, 1.0)), np.log(BANDS_HZ), spectrum_db) - FULL_SCALE_DB
    level_db[(frequency_hz < 90.0) | (frequency_hz > 12000.0)] = -300.0
    # power per Hz of a real sequence: 2 |X|^2 / (count rate)
    scale = np.sqrt(0.25 * count * rate_hz * 10.0 ** (0.1 * level_db))
    drawn = rng.standard_normal(frequency_hz.size) + 1j * rng.standard_normal(frequency_hz.size)
    return np.fft.irfft(scale * drawn, count)


def spectrum_levels(sound: NDArray[np.float64], rate_hz: int = 48000) -> NDArray[np.float64]:
    """(frames, 18) spectrum power of every 10 ms, by the filters."""
    energies = banks(sound[None], rate_hz)[:, :, 0].astype(np.float64)
    return energies * 10.0 ** (0.1 * (FULL_SCALE_DB - BANDWIDTH_DB))


def extended(spoken_db: NDArray[np.float64], noise_power: NDArray[np.float64]) -> float:
    """Extended index of noise by its frames."""
    return float((IMPORTANCE * level_distortion(spoken_db)) @ audible_over_time(spoken_db, in_windows(noise_power)))


@functools.cache
def interrupted(level_db: float, rate_of_interruption_hz: float) -> NDArray[np.float64]:
    """Spectrum powers by frame of speech-shaped noise that is on half of the time, at a long-term level."""
    made = noise(np.random.default_rng(9), speech("normal") + level_db, 24.2)
    phase = np.arange(made.size) / 48000.0 * rate_of_interruption_hz % 1.0
    return spectrum_levels(np.sqrt(2.0) * made * (phase < 0.5))[20:]
