"""Two effects in a row, cuts, moving delays and what is left, made by numpy and scipy at known settings.

Covers, in this order: saturation and tone in either order; a gain in front of a steep filter; a gain on the sides; cuts between all
stretches that are looked for; recordings that line up and are explained by nothing; the files to listen to.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal as ss
import soundfile
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.compare.align import align
from deskhand.compare.bend import find_bend
from deskhand.compare.model import resting_model
from deskhand.compare.rival import explain
from deskhand.compare.run import compare
from tests.compare.test_effects import RATE_HZ, programme, squeezed


def toned(signal: np.ndarray) -> np.ndarray:
    """Signal through a high-pass and more highs, of minimum phase."""
    steep = ss.sosfilt(ss.butter(2, 300, "highpass", fs=RATE_HZ, output="sos"), signal, axis=1)
    return steep + 0.6 * ss.sosfilt(ss.butter(1, 1500, "highpass", fs=RATE_HZ, output="sos"), steep, axis=1)


@pytest.mark.source("known truth: a hyperbolic tangent and filters of scipy")
class TestRows:
    @pytest.mark.parametrize(
        ("model", "made"),
        [
            ("saturation and tone", lambda x: toned(np.tanh(6.0 * x))),
            ("tone and saturation", lambda x: np.tanh(6.0 * toned(x))),
        ],
    )
    def test_saturation_and_tone(self, model, made):
        signal = programme(6.0)
        chosen = explain(signal, made(signal), RATE_HZ, lambda _share: None).chosen
        assert chosen.model == model
        assert chosen.residual_db < -38.0
        # the tone lies between the two signals that are left
        transfer = resting_model(chosen.before, chosen.after, RATE_HZ, ("left",)).joint.transfers[0]
        level_db = 20 * np.log10(np.abs(np.interp([80.0, 1000.0], transfer.frequency_hz, np.abs(transfer.response))))
        assert level_db[1] - level_db[0] > 15.0

    def test_a_gain_in_front_of_a_steep_filter(self):
        signal = programme(6.0)
        after = toned(2.0 * squeezed(signal, -26.0, 4.0, 3.0, 80.0) * signal)
        chosen = explain(signal, after, RATE_HZ, lambda _share: None).chosen
        assert (chosen.model, chosen.order, chosen.gain_first) == ("tone and level-dependent gain", "first", True)
        assert chosen.law is not None
        assert chosen.law.values[0] == pytest.approx(-26.0, abs=0.7)
        assert chosen.residual_db < -25.0

    def test_a_curve_is_undone(self, rng):
        signal = rng.uniform(-0.8, 0.8, (1, 20000))
        bend = find_bend(signal, np.tanh(2.0 * signal))
        assert bend.undone(np.tanh(2.0 * signal)) == pytest.approx(signal, abs=0.01)

    def test_a_gain_on_soft_sides(self):
        middle, sides = programme(6.0), 0.05 * programme(6.0, seed=4)
        before = np.concatenate([middle + sides, middle - sides])
        moved = squeezed(sides, -52.0, 4.0, 3.0, 80.0) * sides
        chosen = explain(before, np.concatenate([middle + moved, middle - moved]), RATE_HZ, lambda _share: None).chosen
        assert chosen.legs is not None
        assert [chosen.legs.legs[leg] for leg in chosen.legs.active] == ["side"]


@pytest.mark.source("known truth: a soft second is missing in the middle of 9 s, where two stretches are looked for")
def test_a_cut_between_each_two_stretches(rng):
    rate_hz = 16000
    before = rng.standard_normal((1, 9 * rate_hz)) * np.repeat(10 ** (rng.uniform(-20.0, 0.0, 90) / 20), rate_hz // 10)
    before[:, 4 * rate_hz : 5 * rate_hz] *= 0.01
    after = np.concatenate([before[:, : 4 * rate_hz], before[:, 5 * rate_hz :]], axis=1)
    alignment = align(before, after, rate_hz)
    assert alignment.same_performance
    assert [jump.gone_s for jump in alignment.jumps] == [pytest.approx(1.0, abs=0.01)]
    assert alignment.used is not None
    first, last = alignment.used
    # nothing of what lies behind the cut is described as if it stood where it stood
    assert last <= 4.05 * rate_hz or first >= 4.95 * rate_hz


@pytest.mark.source("known truth: BEFORE with noise as loud as it that follows its level")
def test_what_lines_up_is_never_refused(tmp_path, rng):
    rate_hz = 44100
    level = np.repeat(10 ** (rng.uniform(-30.0, 0.0, 60) / 20), rate_hz // 10)
    before = 0.1 * level * rng.standard_normal(level.size)
    after = before + 0.12 * level * rng.standard_normal(level.size)
    for name, signal in (("before", before), ("after", after)):
        soundfile.write(tmp_path / f"{name}.wav", signal, rate_hz, subtype="FLOAT")
    result = compare(tmp_path / "before.wav", tmp_path / "after.wav").result
    assert result.alignment.same_performance
    assert "not the same performance" not in " ".join(result.verdict)
    assert result.doubt


@pytest.mark.source("known truth: a second filter that no block here has; ITU-R BS.1770 for the loudness")
def test_what_is_written_to_listen_to(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    signal = ss.resample_poly(programme(6.0), 6, 1, axis=1)
    after = 0.5 * (signal + 0.5 * np.roll(signal, 240, axis=1))
    for name, samples in (("one", signal), ("two", after)):
        soundfile.write(tmp_path / f"{name}.wav", samples.T, 6 * RATE_HZ, subtype="FLOAT")
    done = CliRunner().invoke(
        main, ["compare", "one.wav", "two.wav", "--audio", "heard", "--as-chain", "chain.toml", "--no-report"]
    )
    assert done.exit_code == 0, done.output
    heard = {path.stem: soundfile.read(path)[0] for path in (tmp_path / "heard").iterdir()}
    assert {"before", "after", "difference", "what-is-left"} <= set(heard)
    # a comb of 5 ms is no filter with a name, and a response: what is left lies far below AFTER
    assert np.sum(heard["what-is-left"] ** 2) < 1e-3 * np.sum(heard["after"] ** 2)
    assert len(heard["what-is-left"]) == len(heard["after"])


@pytest.mark.source("known truth: a bell of 6 dB and a trim, at one loudness by ITU-R BS.1770")
def test_a_chain_by_itself(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    rate_hz = 6 * RATE_HZ
    soundfile.write(tmp_path / "one.wav", ss.resample_poly(programme(6.0), 6, 1, axis=1).T, rate_hz, subtype="FLOAT")
    (tmp_path / "chain.toml").write_text(
        '[[source.chain]]\nblock = "trim"\ngain = "-9 dB"\n[[source.chain]]\nblock = "bell"\nfrequency = "700 Hz"\ngain = "6 dB"\nq = 1.0\n'
    )
    done = CliRunner().invoke(main, ["render", "one.wav", "--chain", "chain.toml", "--into", "both"])
    assert done.exit_code == 0, done.output
    before, after = (soundfile.read(tmp_path / "both" / f"{name}.wav")[0] for name in ("before", "after"))
    spectra = [ss.welch(samples, rate_hz, nperseg=6144)[1] for samples in (before, after)]
    gain_db = 10 * np.log10(spectra[1] / spectra[0])
    bins = np.rint(np.array([700.0, 60.0]) / rate_hz * 6144).astype(int)
    assert gain_db[bins[0]] - gain_db[bins[1]] == pytest.approx(6.0, abs=0.3)
    # the trim is gone: both are as loud
    assert gain_db[bins[1]] > -6.0


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("", "holds no [[source.chain]]"),
        ("x = [", "is no TOML"),
        ('[[source.chain]]\nblock = "bel"\n', "holds a block that is none"),
    ],
)
def test_a_chain_that_is_none(tmp_path, written, said):
    soundfile.write(tmp_path / "one.wav", programme(4.0).T, 6 * RATE_HZ, subtype="FLOAT")
    (tmp_path / "chain.toml").write_text(written)
    arguments = [
        "render",
        str(tmp_path / "one.wav"),
        "--chain",
        str(tmp_path / "chain.toml"),
        "--into",
        str(tmp_path / "b"),
    ]
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2
    assert said in done.output
    assert len(done.output.strip().splitlines()) == 1
