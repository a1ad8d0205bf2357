"""What lies between two recordings, on real music through independent tools, and the cases in which nothing does.

Covers, in this order: null cases; alignment; response and shapes against sox; a compressor's settings and gain over time; legs; the
nearest chain; the command, its files and what it refuses; a twentieth of the study.
"""

from __future__ import annotations

import functools
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import scipy.signal as ss
import soundfile
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.chain.run import run as run_chain
from deskhand.cli import main
from deskhand.compare.align import align, shifted
from deskhand.compare.filter_shapes import FilterShape, response_db
from deskhand.compare.run import Comparison, compare
from deskhand.compare.shapes import describe
from deskhand.house import make_block, parse_house
from tests.support import material
from tests.support.hypotheses import examples
from tests.support.needs import require

if TYPE_CHECKING:
    from click.testing import Result

pytestmark = pytest.mark.real
RATE_HZ = 44100


@functools.cache
def music(at: int = 0, length_s: float = 10.0) -> np.ndarray:
    """(2, frames) of a real song; not to be written into."""
    title = material.TITLES[at % len(material.TITLES)]
    found, rate = soundfile.read(material.guitar_song(title) / "song.wav")
    assert rate == RATE_HZ
    first = 20 * RATE_HZ
    return np.ascontiguousarray(found[first : first + round(length_s * RATE_HZ)].T)


def between(folder: Path, before: np.ndarray, after: np.ndarray) -> Comparison:
    for name, signal in (("before", before), ("after", after)):
        soundfile.write(folder / f"{name}.wav", signal.T, RATE_HZ, subtype="DOUBLE")
    return compare(folder / "before.wav", folder / "after.wav")


def delayed(signal: np.ndarray, samples: float) -> np.ndarray:
    """By any part of a sample, by turning the spectrum."""
    size = signal.shape[1] + 1024
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * samples)
    return np.fft.irfft(np.fft.rfft(signal, size, axis=1) * turn, size, axis=1)


class TestNothing:
    def test_identical_files(self, tmp_path):
        result = between(tmp_path, music(), music()).result
        assert result.verdict == ("The two are the same.",)
        assert result.alignment.same_performance
        assert result.shapes == ()
        assert result.dynamics == ()
        assert abs(result.alignment.gain_db) < 0.005
        assert result.loudness_change_lu == pytest.approx(0.0, abs=0.005)

    @pytest.mark.parametrize("gain_db", [-6.0, 1.5])
    def test_only_gain(self, tmp_path, gain_db):
        result = between(tmp_path, music(), 10 ** (gain_db / 20) * music()).result
        assert "Nothing but level changed." in result.verdict
        assert result.alignment.gain_db == pytest.approx(gain_db, abs=0.01)
        assert result.loudness_change_lu == pytest.approx(gain_db, abs=0.01)
        assert (result.shapes, result.dynamics) == ((), ())

    @pytest.mark.parametrize("delay", [250.0, 31.37])
    def test_only_delay(self, tmp_path, delay):
        result = between(tmp_path, music(), delayed(music(), delay)).result
        assert result.alignment.delay_samples == pytest.approx(delay, abs=0.02)
        assert (result.shapes, result.dynamics) == ((), ())
        assert any("ms late" in text for text in result.verdict)

    def test_only_polarity(self, tmp_path):
        result = between(tmp_path, music(), -music()).result
        assert result.alignment.polarity == -1
        assert (result.shapes, result.dynamics) == ((), ())
        assert any("upside down" in text for text in result.verdict)

    def test_files_of_other_performances(self, tmp_path):
        result = between(tmp_path, music(0), music(1)).result
        assert not result.alignment.same_performance
        assert result.response == ()
        assert "not the same performance" in result.verdict[0]
        assert set(result.not_measured.values()) == {"the two are not the same performance"}

    def test_a_clock_that_is_40_ppm_fast(self, tmp_path):
        """Resampled exactly, as a periodic signal, by scipy."""
        signal = music(0, 15.0)
        frames = round(signal.shape[1] * (1 + 40e-6))
        result = between(tmp_path, signal, ss.resample(signal, frames, axis=1)).result
        true_ppm = 1e6 * (frames / signal.shape[1] - 1)
        assert result.alignment.drift_ppm == pytest.approx(true_ppm, abs=0.3)
        assert (result.shapes, result.dynamics) == ((), ())
        assert result.residual_db < -50.0


