"""Calibration from a recorded tone: what it comes to, what is refused, drift, and a preamp that was turned since."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pytest

from deskhand.errors import MeasureError, UsageError
from deskhand.seat.calibration import (
    Calibration,
    applied,
    calibration_of,
    calibrator_level_db,
    drift,
    tone_level,
)
from tests.support.signals import RATE_HZ, sine


def measured(signal: np.ndarray, level_db: float = 94.0) -> Calibration:
    return tone_level(signal.astype(np.float32), sample_rate_hz=RATE_HZ, level_db=level_db, where="cal.wav, track 1")


NOISE: Final = 1e-5 * np.random.default_rng(1).standard_normal(10 * RATE_HZ)
TONE: Final = sine(1000.0, 10.0, level_dbfs=-20.0) + NOISE


@pytest.mark.source(
    "arithmetic: a sine of -20 dBFS at 94 dB makes 114 dB of a full-scale sine, 117.01 dB of a mean square of 1"
)
def test_a_calibrators_tone() -> None:
    calibration = measured(TONE)
    assert calibration.offset_db == pytest.approx(114.0 + 10.0 * np.log10(2.0), abs=0.01)
    assert calibration.tone_dbfs == pytest.approx(-20.0, abs=0.01)
    assert calibration.frequency_hz == pytest.approx(1000.0, abs=0.01)
    assert calibration.distortion_pct < 0.1
    assert measured(TONE, 114.0).offset_db == pytest.approx(calibration.offset_db + 20.0)
    # 0.4 dB of a class 2 calibrator, rectangular, twice the standard uncertainty
    assert calibration.uncertainty_db == pytest.approx(2.0 * 0.4 / np.sqrt(3.0), abs=0.01)


def test_hands_and_the_end_of_the_tone_are_left_out() -> None:
    rng = np.random.default_rng(2)
    around = 0.05 * rng.standard_normal(3 * RATE_HZ)
    calibration = measured(np.concatenate([around, TONE, around]))
    assert calibration.offset_db == pytest.approx(measured(TONE).offset_db, abs=0.01)
    assert 3.0 <= calibration.from_s <= 3.5
    assert 12.5 <= calibration.to_s <= 13.0


@pytest.mark.parametrize(
    ("signal", "message"),
    [
        (TONE[: 3 * RATE_HZ], "holds no tone that stays within 0.2 dB for 5 s"),
        (TONE * np.linspace(1.0, 0.5, TONE.size), "holds no tone that stays within"),
        (sine(250.0, 10.0, level_dbfs=-20.0) + NOISE, "the tone has 250 Hz, a calibrator's has 1000 Hz"),
        (sine(1030.0, 10.0, level_dbfs=-20.0) + NOISE, "the tone has 1030 Hz"),
        (TONE + sine(3000.0, 10.0, level_dbfs=-46.0), "5 % of harmonics, more than 4 %"),
        (np.clip(100.0 * TONE, -1.0, 1.0), "the tone is cut at full scale"),
        (TONE + 1500.0 * NOISE, "noise lies only 13 dB below the tone"),
        (1e4 * NOISE, "holds noise and no tone"),
        (np.zeros(10 * RATE_HZ), "holds no tone"),
    ],
    ids=["short", "fading", "250-hz", "1030-hz", "distorted", "cut", "noisy", "noise", "silent"],
)
def test_what_is_no_calibration_is_refused(signal: np.ndarray, message: str) -> None:
    with pytest.raises(MeasureError, match=message) as caught:
        measured(signal)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("cal.wav, track 1: ")


@pytest.mark.parametrize(("typed", "level_db"), [("94 dB", 94.0), ("114 dB", 114.0), ("93.85 dB", 93.85)])
def test_levels_of_calibrators(typed: str, level_db: float) -> None:
    assert calibrator_level_db(typed) == level_db


@pytest.mark.parametrize("typed", ["104 dB", "94", "94 dBA", "loud"])
def test_other_levels_are_refused(typed: str) -> None:
    with pytest.raises(UsageError, match='"94 dB" or "114 dB"'):
        calibrator_level_db(typed)


def test_drift_takes_the_preamp_out() -> None:
    first = replace(measured(TONE), preamp_db=30.0, measured_at="2026-03-01")
    # 6 dB more gain and a microphone that lost 0.7 dB
    second = replace(measured(TONE * 10.0 ** (5.3 / 20.0)), preamp_db=36.0, measured_at="2026-04-01")
    change = drift(second, first)
    assert change is not None
    assert change.change_db == pytest.approx(-0.7, abs=0.01)
    assert change.is_large
    assert drift(replace(second, preamp_db=None), first) is None


def test_it_comes_back_from_the_history() -> None:
    calibration = replace(
        measured(TONE), preamp_db=30.0, pad_db=10.0, measured_at="2026-03-01", microphone="omni", seat="mix"
    )
    again = calibration_of(calibration.content(), measured_at="2026-03-01", microphone="omni", seat="mix")
    assert again == calibration
    with pytest.raises(ValueError, match="offset_db"):
        calibration_of({"offset_db": "x"}, measured_at="", microphone="", seat="")


def test_a_preamp_that_was_turned_since() -> None:
    calibration = replace(measured(TONE), preamp_db=30.0, measured_at="2026-03-01")
    same = applied(calibration, preamp_db=30.0, pad_db=None, own_noise_dba=None, date="2026-03-08")
    assert same.notes == ()
    assert same.sensitivity.offset_db == calibration.offset_db
    # 10 dB less gain, and a pad of 10 dB: the same sample is 20 dB more sound
    turned = applied(calibration, preamp_db=20.0, pad_db=10.0, own_noise_dba=None, date="2026-03-08")
    assert turned.sensitivity.offset_db == pytest.approx(calibration.offset_db + 20.0)
    assert "turned by −20 dB since the calibration of 2026-03-01" in turned.notes[0]
    untold = applied(calibration, preamp_db=None, pad_db=None, own_noise_dba=None, date="2026-02-22")
    assert "nobody wrote its preamp's gain down" in untold.notes[0]
    assert "after this recording" in untold.notes[1]
    none = applied(None, preamp_db=30.0, pad_db=None, own_noise_dba=None, date=None)
    assert not none.sensitivity.calibrated
    assert "relative" in none.notes[0]
