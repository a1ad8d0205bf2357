"""Sums of channels that do not depend on the order in which they are added: one of them can be taken out again to the last bit.

Each product of sample and gain is rounded to a whole number of steps far below any noise; sums of whole numbers are exact in doubles
up to 2^53 steps.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from deskhand.dsp.kernel import kernel

STEP: Final = 2.0**-26
"""Step of the products: -156 dB against full scale, below the last bit of a 24-bit recording (2^-23) by 18 dB."""
MOST: Final = 2.0**31 * STEP
"""Sums below this (30 dB above full scale) are whole numbers of 32 bits. Arithmetic."""
_ROUNDING: Final = 1.5 * 2.0**52 * STEP
"""Added to a double and taken away again, it rounds it to a whole number of steps (a double has 53 bits, IEEE 754)."""


@kernel("void(float32[:, ::1], int64[::1], float64[:, ::1], float64[:, ::1])")
def add_rows(samples: np.ndarray, rows: np.ndarray, gains: np.ndarray, sums: np.ndarray) -> None:
    """Add rows of samples, each times its gain to either side, to the sums of both sides.

    Parameters
    ----------
    samples : (rows, frames) float32
    rows : (chosen,) int64
        Rows that are added.
    gains : (2, chosen) float64
        Gain of each to left and right; the negative of a gain takes out again what it added.
    sums : (2, frames) float64
        Whole numbers of steps; updated.
    """
    frames = samples.shape[1]
    for index in range(rows.shape[0]):
        row = samples[rows[index]]
        for side in range(2):
            gain, total = gains[side, index], sums[side]
            if gain != 0.0:
                for frame in range(frames):
                    total[frame] += (gain * row[frame] + _ROUNDING) - _ROUNDING
