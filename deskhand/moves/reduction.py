"""The threshold at which a compressor takes off what the house wants, by running it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

STEP_DB: Final = 0.5
"""In which a threshold is turned. Common practice, no source."""
LOWEST_DBFS, HIGHEST_DBFS = -60.0, 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """Where a threshold should be."""

    threshold_dbfs: float
    reduction_db: float
    """Median of what it then takes off while the source plays."""
    reached: bool
    """Whether that lies in the wanted range; no threshold reaches it otherwise."""


def solve(reduction_at: Callable[[float], float], low_db: float, high_db: float) -> Threshold:
    """The threshold whose median reduction comes nearest to the middle of a range.

    Parameters
    ----------
    reduction_at : callable
        From a threshold in dBFS to the median reduction in dB, by running; it falls as the threshold rises.
    low_db, high_db : float
        The wanted range.

    Notes
    -----
    A lower threshold never takes off less, so halving the interval finds the middle; steps of half a decibel are at most half a
    decibel of reduction apart.
    """
    wanted = 0.5 * (low_db + high_db)
    low, high = round(LOWEST_DBFS / STEP_DB), round(HIGHEST_DBFS / STEP_DB)
    known: dict[int, float] = {}

    def at(step: int) -> float:
        if step not in known:
            known[step] = reduction_at(step * STEP_DB)
        return known[step]

    while high - low > 1:
        middle = (low + high) // 2
        if at(middle) >= wanted:
            low = middle
        else:
            high = middle
    best = min((low, high), key=lambda step: abs(at(step) - wanted))
    return Threshold(threshold_dbfs=best * STEP_DB, reduction_db=at(best), reached=low_db <= at(best) <= high_db)
