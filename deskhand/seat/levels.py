"""Level readings of a stretch of the evening at a seat, and the reasons for those that are refused."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import AES17_OFFSET_DB, db_from_amplitude, db_from_power, finite, number, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.seat.meter import LevelCourse

EXCEEDED_PCT: Final = (1, 5, 10, 50, 90, 95)
"""Percentages of the time for which the percentile levels are exceeded (ISO 1996-1:2016, 3.1.3 defines them)."""
INSTRUMENT_U_DB: Final = 1.5
"""Standard uncertainty of a class 2 instrument, or one that is worn (ISO 9612:2009, Table C.5): nobody tested ours."""
POSITION_U_DB: Final = 1.0
"""Standard uncertainty of where the microphone stands (ISO 9612:2009, C.6)."""
COVERAGE: Final = 1.65
"""Coverage factor of a one-sided interval of 95 % (ISO 9612:2009, clause 14 and Annex C)."""
_OVER_NOISE_DB: Final = 10.0
"""Distance from its own noise below which a microphone's reading is refused: noise then adds more than 0.4 dB. Arithmetic."""
_NOTHING_DBFS: Final = -75.0
"""A-weighted level of an input at which next to nothing arrives; 20 dB above the noise of usual preamps. Common practice, no source."""
_WIND_DB: Final = 10.0
"""Level without weighting above the C-weighted one from which on most of it lies below 16 Hz (IEC 61672-1:2013, Table 3: C is -8.5 dB there)."""
_WIND_FROM_DB, _WIND_FROM_DBFS = 90.0, -40.0
"""Level without weighting from which on wind, or hands at the stand, may touch the A-weighted one. Common practice, no source."""
_WIND_SHARE: Final = 0.05
"""Share of the seconds with wind from which on a stretch is refused. Common practice, no source."""
_CUT_SHARE: Final = 0.001
"""Share of cut seconds up to which the average level is still told, as at least so much: a knock at the stand. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """Way from digital samples to sound pressure level at one microphone."""

    offset_db: float = AES17_OFFSET_DB
    """Level in dB of a mean square of 1.0; without calibration a full-scale sine reads 0."""
    calibrated: bool = False
    own_noise_dba: float | None = None
    """Own noise of the microphone; None: nobody wrote it down."""
    calibration_u_db: float = 0.0
    """Standard uncertainty of the calibration."""

    @property
    def uncertainty_db(self) -> float:
        """Expanded uncertainty of an average level (95 %, one-sided), of a calibrated microphone."""
        squares = INSTRUMENT_U_DB**2 + POSITION_U_DB**2 + self.calibration_u_db**2
        return float(COVERAGE * np.sqrt(squares))


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelReadings:
    """Levels of a stretch, in dB re 20 uPa; in dB re full scale where the microphone is not calibrated."""

    from_s: float
    to_s: float
    laeq_db: float | None = None
    lafmax_db: float | None = None
    lasmax_db: float | None = None
    lcpeak_db: float | None = None
    exceeded_db: dict[str, float] = field(default_factory=dict)
    """Percentage of the time to the A-weighted F level that is exceeded for so long."""
    at_least: bool = False
    """True where the input was cut for a moment, and the average level is really higher."""
    not_measured: dict[str, str] = field(default_factory=dict)
    """Name of a level to the reason why it is refused."""


def equivalent_db(squares: NDArray[np.float64], offset_db: float) -> float:
    """Equivalent level of mean squares of equal length; -inf for none."""
    return float(db_from_power(float(np.mean(squares)))) + offset_db if squares.size else float("-inf")


def mean_level_db(levels_db: NDArray[np.float64]) -> float:
    """Energy mean of levels of equal length, in dB.

    Examples
    --------
    >>> round(mean_level_db(np.array([80.1, 82.2, 79.6])), 1)
    80.8
    """
    return float(db_from_power(float(np.mean(power_from_db(np.asarray(levels_db, np.float64))))))


def level_readings(
    course: LevelCourse, sensitivity: Sensitivity, *, start: int = 0, end: int | None = None, shift_s: float = 0.0
) -> LevelReadings:
    """Levels of some seconds of a course.

    Parameters
    ----------
    course : LevelCourse
    sensitivity : Sensitivity
    start, end : int
        Seconds of the course; to its end without `end`.
    shift_s : float
        Where the course begins in the recording.
    """
    end = course.seconds if end is None else min(end, course.seconds)
    part = course.part(start, end)
    stretch = (shift_s + start, shift_s + max(start, end))
    if not part.seconds:
        return LevelReadings(from_s=stretch[0], to_s=stretch[1], not_measured={"laeq_db": "shorter than a second"})
    offset_db = sensitivity.offset_db
    values = {
        "laeq_db": equivalent_db(part.a_square, offset_db),
        "lafmax_db": float(db_from_power(float(part.fast_square.max()))) + offset_db,
        "lasmax_db": float(db_from_power(float(part.slow_square.max()))) + offset_db,
        "lcpeak_db": float(db_from_amplitude(float(part.c_peak.max()))) + offset_db,
    }
    reads_db = db_from_power(part.fast_reads.astype(np.float64)) + offset_db
    with np.errstate(invalid="ignore"):  # digital silence has no level
        exceeded = {str(share): float(np.percentile(reads_db, 100 - share)) for share in EXCEEDED_PCT}
    reasons = _refusals(part, sensitivity, values["laeq_db"])
    cut = float(part.overloaded.mean())
    told = {name: None if name in reasons else finite(value) for name, value in values.items()}
    if "exceeded_db" in reasons:
        exceeded = {}
    return LevelReadings(
        from_s=stretch[0],
        to_s=stretch[1],
        **told,
        exceeded_db={share: level for share, level in exceeded.items() if _is_clear(level, sensitivity)},
        at_least=cut > 0.0 and "laeq_db" not in reasons,
        not_measured=reasons,
    )


def _is_clear(level_db: float, sensitivity: Sensitivity) -> bool:
    """True for a level that the microphone's own noise does not make."""
    if not np.isfinite(level_db):
        return False
    own_dba = sensitivity.own_noise_dba
    return own_dba is None or not sensitivity.calibrated or level_db >= own_dba + _OVER_NOISE_DB


