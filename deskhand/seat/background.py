"""Background noise at the seat while nothing plays, by octave, against the NC curves and against kept weeks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import scipy.fft

from deskhand.dsp.weighting import weighting_db
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

OCTAVES_HZ: Final = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
"""Octave bands of the NC curves by their nominal mid-band frequencies (IEC 61260-1:2014)."""
NC_CURVES_DB: Final[dict[int, tuple[float, ...]]] = {
    15: (47, 36, 29, 22, 17, 14, 12, 11),
    20: (51, 40, 33, 26, 22, 19, 17, 16),
    25: (54, 44, 37, 31, 27, 24, 22, 21),
    30: (57, 48, 41, 35, 31, 29, 28, 27),
    35: (60, 52, 45, 40, 36, 34, 33, 32),
    40: (64, 56, 50, 45, 41, 39, 38, 37),
    45: (67, 60, 54, 49, 46, 44, 43, 42),
    50: (71, 64, 58, 54, 51, 49, 48, 47),
    55: (74, 67, 62, 58, 56, 54, 53, 52),
    60: (77, 71, 67, 63, 61, 59, 58, 57),
    65: (80, 75, 71, 68, 66, 64, 63, 62),
    70: (83, 79, 75, 72, 71, 70, 69, 68),
}
"""Noise criterion curves, 63 Hz to 8 kHz, in dB re 20 uPa (Beranek 1957; ANSI S12.2-1995): read in two tables that agree, python-acoustics 0.2.6
(acoustics.criterion) and a published application note; the standard itself was not at hand."""
BLOCK_S: Final = 0.5
"""Block whose levels the median is taken of: a cough or a door is none. Common practice, no source."""
LEAST_QUIET_S: Final = 10.0
"""Silence of the feed that it takes. Common practice, no source."""
SILENT_FEED: Final = 1e-7
"""Mean square up to which the recorded mix is silent: -70 dB, below any pause of music. Common practice, no source."""
LOUDER_DB: Final = 6.0
"""Rise of an octave over the kept weeks that is told: twice the pressure. Common practice, no source."""
LEAST_KEPT: Final = 3
"""Kept weeks that it takes. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BackgroundNoise:
    """Noise while nothing plays."""

    octaves_db: Mapping[int, float]
    """Nominal mid-band frequency to its level: in dB re 20 uPa where the seat is calibrated, else in dB of a mean square of 1."""
    calibrated: bool
    quiet_s: float
    """Length of what it was read from."""

    @property
    def level_dba(self) -> float:
        """A-weighted level of these octaves together, in the same unit."""
        weights_db = weighting_db("A", np.array(OCTAVES_HZ, np.float64))
        return float(
            db_from_power(
                float(np.sum(power_from_db(np.array([self.octaves_db[hz] for hz in OCTAVES_HZ]) + weights_db)))
            )
        )

    @property
    def nc(self) -> int | None:
        """Lowest NC curve, in steps of 5, that no octave is above; None without calibration, or above all curves."""
        if not self.calibrated:
            return None
        levels_db = [self.octaves_db[hz] for hz in OCTAVES_HZ]
        return next(
            (
                name
                for name, curve in NC_CURVES_DB.items()
                if all(level <= top for level, top in zip(levels_db, curve, strict=True))
            ),
            None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseChange:
    """Octave in which the room is noisier than in the kept weeks."""

    octave_hz: int
    louder_db: float


def background_noise(seat: Array, *, sample_rate_hz: float, full_scale_db_spl: float | None) -> BackgroundNoise | None:
    """Background noise of a stretch in which the feed is silent; None where it is too short.

    Parameters
    ----------
    seat : (frames,) array
        The seat's track.
    sample_rate_hz : float
    full_scale_db_spl : float or None
        Sound pressure level of a mean square of 1; None without calibration.
    """
    block = round(BLOCK_S * sample_rate_hz)
    count = seat.size // block
    if count * BLOCK_S < LEAST_QUIET_S:
        return None
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(block) / block)
    spectra = np.abs(scipy.fft.rfft(seat[: count * block].reshape(count, block) * window, axis=1)) ** 2
    # one-sided: every line stands for two; Hann's window takes its mean square
    spectra *= 2.0 / (block * np.sum(window**2))
    frequency_hz = np.arange(spectra.shape[1]) / BLOCK_S
    half = 10.0**0.15
    octaves_db = {}
    for hz in OCTAVES_HZ:
        exact_hz = 1000.0 * 10.0 ** (0.3 * round(np.log2(hz / 1000.0)))
        inside = (frequency_hz >= exact_hz / half) & (frequency_hz < exact_hz * half)
        power = float(np.median(spectra[:, inside].sum(axis=1)))
        octaves_db[hz] = float(db_from_power(max(power, 1e-30))) + (full_scale_db_spl or 0.0)
    return BackgroundNoise(octaves_db=octaves_db, calibrated=full_scale_db_spl is not None, quiet_s=count * BLOCK_S)


