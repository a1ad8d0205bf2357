"""Alignment: the best local path against all paths there are, the band, correlations against scipy.

Paths of tiny sequences are enumerated one by one: a path is a chain of steps (1, 1), (2, 1) and (1, 2), as in Müller,
Fundamentals of Music Processing, 7.3.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import scipy.signal as ss

from deskhand.dsp import alignment

if TYPE_CHECKING:
    from numpy.typing import NDArray

TERMS: Final = np.array([2.0, 0.3, 0.2, 0.15], np.float32)
"""Factor and least product without a voice, least product with one, cost of a skipped row or column."""
STEPS: Final = ((1, 1), (2, 1), (1, 2))


def local_path(
    first: NDArray[np.float32],
    second: NDArray[np.float32],
    voiced: NDArray[np.bool_],
    *,
    middle: tuple[int, int] = (0, 0),
    narrow: int = 50,
) -> NDArray[np.int64]:
    """(steps, 2) best local path, from its start."""
    rows, columns = len(first), 2 * narrow + 1
    band = np.array([0, rows, middle[0], middle[1], narrow, 1000])
    path = np.zeros((rows + len(second), 2), np.int64)
    count = alignment.local_path(
        first, second, voiced[: len(first)], voiced[: len(second)], band, TERMS,
        np.empty((rows, columns), np.float32), np.empty((rows, columns), np.int8), path,
    )  # fmt: skip
    return path[:count][::-1]


def gains(first: NDArray[np.float32], second: NDArray[np.float32], voiced: NDArray[np.bool_]) -> NDArray[np.float64]:
    """(rows, columns) what each cell adds to a path, by the definition."""
    products = first.astype(np.float64) @ second.T.astype(np.float64)
    both = voiced[: len(first), None] & voiced[None, : len(second)]
    return np.where(both, products - TERMS[2], TERMS[0] * products - TERMS[1])


def best_by_enumeration(gain: NDArray[np.float64]) -> float:
    """Greatest sum over all chains of steps; 0 where every one is negative."""

    def onward(row: int, column: int) -> float:
        ways = [
            onward(row + step, column + across) - (TERMS[3] if (step, across) != (1, 1) else 0.0)
            for step, across in STEPS
            if row + step < gain.shape[0] and column + across < gain.shape[1]
        ]
        return float(gain[row, column] + max([0.0, *ways]))

    return max(0.0, *(onward(row, column) for row, column in itertools.product(*map(range, gain.shape))))


def score_of(path: NDArray[np.int64], gain: NDArray[np.float64]) -> float:
    """Sum over one path."""
    skips = int(np.sum(np.any(np.diff(path, axis=0) == 2, axis=1)))
    return float(gain[path[:, 0], path[:, 1]].sum() - TERMS[3] * skips)


@pytest.mark.source("exhaustive enumeration; Müller, Fundamentals of Music Processing, 2nd ed. 2021, 7.3")
@pytest.mark.parametrize("seed", range(24))
def test_no_path_is_better(seed: int) -> None:
    rng = np.random.default_rng(seed)
    first, second = (rng.normal(0.0, 0.3, (count, 24)).astype(np.float32) for count in rng.integers(3, 9, 2))
    voiced = rng.random(9) < 0.6
    gain = gains(first, second, voiced)
    path = local_path(first, second, voiced)
    best = best_by_enumeration(gain)
    assert (len(path) == 0) == (best <= 0.0)
    if len(path):
        assert all(tuple(step) in STEPS for step in np.diff(path, axis=0))
        assert score_of(path, gain) == pytest.approx(best, abs=1e-5)


def test_the_path_stays_in_its_band() -> None:
    """Known truth: equal sequences five frames apart; a band that reaches three holds no such path, one of six does."""
    rng = np.random.default_rng(1)
    first = rng.normal(0.0, 0.3, (40, 24)).astype(np.float32)
    second = np.concatenate([rng.normal(0.0, 0.3, (5, 24)).astype(np.float32), first])
    voiced = np.ones(60, bool)
    wide, narrow = (local_path(first, second, voiced, middle=(20, 20), narrow=narrow) for narrow in (6, 3))
    np.testing.assert_array_equal(wide[:, 1] - wide[:, 0], 5)
    assert len(wide) == 40
    assert score_of(narrow, gains(first, second, voiced)) < 0.5 * score_of(wide, gains(first, second, voiced))
    assert np.all(np.abs(narrow[:, 1] - narrow[:, 0]) <= 3)


@pytest.mark.source("scipy.signal.correlate")
def test_correlations() -> None:
    rng = np.random.default_rng(2)
    rotated = rng.normal(size=(2, 30, 24)).astype(np.float32)
    second = rng.normal(size=(40, 24)).astype(np.float32)
    sums = np.zeros((2, 9), np.float32)
    alignment.correlations(rotated, second, 5, 12, 10, sums)
    for rotation in range(2):
        every = ss.correlate(second, rotated[rotation, 5:15], mode="valid")[:, 0] / 10
        np.testing.assert_allclose(sums[rotation], every[8:17], rtol=1e-4, atol=1e-4)


def test_what_would_reach_over_an_end_is_nothing() -> None:
    sums = np.ones((1, 9), np.float32)
    alignment.correlations(np.ones((1, 10, 24), np.float32), np.ones((12, 24), np.float32), 0, 0, 10, sums)
    np.testing.assert_allclose(sums[0], [0, 0, 0, 0, 24, 24, 24, 0, 0])
