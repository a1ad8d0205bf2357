"""Compressor of Gorlow & Reiss, written from its formulae, with the settings that arXiv 2411.04337 trains and tests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numba as nb
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

PUBLISHED: Final = {
    "A": (-32.0, 3.0, 13.0, 435.0),
    "B": (-19.9, 1.8, 11.0, 49.0),
    "C": (-24.4, 3.2, 5.8, 112.0),
    "D": (-28.3, 7.3, 9.0, 705.0),
    "E": (-38.0, 4.9, 3.1, 257.0),
}
"""Threshold in dB of the RMS, ratio, attack and release in ms: the five that arXiv 2411.04337 trains and tests on, as the code beside it has
them."""
ENVELOPE_MS: Final = 5.0
"""Attack and release of the detector in all five; the same source."""
TIMES_OF_A_CONSTANT: Final = 2.2
"""Times as that source has them, in time constants: from 10 to 90 % of a step."""


@nb.njit(cache=True)
def published_gain(signal: np.ndarray, level: float, slope: float, factors: np.ndarray) -> np.ndarray:
    """(frames,) gain of the compressor of Gorlow & Reiss, IEEE Trans. Audio Speech Lang. Process. 21 (2013) 1434.

    Parameters
    ----------
    signal : (frames,)
    level : float
        Threshold, as an amplitude of the RMS.
    slope : float
        1 - 1 / ratio.
    factors : (4,)
        Shares of the new value: detector's attack and release, gain's attack and release.
    """
    gain = np.empty(signal.size)
    power, envelope, held = 0.0, 0.0, 1.0
    for index in range(signal.size):
        amplitude = abs(signal[index])
        share = factors[0] if amplitude > envelope else factors[1]
        power += share * (amplitude * amplitude - power)
        envelope = np.sqrt(power)
        wanted = (envelope / level) ** -slope if envelope > level else 1.0
        held += (factors[2] if wanted < held else factors[3]) * (wanted - held)
        gain[index] = held
    return gain


def through_published(signal: Array, name: str, rate_hz: int) -> Array:
    """(channels, frames) of a signal through one of `PUBLISHED`; its detector hears the mean of the channels."""
    threshold_db, ratio, attack_ms, release_ms = PUBLISHED[name]
    times_ms = np.array([ENVELOPE_MS, ENVELOPE_MS, attack_ms, release_ms])
    factors = 1.0 - np.exp(-TIMES_OF_A_CONSTANT * 1000.0 / (times_ms * rate_hz))
    return signal * published_gain(signal[0], 10 ** (threshold_db / 20), 1.0 - 1.0 / ratio, factors)
