"""Least squares with factors that are not negative: small problems, without the library that takes longer to load than to solve them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_ROUNDS: Final = 3
"""Rounds for each unknown after which the search is given up, as the authors' program does."""
_TOLERANCE: Final = 1e-12
"""Share of the largest slope below which a factor at zero is left there: rounding of doubles, with room."""


def nonnegative_factors(columns: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    """Factors (columns,), none below 0, whose sum of columns lies nearest to what is wanted.

    Parameters
    ----------
    columns : (rows, columns) array
    wanted : (rows,) array

    References
    ----------
    Lawson & Hanson, Solving Least Squares Problems, 1974, chapter 23 (NNLS).
    """
    count = columns.shape[1]
    factors = np.zeros(count)
    free = np.zeros(count, bool)
    slope = columns.T @ wanted
    least = _TOLERANCE * float(np.abs(slope).max(initial=0.0))
    for _ in range(_ROUNDS * count):
        rising = np.where(free, -np.inf, slope)
        if not count or rising.max() <= least:
            break
        free[int(rising.argmax())] = True
        while True:
            trial = np.zeros(count)
            trial[free] = np.linalg.lstsq(columns[:, free], wanted, rcond=None)[0]
            low = free & (trial <= 0.0)
            if not low.any():
                break
            # as far towards the trial as all factors stay above zero; whoever reaches it stays there
            share = float((factors[low] / (factors[low] - trial[low])).min())
            factors += share * (trial - factors)
            free &= factors > _TOLERANCE * float(np.abs(factors).max(initial=0.0))
            factors[~free] = 0.0
        factors = trial
        slope = columns.T @ (wanted - columns @ factors)
    return factors
