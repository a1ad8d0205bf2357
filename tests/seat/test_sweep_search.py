"""The file of sweeps and the search for them: what is in the file, and what is told of a recording of it."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from deskhand.seat.sweep_plan import PLAN, SHAPE, SILENCE_S, sweep_signal, write_sweep
from deskhand.seat.sweep_search import find_sweeps

RATE_HZ = 48000


@pytest.fixture(scope="module")
def signal() -> np.ndarray:
    return sweep_signal()


def test_the_file_starts_quiet_and_steps_up(tmp_path):
    length_s = write_sweep(tmp_path / "sweeps.wav")
    samples, rate_hz = soundfile.read(tmp_path / "sweeps.wav")
    assert (rate_hz, samples.ndim) == (RATE_HZ, 1)
    assert samples.size / rate_hz == pytest.approx(length_s)
    assert not samples[: round(SILENCE_S * rate_hz)].any()
    peaks = [
        np.abs(samples[round((SILENCE_S + planned.start_s) * rate_hz) :][: round(SHAPE.length_s * rate_hz)]).max()
        for planned in PLAN
    ]
    assert 20 * np.log10(peaks) == pytest.approx([-40.0, -30.0, -20.0, -20.0, -20.0], abs=0.01)
    # it ends in silence long enough to die away
    assert not samples[-round(4.9 * rate_hz) :].any()


def test_no_two_pauses_are_alike():
    starts_s = [planned.start_s for planned in PLAN]
    apart_s = sorted(later - earlier for later in starts_s for earlier in starts_s if later > earlier)
    assert min(np.diff(apart_s)) > 0.06


def test_each_sweep_is_known_again(signal):
    run = find_sweeps(np.concatenate([np.zeros(7 * RATE_HZ), 0.3 * signal]), sample_rate_hz=RATE_HZ)
    assert [sweep.planned for sweep in run.sweeps] == list(PLAN)
    assert [sweep.start_s for sweep in run.sweeps] == pytest.approx(
        [12.0 + planned.start_s for planned in PLAN], abs=0.001
    )
    assert abs(run.clock_ppm) < 0.5
    assert run.other_runs == 0


def test_a_part_of_the_file_is_known_again(signal):
    """From the middle of the second sweep on: the last three are there."""
    run = find_sweeps(signal[20 * RATE_HZ :], sample_rate_hz=RATE_HZ)
    assert [sweep.planned for sweep in run.sweeps] == list(PLAN[2:])


def test_a_clock_is_told(signal):
    """The same samples at a rate that is told 0.1 % too low: every pause is longer by that."""
    run = find_sweeps(signal, sample_rate_hz=RATE_HZ)
    stretched = np.interp(np.arange(signal.size) / (1 + 100e-6), np.arange(signal.size), signal)
    assert find_sweeps(stretched, sample_rate_hz=RATE_HZ).clock_ppm - run.clock_ppm == pytest.approx(100.0, abs=1.0)


@pytest.mark.parametrize("kind", ["silence", "noise", "tone", "one sweep"])
def test_nothing_is_found_where_nothing_is(rng, signal, kind):
    time_s = np.arange(30 * RATE_HZ) / RATE_HZ
    samples = {
        "silence": np.zeros(time_s.size),
        "noise": rng.standard_normal(time_s.size),
        "tone": np.sin(2 * np.pi * 440 * time_s),
        "one sweep": signal[: 16 * RATE_HZ],
    }[kind]
    assert find_sweeps(samples, sample_rate_hz=RATE_HZ) is None


def test_the_last_of_two_playings_is_taken(signal):
    run = find_sweeps(np.concatenate([signal, signal]), sample_rate_hz=RATE_HZ)
    assert run.other_runs == 1
    assert run.sweeps[0].start_s == pytest.approx(signal.size / RATE_HZ + SILENCE_S, abs=0.001)
