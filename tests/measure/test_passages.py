"""Tone passage by passage: what a passage is, the mean over them, how they differ, and what is no passage."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.dsp.spectrum import NOMINAL_HZ, exact_hz
from deskhand.measure.passages import OCTAVES_HZ, PASSAGE_S, octave_pairs, passage_tones, tone_of

FALLING_DB = -3.0 * np.log2(exact_hz() / 1000.0)


def seconds_of(levels_db: np.ndarray, count: int, *, gain_db: float = 0.0) -> np.ndarray:
    return np.repeat(10 ** ((levels_db + gain_db)[None] / 10), count, axis=0)


def playing(seconds: int) -> np.ndarray:
    return np.ones(10 * seconds, bool)


def with_top(gain_db: float) -> np.ndarray:
    return FALLING_DB + np.where(np.array(NOMINAL_HZ) > 1500.0, gain_db, 0.0)


def test_a_loud_song_weighs_no_more_than_a_soft_one() -> None:
    bright, dark = with_top(6.0), with_top(-6.0)
    for gain_db in (0.0, 12.0):
        found = passage_tones(np.vstack([seconds_of(bright, 60), seconds_of(dark, 60, gain_db=gain_db)]), playing(120))
        assert found is not None
        assert found.passages == 6
        expected = 0.5 * (tone_of(bright) + tone_of(dark))
        np.testing.assert_allclose([found.tone_db[f"{octave}"] for octave in OCTAVES_HZ], expected, atol=2e-3)


@pytest.mark.source("numpy.cov, an independent estimate of the covariance")
def test_the_scatter_is_the_covariance_between_passages(rng: np.random.Generator) -> None:
    levels = [FALLING_DB + 3.0 * rng.standard_normal(31) for _ in range(7)]
    found = passage_tones(np.vstack([seconds_of(each, PASSAGE_S) for each in levels]), playing(7 * PASSAGE_S))
    assert found is not None
    expected = np.cov(np.array([tone_of(each) for each in levels]).T)
    for low, high in octave_pairs():
        place = OCTAVES_HZ.index(low), OCTAVES_HZ.index(high)
        assert found.scatter_db2[f"{low} {high}"] == pytest.approx(expected[place], abs=1e-3)
    assert len(found.scatter_db2) == 36


def test_only_what_is_played_makes_passages() -> None:
    """Pauses are no passage, and a passage goes on behind one."""
    tone = np.vstack([seconds_of(with_top(6.0), 30), seconds_of(with_top(-30.0), 50), seconds_of(with_top(6.0), 30)])
    blocks = playing(110)
    blocks[300:800] = False
    found = passage_tones(tone, blocks)
    assert found is not None
    assert found.passages == 3
    np.testing.assert_allclose([found.tone_db[f"{octave}"] for octave in OCTAVES_HZ], tone_of(with_top(6.0)), atol=2e-3)


@pytest.mark.parametrize("seconds", [1, 19, 20, 39])
def test_what_is_short_is_one_passage_without_scatter(seconds: int) -> None:
    found = passage_tones(seconds_of(FALLING_DB, seconds), playing(seconds))
    assert found is not None
    assert (found.passages, found.scatter_db2) == (1.0, {})


def test_nothing_played_has_no_passages() -> None:
    assert passage_tones(seconds_of(FALLING_DB, 40), np.zeros(400, bool)) is None
    assert passage_tones(np.zeros((40, 31)), playing(40)) is None
    assert passage_tones(np.full((40, 31), np.nan), playing(40)) is None
