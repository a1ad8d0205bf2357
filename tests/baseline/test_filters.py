"""Changes of a tone along what filters do: the filters, the chance of the largest, what is named, and the least that is told."""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
from scipy import signal, stats

from deskhand.baseline.filters import STEP_DB, filter_changes, tone_directions
from deskhand.baseline.predict import Predictive
from deskhand.dsp.spectrum import exact_hz
from deskhand.measure.passages import tone_of

PINKISH_DB: Final = -2.0 * np.log2(exact_hz() / 1000.0)
"""Third-octave levels of something with all octaves: 2 dB an octave down."""
DOF: Final = 12.0


def expected_tone(rng: np.random.Generator, levels_db: np.ndarray = PINKISH_DB, spread_db: float = 0.8) -> Predictive:
    octaves = np.arange(8)
    covariance = spread_db**2 * 0.6 ** np.abs(octaves[:, None] - octaves)
    size = np.exp(0.2 * rng.standard_normal(8))
    return Predictive(location=tone_of(levels_db), scale=covariance * np.outer(size, size), dof=DOF)


def draws(rng: np.random.Generator, expected: Predictive, count: int) -> np.ndarray:
    return np.asarray(
        stats.multivariate_t.rvs(expected.location, expected.scale, df=expected.dof, size=count, random_state=rng)
    )


@pytest.mark.source("Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: peakingEQ (analogue prototype)")
@pytest.mark.parametrize("gain_db", [pytest.param(STEP_DB, id="up"), pytest.param(-STEP_DB, id="down")])
def test_a_bell_is_the_cookbooks(gain_db: float) -> None:
    bells = [each for each in filter_changes() if each.kind == "bell" and each.gain_db == gain_db]
    amplitude = 10 ** (gain_db / 40)
    for bell, q in ((bells[5], 1.0), (bells[-1], 0.5)):
        numerator, denominator = [1.0, amplitude / q, 1.0], [1.0, 1.0 / (amplitude * q), 1.0]
        _, transfer = signal.freqs(numerator, denominator, exact_hz() / bell.frequency_hz)
        np.testing.assert_allclose(bell.response_db, 20 * np.log10(np.abs(transfer)), atol=1e-9)


@pytest.mark.source("scipy.signal.butter, analogue, second order")
def test_passes_are_butterworths() -> None:
    for change in filter_changes():
        if change.kind.endswith("roll-off"):
            kept = {"low roll-off": "highpass", "high roll-off": "lowpass"}[change.kind]
            sections = signal.butter(2, change.frequency_hz, kept, analog=True)
            _, transfer = signal.freqs(*sections, exact_hz())
            np.testing.assert_allclose(change.response_db, 20 * np.log10(np.abs(transfer)), atol=1e-9)


@pytest.mark.source("Definition: a shelf has all of its gain far on its side, and none far on the other")
def test_shelves_end_where_their_gain_says() -> None:
    for change in filter_changes():
        if change.kind.endswith("shelf"):
            ends = change.response_db[[0, -1]]
            beyond = (exact_hz()[0] / change.frequency_hz, change.frequency_hz / exact_hz()[-1])
            near, far = (0, 1) if change.kind == "low shelf" else (1, 0)
            assert np.all(np.diff(change.response_db) * np.sign(ends[1] - ends[0]) > 0)
            if beyond[near] < 0.1:
                assert ends[near] == pytest.approx(change.gain_db, abs=0.2)
            if beyond[far] < 0.02:
                assert ends[far] == pytest.approx(0.0, abs=0.05)


@pytest.mark.source("scipy.stats.multivariate_t: the largest over all directions, in 40,000 draws")
def test_the_chance_of_the_largest_is_what_draws_show(rng: np.random.Generator) -> None:
    expected = expected_tone(rng)
    directions = tone_directions(expected, PINKISH_DB)
    whitened = np.linalg.solve(directions.root, (draws(rng, expected, 40_000) - expected.location).T).T
    largest = (whitened @ directions.units.T).max(axis=1)
    for share in (0.5, 0.1, 0.01):
        length = float(np.quantile(largest, 1.0 - share))
        # three standard errors of the share, and the points of the sphere
        allowed = 3.0 * np.sqrt(share * (1.0 - share) / 40_000) + 0.04 * share
        assert directions.chance(length) == pytest.approx(share, abs=allowed)


