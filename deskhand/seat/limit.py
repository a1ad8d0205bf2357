"""Levels over windows and doses against the limit that a house chose, and the time that is left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import db_from_power, finite, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.house import LevelLimit

    Array64 = NDArray[np.float64]

HALF_HOUR_S: Final = 1800
"""Half hour of the clock (DIN 15905-5:2007-11)."""
QUARTER_S: Final = 900
"""Window of WHO 2022."""
_NOW_S: Final = 300
"""Length of what is called the present level, in seconds: a song. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowLevel:
    """Equivalent level of a window."""

    from_s: float
    to_s: float
    laeq_db: float | None
    """None where nothing was heard."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitStanding:
    """Standing of an evening against a limit."""

    name: str
    limit_db: float
    window: str
    """"sliding", "half-hours" or "day"."""
    window_s: float
    level_db: float | None
    """Highest level of a window; of a day's dose, None."""
    level_from_s: float | None
    """Where that window begins."""
    dose_pct: float | None
    """Share of a day's dose; None for a limit of a window."""
    passed_s: float | None
    """Moment at which the limit was passed first; None where it was not."""
    left_s: float | None
    """Time until the limit is passed at the present level; None: never at that level, or passed already."""
    present_db: float | None
    """Level of the last five minutes; None where nothing was heard."""
    lcpeak_db: float | None
    lcpeak_limit_db: float | None
    for_staff: bool
    offset_db: float | None = None
    """Level at the place that counts less that at the seat; None where both are one."""

    @property
    def is_passed(self) -> bool:
        """True where the level, the dose or the peak went over."""
        peak = self.lcpeak_db is not None and self.lcpeak_limit_db is not None and self.lcpeak_db > self.lcpeak_limit_db
        return self.passed_s is not None or peak


def sliding_squares(squares: Array64, window: int) -> Array64:
    """Mean of each `window` seconds, (seconds - window + 1,); of all of them where there are fewer."""
    if squares.size == 0:
        return np.empty(0)
    window = min(window, squares.size)
    sums = np.concatenate([[0.0], np.cumsum(squares)])
    return np.asarray((sums[window:] - sums[:-window]) / window)


def half_hours(squares: Array64, offset_db: float, *, clock_s: float | None) -> list[WindowLevel]:
    """Levels of the half hours of the clock; a half hour that was not recorded whole is averaged over its whole length.

    Parameters
    ----------
    squares : (seconds,) array
    offset_db : float
    clock_s : float or None
        Time of day at which they begin; half hours are counted from the beginning without it.
    """
    windows = []
    first = 0
    behind = HALF_HOUR_S - int(clock_s % HALF_HOUR_S) if clock_s is not None else HALF_HOUR_S
    while first < squares.size:
        last = min(first + behind, squares.size)
        level_db = float(db_from_power(float(squares[first:last].sum()) / HALF_HOUR_S)) + offset_db
        windows.append(WindowLevel(from_s=float(first), to_s=float(last), laeq_db=finite(level_db)))
        first, behind = last, HALF_HOUR_S
    return windows


def allowed_s(limit: LevelLimit, level_dba: float) -> float:
    """Time in seconds at a level that makes a day's whole dose; inf below the threshold.

    References
    ----------
    NIOSH 98-126 (1998), 1.1.1; US 29 CFR 1910.95, Appendix A: T = Tc / 2^((L - Lc) / q). Directive 2003/10/EC by equal energy.

    Examples
    --------
    >>> from deskhand.house.limits import named_limit
    >>> allowed_s(named_limit("NIOSH 98-126"), 100.0) / 60.0
    15.0
    """
    if limit.threshold_dba is not None and level_dba < limit.threshold_dba:
        return float("inf")
    above_db = level_dba - limit.laeq_dba
    times = 10.0 ** (above_db / 10.0) if limit.exchange_db is None else 2.0 ** (above_db / limit.exchange_db)
    return float(limit.window_s / times) if times else float("inf")


def doses_pct(limit: LevelLimit, levels_dba: Array64) -> Array64:
    """Dose of each second at its level, in per cent of a day's.

    Parameters
    ----------
    limit : LevelLimit
    levels_dba : (seconds,) array
    """
    levels = np.asarray(levels_dba, np.float64)
    above_db = levels - limit.laeq_dba
    base = 10.0 ** (above_db / 10.0) if limit.exchange_db is None else 2.0 ** (above_db / limit.exchange_db)
    if limit.threshold_dba is not None:
        base = np.where(levels >= limit.threshold_dba, base, 0.0)
    return np.asarray(100.0 * base / limit.window_s)


