"""Interpolation at evenly spaced times between samples, for clocks that differ and delays of parts of a sample."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.kernel import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SIDE: Final = 32
"""Samples on each side: with beta 12, 0.1 dB down at 0.46 of the sample rate."""
_PHASES: Final = 2048
"""Parts of a sample in the table; straight lines between them are off by (pi / 2048)^2 / 8 at most, -130 dB."""
_BETA: Final = 12.0
"""Kaiser 1974: beta 12 keeps what is mirrored 118 dB down."""


@functools.cache
def _table() -> NDArray[np.float64]:
    """Taps (phases + 1, taps) of a sinc under a Kaiser window, for each part of a sample.

    Kaiser 1974: beta 12 keeps what is mirrored 118 dB down; 0.1 dB down at 0.46 of the sample rate.
    """
    fraction = np.arange(_PHASES + 1)[:, None] / _PHASES
    offset = np.arange(-_SIDE + 1, _SIDE + 1)[None, :] - fraction
    window = np.i0(_BETA * np.sqrt(np.maximum(0.0, 1.0 - (offset / _SIDE) ** 2))) / np.i0(_BETA)
    return np.ascontiguousarray(np.sinc(offset) * window)


@kernel("void(float64[::1], float64, float64, float64[:, ::1], float64[::1])")
def _read(signal: np.ndarray, start: float, step: float, table: np.ndarray, read: np.ndarray) -> None:
    """Fill `read` with a signal at the times start, start + step, ... in samples."""
    for k in range(read.shape[0]):
        time = start + k * step
        whole = int(np.floor(time))
        phase = (time - whole) * _PHASES
        low = int(phase)
        share = phase - low
        total = 0.0
        for tap in range(2 * _SIDE):
            index = whole + tap - _SIDE + 1
            if 0 <= index < signal.shape[0]:
                total += signal[index] * ((1.0 - share) * table[low, tap] + share * table[low + 1, tap])
        read[k] = total


def read_at(signal: NDArray[np.float64], start: float, step: float, frames: int) -> NDArray[np.float64]:
    """Read (channels, `frames`) of a signal at the times start, start + step, ...; it is silent outside of itself.

    Parameters
    ----------
    signal : (channels, frames) array
    start, step : float
        In samples; a step near one.
    frames : int
    """
    read = np.empty((signal.shape[0], frames))
    for row, channel in enumerate(signal):
        _read(np.ascontiguousarray(channel, np.float64), start, step, _table(), read[row])
    return read