def test_a_clean_tone_is_seldom_improbable(rng: np.random.Generator) -> None:
    expected = expected_tone(rng)
    directions = tone_directions(expected, PINKISH_DB)
    tails = np.array([directions.tail(reading) for reading in draws(rng, expected, 1500)])
    # never more often than it says: both ways of going wrong share the chance
    for share in (0.01, 0.05, 0.2):
        assert np.mean(tails < share) <= share + 3.0 * np.sqrt(share / 1500)
    assert np.mean(tails < 0.05) > 0.01


@pytest.mark.parametrize(
    ("kind", "frequency_hz", "gain_db", "factor"),
    [
        pytest.param("bell", 2800.0, 6.0, 1.5, id="bell"),
        pytest.param("high shelf", 2000.0, -6.0, 1.5, id="shelf-down"),
        pytest.param("low shelf", 250.0, 6.0, 1.2, id="low shelf"),
        pytest.param("low roll-off", 500.0, -3.0, 1.0, id="roll-off"),
    ],
)
def test_a_planted_filter_is_found_sooner_than_by_all_octaves_together(
    rng: np.random.Generator, kind: str, frequency_hz: float, gain_db: float, factor: float
) -> None:
    expected = expected_tone(rng)
    directions = tone_directions(expected, PINKISH_DB)
    planted = next(
        each
        for each in filter_changes()
        if (each.kind, each.frequency_hz, each.gain_db) == (kind, frequency_hz, gain_db)
    )
    clean = draws(rng, expected, 120)
    changed = tone_of(PINKISH_DB + factor * planted.response_db)
    tails = [directions.tail(reading + changed - expected.location) for reading in clean]
    whole = [expected.tail(reading + changed - expected.location) for reading in clean]
    assert np.median(tails) < 2e-3
    assert np.mean(np.array(tails) < 1e-3) >= np.mean(np.array(whole) < 1e-3)


def test_the_least_that_is_told_is_raised_nine_times_of_ten(rng: np.random.Generator) -> None:
    expected = expected_tone(rng)
    directions = tone_directions(expected, PINKISH_DB)
    budget = 1e-3
    told = directions.least_told_db(budget)
    assert set(told) == {"lows", "middle", "top"}
    assert directions.least_told_db(1e-5)["middle"] > told["middle"] > directions.least_told_db(0.05)["middle"]
    bell = next(
        each
        for each in filter_changes()
        if each.kind == "bell" and each.frequency_hz == 1000.0 and each.gain_db == STEP_DB
    )
    # along the direction: what a larger filter does is not the multiple of a smaller one to the last decimal
    step = (tone_of(PINKISH_DB + bell.response_db) - expected.location) * told["middle"] / STEP_DB
    raised = [directions.tail(reading + step) < budget for reading in draws(rng, expected, 400)]
    assert np.mean(raised) >= 0.87


def test_a_filter_where_the_source_has_nothing_is_not_looked_for(rng: np.random.Generator) -> None:
    dark_db = np.where(exact_hz() > 700.0, -150.0, 0.0)
    directions = tone_directions(expected_tone(rng, dark_db), dark_db)
    assert all(change.frequency_hz < 3000.0 for change in directions.changes if change.kind == "bell")
    assert directions.least_told_db(1e-3).get("top", np.inf) > 20.0


def test_a_change_no_filter_makes_is_found_all_the_same(rng: np.random.Generator) -> None:
    expected = expected_tone(rng)
    directions = tone_directions(expected, PINKISH_DB)
    sideways = rng.standard_normal((2000, 8))
    sideways /= np.linalg.norm(sideways, axis=1)[:, None]
    along = (sideways @ directions.units.T).max(axis=1)
    least = int(np.argmin(along))
    reading = expected.location + directions.root @ (9.0 * sideways[least])
    assert directions.tail(reading) < 0.1 * directions.chance(9.0 * float(along[least]))
