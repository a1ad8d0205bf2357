"""Noise of a room at a seat, from the silence in front of the sweeps: level by octave, and how much of it is hum."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

from deskhand.dsp.octaves import exact_octave_hz, in_octaves, octave_magnitude
from deskhand.dsp.room_decay import OCTAVES_HZ
from deskhand.units import dbfs_from_mean_square

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.seat.sweep_search import SweepRun

    Array = NDArray[np.float64]

_LEAST_S: Final = 2.0
"""Silence that is needed: 2 s tell the 63 Hz octave to 1 dB. Common practice, no source."""
_MOST_S: Final = 5.0
"""Silence that is read: as much as the file has in front of its first sweep."""
_AWAY_S: Final = 0.3
"""Distance kept from the first sweep. Common practice, no source."""
_STEP_S: Final = 0.25
"""Steps whose median is the level: a cough does not count. Common practice, no source."""
_HUM_WIDTH_HZ: Final = 1.5
"""Distance from a multiple of the mains within which power is hum: the lines of a window of 2 s are 1 Hz wide on either side."""
_HUM_TO_HZ: Final = 1000.0
"""Highest multiple that is looked for. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NoiseReading:
    """Noise in front of the sweeps."""

    octave_dbfs: Array | None
    """(octaves,) median level; None where there is too little silence."""
    hum_share: tuple[float, ...]
    """Share of the power of each octave that lies on multiples of the mains; 0 where there is too little silence."""


def read_noise(samples: Array, run: SweepRun, *, sample_rate_hz: int, mains_hz: float) -> NoiseReading:
    """Noise of a track in front of the first sweep of a playing."""
    first = run.sweeps[0]
    end_s = first.start_s - _AWAY_S
    # where the first sweep is missing, what lies in front is no silence
    start_s = max(0.0, end_s - _MOST_S)
    if end_s - start_s < _LEAST_S or first.planned.start_s > 0.0:
        return NoiseReading(octave_dbfs=None, hum_share=(0.0,) * len(OCTAVES_HZ))
    silence = samples[round(start_s * sample_rate_hz) : round(end_s * sample_rate_hz)]
    middles_hz = [exact_octave_hz(nominal_hz) for nominal_hz in OCTAVES_HZ]
    power = in_octaves(silence, middles_hz, sample_rate_hz=sample_rate_hz) ** 2
    step = round(_STEP_S * sample_rate_hz)
    count = power.shape[1] // step
    steps = power[:, : count * step].reshape(len(OCTAVES_HZ), count, step).mean(axis=2)
    return NoiseReading(
        octave_dbfs=dbfs_from_mean_square(np.median(steps, axis=1)),
        hum_share=_hum_shares(silence, middles_hz, sample_rate_hz, mains_hz),
    )


def _hum_shares(silence: Array, middles_hz: list[float], rate_hz: int, mains_hz: float) -> tuple[float, ...]:
    """Share of each octave's power on multiples of the mains, less what noise alone would have there."""
    spectrum = np.abs(scipy.fft.rfft(silence * np.hanning(silence.size))) ** 2
    frequency_hz = np.arange(spectrum.size) * rate_hz / silence.size
    nearest = np.round(frequency_hz / mains_hz)
    on_line = (np.abs(frequency_hz - nearest * mains_hz) < _HUM_WIDTH_HZ) & (nearest >= 1) & (frequency_hz < _HUM_TO_HZ)
    shares = []
    for middle_hz in middles_hz:
        weighted = spectrum * octave_magnitude(frequency_hz, middle_hz) ** 2
        total, lines = float(weighted.sum()), float(weighted[on_line].sum())
        noise_share = float((on_line * octave_magnitude(frequency_hz, middle_hz) ** 2).sum()) / max(
            float((octave_magnitude(frequency_hz, middle_hz) ** 2).sum()), 1e-30
        )
        shares.append(max(0.0, (lines / total - noise_share) / (1.0 - noise_share)) if total > 0.0 else 0.0)
    return tuple(shares)
