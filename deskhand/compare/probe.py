"""Test signal to be played through a unit: a sweep, and noise in steps of level, quiet first, with jumps up and down."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from deskhand.files import write_atomically
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

RATE_HZ: Final = 48000
"""Rate of the test signal: what desks run at. Common practice, no source."""
_SWEEP_S: Final = 12.0
"""Length of the sweep. Common practice, no source."""
_SWEEP_HZ: Final = (20.0, 20000.0)
"""Ends of the sweep: what people hear."""
_SWEEP_DBFS: Final = -30.0
"""Level of the sweep: below the thresholds that people turn. Common practice, no source."""
_SILENCE_S: Final = 4.0
"""Silence behind the sweep, in which a room dies away and noise is heard. Common practice, no source."""
_STEPS_DBFS: Final = tuple(range(-54, -5, 3))
"""Levels of the steps, quiet first. Common practice, no source."""
_STEP_S: Final = 0.8
"""Length of a step: several releases. Common practice, no source."""
_JUMPS_DBFS: Final = (-24.0, -18.0, -12.0, -6.0)
"""Levels that are jumped to from `_REST_DBFS`, and back: attack and release at four depths. Common practice, no source."""
_REST_DBFS: Final = -48.0
"""Level between the jumps: below all thresholds. Common practice, no source."""
_JUMP_S: Final = 0.5
"""Length of a jump, and of the rest behind it three times that. Common practice, no source."""
_EDGE_S: Final = 0.002
"""Edges of jumps, faded so that none clicks. Common practice, no source."""
_NOISE_EDGE_HZ: Final = (150.0, 6000.0)
"""Band of the noise: speakers and ears bear it best. Common practice, no source."""
_PEAK_DB: Final = 4.0
"""Peaks of the noise over its level, as dBFS of a sine's RMS; what lies above is bent softly. Common practice, no source."""


def probe() -> Array:
    """(frames,) of the test signal at `RATE_HZ`, the same each time.

    References
    ----------
    Farina, AES Convention 108 (2000) 5093: the sweep.
    """
    time_s = np.arange(round(_SWEEP_S * RATE_HZ)) / RATE_HZ
    octaves = np.log(_SWEEP_HZ[1] / _SWEEP_HZ[0])
    sweep = np.sin(2.0 * np.pi * _SWEEP_HZ[0] * _SWEEP_S / octaves * (np.exp(time_s / _SWEEP_S * octaves) - 1.0))
    sweep *= amplitude_from_db(_SWEEP_DBFS) * ss.windows.tukey(sweep.size, 0.02)
    silence = np.zeros(round(_SILENCE_S * RATE_HZ))
    stretches = [(float(level), _STEP_S) for level in _STEPS_DBFS]
    for level in _JUMPS_DBFS:
        stretches += [(_REST_DBFS, 3.0 * _JUMP_S), (level, _JUMP_S)] * 3
    stretches.append((_REST_DBFS, 3.0 * _JUMP_S))
    levels = np.concatenate([np.full(round(length_s * RATE_HZ), level) for level, length_s in stretches])
    edge = np.hanning(2 * round(_EDGE_S * RATE_HZ) + 1)
    envelope = np.convolve(10.0 ** (levels / 20.0), np.asarray(edge / edge.sum()), "same")
    noise = np.random.default_rng(1).standard_normal(levels.size)
    noise = ss.sosfilt(ss.butter(2, _NOISE_EDGE_HZ, "bandpass", fs=RATE_HZ, output="sos"), noise)
    noise /= np.sqrt(2.0 * np.mean(noise**2))
    top = amplitude_from_db(_PEAK_DB)
    return np.concatenate(
        [silence[: RATE_HZ // 2], sweep, silence, envelope * top * np.tanh(noise / top), silence[:RATE_HZ]]
    )


def write_probe(path: Path) -> float:
    """Write the test signal, mono, 24 bits; its length in seconds.

    Raises
    ------
    UsageError
        The file cannot be written.
    """
    import soundfile

    signal = probe()
    data = io.BytesIO()
    soundfile.write(data, np.clip(signal, -1.0, 1.0), RATE_HZ, subtype="PCM_24", format="WAV")
    write_atomically(path, data.getvalue())
    return float(signal.size / RATE_HZ)