def _refusals(part: LevelCourse, sensitivity: Sensitivity, laeq_db: float) -> dict[str, str]:
    """Name of each level that is refused, to the reason."""
    every = ("laeq_db", "lafmax_db", "lasmax_db", "lcpeak_db", "exceeded_db")
    if not np.isfinite(laeq_db) or laeq_db - sensitivity.offset_db + AES17_OFFSET_DB < _NOTHING_DBFS:
        return dict.fromkeys(every, "next to nothing arrives: see that the microphone is plugged in and its gain is up")
    windy = float(np.mean(wind_seconds(part, sensitivity)))
    if windy > _WIND_SHARE:
        share = number(100.0 * windy, 0)
        return dict.fromkeys(every, f"wind, or hands at the stand, for {share} % of the time: put a windshield on it")
    reasons: dict[str, str] = {}
    cut = int(part.overloaded.sum())
    if cut:
        reason = f"the input was cut for {cut} s: turn its preamp down, write the gain down, and calibrate again"
        reasons = dict.fromkeys(("lcpeak_db", "lafmax_db", "lasmax_db"), reason)
        if cut / part.seconds > _CUT_SHARE:
            reasons = dict.fromkeys(every, reason)
    if not _is_clear(laeq_db, sensitivity):
        own = number(sensitivity.own_noise_dba or 0.0, 0)
        reason = f"less than {number(_OVER_NOISE_DB, 0)} dB above the microphone's own noise of {own} dBA"
        reasons |= {"laeq_db": reason}
    return reasons


def wind_seconds(course: LevelCourse, sensitivity: Sensitivity) -> NDArray[np.bool_]:
    """(seconds,) True where most of what the microphone hears lies below all music, at a level that matters."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z_db = db_from_power(course.z_square) + sensitivity.offset_db
        above_db = z_db - (db_from_power(course.c_square) + sensitivity.offset_db)
    from_db = _WIND_FROM_DB if sensitivity.calibrated else _WIND_FROM_DBFS
    return np.asarray((z_db >= from_db) & (above_db > _WIND_DB))
