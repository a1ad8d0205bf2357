"""K-weighting of ITU-R BS.1770-5 at any sample rate, and the power that passes it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.kernel import kernel
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Analogue prototypes that give Tables 1 and 2 of ITU-R BS.1770-5 Annex 1 back at 48 kHz through the tangent mapping;
# the standard asks for "the same frequency response" at other rates. Values as several open implementations carry them.
_SHELF_HZ: Final = 1681.974450955533  # Table 1
_SHELF_DB: Final = 3.999843853973347  # Table 1
_SHELF_Q: Final = 0.7071752369554196  # Table 1
_SHELF_EXPONENT: Final = 0.4996667741545416  # Table 1: band gain is the shelf's to this power
_HIGH_PASS_HZ: Final = 38.13547087602444  # Table 2
_HIGH_PASS_Q: Final = 0.5003270373238773  # Table 2
_REFERENCE_HZ: Final = 48000.0  # the rate of Tables 1 and 2

OFFSET_LUFS: Final = -0.691
"""Offset of loudness against the K-weighted level (ITU-R BS.1770-5 Annex 1, eq. 2)."""
ABSOLUTE_GATE_LUFS: Final = -70.0
"""Absolute gate (ITU-R BS.1770-5 Annex 1, eq. 4)."""
RELATIVE_GATE_LU: Final = -10.0
"""Relative gate (ITU-R BS.1770-5 Annex 1, eq. 6)."""


def _high_pass_pass_band(sample_rate_hz: float) -> float:
    """Pass-band gain of the high-pass with its numerator left at 1, -2, 1 as Table 2 prints it."""
    k = math.tan(math.pi * _HIGH_PASS_HZ / sample_rate_hz)
    return 1.0 + k / _HIGH_PASS_Q + k * k


def k_weighting_sos(sample_rate_hz: float) -> NDArray[np.float64]:
    """Two biquads of the K-weighting, designed for a sample rate.

    Parameters
    ----------
    sample_rate_hz : float
        Any rate above 8 kHz.

    Returns
    -------
    (2, 6) array of second-order sections b0 b1 b2 1 a1 a2. At 48 kHz the rows are Tables 1 and 2; at other rates the
    high-pass is scaled so that its pass band is that of Table 2 (it is 0.043 dB above unity there).

    References
    ----------
    ITU-R BS.1770-5 (2023), Annex 1, Tables 1 and 2.
    """
    k = math.tan(math.pi * _SHELF_HZ / sample_rate_hz)
    high = amplitude_from_db(_SHELF_DB)
    band = high**_SHELF_EXPONENT
    a0 = 1.0 + k / _SHELF_Q + k * k
    shelf = [
        (high + band * k / _SHELF_Q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - band * k / _SHELF_Q + k * k) / a0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / _SHELF_Q + k * k) / a0,
    ]
    k = math.tan(math.pi * _HIGH_PASS_HZ / sample_rate_hz)
    a0 = _high_pass_pass_band(sample_rate_hz)
    # numerator 1, -2, 1 has the pass-band gain a0: scaled, it is what Table 2 has at 48 kHz
    scale = _high_pass_pass_band(_REFERENCE_HZ) / a0
    high_pass = [scale, -2.0 * scale, scale, 1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / _HIGH_PASS_Q + k * k) / a0]
    return np.array([shelf, high_pass])


@kernel("void(float32[::1], int64, float64[::1], float64[:, ::1], float64[::1])")
def weighted_energy(signal: np.ndarray, step: int, state: np.ndarray, sos: np.ndarray, energies: np.ndarray) -> None:
    """Sum of squares of the K-weighted signal over each whole step.

    Parameters
    ----------
    signal : (frames,) float32
    step : int
        Frames a step.
    state : (4,) float64
        State of the filters; updated, so that the next block goes on where this one ended.
    sos : (2, 6) float64
        From `k_weighting_sos`.
    energies : (frames // step,) float64
        Filled with energies.

    References
    ----------
    ITU-R BS.1770-5 (2023), Annex 1, eq. 1.
    """
    b0, b1, b2, a1, a2 = sos[0, 0], sos[0, 1], sos[0, 2], sos[0, 4], sos[0, 5]
    c0, c1, c2, d1, d2 = sos[1, 0], sos[1, 1], sos[1, 2], sos[1, 4], sos[1, 5]
    s0, s1, s2, s3 = state[0], state[1], state[2], state[3]
    for block in range(energies.shape[0]):
        energy = 0.0
        for index in range(block * step, (block + 1) * step):
            x = np.float64(signal[index])
            y = b0 * x + s0
            s0 = (b1 * x + s1) - a1 * y
            s1 = b2 * x - a2 * y
            z = c0 * y + s2
            s2 = (c1 * y + s3) - d1 * z
            s3 = c2 * y - d2 * z
            energy += z * z
        energies[block] = energy
    state[0], state[1], state[2], state[3] = s0, s1, s2, s3
