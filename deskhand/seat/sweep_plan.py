"""Sweeps that are played into a room once a season: how loud, when, and the file to play."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.sweep import SweepShape, exponential_sweep
from deskhand.files import write_atomically
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

SHAPE: Final = SweepShape(low_hz=30.0, high_hz=16000.0, length_s=8.0, fade_in_s=0.05, fade_out_s=0.01)
"""Sweep from an octave below the lowest octave that is read to half an octave above the highest. Common practice, no source."""
SILENCE_S: Final = 5.0
"""Silence in front of the first sweep, in which the room's noise is heard. Common practice, no source."""
TAIL_S: Final = 4.0
"""Part of a response that is read behind its start: a reverberation time of 5 s falls by 48 dB in it."""
_RATE_HZ: Final = 48000
"""Rate of the file: what desks run at. Common practice, no source."""
TOP_DBFS: Final = -20.0
"""Level of the loud sweeps in the file; how loud that is in the room is set at the desk. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedSweep:
    """One sweep of the file."""

    start_s: float
    """From the start of the first sweep."""
    level_dbfs: float

    @property
    def amplitude(self) -> float:
        """Peak of the sweep: a full-scale sine reads 0 dBFS (AES17-2020)."""
        return amplitude_from_db(self.level_dbfs)

    @property
    def is_loud(self) -> bool:
        """True for those that the room is read from."""
        return self.level_dbfs == TOP_DBFS


PLAN: Final = (
    PlannedSweep(start_s=0.0, level_dbfs=-40.0),
    PlannedSweep(start_s=12.5, level_dbfs=-30.0),
    PlannedSweep(start_s=25.3, level_dbfs=TOP_DBFS),
    PlannedSweep(start_s=38.4, level_dbfs=TOP_DBFS),
    PlannedSweep(start_s=51.8, level_dbfs=TOP_DBFS),
)
"""Quiet first, then two steps up; three alike, so that two stay where a noise spoils one. No two pauses are alike: any two sweeps of a
recording tell which they are."""


def sweep_signal() -> NDArray[np.float64]:
    """(frames,) of the file at 48 kHz: silence, the sweeps, and silence in which the last one dies away."""
    length_s = SILENCE_S + PLAN[-1].start_s + SHAPE.length_s + TAIL_S + 1.0
    signal = np.zeros(round(length_s * _RATE_HZ))
    sweep = exponential_sweep(SHAPE, sample_rate_hz=_RATE_HZ)
    for planned in PLAN:
        first = round((SILENCE_S + planned.start_s) * _RATE_HZ)
        signal[first : first + sweep.size] = planned.amplitude * sweep
    return signal


def write_sweep(path: Path) -> float:
    """Write the file to play, mono, 24 bits; its length in seconds.

    Raises
    ------
    UsageError
        The file cannot be written.
    """
    import soundfile

    signal = sweep_signal()
    data = io.BytesIO()
    soundfile.write(data, signal, _RATE_HZ, subtype="PCM_24", format="WAV")
    write_atomically(path, data.getvalue())
    return float(signal.size / _RATE_HZ)
