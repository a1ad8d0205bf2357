"""Aliases of oversampled bending, read off whole periods of a tone."""

from __future__ import annotations

from typing import Final

import numpy as np

from deskhand.dsp import fir

BIAS: Final = 0.2


def bent_tone(frequency_hz: float, rate_hz: int, drive_db: float, bias: float = BIAS, peak: float = 1.0) -> np.ndarray:
    """Levels in dB, bin by bin of 1 Hz, of one second of a tone behind the bending."""
    wave = peak * np.sin(2.0 * np.pi * frequency_hz * np.arange(2 * rate_hz) / rate_hz)
    out = fir.Oversampled().bend(wave, 10.0 ** (drive_db / 20.0), bias)[rate_hz:]
    return 20.0 * np.log10(2.0 * np.abs(np.fft.rfft(out)) / rate_hz + 1e-15)


def alias_db(frequency_hz: int, rate_hz: int, drive_db: float) -> float:
    """The loudest line up to 20 kHz that is no harmonic, against the fundamental."""
    level_db = bent_tone(frequency_hz, rate_hz, drive_db)
    harmonic = np.arange(level_db.size) % frequency_hz == 0
    heard = np.arange(level_db.size) <= 20000
    return float(level_db[heard & ~harmonic].max() - level_db[frequency_hz])
