"""How sure a reading is: the bootstrap's draws, and its width where statistics textbooks know the answer."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.measure.spread import BLOCK_S, RESAMPLES, draws, half_width, half_width_of_median, spread
from tests.support.feed import reading_of
from tests.support.signals import sine, white


def mean(some: np.ndarray) -> float:
    return float(some.mean())


def test_draws_are_blocks_of_neighbours() -> None:
    step_s = 0.1
    length = round(BLOCK_S / step_s)
    places = np.array(list(draws(500, step_s=step_s)))
    assert places.shape == (RESAMPLES, 500)
    assert places.min() >= 0
    assert places.max() < 500
    # within a block each place follows the one before, round the end
    steps = np.diff(places, axis=1) % 500
    inside = np.arange(1, 500) % length != 0
    assert (steps[:, inside] == 1).all()
    assert (steps[:, ~inside] != 1).any()


def test_draws_are_the_same_each_time() -> None:
    np.testing.assert_array_equal(list(draws(400, step_s=0.1)), list(draws(400, step_s=0.1)))


@pytest.mark.parametrize(
    ("count", "known"), [pytest.param(119, False, id="below-four"), pytest.param(120, True, id="four")]
)
def test_four_blocks_are_needed(count: int, known: bool) -> None:
    assert bool(list(draws(count, step_s=0.1))) == known
    assert (spread(np.arange(float(count)), mean, step_s=0.1) is not None) == known


@pytest.mark.source("standard error of a mean of independent values: 1.96 s / sqrt(n), any textbook of statistics")
def test_spread_of_a_mean(rng: np.random.Generator) -> None:
    found = [spread(rng.standard_normal(3000), mean, step_s=0.1) for _ in range(20)]
    # 100 blocks and 120 draws know the width to about a tenth each; the mean of 20 to a part of that
    assert np.mean(np.array(found, dtype=float)) == pytest.approx(1.96 / np.sqrt(3000), rel=0.1)


@pytest.mark.source("standard error of a median of normal values: 1.96 s sqrt(pi / (2 n)), any textbook of statistics")
def test_spread_of_a_median(rng: np.random.Generator) -> None:
    found = [half_width_of_median(rng.standard_normal(200)) for _ in range(40)]
    assert np.mean(np.array(found, dtype=float)) == pytest.approx(1.96 * np.sqrt(np.pi / 2 / 200), rel=0.15)


def test_values_that_belong_together_count_less(rng: np.random.Generator) -> None:
    # each value thirty times after each other is one value: the width grows by about the root of thirty
    once = rng.standard_normal(100)
    long = spread(np.repeat(once, 30), mean, step_s=0.1)
    assert long == pytest.approx(1.96 / np.sqrt(100), rel=0.4)


def test_half_width() -> None:
    assert half_width(np.linspace(0.0, 1.0, 1001)) == pytest.approx(0.475)
    assert half_width(np.array([1.0, np.inf])) is None
    assert half_width_of_median(np.ones(3)) is None
    assert half_width_of_median(np.ones(4)) == 0.0


def test_a_steady_tone_is_sure_and_noise_less(rng: np.random.Generator) -> None:
    tone, noise = (
        reading_of(signal).readings for signal in (sine(1000.0, 20.0, level_dbfs=-20.0), white(rng, 20.0, -20.0))
    )
    for name in ("level_dbfs_pm", "loudness_lufs_pm", "crest_db_pm"):
        assert getattr(tone, name) == pytest.approx(0.0, abs=0.02)
        assert 0.0 < getattr(noise, name) < 1.0
