"""Uncertainty of a reading from its own variation over time: block bootstrap on the figures, not on the audio."""

from __future__ import annotations

import functools
import itertools
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

BLOCK_S: Final = 3.0
"""Music is alike for about a bar: what lies closer than this is not independent. Common practice, no source."""
RESAMPLES: Final = 120
"""Resamples of a bootstrap: three lie beyond either end of the central 95 %. Common practice, no source."""
_TOGETHER: Final = 24
"""Resamples that a statistic is given at once: a fifth of them, so that little memory is taken. Common practice, no source."""
_SHORT_STEPS: Final = 4096
"""Steps up to which the draws are kept: 4 MB of positions (120 resamples of 8 bytes a step). Arithmetic."""
_LEAST_BLOCKS: Final = 4
"""Fewer blocks say nothing of their spread. Common practice, no source."""


def draws(count: int, *, step_s: float, block_s: float = BLOCK_S) -> Iterator[NDArray[np.intp]]:
    """Positions of resampled series, (count,) each: blocks of 3 s drawn with replacement, ends joined.

    One at a time, so that memory does not grow with the number of resamples. None come when the series is shorter than
    four blocks: nothing can then be said.

    Parameters
    ----------
    count : int
        Steps of the series.
    step_s : float
        Seconds a step.
    block_s : float
        Seconds a block.

    References
    ----------
    Politis & Romano, in: LePage & Billard (eds.), Exploring the Limits of Bootstrap, Wiley 1992, 263 (circular block
    bootstrap).
    """
    length = max(1, round(block_s / step_s))
    if count < _LEAST_BLOCKS * length:
        return
    yield from _short_draws(count, length) if count <= _SHORT_STEPS else _drawn(count, length)


def _drawn(count: int, length: int) -> Iterator[NDArray[np.intp]]:
    # one seed: the same recording gives the same figures
    rng = np.random.default_rng(1)
    for _ in range(RESAMPLES):
        starts = rng.integers(count, size=-(-count // length))
        yield np.asarray((starts[:, None] + np.arange(length)) % count).reshape(-1)[:count]


@functools.lru_cache(maxsize=8)
def _short_draws(count: int, length: int) -> tuple[NDArray[np.intp], ...]:
    """Draws of a series that is short: all readings of a take ask for those of the same few lengths."""
    return tuple(_drawn(count, length))


def half_width(values: NDArray[np.float64]) -> float | None:
    """Half of the central 95 % of resampled values; None when there are none, or not all are finite."""
    if not values.size or not np.isfinite(values).all():
        return None
    low, high = np.percentile(values, (2.5, 97.5))
    return float(high - low) / 2


def spread(
    series: NDArray[np.floating], statistic: Callable[[NDArray[np.floating]], float], *, step_s: float
) -> float | None:
    """Uncertainty of a statistic: half the width of its 95 % interval.

    Parameters
    ----------
    series : (..., steps) array
        What the statistic is computed from; the last axis is time.
    statistic : callable
        From an array of the same shape to a number.
    step_s : float
        Seconds a step.

    Returns
    -------
    float, or None when the series is too short.
    """
    resamples = draws(series.shape[-1], step_s=step_s)
    return half_width(np.array([statistic(series[..., positions]) for positions in resamples]))


def spread_by_rows(
    series: NDArray[np.floating],
    statistic: Callable[[NDArray[np.floating]], NDArray[np.floating]],
    *,
    step_s: float,
) -> float | None:
    """Uncertainty of a statistic that many resamples are given to at once, as `spread` finds it.

    Parameters
    ----------
    series : (steps,) array
    statistic : callable
        From (resamples, steps) to (resamples,).
    step_s : float
        Seconds a step.
    """
    resamples = iter(draws(series.size, step_s=step_s))
    values = []
    while positions := list(itertools.islice(resamples, _TOGETHER)):
        values.append(np.asarray(statistic(series[np.stack(positions)]), np.float64))
    return half_width(np.concatenate(values)) if values else None


def places(count: int) -> NDArray[np.intp]:
    """(120, count) positions of values that are independent already, drawn with replacement with one seed."""
    return np.random.default_rng(1).integers(count, size=(RESAMPLES, count))


def half_width_of(
    values: NDArray[np.floating], statistic: Callable[[NDArray[np.floating]], float | None]
) -> float | None:
    """Uncertainty of a statistic of values that are independent already; None for fewer than four, or where it has no value."""
    if values.size < _LEAST_BLOCKS:
        return None
    resamples = [statistic(values[positions]) for positions in places(values.size)]
    return half_width(np.array([value for value in resamples if value is not None]))


def half_width_of_median(values: NDArray[np.float64]) -> float | None:
    """Uncertainty of the median of values that are independent already; None for fewer than four."""
    if values.size < _LEAST_BLOCKS:
        return None
    return half_width(np.median(values[places(values.size)], axis=-1))