@settings(max_examples=examples(12), deadline=None, derandomize=True, database=None)
@given(delay=st.floats(-3000, 3000), sign=st.sampled_from([1, -1]), gain=st.floats(0.1, 3.0))
def test_alignment_of_noise(delay, sign, gain):
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((1, 10 * RATE_HZ))
    size = noise.shape[1]
    turned = np.fft.irfft(
        np.fft.rfft(noise, 2 * size) * np.exp(-2j * np.pi * np.fft.rfftfreq(2 * size) * delay), 2 * size
    )[:, :size]
    found = align(noise, sign * gain * turned, RATE_HZ)
    assert found.same_performance
    assert found.polarity == sign
    assert found.delay_samples == pytest.approx(delay, abs=0.02)
    assert found.drift_ppm == 0.0


def test_what_is_shifted_is_where_it_should_be():
    time = np.arange(2000) / 48000
    wave = np.sin(2 * np.pi * 1000 * time)[None]
    for delay in (0.0, 12.0, 3.37, -5.5):
        moved = shifted(wave, delay, 0.0, 2000)[0, 200:1800]
        assert moved == pytest.approx(np.sin(2 * np.pi * 1000 * (time[200:1800] + delay / 48000)), abs=1e-5)


def sox(signal: np.ndarray, *effects: str) -> np.ndarray:
    require("sox")
    from tests.support.processors import sox as through

    return through(signal, list(effects))


class TestResponse:
    def test_shapes_of_sox(self, tmp_path):
        from tests.support.processors import response_of

        effects = [
            "highpass",
            "-2",
            "80",
            "0.7071q",
            "equalizer",
            "700",
            "1.2q",
            "3.5",
            "treble",
            "-4",
            "5000",
            "0.7071q",
        ]
        found = between(tmp_path, music(), sox(music(), *effects))
        shapes = {one.block: one for one in found.result.shapes}
        assert set(shapes) == {"high-pass", "bell", "high-shelf"}
        for block, hz, gain_db in (("high-pass", 80, None), ("bell", 700, 3.5), ("high-shelf", 5000, -4.0)):
            assert abs(np.log2(shapes[block].frequency_hz / hz)) < 1 / 12
            if gain_db is not None:
                assert shapes[block].gain_db == pytest.approx(gain_db, abs=0.3)
        assert {one.on for one in found.result.shapes} == {"both"}
        assert shapes["high-pass"].slope_db_per_octave == 12.0
        hz, true_db = response_of(effects)
        for point in found.result.response:
            if point.leg == "left" and 60 < point.frequency_hz < 12000:
                assert point.magnitude_db == pytest.approx(np.interp(point.frequency_hz, hz, true_db), abs=0.1), point

    @pytest.mark.parametrize("delay", [0.0, 40.3])
    def test_a_delay_behind_an_equaliser_is_not_mixed_up_with_the_phase_of_its_filters(self, tmp_path, delay):
        """A minimum-phase filter holds the middle back as well: 0.2 sample and more with these shapes."""
        made = sox(music(), "equalizer", "3000", "1q", "6", "treble", "-5", "6000", "0.7071q")
        result = between(tmp_path, music(), delayed(made, delay)).result
        assert result.alignment.delay_samples == pytest.approx(delay, abs=0.05)

    def test_sides_that_differ(self, tmp_path):
        after = np.stack([sox(music()[:1], "equalizer", "1000", "1q", "4")[0], music()[1]])
        result = between(tmp_path, music(), after).result
        assert {(one.block, one.on) for one in result.shapes} == {("bell", "left")}

    def test_what_is_done_to_the_sides_only(self, tmp_path):
        middle, side = 0.5 * (music()[0] + music()[1]), 0.5 * (music()[0] - music()[1])
        side = sox(side[None], "equalizer", "2000", "1q", "5")[0]
        result = between(tmp_path, music(), np.stack([middle + side, middle - side])).result
        [shape] = result.shapes
        assert (shape.block, shape.on) == ("bell", "side")
        assert shape.gain_db == pytest.approx(5.0, abs=0.3)

    def test_one_channel(self, tmp_path):
        result = between(tmp_path, music()[:1], sox(music()[:1], "equalizer", "400", "2q", "-5")).result
        [shape] = result.shapes
        assert shape.frequency_hz == pytest.approx(400, rel=0.03)
        assert shape.gain_db == pytest.approx(-5.0, abs=0.3)

    def test_distortion_is_not_taken_for_tone(self, tmp_path):
        signal = music() / np.abs(music()).max()
        result = between(tmp_path, signal, np.tanh(1.6 * signal) / 1.6).result
        assert result.shapes == ()
        assert result.behaviours == ("saturation",)
        # what the tanh takes off the peaks
        assert result.saturation.squash_db == pytest.approx(20 * np.log10(1.6 / np.tanh(1.6)), abs=0.5)


