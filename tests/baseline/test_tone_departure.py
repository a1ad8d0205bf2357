"""Filter that is told of a tone: its kind, its place and its gain, and how often the gain lies in its range."""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
from scipy import signal, stats

from deskhand.baseline.predict import Predictive
from deskhand.baseline.tone_departure import ToneDeparture, tone_departure
from deskhand.dsp.spectrum import exact_hz
from deskhand.measure.passages import tone_of

PINKISH_DB: Final = -2.0 * np.log2(exact_hz() / 1000.0)
"""Third-octave levels of something with all octaves: 2 dB an octave down."""
DOF: Final = 12.0
TAKES: Final = 150


def spread_tone(rng: np.random.Generator) -> Predictive:
    octaves = np.arange(8)
    covariance = 0.7**2 * 0.6 ** np.abs(octaves[:, None] - octaves)
    size = np.exp(0.2 * rng.standard_normal(8))
    return Predictive(location=tone_of(PINKISH_DB), scale=covariance * np.outer(size, size), dof=DOF)


def cookbook_db(kind: str, frequency_hz: float, gain_db: float, q: float) -> np.ndarray:
    """Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: analogue prototypes, by scipy.signal.freqs."""
    a = 10 ** (gain_db / 40)
    numerator, denominator = {
        "bell": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "high shelf": (a * np.array([a, np.sqrt(a) / q, 1]), [1, np.sqrt(a) / q, a]),
        "low shelf": (a * np.array([1, np.sqrt(a) / q, a]), [a, np.sqrt(a) / q, 1]),
    }[kind]
    return np.asarray(20 * np.log10(np.abs(signal.freqs(numerator, denominator, exact_hz() / frequency_hz)[1])))


def told_of(rng: np.random.Generator, response_db: np.ndarray, takes: int = TAKES) -> list[ToneDeparture]:
    expected = spread_tone(rng)
    step_db = tone_of(PINKISH_DB + response_db) - expected.location
    readings = stats.multivariate_t.rvs(
        expected.location, expected.scale, df=expected.dof, size=takes, random_state=rng
    )
    return [tone_departure(expected, PINKISH_DB, reading + step_db) for reading in readings]


@pytest.mark.source("Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: peakingEQ, highShelf, lowShelf")
@pytest.mark.parametrize(
    ("kind", "frequency_hz", "gain_db", "q"),
    [
        pytest.param("bell", 2500.0, 6.0, 1.0, id="bell"),
        pytest.param("bell", 600.0, -8.0, 1.4, id="bell-down"),
        pytest.param("high shelf", 2300.0, -8.0, 0.7, id="top-lost"),
        pytest.param("low shelf", 220.0, -9.0, 0.6, id="lows-lost"),
    ],
)
def test_a_planted_filter_is_told_by_kind_place_and_gain(
    rng: np.random.Generator, kind: str, frequency_hz: float, gain_db: float, q: float
) -> None:
    told = told_of(rng, cookbook_db(kind, frequency_hz, gain_db, q))
    assert np.mean([each.kind == kind for each in told]) >= 0.7
    assert np.median([abs(np.log2(each.frequency_hz / frequency_hz)) for each in told]) <= 1 / 3
    assert np.median([abs(each.gain_db - gain_db) for each in told]) <= 1.5
    assert np.mean([each.low_db <= gain_db <= each.high_db for each in told]) >= 0.9


@pytest.mark.source("scipy.signal.butter, analogue, second order")
def test_a_high_pass_is_told_as_a_roll_off(rng: np.random.Generator) -> None:
    _, transfer = signal.freqs(*signal.butter(2, 400.0, "highpass", analog=True), exact_hz())
    told = told_of(rng, 20 * np.log10(np.abs(transfer)), 40)
    assert np.mean([each.kind == "low roll-off" for each in told]) >= 0.8
    assert np.median([abs(np.log2(each.frequency_hz / 400.0)) for each in told]) <= 1 / 3
    assert all(each.low_db <= each.gain_db <= each.high_db < 0.0 for each in told)


def test_less_below_a_corner_and_more_above_it_are_one_change(rng: np.random.Generator) -> None:
    up = told_of(rng, cookbook_db("high shelf", 250.0, 6.0, 0.7), 40)
    # a tone is taken against its whole: named from the end that is the smaller part
    assert np.mean([each.kind == "low shelf" and each.gain_db < 0 for each in up]) >= 0.8
