"""Daily and weekly noise exposure of people who work at a seat, from who worked there and when.

References
----------
ISO 9612:2009, clause 9 (task-based measurement) and Annex C (uncertainty).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.seat.levels import COVERAGE, INSTRUMENT_U_DB, POSITION_U_DB, mean_level_db
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Sequence

DAY_S: Final = 28800.0
"""Reference duration T0 of 8 h (ISO 9612:2009, 3.2)."""
_DAYS_OF_A_WEEK: Final = 5
"""Working days by which a week's exposure is averaged (Directive 2003/10/EC, Article 2; ISO 9612:2009, 3.3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkTask:
    """Part of a working day at one level."""

    duration_s: float
    samples_db: tuple[float, ...]
    """LAeq of each sample; one where all of the task was measured."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyExposure:
    """Daily noise exposure level of a person."""

    lex_8h_db: float
    uncertainty_db: float
    """Expanded, one-sided 95 %, without that of the durations."""
    contributions_db: tuple[float, ...]
    """Of each task."""


def daily_exposure(tasks: Sequence[WorkTask], *, instrument_u_db: float = INSTRUMENT_U_DB) -> DailyExposure:
    """Exposure level of a day of several tasks (ISO 9612:2009, equations 7 to 10 and C.1 to C.6).

    Parameters
    ----------
    tasks : sequence of WorkTask
        One or more, of more than no time.
    instrument_u_db : float
        Standard uncertainty of the instrument (Table C.5).

    Raises
    ------
    ValueError
        No task.
    """
    if not tasks:
        raise ValueError("a day without a task has no exposure")
    levels_db = np.array([mean_level_db(np.array(task.samples_db)) for task in tasks])
    durations_s = np.array([task.duration_s for task in tasks])
    contributions_db = levels_db + db_from_power(durations_s / DAY_S)
    lex_db = float(db_from_power(float(np.sum(power_from_db(contributions_db)))))
    weights = durations_s / DAY_S * power_from_db(levels_db - lex_db)
    sampling = np.array([_sampling_variance(task.samples_db) for task in tasks])
    variance = float(np.sum(weights**2 * (sampling + instrument_u_db**2 + POSITION_U_DB**2)))
    return DailyExposure(
        lex_8h_db=lex_db,
        uncertainty_db=float(COVERAGE * np.sqrt(variance)),
        contributions_db=tuple(map(float, contributions_db)),
    )


def _sampling_variance(samples_db: tuple[float, ...]) -> float:
    """Variance of the mean of samples (C.6); none where all of the task was measured."""
    count = len(samples_db)
    return float(np.var(samples_db, ddof=1)) / count if count > 1 else 0.0


def weekly_exposure_db(daily_db: Sequence[float]) -> float:
    """Exposure level of a week from those of its days, averaged over five working days."""
    return float(db_from_power(float(np.sum(power_from_db(np.array(daily_db, np.float64)))) / _DAYS_OF_A_WEEK))
