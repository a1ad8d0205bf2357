"""Level detectors, gain computers, attack and release, gates and the limiter against tables, closed forms and scipy.

In order: conversions; detectors; the static curve; attack and release; the release in two stages; gates; moving bells; the
limiter on noise, tones and real songs.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from deskhand.chain.run import Chain, run
from deskhand.dsp import dynamics
from deskhand.errors import HouseError
from deskhand.house import ChainBlock
from tests.support import material
from tests.support.chain import made, true_peak_db
from tests.support.dynamics import RATE_HZ, hot, limited, smoothed, song, time_constant_s, two_stage
from tests.support.hypotheses import examples
from tests.support.signals import sine
from tests.support.tables import rows, topic

STATIC: Final = rows("compressor_static")
STEP: Final = rows("compressor_step")
DETECTORS: Final = rows("compressor_detectors")
NOTES: Final = topic("compressor_notes")
PAPER: Final = "Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60 (6), 2012, 399"
few: Final = settings(max_examples=examples(60), deadline=None, derandomize=True, database=None)


# conversions


@pytest.mark.source("definition: 10 lg of a power")
@few
@given(seed=st.integers(0, 999), size=st.integers(1, 1500))
def test_to_db(seed: int, size: int) -> None:
    power = 10.0 ** np.random.default_rng(seed).uniform(-11.0, 6.0, size)
    found = power.copy()
    dynamics.to_db(found)
    assert np.abs(found - 10.0 * np.log10(power)).max() < 1e-8


def test_to_db_of_nothing() -> None:
    power = np.array([0.0, 1e-30, 1e-24])
    dynamics.to_db(power)
    assert power == pytest.approx([-200.0] * 3, abs=1e-3)


@pytest.mark.parametrize(("power", "level_db"), [(1e-20, -200.0), (1e-14, -140.0), (1e-12, -120.0)])
def test_to_db_of_next_to_nothing(power: float, level_db: float) -> None:
    found = np.array([power])
    dynamics.to_db(found)
    # 1e-20 is added, so that nothing has a level too
    assert found[0] == pytest.approx(10.0 * np.log10(power + 1e-20), abs=1e-9)
    assert found[0] == pytest.approx(level_db, abs=3.02)


@pytest.mark.source("definition: 10 to the power of a level in dB over 20")
@few
@given(seed=st.integers(0, 999), size=st.integers(1, 1500), reach_db=st.sampled_from([0.1, 20.0, 200.0, 2000.0]))
def test_to_gain(seed: int, size: int, reach_db: float) -> None:
    gain_db = np.random.default_rng(seed).uniform(-reach_db, reach_db, size)
    found = np.empty(size)
    dynamics.to_gain(gain_db, found)
    # the first term left out of the series is 0.347^8 / 8! = 5.2e-9 at most, of a number of 0.707 or more
    assert np.abs(found / 10.0 ** (gain_db / 20.0) - 1.0).max() < 7.4e-9


@pytest.mark.source("the docstring's own promise")
def test_to_gain_as_promised() -> None:
    gain_db = np.linspace(-60.0, 60.0, 10001)
    found = np.empty(gain_db.size)
    dynamics.to_gain(gain_db, found)
    assert np.abs(found / 10.0 ** (gain_db / 20.0) - 1.0).max() < 1e-9


def test_to_gain_of_0_db_is_1() -> None:
    found = np.empty(3)
    dynamics.to_gain(np.array([0.0, -1e-25, 1e-25]), found)
    assert (found == 1.0).all()


# detectors


def levels_dbfs(signal: np.ndarray, keep_rms: float) -> np.ndarray:
    out = np.empty(signal.size)
    dynamics.detect(signal, keep_rms, np.zeros(1), out)
    return out


@pytest.mark.source("AES17-2020, 3.12.1: a full-scale sine reads 0 dBFS, RMS or peak")
@pytest.mark.parametrize("level_dbfs", [0.0, -20.0, -80.0])
def test_a_sine_has_one_level(level_dbfs: float) -> None:
    wave = sine(997.0, 1.0, level_dbfs=level_dbfs)
    averaged_dbfs = levels_dbfs(wave, dynamics.keep(0.01, RATE_HZ))[RATE_HZ // 2 :]
    # what passes of the double frequency moves it by 0.035 dB either way: 1 / (4 pi 997 Hz 10 ms)
    assert averaged_dbfs == pytest.approx(level_dbfs, abs=0.04)
    assert averaged_dbfs.mean() == pytest.approx(level_dbfs, abs=0.001)
    assert levels_dbfs(wave, 0.0).max() == pytest.approx(level_dbfs, abs=0.001)


@pytest.mark.source("definition: a full-scale square has a mean square of 1, twice that of a sine (AES17)")
def test_a_square_reads_3_db_by_mean_square_and_0_by_peak() -> None:
    wave = np.where(np.arange(RATE_HZ) % 96 < 48, 1.0, -1.0)
    assert levels_dbfs(wave, dynamics.keep(0.01, RATE_HZ))[-1] == pytest.approx(10.0 * np.log10(2.0), abs=1e-6)
    assert levels_dbfs(wave, 0.0) == pytest.approx(np.zeros(RATE_HZ), abs=1e-8)


@pytest.mark.source("definition: a time constant is the time to 1 - 1/e of a step")
@pytest.mark.parametrize("time_s", [0.001, 0.01, 0.1])
def test_mean_squares_settle_in_their_time(time_s: float) -> None:
    level_dbfs = levels_dbfs(np.full(RATE_HZ, np.sqrt(0.5)), dynamics.keep(time_s, RATE_HZ))
    at = round(time_s * RATE_HZ)
    assert level_dbfs[at - 1] == pytest.approx(10.0 * np.log10(1.0 - np.exp(-1.0)), abs=1e-6)


def test_silence_reads_the_floor() -> None:
    for keep_rms in (0.0, dynamics.keep(0.01, RATE_HZ)):
        assert levels_dbfs(np.zeros(1000), keep_rms) == pytest.approx(np.full(1000, dynamics.FLOOR_DB), abs=1e-3)


# the static curve


@pytest.mark.source(f"{PAPER}: quadratic soft knee, tabled in compressor_static.csv")
@pytest.mark.parametrize("setting", sorted({(row["threshold_db"], row["ratio"], row["knee_db"]) for row in STATIC}))
def test_tabled_static_curve(setting: tuple[str, str, str]) -> None:
    found = [row for row in STATIC if (row["threshold_db"], row["ratio"], row["knee_db"]) == setting]
    assert len(found) > 10
    threshold_db, ratio, knee_db = map(float, setting)
    levels = np.array([float(row["input_db"]) for row in found])
    wanted = -np.array([float(row["gain_db"]) for row in found])
    one_by_one = [dynamics.static_reduction_db(level, threshold_db, ratio, knee_db) for level in levels]
    assert one_by_one == pytest.approx(wanted, abs=1e-6)
    dynamics.compress(levels, threshold_db, ratio, knee_db)
    assert levels == pytest.approx(wanted, abs=1e-6)


@pytest.mark.source(f"{PAPER}: identities of the static curve, in compressor_notes.toml")
@few
@given(
    threshold_db=st.floats(-60.0, 0.0),
    ratio=st.floats(1.0, 50.0),
    knee_db=st.floats(0.5, 24.0),
    above=st.floats(0.0, 40.0),
)
def test_static_identities(threshold_db: float, ratio: float, knee_db: float, above: float) -> None:
    assert set(NOTES["static_identities"]) > {"gain_at_threshold_db", "slope_above", "knee_edges", "ratio_1"}

    def taken_db(level_db: float, ratio: float = ratio) -> float:
        return dynamics.static_reduction_db(level_db, threshold_db, ratio, knee_db)

    assert taken_db(threshold_db) == pytest.approx((1.0 - 1.0 / ratio) * knee_db / 8.0, abs=1e-9)
    assert taken_db(threshold_db + above, 1.0) == pytest.approx(0.0, abs=1e-12)
    low_db, high_db = threshold_db - knee_db / 2.0, threshold_db + knee_db / 2.0
    step_db = 1e-5
    for edge_db, slope in ((low_db, 0.0), (high_db, 1.0 - 1.0 / ratio)):
        assert taken_db(edge_db - step_db) == pytest.approx(taken_db(edge_db + step_db), abs=3e-5)
        # the slope of the curve is the same on both sides of the edge
        for side in (-1.0, 1.0):
            here, there = taken_db(edge_db + side * step_db), taken_db(edge_db + 2.0 * side * step_db)
            assert side * (there - here) / step_db == pytest.approx(slope, abs=1e-4)
    out_db = [level_db - taken_db(level_db) for level_db in (high_db + above, high_db + above + 10.0)]
    assert out_db[1] - out_db[0] == pytest.approx(10.0 / ratio, abs=1e-9)
    # the reduction never falls with level
    grid = [taken_db(level_db) for level_db in np.linspace(threshold_db - 30.0, threshold_db + 30.0, 61)]
    assert (np.diff(grid) >= -1e-12).all()


@pytest.mark.source("compressor_notes.toml: make-up that restores 0 dBFS, hard knee")
def test_makeup_that_restores_full_scale() -> None:
    assert dynamics.static_reduction_db(0.0, -20.0, 4.0, 0.0) == pytest.approx(15.0, abs=1e-12)


@pytest.mark.source(f"{PAPER}: the curve is continuous")
def test_a_negative_knee_is_refused() -> None:
    """It would make the curve jump by several decibels."""
    with pytest.raises(ValueError, match="knee"):
        TypeAdapter(ChainBlock).validate_python({"block": "compressor", "threshold": "-20 dBFS", "knee": "-12 dB"})


@pytest.mark.source("closed form of the docstring: 6 ln(1 + over / 6) dB above the threshold, ratio 1 + over / 6")
@few
@given(threshold_db=st.floats(-60.0, 0.0), over_db=st.floats(0.0, 60.0))
def test_rising_ratio(threshold_db: float, over_db: float) -> None:
    def out_db(over_db: float) -> float:
        level_db = threshold_db + over_db
        return level_db - dynamics.static_reduction_db(level_db, threshold_db, dynamics.RISING, 6.0)

    assert out_db(over_db) - threshold_db == pytest.approx(6.0 * np.log(1.0 + over_db / 6.0), abs=1e-9)
    slope = (out_db(over_db + 2e-4) - out_db(over_db + 1e-4)) / 1e-4
    assert 1.0 / slope == pytest.approx(1.0 + over_db / 6.0, rel=1e-3)
    assert out_db(-over_db) == pytest.approx(threshold_db - over_db, abs=1e-12)


# attack and release


@pytest.mark.source(f"{PAPER}: one-pole step response, tabled in compressor_step.csv")
@pytest.mark.parametrize("time_s", [0.01, 0.1])
def test_tabled_steps(time_s: float) -> None:
    length = round(10.0 * time_s * RATE_HZ)
    attack = smoothed(np.full(length, 15.0), time_s, 1.0)
    release = smoothed(np.r_[np.full(length, 15.0), np.zeros(length)], 1e-6, time_s)[length:]
    for row in STEP[1:]:
        at = round(float(row["t_over_tau"]) * time_s * RATE_HZ) - 1
        assert attack[at] == pytest.approx(float(row["attack_reduction_db"]), abs=1e-4)
        assert release[at] == pytest.approx(float(row["release_reduction_db"]), abs=1e-4)
        assert attack[at] / 15.0 == pytest.approx(float(row["fraction_reached"]), abs=1e-6)


@pytest.mark.source(f"{PAPER}: smooth branching detector, tabled in compressor_detectors.csv")
def test_tabled_branching_detector() -> None:
    on, off = round(0.5 * RATE_HZ), RATE_HZ
    to_nothing = smoothed(np.r_[np.full(on, 15.0), np.zeros(off)], 0.01, 0.1)
    to_5_db = smoothed(np.r_[np.full(on, 15.0), np.full(off, 5.0)], 0.01, 0.1)
    parts = {"attack": to_nothing, "release": to_nothing[on:], "release_to_5db": to_5_db[on:]}
    for row in DETECTORS:
        at = round(float(row["t_ms"]) * RATE_HZ / 1000.0) - 1
        assert parts[row["phase"]][at] == pytest.approx(float(row["branching_db"]), abs=1e-4), row
    # the tabled detectors differ: if this fails, the table no longer tells them apart
    assert any(abs(float(row["branching_db"]) - float(row["decoupled_db"])) > 0.5 for row in DETECTORS)


@pytest.mark.source("definition: a time constant is the time to 1 - 1/e of a step")
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("time_s", [0.0005, 0.003, 0.03, 0.3, 2.0])
def test_attack_and_release_take_their_time(time_s: float, rate_hz: int) -> None:
    length = round(3.0 * time_s * rate_hz) + 2
    attack = smoothed(np.full(length, 10.0), time_s, 100.0, rate_hz)
    release = smoothed(np.r_[np.full(10, 10.0), np.zeros(length)], 0.0, time_s, rate_hz)[10:]
    reached_s = (1 + np.flatnonzero(attack >= 10.0 * (1.0 - np.exp(-1.0)) - 1e-9)[0]) / rate_hz
    left_s = (1 + np.flatnonzero(release <= 10.0 * np.exp(-1.0) + 1e-9)[0]) / rate_hz
    # within 0.1 %, or the sample in which it happens
    assert reached_s == pytest.approx(time_s, rel=1e-3, abs=1.01 / rate_hz)
    assert left_s == pytest.approx(time_s, rel=1e-3, abs=1.01 / rate_hz)


@pytest.mark.source(f"{PAPER}: smoothing in decibels, so that the release does not depend on the reduction")
@pytest.mark.parametrize("over_db", [10.0, 20.0])
def test_a_compressor_s_times_through_the_block(over_db: float) -> None:
    """A square wave has a peak level that does not move, so what moves is attack and release alone."""
    loud, quiet = 10.0 ** ((over_db - 30.0) / 20.0), 10.0 ** (-50.0 / 20.0)
    half = RATE_HZ
    level = np.r_[np.full(half, quiet), np.full(half, loud), np.full(half, quiet)]
    signal = (level * np.where(np.arange(level.size) % 48 < 24, 1.0, -1.0))[None]
    block = made("compressor", threshold="-30 dBFS", ratio=4, knee="0 dB", attack="20 ms", release="200 ms")
    gain_db = 20.0 * np.log10(run(signal, [block], sample_rate_hz=RATE_HZ)[0] / signal[0])
    asked_db = 0.75 * over_db
    assert gain_db[:half] == pytest.approx(np.zeros(half), abs=1e-9)
    assert gain_db[2 * half - 1] == pytest.approx(-asked_db, abs=1e-6)
    attack_at = half + round(0.02 * RATE_HZ) - 1
    release_at = 2 * half + round(0.2 * RATE_HZ) - 1
    assert gain_db[attack_at] == pytest.approx(-asked_db * (1.0 - np.exp(-1.0)), abs=1e-4)
    assert gain_db[release_at] == pytest.approx(-asked_db * np.exp(-1.0), abs=1e-4)


# the release in two stages


@pytest.mark.source("docstring: half of the reduction passes into a slow store within a second (time constant)")
@pytest.mark.parametrize("on_s", [0.2, 1.0, 3.0, 40.0])
def test_two_stage_release_keeps_what_was_stored(on_s: float) -> None:
    on = round(on_s * RATE_HZ)
    release = two_stage(np.r_[np.full(on, 12.0), np.zeros(4 * RATE_HZ)])[on:]
    stored_db = 6.0 * (1.0 - np.exp(-on_s / 1.0))
    share = 1.0 - np.exp(-on_s / 8.0)
    # six fast time constants on, what lay above the store is gone; the store has lost what its own release takes
    at_s = 0.36
    slow_s = 0.5 + 4.5 * share * np.exp(-at_s / 2.0 / 8.0)
    left_db = stored_db * np.exp(-at_s / slow_s)
    # what follows the store with 60 ms lies above it by 60 ms of its slope, and 0.25 % of the rest is left
    assert release[round(at_s * RATE_HZ)] == pytest.approx(left_db * (1.0 + 0.06 / slow_s) + 0.0025 * 12.0, abs=0.06)


@pytest.mark.source(
    "docstring: 60 ms above the store; the store 0.5 s after short compression and up to 5 s after long"
)
def test_two_stage_times() -> None:
    short = round(0.02 * RATE_HZ)
    release = two_stage(np.r_[np.full(short, 12.0), np.zeros(RATE_HZ)])[short:]
    # next to nothing is stored: 2 % of 6 dB
    assert time_constant_s(release, 0.0, 0.06) == pytest.approx(0.06, rel=0.03)
    for on_s in (2.0, 6.0, 60.0):
        on = round(on_s * RATE_HZ)
        release = two_stage(np.r_[np.full(on, 12.0), np.zeros(6 * RATE_HZ)])[on:]
        share = 1.0 - np.exp(-on_s / 8.0)
        # the share itself fades with 8 s; its value halfway is a fair mean over half a second
        slow_s = 0.5 + 4.5 * share * np.exp(-0.75 / 8.0)
        assert 0.5 < slow_s < 5.0
        assert time_constant_s(release, 0.5, 1.0) == pytest.approx(slow_s, rel=0.03), on_s


@pytest.mark.source("docstring of the release in two stages; attack as of one stage")
def test_two_stage_attack_and_steady_state() -> None:
    out = two_stage(np.full(RATE_HZ, 9.0), 0.03)
    assert out[round(0.03 * RATE_HZ) - 1] == pytest.approx(9.0 * (1.0 - np.exp(-1.0)), abs=1e-6)
    assert out[-1] == pytest.approx(9.0, abs=1e-6)
    # a smaller demand is reached, not passed
    down = two_stage(np.r_[np.full(5 * RATE_HZ, 9.0), np.full(20 * RATE_HZ, 6.0)])
    assert down[5 * RATE_HZ :].min() >= 6.0 - 1e-9
    assert down[-1] == pytest.approx(6.0, abs=1e-3)


@pytest.mark.source("definition: a smoother does not know how its input was cut")
def test_smoothers_do_not_see_blocks(rng: np.random.Generator) -> None:
    demand = np.maximum(rng.standard_normal(9000) * 6.0, 0.0)
    whole, state = two_stage(demand, 0.001), np.zeros(3)
    parts = demand.copy()
    for first, last in ((0, 1), (1, 500), (500, 500), (500, 9000)):
        dynamics.smooth_two_stage(parts[first:last], dynamics.keep(0.001, RATE_HZ), float(RATE_HZ), state)
    # the slow coefficient is renewed when the share has moved by 0.001, which a block's edge may bring forward
    assert parts == pytest.approx(whole, abs=1e-3)


# gates


def gate_by_hand(level_db: np.ndarray, open_db: float, close_db: float, hold: int) -> np.ndarray:
    """Whether it is open at each sample, from the definition: below `close_db` for more than `hold` samples closes it."""
    out = np.zeros(level_db.size, bool)
    is_open, below = False, 0
    for index, level in enumerate(level_db):
        below = 0 if level >= close_db else below + 1
        if level >= open_db:
            is_open = True
        elif below > hold:
            is_open = False
        out[index] = is_open
    return out


@pytest.mark.source("docstring: opens above, closes after `hold` samples below the lower threshold")
@few
@given(seed=st.integers(0, 999), hold=st.integers(0, 60), hysteresis_db=st.floats(0.0, 12.0))
def test_gate(seed: int, hold: int, hysteresis_db: float) -> None:
    rng = np.random.default_rng(seed)
    level_db = np.repeat(rng.uniform(-60.0, -20.0, 60), rng.integers(1, 40, 60))
    wanted = gate_by_hand(level_db, -40.0, -40.0 - hysteresis_db, hold)
    found, state = level_db.copy(), np.zeros(2)
    half = found.size // 2
    for part in (found[:half], found[half:]):
        dynamics.gate(part, -40.0, -40.0 - hysteresis_db, 20.0, hold, state)
    assert np.array_equal(found == 0.0, wanted)
    assert set(np.unique(found)) <= {0.0, 20.0}


@pytest.mark.source("definition: hysteresis, hold and range of a gate")
def test_gate_through_the_block() -> None:
    levels_dbfs = [(-60.0, 0.5), (-30.0, 0.5), (-42.0, 0.5), (-50.0, 1.0), (-42.0, 0.5)]
    level = np.concatenate(
        [np.full(round(length_s * RATE_HZ), 10.0 ** (dbfs / 20.0)) for dbfs, length_s in levels_dbfs]
    )
    signal = (level * np.where(np.arange(level.size) % 48 < 24, 1.0, -1.0))[None]
    block = made(
        "gate", threshold="-40 dBFS", range="-18 dB", attack="1 ms", hold="100 ms", release="50 ms", hysteresis="3 dB"
    )
    gain_db = 20.0 * np.log10(run(signal, [block], sample_rate_hz=RATE_HZ)[0] / signal[0])

    def at(time_s: float) -> float:
        return float(gain_db[round(time_s * RATE_HZ) - 1])

    assert at(0.4) == pytest.approx(-18.0, abs=1e-6)  # below: closed, by its range
    assert at(0.501) == pytest.approx(-18.0 * np.exp(-1.0), abs=1e-3)  # 1 ms after opening
    assert at(0.99) == pytest.approx(0.0, abs=1e-6)
    assert at(1.49) == pytest.approx(0.0, abs=1e-6)  # within the hysteresis: still open
    assert at(1.599) == pytest.approx(0.0, abs=1e-6)  # held for 100 ms
    assert at(1.65) == pytest.approx(-18.0 * (1.0 - np.exp(-1.0)), abs=0.02)  # 50 ms after the hold
    assert at(2.4) == pytest.approx(-18.0, abs=1e-3)
    assert at(2.99) == pytest.approx(-18.0, abs=1e-3)  # within the hysteresis: still closed


# moving bells


@pytest.mark.source(
    "Audio EQ Cookbook (W3C Note, 8 June 2021): a bell is 1 + (g - 1) times a band-pass; scipy.signal.lfilter"
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_bell_that_does_not_move(sign: float, rng: np.random.Generator) -> None:
    w = 2.0 * np.pi * 1200.0 / RATE_HZ
    alpha = np.sin(w) / 3.0
    band = np.array([alpha, 0.0, -alpha, 1.0 + alpha, -2.0 * np.cos(w), 1.0 - alpha]) / (1.0 + alpha)
    signal = rng.standard_normal((2, 5000))
    wanted = signal + (10.0 ** (sign * 9.0 / 20.0) - 1.0) * ss.lfilter(band[:3], band[3:], signal)
    out = signal.copy()
    dynamics.moving_bell(out, np.full(5000, 9.0), band, sign, np.zeros((2, 2)))
    assert np.abs(out - wanted).max() < 1e-8


# the limiter


@pytest.mark.real
@pytest.mark.source(
    "ITU-R BS.1770-5 Annex 2: true peak by oversampling, here eight times by scipy.signal.resample_poly"
)
@pytest.mark.parametrize(("release", "over_db"), [("0 s", 0.11), ("5 ms", 0.1), ("100 ms", 0.1)])
@pytest.mark.parametrize("title", material.TITLES)
def test_songs_stay_below_the_ceiling(title: str, release: str, over_db: float) -> None:
    signal, rate_hz = song(title)
    drive_db = 12.0 - true_peak_db(signal)
    out = limited(signal * 10.0 ** (drive_db / 20.0), rate_hz, ceiling="-1 dBFS", release=release)
    # twelve decibels over go in; if this fails, nothing was limited
    assert true_peak_db(out) > -1.2
    assert true_peak_db(out) <= -1.0 + over_db
    assert np.abs(out).max() <= 10.0 ** (-1.0 / 20.0) * (1.0 + 1e-9)


@pytest.mark.source(
    "ITU-R BS.1770-5 Annex 2: true peak by oversampling, here eight times by scipy.signal.resample_poly"
)
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("ceiling_dbfs", [-1.0, -12.0])
def test_noise_and_tones_stay_below_the_ceiling(ceiling_dbfs: float, rate_hz: int, rng: np.random.Generator) -> None:
    for name, signal in hot(rng, rate_hz).items():
        out = limited(signal, rate_hz, ceiling=f"{ceiling_dbfs:g} dBFS", release="5 ms")
        # what four times the rate can miss of a sine at 0.4 of it (Annex 2, attachment 1): 0.44 dB. Noise that is flat to
        # there comes 0.25 dB near it; tones and clicks do not
        over_db = 0.25 if name in {"noise", "bursts"} else 0.1
        assert true_peak_db(signal) > 5.0
        assert true_peak_db(out) <= ceiling_dbfs + over_db, name
        assert np.abs(out).max() <= 10.0 ** (ceiling_dbfs / 20.0) * (1.0 + 1e-9)


@pytest.mark.source("definition: what never reaches the ceiling passes as it is, later by the latency")
def test_nothing_happens_below_the_ceiling(rng: np.random.Generator) -> None:
    signal = rng.uniform(-0.3, 0.3, (2, 20000))
    assert np.array_equal(limited(signal, ceiling="-1 dBFS"), signal)


@pytest.mark.source(
    "docstring: reached by a straight line within the look-ahead, left with the release's time constant"
)
def test_a_limiter_s_shape() -> None:
    signal = np.full((1, RATE_HZ), 0.1)
    at = 20000
    signal[0, at] = 2.0
    block = made("limiter", ceiling="-6 dBFS", release="100 ms")
    chain = Chain([block], channels=1, sample_rate_hz=RATE_HZ)
    # 1.5 ms ahead and the half of an interpolator of 24 taps
    assert chain.latency == round(0.0015 * RATE_HZ) - 1 + 12
    gain_db = 20.0 * np.log10(run(signal, [block], sample_rate_hz=RATE_HZ)[0] / signal[0])
    taken_db = 20.0 * np.log10(2.0) + 6.0
    assert gain_db[at] == pytest.approx(-taken_db, abs=0.02)
    ahead = round(0.0015 * RATE_HZ)
    assert gain_db[: at - ahead] == pytest.approx(0.0, abs=1e-9)
    line_db = gain_db[at - ahead : at]
    assert np.diff(line_db) == pytest.approx(-taken_db / ahead, rel=0.02)
    later = at + round(0.1 * RATE_HZ)
    # the release begins within the look-ahead that follows the peak: 1.5 ms of 100 ms
    assert gain_db[later] == pytest.approx(-taken_db * np.exp(-1.0), rel=0.03)
    assert gain_db[at : at + RATE_HZ // 4].max() <= 0.0


@pytest.mark.source("the block's docstring: lets no peak pass a ceiling")
def test_a_mid_side_limiter_holds_its_ceiling(rng: np.random.Generator) -> None:
    """It could not, so it is refused."""
    with pytest.raises(HouseError):
        limited(rng.standard_normal((2, RATE_HZ)) * 0.5, ceiling="-6 dBFS", detector="mid-side")
