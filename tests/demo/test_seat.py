"""Seat of the invented venue: its house file, its calibrator's tone, and what its weeks do to the microphone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.signal as ss
import soundfile

from deskhand.demo.seat import SEAT_WEEKS, at_the_seat, make_calibrator_tone, seat_house_text
from deskhand.house import parse_house
from deskhand.seat.calibration import tone_level

RATE_HZ = 48000


def test_the_house_has_a_seat_that_is_no_part_of_the_show() -> None:
    house = parse_house(seat_house_text(), Path("house.toml"))
    assert [seat.name for seat in house.seat] == ["mix position"]
    assert "mix position" not in [source.name for source in house.source]
    assert house.limits is not None
    assert house.limits.limit.laeq_dba == 96.0
    assert house.desk.mix == ["main l", "main r"]


def test_the_calibrators_tone_says_120_db_of_full_scale(tmp_path: Path) -> None:
    make_calibrator_tone(tmp_path, 1)
    (file,) = tmp_path.glob("* seat.wav")
    samples = soundfile.read(file, dtype="float32")[0]
    calibration = tone_level(samples, sample_rate_hz=RATE_HZ, level_db=94.0, where="here")
    assert calibration.level_db - calibration.tone_dbfs == pytest.approx(120.0, abs=0.01)


def test_weeks_differ_by_what_was_planned() -> None:
    """A dead high driver takes the left side's top alone; the hall and the noise stay."""
    mix = 0.1 * np.random.default_rng(1).standard_normal((2, 5 * RATE_HZ))
    left = mix * np.array([[1.0], [0.0]])
    by_what = {week.what: week for week in SEAT_WEEKS}
    sounds = {what: at_the_seat(np.random.default_rng(2), left, by_what[what]) for what in ("clean", "driver")}
    hz, clean = ss.welch(sounds["clean"], RATE_HZ, nperseg=4096)
    _, driver = ss.welch(sounds["driver"], RATE_HZ, nperseg=4096)
    lost_db = 10.0 * np.log10(driver / clean)
    assert np.abs(lost_db[(hz > 200) & (hz < 1000)]).max() < 1.0
    assert lost_db[(hz > 5000) & (hz < 12000)].max() < -15.0
    right = mix - left
    first, second = (at_the_seat(np.random.default_rng(2), right, by_what[what]) for what in ("clean", "driver"))
    np.testing.assert_array_equal(first, second)