class TestDynamics:
    SETTINGS = {
        "block": "compressor",
        "ratio": 3,
        "knee": "3 dB",
        "attack": "8 ms",
        "release": "140 ms",
        "makeup": "2 dB",
    }

    def threshold(self, signal: np.ndarray) -> float:
        level = 10 * np.log10(
            np.mean(signal[:, : signal.shape[1] // 441 * 441].reshape(signal.shape[0], -1, 441) ** 2, axis=(0, 2))
            + 1e-12
        )
        return round(float(np.percentile(level, 50)) + 3.0, 1)

    @pytest.mark.parametrize("senses", ["peak", "rms"])
    def test_settings_behind_an_equaliser(self, tmp_path, senses):
        shaped = sox(music(2), "equalizer", "1200", "1q", "4")
        threshold = self.threshold(shaped)
        block = make_block({**self.SETTINGS, "threshold": f"{threshold} dBFS", "senses": senses})
        found = between(tmp_path, music(2), run_chain(shaped, [block], sample_rate_hz=RATE_HZ))
        [one] = found.result.dynamics
        assert (one.on, one.senses) == ("both", senses)
        assert one.threshold_dbfs == pytest.approx(threshold, abs=1.0)
        assert one.ratio == pytest.approx(3.0, rel=0.15)
        assert one.attack_ms == pytest.approx(8.0, rel=0.3)
        assert one.release_ms == pytest.approx(140.0, rel=0.3)
        assert found.result.alignment.gain_db == pytest.approx(2.0, abs=0.5)
        [shape] = found.result.shapes
        assert shape.gain_db == pytest.approx(4.0, abs=0.3)
        assert found.result.chain_residual_db < -30.0

    def test_what_is_always_above_its_threshold(self, tmp_path):
        block = make_block({**self.SETTINGS, "threshold": f"{self.threshold(music(2)) - 30} dBFS"})
        result = between(tmp_path, music(2), run_chain(music(2), [block], sample_rate_hz=RATE_HZ)).result
        [one] = result.dynamics
        assert one.threshold_dbfs is None
        assert "cannot be told apart" in one.note
        assert any("cannot be told" in text for text in result.verdict)

    @pytest.mark.parametrize("leg", ["mid"])
    def test_the_leg_it_acts_on(self, tmp_path, leg):
        signal = music(2)
        heard = 0.5 * (signal[0] + signal[1]) if leg == "mid" else signal[0]
        block = make_block({**self.SETTINGS, "threshold": f"{self.threshold(heard[None])} dBFS", "on": leg})
        result = between(tmp_path, signal, run_chain(signal, [block], sample_rate_hz=RATE_HZ)).result
        [one] = result.dynamics
        assert one.on == leg
        assert one.ratio == pytest.approx(3.0, rel=0.15)


@settings(max_examples=examples(15), deadline=None, derandomize=True, database=None)
@given(
    hz=st.floats(100, 8000),
    gain=st.floats(1.0, 12.0),
    sign=st.sampled_from([1, -1]),
    q=st.floats(0.5, 5.0),
    level=st.floats(-10, 10),
)
def test_one_bell_is_one_shape(hz, gain, sign, q, level):
    grid = 1000 * 2.0 ** (np.arange(-60, 50) / 12)
    truth = FilterShape(block="bell", frequency_hz=hz, gain_db=sign * gain, q=q, slope_db_per_octave=None)
    noise = np.random.default_rng(1).normal(0.0, 0.01, grid.size)
    found = describe(
        grid, level + response_db([truth], grid, 48000, warped=False) + noise, np.full(grid.size, 0.02), 48000
    )
    [shape] = found.shapes
    assert shape.block == "bell"
    assert abs(np.log2(shape.frequency_hz / hz)) < 1 / 48
    assert shape.gain_db == pytest.approx(sign * gain, abs=0.15)
    assert found.gain_db == pytest.approx(level, abs=0.1)


def command(*arguments: object) -> Result:
    done = CliRunner().invoke(main, [str(one) for one in arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    return done


def drawn_response_db(page: str) -> tuple[np.ndarray, np.ndarray]:
    """Curve of the first picture, read off its own axes: frequencies and levels."""
    level_marks = [
        (float(y), float(text.replace("−", "-")))
        for y, text in re.findall(r'y="([\d.]+)" text-anchor="end">([−\d]+)<', page)
    ]
    words = {"31": 31.5, "1k": 1000.0, "2k": 2000.0, "4k": 4000.0, "8k": 8000.0, "16k": 16000.0}
    marks_hz = [
        (float(x), words.get(text) or float(text))
        for x, text in re.findall(r'x="([\d.]+)" y="230" text-anchor="middle">(\w+)<', page)
    ]
    [points] = re.findall(r'<polyline class="leg-1" points="([^"]+)"', page)
    places = np.array([[float(value) for value in point.split(",")] for point in points.split()])
    (top, top_db), (bottom, bottom_db) = level_marks[0], level_marks[1]
    # a mark's text stands 4 below its line
    levels_db = top_db + (places[:, 1] + 4.0 - top) * (bottom_db - top_db) / (bottom - top)
    octaves = np.interp(places[:, 0], [x for x, _ in marks_hz], np.log2([hz for _, hz in marks_hz]))
    return 2.0**octaves, levels_db


class TestCommand:
    @pytest.fixture
    def folder(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        signal = music()
        after = run_chain(
            signal,
            [make_block({"block": "bell", "frequency": "800 Hz", "gain": "-4 dB", "q": 1.0})],
            sample_rate_hz=RATE_HZ,
        )
        soundfile.write(tmp_path / "one.wav", signal.T, RATE_HZ, subtype="PCM_24")
        soundfile.write(tmp_path / "two.wav", 0.8 * after.T, RATE_HZ, subtype="PCM_24")
        monkeypatch.chdir(tmp_path)
        return tmp_path

    def test_everything_it_writes(self, folder):
        import jsonschema

        from deskhand.compare.result import compare_schema

        done = command(
            "compare", "one.wav", "two.wav", "--json", "out.json", "--audio", "heard", "--as-chain", "chain.toml"
        )
        assert done.exit_code == 0, done.output
        assert "softer" in done.output
        assert re.search(r"−4 dB at (799|800|801) Hz", done.output)
        data: dict[str, Any] = json.loads((folder / "out.json").read_text())
        jsonschema.validate(data, compare_schema())
        assert data["shapes"][0]["gain_db"] == pytest.approx(-4.0, abs=0.1)
        # the chain goes into a house file as it is, and does what was done
        text = '[house]\nname = "x"\n[[source]]\nname = "x"\nrole = "other"\ntracks = [1, 2]\n'
        house = parse_house(text + (folder / "chain.toml").read_text(), Path("house.toml"))
        assert [block.block for block in house.source[0].chain] == ["bell", "trim"]
        # equal loudness, by ffmpeg's meter where it is there
        from deskhand.compare.parts import readings

        levels = [
            readings(np.ascontiguousarray(soundfile.read(folder / "heard" / f"{name}.wav")[0].T), RATE_HZ).loudness_lufs
            for name in ("before", "after")
        ]
        assert levels[0] == pytest.approx(levels[1], abs=0.05)
        page = (folder / "two-compare.html").read_text()
        assert page.count("<svg") >= 1
        # words and picture have one zero: 0.8 is 20 lg 0.8 dB for all frequencies, and the bell is its own gain away from that
        assert "0 dB is where all frequencies end up alike (−1.9 dB)" in page
        curve = drawn_response_db(page)
        assert np.interp(800.0, *curve) == pytest.approx(-4.0, abs=0.2)
        assert np.interp(5000.0, *curve) == pytest.approx(0.0, abs=0.2)
        assert 'src="heard/before.wav"' in page
        assert "http" not in page.replace("http-equiv", "")

    @pytest.mark.parametrize(
        ("arguments", "said"),
        [
            (["one.wav", "nowhere.wav"], "nowhere.wav: no such file"),
            (["one.wav", "two.wav", "--json", "nowhere/x.json"], "cannot be written"),
            (["one.wav", "mono.wav"], "compare like with like"),
            (["short.wav", "two.wav"], "three seconds at least"),
            (["silent.wav", "two.wav"], "digital silence"),
            (["three.wav", "two.wav"], "has 3 tracks"),
        ],
    )
    def test_mistakes_get_one_line(self, folder, arguments, said):
        for name, shape in (("mono", (1, 5.0)), ("short", (2, 1.0)), ("silent", (2, 5.0)), ("three", (3, 5.0))):
            value = 0.0 if name == "silent" else 0.1
            noise = value * np.random.default_rng(1).standard_normal((round(shape[1] * RATE_HZ), shape[0]))
            soundfile.write(folder / f"{name}.wav", noise, RATE_HZ)
        done = command("compare", *arguments)
        assert done.exit_code == 2
        assert said in done.output
        assert "Traceback" not in done.output
        assert not list(folder.glob("*.html"))


@pytest.mark.parametrize("share", ["one case", "twentieth"])
def test_a_part_of_the_study(share):
    """The whole of it is `validations/compare.py`."""
    require("sox")
    from tests.support.processors import CASES, cases

    count = 1 if share == "one case" else CASES // 20
    found = list(cases(count, length_s=20.0))
    assert [one.kind for one in found] == ["linear", "compressor"][:count]
    assert found[0].worst_db < 0.3
    assert all(one.gain_off_db < 0.25 for one in found[1:])
    assert all(one.legs_right for one in found)
    assert all(one.delay_off < 0.2 for one in found)
