"""Gains that ask for the level: upward compression, the link of two sides, the order of two effects, and how they are searched for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal as ss
import soundfile

from deskhand.chain.blocks import RMS_S
from deskhand.compare.account import describe_law
from deskhand.compare.align import _line_through, _WindowDelay
from deskhand.compare.impulse import impulse_response
from deskhand.compare.laws import Bench, ModelMake, read_gain, settings
from deskhand.compare.rival import explain
from deskhand.compare.run import compare
from deskhand.compare.search import fit_law
from deskhand.compare.sides import fit_legs, legs_apart, link_of
from deskhand.dsp import dynamics, trials
from tests.compare.test_effects import RATE_HZ, followed, programme, squeezed
from tests.support.published_compressor import published_gain

WARM = ss.butter(2, 700.0, "lowpass", fs=RATE_HZ, output="sos")


def warmed(signal: np.ndarray) -> np.ndarray:
    """Signal with its highs 8 dB down."""
    return 0.4 * signal + 0.6 * ss.sosfilt(WARM, signal, axis=1)


def lifted(signal: np.ndarray) -> np.ndarray:
    """(frames,) gain that lifts what is below -16 dBFS by half of what it lacks, by 9 dB at most."""
    level_db = 20 * np.log10(followed(np.abs(signal).max(axis=0), 3.0, 80.0) + 1e-9)
    return 10 ** (np.clip(0.5 * (-16.0 - level_db), 0.0, 9.0) / 20)


class TestSearch:
    @pytest.mark.source(
        "the same settings one at a time (deskhand.dsp.dynamics), which tests of their own hold to Giannoulis et al. 2012"
    )
    @pytest.mark.parametrize("law", ["above", "below"])
    def test_four_settings_at_once_are_what_each_is_alone(self, law, rng):
        level_db = np.repeat(rng.uniform(-60.0, 0.0, 400), 20)
        laws = np.array(
            [[-30.0, 0.5, 6.0, 20.0], [-20.0, 0.8, 0.0, 99.0], [-25.0, 0.3, 3.0, 99.0], [-10.0, 0.6, 12.0, 99.0]]
        )
        if law == "below":
            laws[:, 2] = 0.0
        keeps = rng.uniform(0.9, 0.999, (2, 4))
        smoothed = np.empty((4, level_db.size // 10))
        trials.smooth_reductions(level_db, 1.0 if law == "above" else -1.0, laws, keeps[0], keeps[1], 3, 10, smoothed)
        for number, (threshold, slope, knee, most) in enumerate(laws):
            if law == "above":
                alone = level_db.copy()
                dynamics.compress(alone, threshold, 1.0 / (1.0 - slope), knee)
                alone = np.minimum(alone, most)
                dynamics.smooth(alone, keeps[0, number], keeps[1, number], np.zeros(1))
            else:
                alone = np.clip((threshold - level_db) * slope, 0.0, most)
                dynamics.smooth_gate(alone, keeps[0, number], keeps[1, number], np.zeros(1))
            assert smoothed[number] == pytest.approx(alone[3::10], abs=1e-8)

    @pytest.mark.source("the same settings one at a time (deskhand.dsp.dynamics)")
    def test_four_levels_at_once_are_what_each_is_alone(self, rng):
        amplitude = np.abs(rng.standard_normal(4000)) + 1e-25
        keeps = rng.uniform(0.9, 0.999, (2, 4))
        smoothed = np.empty((4, 400))
        trials.smooth_levels(amplitude, keeps[0], keeps[1], 4, 10, smoothed)
        for number in range(4):
            alone = amplitude.copy()
            dynamics.smooth(alone, keeps[0, number], keeps[1, number], np.zeros(1))
            assert smoothed[number] == pytest.approx(alone[4::10], rel=1e-9)

    @pytest.mark.parametrize("detector", ["level peak", "level rms", "gain peak", "gain rms", "look-ahead"])
    def test_several_rows_of_a_bench_are_what_each_is_alone(self, detector):
        signal = programme(4.0)
        bench = Bench(read_gain(signal, signal, RATE_HZ))
        shape = ModelMake(
            detector=detector, law="above", ahead_s=0.002 if detector == "look-ahead" else 0.0, blend=False
        )
        rows = np.array([[-30.0 + step, 1.0, 3.0, 2.0 + 0.3 * step, 6.0 - 0.2 * step, 40.0, 1.0] for step in range(6)])
        together = bench.stride_gains(shape, rows)
        for row, gain in zip(rows, together, strict=True):
            assert Bench(bench.reading).stride_gain(shape, row) == pytest.approx(gain, abs=1e-9)
        assert settings(rows[0])["ratio"] == pytest.approx(3.0)
        assert pytest.approx(0.01) == RMS_S

    def test_a_response_is_that_of_the_filter_where_the_recording_ends_in_the_middle_of_a_note(self, rng):
        signal = rng.standard_normal((1, 30000))
        response = impulse_response(signal, ss.sosfilt(WARM, signal, axis=1), RATE_HZ, 0.1)
        impulse = np.zeros(800)
        impulse[0] = 1.0
        assert response.taps[0, response.direct :][:200] == pytest.approx(ss.sosfilt(WARM, impulse)[:200], abs=1e-5)
        assert response.residual_db < -80.0


class TestUpward:
    @pytest.mark.source("known truth: a gain that lifts by half of what is missing below -16 dBFS, by 9 dB at most")
    def test_it_is_told_with_its_range(self):
        signal = programme(16.0)
        after = lifted(signal) * signal
        law = fit_law(read_gain(signal, after, RATE_HZ))
        assert law is not None
        gain = describe_law(law, after, 0.0)
        assert gain.kind == "upward compressor"
        assert gain.threshold_dbfs == pytest.approx(-16.0, abs=1.0)
        assert gain.ratio == pytest.approx(2.0, rel=0.1)
        assert gain.range_db == pytest.approx(9.0, abs=0.6)
        assert gain.reduction_db.p95 < -5.0


class TestSides:
    SIDES = np.concatenate([programme(12.0), 0.5 * programme(12.0, seed=3)])

    @staticmethod
    def each(signal):
        return np.concatenate([squeezed(side[None], -28.0, 4.0, 3.0, 80.0) * side[None] for side in signal])

    def test_one_detector_for_both(self):
        after = squeezed(self.SIDES, -28.0, 4.0, 3.0, 80.0) * self.SIDES
        assert link_of(self.SIDES, after, RATE_HZ) == "linked"
        assert legs_apart(self.SIDES, after, RATE_HZ) == []

    def test_one_detector_for_each(self):
        after = self.each(self.SIDES)
        assert link_of(self.SIDES, after, RATE_HZ) == "dual"
        assert legs_apart(self.SIDES, after, RATE_HZ)[0] == ("left", "right")
        laws = fit_legs(self.SIDES, after, RATE_HZ, ("left", "right"))
        assert laws is not None
        assert laws.active == [0, 1]
        assert laws.residual_db < -40.0
        for law in laws.laws:
            assert settings(law.values)["ratio"] == pytest.approx(4.0, rel=0.1)

    def test_sides_that_are_alike_do_not_tell(self):
        signal = np.repeat(programme(12.0), 2, axis=0)
        assert link_of(signal, self.each(signal), RATE_HZ) == "cannot be told"


class TestTwo:
    @pytest.mark.parametrize("order", ["first", "second"])
    def test_the_order_of_tone_and_compressor(self, order):
        signal = programme(12.0)
        if order == "first":
            after = warmed(squeezed(signal, -30.0, 4.0, 3.0, 80.0) * signal)
        else:
            after = squeezed(warmed(signal), -34.0, 4.0, 3.0, 80.0) * warmed(signal)
        chosen = explain(signal, after, RATE_HZ, lambda _share: None).chosen
        assert chosen.law is not None
        assert chosen.model == "tone and level-dependent gain"
        assert chosen.order == order

    def test_a_saturation_behind_a_compressor(self):
        signal = programme(12.0)
        after = np.tanh(3.0 * squeezed(signal, -30.0, 3.0, 3.0, 80.0) * signal)
        chosen = explain(signal, after, RATE_HZ, lambda _share: None).chosen
        assert chosen.law is not None
        assert chosen.bend is not None


@pytest.mark.source(
    "sox: a high-pass at 124 Hz and a shelf at 3.1 kHz on a guitar, one clock; the delays that were read"
)
def test_less_than_a_sample_is_no_drift():
    """The peak that a filter moves wanders by half a sample as the music changes; the clock does not."""
    delays = {3.8: -0.67, 7.8: -0.52, 11.8: -0.49, 15.8: -0.41, 17.8: -0.44, 21.8: -0.33}
    windows = [
        _WindowDelay(centre=44100.0 * second, delay_samples=delay, sign=1.0, prominence=180.0)
        for second, delay in delays.items()
    ]
    assert _line_through(windows, drifts=False).drift_ppm == 0.0
    clock = [replace(window, delay_samples=window.delay_samples + 2e-6 * window.centre) for window in windows]
    assert _line_through(clock, drifts=False).drift_ppm == pytest.approx(2.4, abs=0.2)


@pytest.mark.source("known truth: AFTER is another performance in which BEFORE is drowned")
def test_what_is_drowned_by_another_performance_is_told_as_such(tmp_path, rng):
    rate_hz = 44100
    before = 0.1 * rng.standard_normal(6 * rate_hz) * np.repeat(10 ** (rng.uniform(-20.0, 0.0, 60) / 20), rate_hz // 10)
    after = 0.1 * rng.standard_normal(before.size) + 0.2 * before
    for name, signal in (("before", before), ("after", after)):
        soundfile.write(tmp_path / f"{name}.wav", signal, rate_hz, subtype="FLOAT")
    result = compare(tmp_path / "before.wav", tmp_path / "after.wav").result
    assert not result.alignment.same_performance
    assert "not the same performance" in result.verdict[0]


class TestPublished:
    @pytest.mark.source(
        "Gorlow & Reiss, IEEE Trans. Audio Speech Lang. Process. 21 (2013) 1434: the static curve (v / l)^-(1 - 1/R)"
    )
    def test_at_rest_it_is_on_the_static_curve(self):
        factors = 1.0 - np.exp(-2.2 * 1000.0 / (np.array([5.0, 5.0, 10.0, 100.0]) * 48000))
        gain = published_gain(np.full(96000, 0.5), 0.1, 1.0 - 1.0 / 4.0, factors)
        assert gain[-1] == pytest.approx(5.0**-0.75, rel=1e-6)

    @pytest.mark.source("arXiv 2411.04337, code: a time of T ms is that from 10 to 90 %, 2.2 time constants")
    def test_its_attack_takes_from_10_to_90_percent_what_it_says(self):
        factors = 1.0 - np.exp(-2.2 * 1000.0 / (np.array([0.001, 0.001, 50.0, 100.0]) * 48000))
        gain = published_gain(np.full(48000, 0.5), 0.1, 1.0 - 1.0 / 4.0, factors)
        moved = (1.0 - gain) / (1.0 - gain[-1])
        taken_ms = 1000.0 * (np.argmax(moved > 0.9) - np.argmax(moved > 0.1)) / 48000
        assert taken_ms == pytest.approx(50.0, rel=0.02)
