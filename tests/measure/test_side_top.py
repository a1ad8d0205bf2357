"""Top of one side against the other: what a filter does to one side, and what a song does to both."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.support.feed import reading_of

RATE_HZ = 48000


def sides(rng: np.random.Generator, seconds: float = 6.0) -> np.ndarray:
    """Pair with a common part and one of each side's own, both falling by 3 dB an octave."""
    common, left, right = rng.standard_normal((3, int(seconds * RATE_HZ)))
    pink = signal.butter(1, 300.0, fs=RATE_HZ, output="sos")
    return 0.1 * np.asarray(signal.sosfilt(pink, np.array([common + 0.5 * left, common + 0.5 * right])))


def through(sound: np.ndarray, gain_db: float) -> np.ndarray:
    """High shelf of first order at 1.4 kHz: a low-pass taken away or added, by scipy."""
    low = signal.sosfilt(signal.butter(1, 1414.0, fs=RATE_HZ, output="sos"), sound)
    return np.asarray(low + 10 ** (gain_db / 20) * (sound - low))


def side_top_db(pair: np.ndarray) -> float:
    value = reading_of(pair, sample_rate_hz=RATE_HZ).readings.side_top_db
    assert value is not None
    return value


def power_db(sound: np.ndarray, low_hz: float, high_hz: float) -> float:
    frequency_hz, power = signal.welch(sound, RATE_HZ, nperseg=8192)
    return float(10 * np.log10(power[(frequency_hz >= low_hz) & (frequency_hz < high_hz)].sum()))


@pytest.mark.source("scipy.signal.welch, an independent estimate of the power spectrum")
@pytest.mark.parametrize("gain_db", [-6.0, 4.0])
def test_a_shelf_on_one_side_is_read(rng: np.random.Generator, gain_db: float) -> None:
    pair = sides(rng)
    pair[1] = through(pair[1], gain_db)
    top, low = ([power_db(side, *band) for side in pair] for band in ((1414.0, 11314.0), (88.0, 1414.0)))
    expected = (top[1] - top[0]) - (low[1] - low[0])
    assert side_top_db(pair) == pytest.approx(expected, abs=0.1)
    assert abs(side_top_db(pair)) > 0.5 * abs(gain_db)


def test_what_both_sides_do_is_no_difference(rng: np.random.Generator) -> None:
    pair = sides(rng)
    plain = side_top_db(pair)
    assert plain == pytest.approx(0.0, abs=0.3)
    assert side_top_db(through(pair, 8.0)) == pytest.approx(plain, abs=0.1)
    # a side that is softer throughout is their balance
    assert side_top_db(pair * np.array([[1.0], [0.3]])) == pytest.approx(plain, abs=0.02)


def test_a_side_with_next_to_nothing_has_none(rng: np.random.Generator) -> None:
    pair = sides(rng)
    pair[1] = signal.sosfilt(signal.butter(12, 300.0, fs=RATE_HZ, output="sos"), pair[1])
    readings = reading_of(pair, sample_rate_hz=RATE_HZ).readings
    assert readings.side_top_db is None
    assert "next to nothing" in readings.not_measured["side_top_db"]
    assert reading_of(pair[:1], sample_rate_hz=RATE_HZ).readings.not_measured["side_top_db"] == "it has one side"


@pytest.mark.source("scipy.signal.welch, weighed by a normal curve of 0.4 octave around each octave's centre")
def test_a_shelf_on_one_side_is_read_by_octave(rng: np.random.Generator) -> None:
    def octaves_db(sound: np.ndarray) -> np.ndarray:
        frequency_hz, power = signal.welch(sound, RATE_HZ, nperseg=8192)
        away = np.log2(np.maximum(frequency_hz, 1.0) / np.array([[250.0], [2000.0], [4000.0]])) / 0.4
        return np.asarray(10 * np.log10(np.exp(-0.5 * away**2) @ power))

    pair = sides(rng)
    before = reading_of(pair, sample_rate_hz=RATE_HZ).readings.side_tone_db
    dull = np.array([pair[0], through(pair[1], -6.0)])
    after = reading_of(dull, sample_rate_hz=RATE_HZ).readings.side_tone_db
    assert before is not None
    assert after is not None
    read_db = np.array([after[octave] - before[octave] for octave in ("250", "2000", "4000")])
    expected_db = octaves_db(dull[1]) - octaves_db(pair[1])
    # against the whole, which has become softer by the same in every octave
    assert read_db - read_db[0] == pytest.approx(expected_db - expected_db[0], abs=0.3)
