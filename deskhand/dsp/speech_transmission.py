"""Speech transmission index by the indirect method (IEC 60268-16:2020): from impulse responses, levels of speech and of noise."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.weighting import weighting_db
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# IEC 60268-16:2020 (edition 5)
OCTAVES_HZ: Final = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
"""Octaves of speech (A.1.4)."""
MODULATIONS_HZ: Final = (0.63, 0.80, 1.00, 1.25, 1.60, 2.00, 2.50, 3.15, 4.00, 5.00, 6.30, 8.00, 10.00, 12.50)
"""Frequencies of modulation (A.1.4)."""
WEIGHTS: Final = np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173])
"""Weight of each octave, male speech (Table A.1, alpha)."""
REDUNDANCY: Final = np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095])
"""Redundancy between an octave and the next one up, male speech (Table A.1, beta)."""
THRESHOLD_DB_SPL: Final = np.array([46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0])
"""Level below which speech is not received (Table A.3)."""
MALE_SPECTRUM_DB: Final = np.array([-2.5, 0.5, 0.0, -6.0, -12.0, -18.0, -24.0])
"""Octave levels of male speech against the one at 500 Hz (edition 5: the two lowest are lower than in edition 4)."""
_LIMIT_DB: Final = 15.0
"""Ratio of speech to noise from which nothing is gained, and below which nothing is left (A.2.1)."""
STI_STEP: Final = 0.03
"""Smallest difference of the index that is noticed (Bradley, Reich & Norcross 1999, Applied Acoustics 58, 99)."""
_QUALITY: Final = ((0.30, "bad"), (0.45, "poor"), (0.60, "fair"), (0.75, "good"))
"""Upper ends of the classes of intelligibility (ISO 9921:2003, Table F.1)."""


def modulation_transfer(power: Array, *, sample_rate_hz: float) -> Array:
    """(octaves, 14) modulation that a room leaves, 1.0 for all of it.

    Parameters
    ----------
    power : (octaves, frames) array
        Squared impulse response in each octave, noise taken off.

    References
    ----------
    Schroeder, "Modulation transfer functions: definition and measurement", Acustica 49 (1981) 179; IEC 60268-16:2020, 6.1.
    """
    time_s = np.arange(power.shape[1]) / sample_rate_hz
    total = np.maximum(power.sum(axis=1), 1e-300)
    columns = [np.abs(power @ np.exp(-2j * np.pi * frequency * time_s)) / total for frequency in MODULATIONS_HZ]
    return np.stack(columns, axis=1)


def noise_transfer(speech_db: Array, noise_db: Array) -> Array:
    """(octaves,) modulation that noise leaves, from octave levels on any one scale (IEC 60268-16:2020, A.2.3)."""
    return np.asarray(1.0 / (1.0 + power_from_db(noise_db - speech_db)))


def masking_db(lower_db_spl: Array) -> Array:
    """Level of upward masking against the next lower octave that causes it, by that octave's level (Table A.2)."""
    level = np.asarray(lower_db_spl, np.float64)
    return np.select(
        [level < 63.0, level < 67.0, level < 100.0],
        [0.5 * level - 65.0, 1.8 * level - 146.9, 0.5 * level - 59.8],
        -10.0,
    )


def hearing_transfer(speech_db_spl: Array, noise_db_spl: Array) -> Array:
    """(octaves,) modulation that upward masking and the threshold of reception leave (IEC 60268-16:2020, A.2.4).

    Parameters
    ----------
    speech_db_spl, noise_db_spl : (octaves,) arrays
        Sound pressure levels in each octave; -inf for no noise.
    """
    intensity = power_from_db(speech_db_spl) + power_from_db(noise_db_spl)
    masking = np.zeros(intensity.size)
    masking[1:] = intensity[:-1] * power_from_db(masking_db(db_from_power(intensity[:-1])))
    return np.asarray(intensity / (intensity + masking + power_from_db(THRESHOLD_DB_SPL)))


def transmission_indices(transfer: Array) -> Array:
    """(octaves,) mean transmission index of each octave, 0 to 1, from (octaves, modulations) transfers (A.2.1)."""
    share = np.clip(transfer, 1e-12, 1.0 - 1e-12)
    ratio_db = np.clip(db_from_power(share / (1.0 - share)), -_LIMIT_DB, _LIMIT_DB)
    return np.asarray(((ratio_db + _LIMIT_DB) / (2.0 * _LIMIT_DB)).mean(axis=1))


def speech_transmission_index(transfer: Array) -> float:
    """Speech transmission index, 0 to 1, from (7, 14) modulation transfers of the octaves from 125 Hz to 8 kHz.

    References
    ----------
    IEC 60268-16:2020, A.2.1 and Table A.1.
    """
    index = transmission_indices(transfer)
    return float(min(1.0, WEIGHTS @ index - REDUNDANCY @ np.sqrt(index[:-1] * index[1:])))


def male_speech_db(level_dba: float) -> Array:
    """(7,) octave levels of male speech of an A-weighted level."""
    total = float(db_from_power(float(power_from_db(MALE_SPECTRUM_DB + weighting_db("A", np.array(OCTAVES_HZ))).sum())))
    return np.asarray(MALE_SPECTRUM_DB + level_dba - total)


def quality(index: float) -> str:
    """Word for an index: bad, poor, fair, good or excellent (ISO 9921:2003, Table F.1)."""
    return next((word for limit, word in _QUALITY if index < limit), "excellent")