def noise_change(tonight: BackgroundNoise, kept: Sequence[BackgroundNoise]) -> NoiseChange | None:
    """Octave that rose most over the median of the kept weeks; None where none rose by enough, or it cannot be compared.

    Without calibration a turned preamp reads like another room: it is not judged.
    """
    weeks = [week for week in kept if week.calibrated]
    if not tonight.calibrated or len(weeks) < LEAST_KEPT:
        return None
    rises_db = {
        hz: tonight.octaves_db[hz] - float(np.median([week.octaves_db[hz] for week in weeks])) for hz in OCTAVES_HZ
    }
    hz = max(rises_db, key=lambda octave_hz: rises_db[octave_hz])
    return NoiseChange(octave_hz=hz, louder_db=rises_db[hz]) if rises_db[hz] >= LOUDER_DB else None


def quietest_s(feed: NDArray[np.floating], seat: NDArray[np.floating], *, step_s: float) -> tuple[float, float] | None:
    """Quietest stretch at the seat in which the feed is silent throughout; None where there is none of that length.

    Parameters
    ----------
    feed, seat : (steps,) array
        Mean squares of the recorded mix and of the seat's track.
    step_s : float

    Returns
    -------
    (start, end) in seconds.
    """
    steps = round(LEAST_QUIET_S / step_s)
    if feed.size < steps:
        return None
    sounding = np.concatenate([[0], np.cumsum(feed > SILENT_FEED)])
    energy = np.concatenate([[0.0], np.cumsum(seat, dtype=np.float64)])
    means = (energy[steps:] - energy[:-steps]) / steps
    silent = sounding[steps:] == sounding[:-steps]
    if not silent.any():
        return None
    first = int(np.argmin(np.where(silent, means, np.inf)))
    return first * step_s, (first + steps) * step_s


def noise_content(noise: BackgroundNoise, *, phase: str) -> dict[str, Any]:
    """Noise as the history keeps it."""
    return {
        "octaves_db": {str(hz): level_db for hz, level_db in noise.octaves_db.items()},
        "calibrated": noise.calibrated,
        "quiet_s": noise.quiet_s,
        "phase": phase,
    }


def noise_of_content(content: Mapping[str, Any]) -> BackgroundNoise | None:
    """Noise that the history holds; None where it is damaged."""
    rows, quiet_s = content.get("octaves_db"), content.get("quiet_s")
    if not isinstance(rows, dict) or not isinstance(quiet_s, int | float):
        return None
    if not all(isinstance(rows.get(str(hz)), int | float) for hz in OCTAVES_HZ):
        return None
    octaves_db = {hz: float(rows[str(hz)]) for hz in OCTAVES_HZ}
    return BackgroundNoise(octaves_db=octaves_db, calibrated=content.get("calibrated") is True, quiet_s=float(quiet_s))
