"""Least squares with factors that are not negative: small problems, without the library that takes longer to load than to solve them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_ROUNDS: Final = 3
"""Rounds for each unknown after which the search is given up, as the authors' program does."""
_NOTHING: Final = 1e-300
"""Length of a column of nothing, so that nothing is divided by zero (the smallest double is 2e-308)."""
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
    # of columns of one length, the products are enough to find who takes part; the factors themselves are found on the columns
    lengths = np.maximum(np.linalg.norm(columns, axis=0), _NOTHING)
    unit = columns / lengths
    products, towards = unit.T @ unit, unit.T @ wanted
    factors, free, shut = np.zeros(count), np.zeros(count, bool), np.zeros(count, bool)
    least = _TOLERANCE * float(np.abs(towards).max(initial=0.0))
    for _ in range(_ROUNDS * count):
        slope = towards - products @ factors
        rising = np.where(free | shut, -np.inf, slope)
        if not count or rising.max() <= least:
            break
        entering = int(rising.argmax())
        free[entering] = True
        trial = _least_squares(products, towards, free)
        if trial[entering] <= 0.0:
            # rounding: it would leave at once, and enter again
            free[entering], shut[entering] = False, True
            continue
        shut[:] = False
        while (low := free & (trial <= 0.0)).any():
            # as far towards the trial as all factors stay above zero; whoever reaches it stays there
            share = float((factors[low] / (factors[low] - trial[low])).min())
            factors = np.where(free, factors + share * (trial - factors), 0.0)
            free &= factors > _TOLERANCE * float(np.abs(factors).max(initial=0.0))
            factors[~free] = 0.0
            trial = _least_squares(products, towards, free)
        factors = trial
    if free.any():
        factors[free] = np.maximum(np.linalg.lstsq(unit[:, free], wanted, rcond=None)[0], 0.0)
    return np.asarray(factors / lengths)


def _least_squares(
    products: NDArray[np.float64], towards: NDArray[np.float64], free: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Factors of the free columns by least squares, 0 of the others; where columns are alike, the smallest."""
    trial = np.zeros(free.size)
    chosen = products[np.ix_(free, free)]
    try:
        trial[free] = np.linalg.solve(chosen, towards[free])
    except np.linalg.LinAlgError:
        trial[free] = np.linalg.lstsq(chosen, towards[free], rcond=None)[0]
    return trial
