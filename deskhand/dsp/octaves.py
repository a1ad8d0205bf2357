"""Octave filters without delay: the magnitude of IEC 61260-1, applied to a whole response at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_ORDER: Final = 3
"""Order of the low-pass that the filters are made from: the lowest inside the limits of IEC 61260-1:2014, Table 1, class 1
(tests/dsp/test_octaves.py); a steeper one rings longer."""
_RATIO: Final = 10.0**0.3
"""One octave (IEC 61260-1:2014, formula 1)."""
_PADDING_S: Final = 0.2
"""Zeros behind a response, in which the filters may ring: at 63 Hz they have died away by 80 dB in half of it (computed)."""


def exact_octave_hz(nominal_hz: float) -> float:
    """Exact mid-band frequency of an octave (IEC 61260-1:2014, formula 2)."""
    return float(1000.0 * _RATIO ** np.round(np.log(nominal_hz / 1000.0) / np.log(_RATIO)))


def octave_magnitude(frequency_hz: Array, middle_hz: float) -> Array:
    """Magnitude of an octave filter at some frequencies: Butterworth 1930, half its power at the edges of the octave."""
    ratio = np.maximum(frequency_hz, 1e-6) / middle_hz
    apart = (ratio - 1.0 / ratio) / (_RATIO**0.5 - _RATIO**-0.5)
    return np.asarray(1.0 / np.sqrt(1.0 + apart ** (2 * _ORDER)))


def in_octaves(signal: Array, middles_hz: Sequence[float], *, sample_rate_hz: float) -> Array:
    """(octaves, frames) of a signal through octave filters that delay nothing.

    Parameters
    ----------
    signal : (frames,) array
    middles_hz : sequence of float
        Middles of the octaves; exact ones for those of the standard.
    sample_rate_hz : float
        A middle that lies above half of it gives zeros.

    Notes
    -----
    A filter without phase rings as long before a sound as behind it, and half as long as the causal one: decays shorter
    than its own are told less surely (Jacobsen & Rindel 1987, J. Sound Vib. 117, 187).
    """
    transform = scipy.fft.next_fast_len(signal.size + round(_PADDING_S * sample_rate_hz), real=True)
    spectrum = scipy.fft.rfft(signal, transform)
    frequency_hz = np.arange(spectrum.size) * sample_rate_hz / transform
    rows = [
        scipy.fft.irfft(spectrum * octave_magnitude(frequency_hz, middle_hz), transform)[: signal.size]
        if middle_hz < 0.5 * sample_rate_hz
        else np.zeros(signal.size)
        for middle_hz in middles_hz
    ]
    return np.array(rows)
