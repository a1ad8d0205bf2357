"""Background noise while nothing plays: octave levels, the NC curves, the quiet stretch, and the kept weeks."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.seat.background import (
    NC_CURVES_DB,
    OCTAVES_HZ,
    BackgroundNoise,
    background_noise,
    noise_change,
    noise_content,
    noise_of_content,
    quietest_s,
)

RATE_HZ = 32000


def noise(rise_db: float = 0.0, *, octave_hz: int = 250, calibrated: bool = True) -> BackgroundNoise:
    """Noise of 30 dB in every octave but one."""
    octaves_db = {hz: 30.0 + (rise_db if hz == octave_hz else 0.0) for hz in OCTAVES_HZ}
    return BackgroundNoise(octaves_db=octaves_db, calibrated=calibrated, quiet_s=10.0)


@pytest.mark.source(
    "arithmetic: a sine of amplitude 0.02 has a mean square of 2e-4, -36.99 dB, in its own octave alone"
)
def test_a_tone_is_read_in_its_octave_through_a_door_that_slams() -> None:
    time_s = np.arange(12 * RATE_HZ) / RATE_HZ
    seat = 0.02 * np.sin(2 * np.pi * 500.0 * time_s) + 1e-6 * np.sin(2 * np.pi * 4000.0 * time_s)
    seat[5 * RATE_HZ : 5 * RATE_HZ + 8000] += np.random.default_rng(1).standard_normal(8000)
    read = background_noise(seat, sample_rate_hz=RATE_HZ, full_scale_db_spl=120.0)
    assert read is not None
    assert read.octaves_db[500] == pytest.approx(83.01, abs=0.05)
    assert read.octaves_db[1000] < 20.0
    # A-weighting at 500 Hz: -3.2 dB (IEC 61672-1:2013, Table 3)
    assert read.level_dba == pytest.approx(83.01 - 3.25, abs=0.1)
    assert background_noise(seat[: 9 * RATE_HZ], sample_rate_hz=RATE_HZ, full_scale_db_spl=120.0) is None


@pytest.mark.source(
    "acoustics 0.2.6 (python-acoustics), acoustics.criterion.nc: the lowest curve that no octave is above, for these levels"
)
@pytest.mark.parametrize(
    ("levels_db", "curve"),
    [
        pytest.param((47, 36, 29, 22, 17, 14, 12, 11), 15, id="on a curve"),
        pytest.param((47, 36, 29, 22, 17, 14, 12, 11.1), 20, id="one octave above it"),
        pytest.param((50, 50, 50, 50, 50, 50, 50, 50), 55, id="flat"),
        pytest.param((84, 79, 75, 72, 71, 70, 69, 68), None, id="above all"),
    ],
)
def test_nc_curve(levels_db: tuple[float, ...], curve: int | None) -> None:
    octaves_db = dict(zip(OCTAVES_HZ, levels_db, strict=True))
    assert BackgroundNoise(octaves_db=octaves_db, calibrated=True, quiet_s=10.0).nc == curve
    assert BackgroundNoise(octaves_db=octaves_db, calibrated=False, quiet_s=10.0).nc is None


def test_nc_curves_rise_with_their_number_and_fall_with_the_pitch() -> None:
    table = np.array(list(NC_CURVES_DB.values()))
    assert (np.diff(table, axis=0) > 0).all()
    assert (np.diff(table, axis=1) < 0).all()


def test_the_quietest_stretch_has_a_silent_feed() -> None:
    feed, seat = np.zeros(400), np.full(400, 1e-6)
    feed[150] = 1e-3
    seat[160:280] = 1e-7  # quiet
    seat[30:140] = 1e-8  # quieter
    feed[30:140] = 1e-3  # but something plays
    assert quietest_s(feed, seat, step_s=0.1) == (pytest.approx(16.0), pytest.approx(26.0))
    assert quietest_s(np.ones(400), seat, step_s=0.1) is None
    assert quietest_s(np.zeros(50), np.ones(50), step_s=0.1) is None


def test_a_noisier_octave_is_told_of_calibrated_seats_from_three_weeks_on() -> None:
    kept = [noise(1.0), noise(-1.0), noise()]
    change = noise_change(noise(7.0), kept)
    assert change is not None
    assert (change.octave_hz, change.louder_db) == (250, pytest.approx(7.0))
    assert noise_change(noise(5.0), kept) is None
    assert noise_change(noise(7.0), kept[:2]) is None
    assert noise_change(noise(7.0, calibrated=False), kept) is None
    assert noise_change(noise(7.0), [noise(calibrated=False)] * 3) is None


def test_what_the_history_holds_is_read_back() -> None:
    assert noise_of_content(noise_content(noise(3.0), phase="rehearsal")) == noise(3.0)
    assert noise_of_content({"octaves_db": {"63": "loud"}, "quiet_s": 10.0}) is None
    assert noise_of_content({}) is None
