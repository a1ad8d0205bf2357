"""Equal loudness of pure tones: loudness level from sound pressure level and back (ISO 226:2023)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

# ISO 226:2023, Table 1: frequency in Hz, exponent, transfer magnitude in dB, hearing threshold in dB
FREQUENCIES_HZ: Final = np.array(
    [
        20.0,
        25.0,
        31.5,
        40.0,
        50.0,
        63.0,
        80.0,
        100.0,
        125.0,
        160.0,
        200.0,
        250.0,
        315.0,
        400.0,
        500.0,
        630.0,
        800.0,
        1000.0,
        1250.0,
        1600.0,
        2000.0,
        2500.0,
        3150.0,
        4000.0,
        5000.0,
        6300.0,
        8000.0,
        10000.0,
        12500.0,
    ]
)
EXPONENTS: Final = np.array(
    [
        0.635,
        0.602,
        0.569,
        0.537,
        0.509,
        0.482,
        0.456,
        0.433,
        0.412,
        0.391,
        0.373,
        0.357,
        0.343,
        0.33,
        0.32,
        0.311,
        0.303,
        0.3,
        0.295,
        0.292,
        0.29,
        0.29,
        0.289,
        0.289,
        0.289,
        0.293,
        0.303,
        0.323,
        0.354,
    ]
)
TRANSFER_DB: Final = np.array(
    [
        -31.5,
        -27.2,
        -23.1,
        -19.3,
        -16.1,
        -13.1,
        -10.4,
        -8.2,
        -6.3,
        -4.6,
        -3.2,
        -2.1,
        -1.2,
        -0.5,
        0.0,
        0.4,
        0.5,
        0.0,
        -2.7,
        -4.2,
        -1.2,
        1.4,
        2.3,
        1.0,
        -2.3,
        -7.2,
        -11.2,
        -10.9,
        -3.5,
    ]
)
THRESHOLD_DB: Final = np.array(
    [
        78.1,
        68.7,
        59.5,
        51.1,
        44.0,
        37.5,
        31.5,
        26.5,
        22.1,
        17.9,
        14.4,
        11.4,
        8.6,
        6.2,
        4.4,
        3.0,
        2.2,
        2.4,
        3.5,
        1.7,
        -1.3,
        -4.2,
        -6.0,
        -5.4,
        -1.5,
        6.0,
        12.6,
        13.9,
        12.3,
    ]
)
_REFERENCE: Final = 4e-10
"""(20 uPa)^2, in the formulas of ISO 226:2023, 4.1 and 4.2."""
_REFERENCE_EXPONENT: Final = 0.3
"""Exponent at 1 kHz (ISO 226:2023, Table 1)."""


def _parameters(
    frequency_hz: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Exponent, transfer in dB and threshold in dB, read between the table's frequencies on a logarithmic axis."""
    log_frequency = np.log(np.clip(frequency_hz, FREQUENCIES_HZ[0], FREQUENCIES_HZ[-1]))
    log_table = np.log(FREQUENCIES_HZ)
    return (
        np.interp(log_frequency, log_table, EXPONENTS),
        np.interp(log_frequency, log_table, TRANSFER_DB),
        np.interp(log_frequency, log_table, THRESHOLD_DB),
    )


def phon_from_spl(level_db_spl: NDArray[np.float64], frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Loudness level in phon of pure tones, shape as given (broadcast); NaN below the threshold of hearing.

    Parameters
    ----------
    level_db_spl : array
        Sound pressure level in dB re 20 uPa; the formula is meant for 20 to 90 phon (80 above 4 kHz).
    frequency_hz : array
        20 Hz to 12.5 kHz; beyond, the nearest of the table.

    References
    ----------
    ISO 226:2023, 4.2.
    """
    exponent, transfer, threshold = _parameters(np.asarray(frequency_hz, np.float64))
    level = np.asarray(level_db_spl, np.float64)
    above = 10.0 ** (exponent * (level + transfer) / 10.0) - 10.0 ** (exponent * (threshold + transfer) / 10.0)
    inside = above / _REFERENCE ** (_REFERENCE_EXPONENT - exponent) + 10.0**0.072
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(level < threshold, np.nan, 100.0 / 3.0 * np.log10(inside)))


def spl_from_phon(loudness_level_phon: NDArray[np.float64], frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sound pressure level in dB of pure tones of a loudness level in phon, shape as given (broadcast).

    References
    ----------
    ISO 226:2023, 4.1.
    """
    exponent, transfer, threshold = _parameters(np.asarray(frequency_hz, np.float64))
    inside = _REFERENCE ** (_REFERENCE_EXPONENT - exponent) * (
        10.0 ** (0.03 * np.asarray(loudness_level_phon, np.float64)) - 10.0**0.072
    ) + 10.0 ** (exponent * (threshold + transfer) / 10.0)
    return np.asarray(10.0 / exponent * np.log10(inside) - transfer)
