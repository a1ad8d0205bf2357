"""Loudness of a source's loud moments, as the ear finds them: time-varying loudness on its most telling seconds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import filters, hearing
from deskhand.dsp.weighting import weighting_sos
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

LENGTH_S: Final = 4.0
"""Length of the most telling stretch: a phrase. Common practice, no source."""
_REFERENCE_PA: Final = 2e-5
"""Reference of sound pressure levels, 20 uPa."""
_SETTLED_S: Final = 0.3
"""The filters of the method need this long; values before do not count. Common practice, no source."""


def exceeded_loudness_sone(
    samples: NDArray[np.floating], *, sample_rate_hz: int, level_dba: float, share: float = 0.05
) -> float | None:
    """Loudness exceeded in a share of the time, when the whole has an A-weighted level.

    Parameters
    ----------
    samples : (channels, frames) array
        One channel, or two that are averaged as two ears are.
    sample_rate_hz : int
    level_dba : float
        Equivalent level of the stretch, mean over channels.
    share : float
        0.05 for N5.

    Returns
    -------
    float in sone, None for less than a second or silence.

    References
    ----------
    ISO 532-1:2017, clause 6 (percentile loudness N5); the level is set with the A weighting of IEC 61672-1.
    """
    import soxr

    if samples.shape[1] < sample_rate_hz:
        return None
    weighted = np.ascontiguousarray(samples, np.float64)
    sos = weighting_sos("A", sample_rate_hz=sample_rate_hz)
    filters.cascade(weighted, sos, np.zeros((weighted.shape[0], sos.shape[0], 2)))
    power = float(np.mean(weighted**2))
    if power < 1e-14:
        return None
    pressure = samples * (_REFERENCE_PA * amplitude_from_db(level_dba) / np.sqrt(power))
    if sample_rate_hz != hearing.SAMPLE_RATE_HZ:
        pressure = soxr.resample(pressure.T, sample_rate_hz, hearing.SAMPLE_RATE_HZ).T
    settled = round(_SETTLED_S * hearing.LOUDNESS_RATE_HZ)
    loudness = np.mean([hearing.loudness_over_time(np.ascontiguousarray(row))[0][settled:] for row in pressure], axis=0)
    return float(np.percentile(loudness, 100.0 * (1.0 - share)))
