"""What gain, polarity and length may change in the readings and what not, for sounds drawn by hypothesis."""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.feed import RATE_HZ, reading_of
from tests.support.hypotheses import examples
from tests.support.signals import amplitude, hits, pink, plucks, sine, speech_like, white

MOVES: Final = (
    "level_dbfs", "loud_dbfs", "rms_dbfs", "peak_dbfs", "true_peak_dbtp", "loudness_lufs", "momentary_max_lufs",
    "short_term_max_lufs", "noise_dbfs",
)  # fmt: skip
STAYS: Final = (
    "active_fraction", "loudness_range_lu", "crest_db", "hum_db", "width_db", "balance_db", "correlation", "mono_loss_db",
    "delay_ms", "tilt_db_per_octave",
)  # fmt: skip
KINDS: Final = ("plucks", "speech-like", "hits", "pink")

# one run here is a measurement of some seconds of sound: few, and always the same ones
few = settings(max_examples=examples(6), deadline=None, derandomize=True, database=None)


def pair(seed: int, kind: str) -> np.ndarray:
    """Two sides with something in common, a pause, a hum, and noise of their own; loud enough for every gate."""
    rng = np.random.default_rng(seed)
    shared = {
        "plucks": lambda: plucks(rng, 4.0),
        "speech-like": lambda: speech_like(rng, 4.0, -20.0),
        "hits": lambda: hits(rng, 4.0, peak_dbfs=-6.0),
        "pink": lambda: pink(rng, 4.0, -20.0),
    }[kind]()
    shared = np.concatenate([shared, np.zeros(3 * RATE_HZ)])
    own = [pink(rng, 7.0, -55.0) + 0.3 * np.roll(shared, 48 * side) for side in (1, 2)]
    return np.stack([shared + own[0], 0.7 * np.roll(shared, 24) + own[1]]) + sine(50.0, 7.0, level_dbfs=-50.0)


# AES17-2020, 3.12.1: RMS levels are those of a sine of the same peak, so a sine has a crest of 0 dB
@pytest.mark.source("AES17-2020, 3.12.1: a full-scale sine reads 0 dBFS RMS")
@pytest.mark.parametrize(
    ("wave", "crest_db"),
    [
        pytest.param(sine(997.0, 9.0, level_dbfs=-12.0), 0.0, id="sine"),
        pytest.param(np.where(np.arange(9 * RATE_HZ) // 24 % 2, 0.2, -0.2), -10 * np.log10(2.0), id="square"),
        # one sample in a hundred carries everything: peak over RMS is 20 dB, 3.01 dB less to AES17
        pytest.param(np.where(np.arange(9 * RATE_HZ) % 100 == 0, 0.2, 0.0), 20 - 10 * np.log10(2.0), id="pulses"),
    ],
)
def test_crest_of_known_waves(wave: np.ndarray, crest_db: float) -> None:
    assert reading_of(wave).readings.crest_db == pytest.approx(crest_db, abs=0.01)


@few
@given(seed=st.integers(0, 2**16), kind=st.sampled_from(KINDS), gain_db=st.floats(-12.0, 20.0))
def test_gain_moves_levels_and_leaves_the_rest(seed: int, kind: str, gain_db: float) -> None:
    sound = pair(seed, kind)
    plain, louder = (reading_of(sound * gain, strikes=kind == "hits").readings for gain in (1.0, amplitude(gain_db)))
    for name in MOVES:
        before, after = getattr(plain, name), getattr(louder, name)
        assert (before is None) == (after is None), name
        if before is not None:
            # float32 samples: 1e-7 of each
            assert after == pytest.approx(before + gain_db, abs=2e-3), name
    for name in STAYS:
        before, after = getattr(plain, name), getattr(louder, name)
        assert (before is None) == (after is None), name
        if before is not None:
            assert after == pytest.approx(before, abs=2e-3), name
    for name in ("tone_db", "width_octave_db", "mono_loss_octave_db"):
        # rounded to 0.01 dB
        assert getattr(louder, name) == pytest.approx(getattr(plain, name), abs=0.011), name


@few
@given(seed=st.integers(0, 2**16), kind=st.sampled_from(KINDS))
def test_turning_both_sides_over_changes_nothing(seed: int, kind: str) -> None:
    sound = pair(seed, kind)
    plain, turned = (reading_of(sign * sound, strikes=kind == "hits").readings for sign in (1, -1))
    for name in (*MOVES, *STAYS):
        assert getattr(turned, name) == pytest.approx(getattr(plain, name), abs=1e-9), name
    assert turned.tone_db == plain.tone_db


@few
@given(seed=st.integers(0, 2**16), kind=st.sampled_from(KINDS))
def test_swapping_the_sides_mirrors_balance_and_delay(seed: int, kind: str) -> None:
    sound = pair(seed, kind)
    plain, swapped = (reading_of(one, strikes=kind == "hits").readings for one in (sound, sound[::-1].copy()))
    for name in (*MOVES, *STAYS):
        before, after = getattr(plain, name), getattr(swapped, name)
        sign = -1 if name in ("balance_db", "delay_ms") else 1
        assert after == pytest.approx(before if before is None else sign * before, abs=1e-6), name
    assert swapped.tone_db == pytest.approx(plain.tone_db, abs=0.011)


@few
@given(seed=st.integers(0, 2**16), seconds=st.floats(0.4, 5.0), level_dbfs=st.floats(-70.0, -10.0))
def test_rms_and_peak_are_those_of_the_samples(seed: int, seconds: float, level_dbfs: float) -> None:
    # any length, whole blocks or not: every sample counts once
    signal = white(np.random.default_rng(seed), seconds, level_dbfs).astype(np.float32)
    reading = reading_of(signal).readings
    exact = signal.astype(np.float64)
    assert reading.rms_dbfs == pytest.approx(10 * np.log10(2 * np.mean(exact**2)), abs=1e-3)
    assert reading.peak_dbfs == pytest.approx(20 * np.log10(np.abs(exact).max()), abs=1e-5)
