"""What moves, comes late, is bent or is added between two signals, made by numpy and scipy at known settings.

Covers, in this order: anchors; impulse responses; rooms and echoes; noise and hum; saturation; tremolo and rides; levels and laws;
the test signal; which explanation wins.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
import scipy.signal as ss
import soundfile
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.compare.account import describe_law, kind_of
from deskhand.compare.align import align
from deskhand.compare.anchors import find_anchors, jumps_between, shared_anchors
from deskhand.compare.bend import describe_bend, find_bend
from deskhand.compare.impulse import impulse_response
from deskhand.compare.laws import read_gain
from deskhand.compare.movement import find_tremolo, slow_gain
from deskhand.compare.moving_delay import find_moving_delay
from deskhand.compare.probe import RATE_HZ as PROBE_HZ
from deskhand.compare.probe import probe
from deskhand.compare.rival import explain
from deskhand.compare.search import fit_law
from deskhand.compare.space import find_space
from deskhand.compare.steady import find_steady

RATE_HZ = 8000


@functools.cache
def programme(seconds: float = 12.0, seed: int = 1, channels: int = 1) -> np.ndarray:
    """(channels, frames) of noise in notes of many levels, soft and loud, each dying away."""
    rng = np.random.default_rng(seed)
    frames = round(seconds * RATE_HZ)
    signal = np.zeros((channels, frames))
    for first in range(0, frames, RATE_HZ // 4):
        note = rng.standard_normal((channels, min(RATE_HZ // 2, frames - first)))
        note *= 10 ** (rng.uniform(-30, 0) / 20) * np.exp(-np.arange(note.shape[1]) / RATE_HZ / rng.uniform(0.05, 0.3))
        signal[:, first : first + note.shape[1]] += note
    signal = ss.sosfilt(ss.butter(2, 2500, fs=RATE_HZ, output="sos"), signal, axis=1)
    return 0.5 * signal / np.abs(signal).max()


def followed(amplitude: np.ndarray, attack_ms: float, release_ms: float) -> np.ndarray:
    """Level that a detector with attack and release reads, sample by sample."""
    keeps = [float(np.exp(-1000.0 / (time_ms * RATE_HZ))) for time_ms in (attack_ms, release_ms)]
    level, held = np.empty(amplitude.size), 0.0
    for index, value in enumerate(amplitude.tolist()):
        keep = keeps[0] if value > held else keeps[1]
        held = keep * held + (1.0 - keep) * value
        level[index] = held
    return level


def squeezed(signal: np.ndarray, threshold_db: float, ratio: float, attack_ms: float, release_ms: float) -> np.ndarray:
    """Gain factor of a compressor that follows amplitudes and has no knee."""
    level_db = 20 * np.log10(followed(np.abs(signal).max(axis=0), attack_ms, release_ms) + 1e-9)
    return 10 ** (-np.maximum(level_db - threshold_db, 0.0) * (1.0 - 1.0 / ratio) / 20)


class TestAnchors:
    def test_a_shorter_recording_that_starts_later(self):
        noise = np.random.default_rng(1).standard_normal((1, 30 * RATE_HZ))
        alignment = align(noise, noise[:, 9 * RATE_HZ : 19 * RATE_HZ], RATE_HZ)
        assert alignment.same_performance
        assert alignment.delay_samples == pytest.approx(-9 * RATE_HZ, abs=0.02)

    def test_a_cut_inside(self):
        noise = np.random.default_rng(2).standard_normal((1, 40 * RATE_HZ))
        after = np.concatenate([noise[:, : 15 * RATE_HZ], noise[:, 18 * RATE_HZ :]], axis=1)
        groups = shared_anchors(find_anchors(noise, after, RATE_HZ), RATE_HZ)
        [jump] = jumps_between(groups, RATE_HZ)
        assert jump.gone_s == pytest.approx(3.0, abs=0.01)
        assert jump.after_s < 15.0 < 18.0 < jump.until_s + 4.0
        alignment = align(noise, after, RATE_HZ)
        assert alignment.used is not None
        assert alignment.used[1] - alignment.used[0] > 12 * RATE_HZ

    def test_stretches_of_digital_silence_take_nothing_away(self):
        noise = np.random.default_rng(3).standard_normal((1, 24 * RATE_HZ))
        gated = noise.copy()
        gated[:, 4 * RATE_HZ : 16 * RATE_HZ] = 0.0
        assert align(noise, gated, RATE_HZ).same_performance

    def test_what_has_nothing_in_common(self):
        first, second = np.random.default_rng(4).standard_normal((2, 1, 24 * RATE_HZ))
        assert not align(first, second, RATE_HZ).same_performance


def test_an_impulse_response_is_that_of_the_filter():
    taps = ss.firwin(63, 1200, fs=RATE_HZ)
    signal = programme(6.0)
    response = impulse_response(signal, ss.lfilter(taps, 1.0, signal, axis=1), RATE_HZ, 0.05)
    first = response.direct
    assert response.residual_db < -60.0
    hz, wanted = ss.freqz(taps, fs=RATE_HZ, worN=200)
    found = ss.freqz(response.taps[0, first:], fs=RATE_HZ, worN=hz)[1]
    assert np.abs(found)[(hz > 100) & (hz < 2000)] == pytest.approx(np.abs(wanted)[(hz > 100) & (hz < 2000)], abs=0.02)


class TestSpace:
    @pytest.mark.source("ISO 3382-1: a decay time is that of 60 dB")
    def test_a_room_of_known_decay(self):
        rng = np.random.default_rng(5)
        decay_s, wet_db = 0.8, -9.0
        tail = rng.standard_normal(RATE_HZ) * 10 ** (-3 * np.arange(RATE_HZ) / RATE_HZ / decay_s)
        signal = programme(16.0)
        wet = ss.oaconvolve(signal, np.concatenate([np.zeros(160), tail])[None], axes=1)[:, : signal.shape[1]]
        wet *= 10 ** (wet_db / 20) * np.sqrt(np.sum(signal**2) / np.sum(wet**2))
        space = find_space(signal, signal + wet, RATE_HZ)
        assert space is not None
        assert space.reverb is not None
        assert space.reverb.decay_s == pytest.approx(decay_s, rel=0.15)
        assert space.reverb.wet_db == pytest.approx(wet_db, abs=1.0)
        assert space.reverb.pre_delay_ms == pytest.approx(20.0, abs=4.0)
        assert all(octave.interval_s.low < octave.decay_s < octave.interval_s.high for octave in space.reverb.octaves)

    def test_echoes_by_time_and_level(self):
        signal = programme(16.0)
        after = signal.copy()
        for time_s, level in ((0.15, 0.5), (0.4, 0.3)):
            frames = round(time_s * RATE_HZ)
            after[:, frames:] += level * signal[:, :-frames]
        space = find_space(signal, after, RATE_HZ)
        assert space is not None
        assert space.reverb is None
        assert [echo.time_ms for echo in space.echoes] == pytest.approx([150.0, 400.0], abs=0.2)
        assert [echo.level_db for echo in space.echoes] == pytest.approx([-6.0, -10.5], abs=0.5)


class TestSteady:
    @pytest.mark.source("AES17-2020, 3.12.1: a full-scale sine reads 0 dBFS")
    def test_hum_by_line(self):
        signal = programme(12.0)
        time_s = np.arange(signal.shape[1]) / RATE_HZ
        hum = 0.01 * np.sin(2 * np.pi * 49.96 * time_s) + 0.004 * np.sin(2 * np.pi * 149.88 * time_s + 1.0)
        steady = find_steady(signal, hum[None], RATE_HZ)
        assert steady is not None
        assert steady.addition.mains_hz == pytest.approx(49.96, abs=0.01)
        levels = {round(line.frequency_hz): line.level_dbfs for line in steady.addition.lines}
        assert levels == pytest.approx({50: -40.0, 150: -48.0}, abs=0.1)
        assert steady.addition.hum_dbfs == pytest.approx(10 * np.log10(0.01**2 + 0.004**2), abs=0.1)

    def test_noise_by_level(self):
        signal = programme(12.0)
        noise = 1e-3 * np.random.default_rng(6).standard_normal(signal.shape)
        steady = find_steady(signal, noise, RATE_HZ)
        assert steady is not None
        assert steady.addition.hum_dbfs is None
        assert steady.addition.noise_dbfs == pytest.approx(-60.0 + 3.01, abs=0.2)

    def test_what_follows_the_programme_is_not_added(self):
        signal = programme(12.0)
        assert find_steady(signal, 0.01 * np.sign(signal) * signal**2, RATE_HZ) is None


class TestBend:
    @pytest.mark.parametrize("offset", [0.0, 0.4])
    def test_the_curve_of_a_saturation(self, offset):
        signal = programme(8.0)
        after = np.tanh(4.0 * signal + offset) - np.tanh(offset)
        bend = find_bend(signal, after)
        assert bend.residual_db < -45.0
        inputs = np.linspace(-0.4, 0.4, 9)
        assert bend.through(inputs) == pytest.approx(np.tanh(4.0 * inputs + offset) - np.tanh(offset), abs=0.02)
        saturation = describe_bend(bend, signal, after, RATE_HZ)
        assert saturation.uneven is bool(offset)
        assert saturation.squash_db > 2.0
        assert saturation.squash_interval_db.low <= saturation.squash_db <= saturation.squash_interval_db.high


class TestMovement:
    def test_a_tremolo_by_rate_and_depth(self):
        signal = programme(12.0)
        gain = 1.0 - 0.35 * (1 + np.sin(2 * np.pi * 5.3 * np.arange(signal.shape[1]) / RATE_HZ)) / 2
        tremolo = find_tremolo(signal, gain * signal, RATE_HZ)
        assert tremolo is not None
        moving, modulation = tremolo
        assert modulation.rate_hz == pytest.approx(5.3, abs=0.03)
        assert modulation.depth_db == pytest.approx(-20 * np.log10(0.65), abs=0.3)
        assert moving.residual_db < -30.0

    @pytest.mark.parametrize("sounding_s", [0.0, 3.0])
    def test_a_before_that_is_mostly_digital_silence(self, sounding_s):
        signal = programme(12.0).copy()
        signal[:, round(sounding_s * RATE_HZ) :] = 0.0
        assert find_tremolo(signal, 0.5 * signal, RATE_HZ) is None

    def test_a_ride_is_followed_and_is_no_tremolo(self):
        signal = programme(12.0)
        gain = 10 ** (np.interp(np.arange(signal.shape[1]), [0, 30000, 60000, 96000], [-6, 2, -3, 0]) / 20)
        moving = slow_gain(signal, gain * signal, RATE_HZ)
        assert moving.residual_db < -30.0
        assert find_tremolo(signal, gain * signal, RATE_HZ) is None

    def test_a_delay_that_moves(self):
        signal = programme(12.0)
        index = np.arange(signal.shape[1])
        delay = RATE_HZ * (0.030 + 0.004 * np.sin(2 * np.pi * 0.5 * index / RATE_HZ))
        second = np.interp(index - delay, index, signal[0])[None]
        modulation = find_moving_delay(signal, signal + 0.7 * second, RATE_HZ)
        assert modulation is not None
        assert modulation.rate_hz == pytest.approx(0.5, abs=0.1)
        assert modulation.depth_ms == pytest.approx(8.0, rel=0.25)
        assert find_moving_delay(signal, signal, RATE_HZ) is None


class TestLaws:
    @pytest.mark.source(
        "Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60 (2012) 399: a level smoothed in front of the law"
    )
    def test_a_compressor_that_smooths_the_level(self):
        signal = programme(16.0)
        after = 1.5 * squeezed(signal, -22.0, 3.0, 4.0, 90.0) * signal
        law = fit_law(read_gain(signal, after, RATE_HZ))
        assert law is not None
        dynamics = describe_law(law, after, 0.0)
        assert (dynamics.kind, dynamics.smooths, dynamics.senses) == ("compressor", "level", "peak")
        assert dynamics.threshold_dbfs == pytest.approx(-22.0, abs=0.5)
        assert dynamics.ratio == pytest.approx(3.0, rel=0.05)
        assert dynamics.attack_ms == pytest.approx(4.0, rel=0.15)
        assert dynamics.release_ms == pytest.approx(90.0, rel=0.1)
        assert dynamics.makeup_db == pytest.approx(3.52, abs=0.2)
        for name, truth in (("threshold_dbfs", -22.0), ("ratio", 3.0), ("attack_ms", 4.0), ("release_ms", 90.0)):
            assert dynamics.intervals[name].low <= truth <= dynamics.intervals[name].high

    def test_what_is_always_above_its_threshold(self):
        signal = programme(16.0)
        after = squeezed(signal, -75.0, 2.0, 4.0, 400.0) * signal
        law = fit_law(read_gain(signal, after, RATE_HZ))
        assert law is not None
        dynamics = describe_law(law, after, 0.0)
        assert dynamics.threshold_dbfs is None
        assert "cannot be told apart" in dynamics.note
        assert dynamics.ratio == pytest.approx(2.0, rel=0.1)

    def test_a_gate(self):
        signal = programme(16.0)
        level_db = 20 * np.log10(followed(np.abs(signal).max(axis=0), 1.0, 60.0) + 1e-9)
        gain_db = -np.clip((-28.0 - level_db) * 3.0, 0.0, 24.0)
        after = 10 ** (gain_db / 20) * signal
        law = fit_law(read_gain(signal, after, RATE_HZ))
        assert law is not None
        assert kind_of(law) == "gate"
        dynamics = describe_law(law, after, 0.0)
        assert dynamics.threshold_dbfs == pytest.approx(-28.0, abs=0.5)
        assert dynamics.range_db == pytest.approx(24.0, abs=0.5)

    def test_the_untouched_signal_beside_it(self):
        signal = programme(16.0)
        after = (0.5 + 0.5 * squeezed(signal, -32.0, 6.0, 3.0, 70.0)) * signal
        law = fit_law(read_gain(signal, after, RATE_HZ))
        assert law is not None
        dynamics = describe_law(law, after, 0.0)
        assert dynamics.blend == pytest.approx(0.5, abs=0.06)
        assert dynamics.ratio == pytest.approx(6.0, rel=0.15)


class TestProbe:
    def test_it_begins_quiet_and_never_clips(self):
        signal = probe()
        second = signal[: signal.size // PROBE_HZ * PROBE_HZ].reshape(-1, PROBE_HZ)
        level_db = 10 * np.log10(2.0 * np.mean(second**2, axis=1) + 1e-12)
        assert level_db[:20].max() < -29.0
        assert level_db.max() < 0.0
        assert np.abs(signal).max() < 0.95
        assert int(np.argmax(level_db)) > 25

    def test_it_is_the_same_each_time_and_is_written(self, tmp_path):
        done = CliRunner().invoke(main, ["compare", "--write-probe", str(tmp_path / "probe.wav")])
        assert done.exit_code == 0, done.output
        assert "harms ears" in done.output
        written, rate = soundfile.read(tmp_path / "probe.wav")
        assert rate == PROBE_HZ
        assert written == pytest.approx(probe(), abs=1e-6)

    def test_one_line_where_recordings_are_missing(self, tmp_path):
        done = CliRunner().invoke(main, ["compare"])
        assert done.exit_code == 2
        assert "needs two recordings" in done.output
        done = CliRunner().invoke(main, ["compare", "--write-probe", str(tmp_path / "nowhere" / "probe.wav")])
        assert done.exit_code == 2
        assert "cannot be written" in done.output


class TestRivals:
    @pytest.mark.parametrize(
        ("model", "made"),
        [
            ("saturation", lambda x: np.tanh(5.0 * x)),
            ("level-dependent gain", lambda x: squeezed(x, -26.0, 4.0, 3.0, 80.0) * x),
            ("linear, with noise or hum", lambda x: x + 2e-3 * np.random.default_rng(7).standard_normal(x.shape)),
            ("linear", lambda x: ss.sosfilt(ss.butter(1, 300, "highpass", fs=RATE_HZ, output="sos"), x, axis=1)),
        ],
    )
    def test_the_one_that_was_made_wins(self, model, made):
        signal = programme(12.0)
        competition = explain(signal, made(signal), RATE_HZ, lambda _share: None)
        assert competition.chosen.model == model
        assert competition.rivals[0].model == model
        assert competition.doubt == ""

    def test_what_no_model_holds_is_told_as_doubt(self):
        """Another band, as loud, on the same recording."""
        both = programme(12.0) + programme(12.0, seed=9)
        assert explain(programme(12.0), both, RATE_HZ, lambda _share: None).doubt != ""


@pytest.mark.source("known truth: nothing is missing, the music says the same thing twice")
def test_what_is_played_again_louder_is_no_cut(rng: np.random.Generator) -> None:
    rate_hz = 24000
    verse, chorus = rng.standard_normal((2, 5 * rate_hz))
    # the soft verse is found again best where it comes back loud
    before = np.concatenate([0.1 * verse, 0.1 * chorus, verse, chorus, 0.05 * rng.standard_normal(4 * rate_hz)])[None]
    assert align(before, 0.5 * before, rate_hz).jumps == ()
