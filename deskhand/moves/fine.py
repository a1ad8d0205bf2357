"""The fine power spectrum of a source while it plays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

from deskhand.moves.equaliser import BANDS, FINE_HZ, FINE_PER_OCTAVE, band_levels_db
from deskhand.units import power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FRAME: Final = 1 << 14
"""Frames of a spectrum: bins of 3 Hz at 48 kHz, about a fine step at 100 Hz. Arithmetic."""
_QUIET_DB: Final = 30.0
"""Frames this far below the loudest are pauses. Common practice, no source."""


def fine_power(signal: NDArray[np.floating], sample_rate_hz: float) -> Array:
    """(fine,) mean power of (channels, frames) at 1/24-octave steps while it plays.

    Hann frames of 16384, half overlapping (Welch 1967); below 200 Hz, where a step is narrower than a bin, power is shared
    out between the steps a bin covers.
    """
    rows = np.atleast_2d(np.asarray(signal, np.float64))
    if rows.shape[1] < FRAME:
        rows = np.pad(rows, ((0, 0), (0, FRAME - rows.shape[1])))
    starts = np.arange(0, rows.shape[1] - FRAME + 1, FRAME // 2)
    window = np.hanning(FRAME + 1)[:-1]
    total = np.zeros(FRAME // 2 + 1)
    level = np.array([np.mean(rows[:, start : start + FRAME] ** 2) for start in starts])
    for start, loud in zip(starts, level, strict=True):
        if loud > 0 and loud >= level.max() * 10 ** (-_QUIET_DB / 10):
            total += (np.abs(scipy.fft.rfft(rows[:, start : start + FRAME] * window, axis=1)) ** 2).sum(axis=0)
    hz = np.arange(total.size) * sample_rate_hz / FRAME
    # power below each frequency, read off at the steps' edges: nothing is lost and nothing counted twice
    summed = np.concatenate([[0.0], np.cumsum(total)])
    edges_hz = np.append(FINE_HZ * 2.0 ** (-0.5 / FINE_PER_OCTAVE), FINE_HZ[-1] * 2.0 ** (0.5 / FINE_PER_OCTAVE))
    edge_bins = np.clip(edges_hz / (hz[1] - hz[0]) + 0.5, 0.0, summed.size - 1.0)
    below = np.interp(edge_bins, np.arange(summed.size), summed)
    return np.asarray(np.maximum(np.diff(below), 1e-20))


def brought_to(power: Array, levels_db: Array) -> Array:
    """A fine spectrum whose third-octave levels are those given, (31,); its detail inside each band is kept.

    Outside of the bands, 17.8 Hz to 22.4 kHz, nothing is left: it is in no reading.
    """
    known = np.isfinite(levels_db)
    change = np.where(known, levels_db - band_levels_db(power), 0.0)
    inside = BANDS.sum(axis=0) > 0
    gain = power_from_db(change) @ BANDS
    return np.asarray(np.where(inside, power * np.maximum(gain, 1e-20), 1e-20))