def standing(
    limit: LevelLimit,
    squares: Array64,
    offset_db: float,
    *,
    clock_s: float | None = None,
    lcpeak_db: float | None = None,
) -> LimitStanding:
    """Standing against a limit, at the place whose levels are given.

    Parameters
    ----------
    limit : LevelLimit
    squares : (seconds,) array
        A-weighted mean squares.
    offset_db : float
        From a mean square to the level at the place that counts.
    clock_s : float, optional
        Time of day at which they begin.
    lcpeak_db : float, optional
        Highest C-weighted peak level there.
    """
    present = squares[-_NOW_S:]
    present_db = float(db_from_power(float(present.mean()))) + offset_db if present.size else float("-inf")
    level_db = level_from_s = dose_pct = passed_s = None
    if limit.is_dose:
        doses = np.cumsum(doses_pct(limit, db_from_power(squares) + offset_db))
        dose_pct = float(doses[-1]) if doses.size else 0.0
        passed_s = _first(doses > 100.0, 1.0)
    elif limit.window == "half-hours":
        windows = half_hours(squares, offset_db, clock_s=clock_s)
        levels = [(window.laeq_db, window.from_s) for window in windows if window.laeq_db is not None]
        if levels:
            level_db, level_from_s = max(levels)
        passed_s = _half_hour_passed_s(windows, squares, offset_db, limit.laeq_dba)
    else:
        level_db, level_from_s, passed_s = _sliding(limit, squares, offset_db)
    left_s = None if passed_s is not None else time_left_s(limit, squares, offset_db, present_db, clock_s=clock_s)
    return LimitStanding(
        name=limit.name, limit_db=limit.laeq_dba, window=limit.window, window_s=limit.window_s, level_db=level_db,
        level_from_s=level_from_s, dose_pct=dose_pct, passed_s=passed_s, left_s=left_s, present_db=finite(present_db),
        lcpeak_db=lcpeak_db, lcpeak_limit_db=limit.lcpeak_dbc, for_staff=limit.for_staff,
    )  # fmt: skip


def _first(over: NDArray[np.bool_], after_s: float) -> float | None:
    """End of the first second that is over; None where none is."""
    return float(np.argmax(over)) + after_s if over.any() else None


def _sliding(limit: LevelLimit, squares: Array64, offset_db: float) -> tuple[float | None, float | None, float | None]:
    """Highest level of a window, where it begins, and when the limit was passed first.

    Before the first window is full, what is not recorded counts as silence.
    """
    window = round(limit.window_s)
    padded = np.concatenate([np.zeros(max(window - 1, 0)), squares])
    means = sliding_squares(padded, window)
    if not means.size or not means.max():
        return None, None, None
    levels_db = db_from_power(means) + offset_db
    end = int(np.argmax(levels_db))
    return float(levels_db[end]), float(max(0, end + 1 - window)), _first(levels_db > limit.laeq_dba, 1.0)


def _half_hour_passed_s(
    windows: list[WindowLevel], squares: Array64, offset_db: float, limit_dba: float
) -> float | None:
    """Moment at which the energy of a whole half hour at the limit was used up; None where it never was."""
    for window in windows:
        sums = np.cumsum(squares[int(window.from_s) : int(window.to_s)])
        over = db_from_power(sums / HALF_HOUR_S) + offset_db > limit_dba
        if over.any():
            return window.from_s + float(np.argmax(over)) + 1.0
    return None


def time_left_s(
    limit: LevelLimit, squares: Array64, offset_db: float, present_db: float, *, clock_s: float | None = None
) -> float | None:
    """Seconds until the limit is passed if the present level stays; None: it is not passed at that level.

    Parameters
    ----------
    limit : LevelLimit
    squares : (seconds,) array
        A-weighted mean squares so far.
    offset_db : float
    present_db : float
        Level that stays.
    clock_s : float, optional
        Time of day at which `squares` begin.
    """
    if limit.is_dose:
        doses = doses_pct(limit, db_from_power(squares) + offset_db)
        rest_pct = 100.0 - float(doses.sum())
        whole_s = allowed_s(limit, present_db)
        return None if not np.isfinite(whole_s) else max(0.0, rest_pct / 100.0 * whole_s)
    if present_db <= limit.laeq_dba:
        return None
    power, limit_power = power_from_db(present_db - offset_db), power_from_db(limit.laeq_dba - offset_db)
    if limit.window == "half-hours":
        begun = int((squares.size + (clock_s or 0.0)) % HALF_HOUR_S)
        so_far = float(squares[max(0, squares.size - begun) :].sum())
        needed_s = (HALF_HOUR_S * limit_power - so_far) / power
        rest_s = HALF_HOUR_S - begun
        return needed_s if needed_s <= rest_s else rest_s + HALF_HOUR_S * limit_power / power
    window = round(limit.window_s)
    past = np.concatenate([np.zeros(max(0, window - squares.size)), squares[-window:]])
    # after t seconds the window holds the last (window - t) of the past and t of the present level
    tails = np.concatenate([np.cumsum(past[::-1])[::-1], [0.0]])
    ahead = tails + power * np.arange(window + 1)
    return _first(ahead / window > limit_power, 0.0)
