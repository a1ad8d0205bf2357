"""Planted faults against arithmetic, and the tables of the study on made rows."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.support.stage.audible import click_margin_db
from tests.support.stage.effects import RATE_HZ, low_passed
from tests.support.stage.faulty import FaultRow, fault_row_of
from tests.support.stage.library import VARIABLE, Library, Take
from tests.support.stage.part import Part, pair
from tests.support.stage.plants import PLANTS, Scene, level_of
from tests.support.stage.report import clean_lines, half_found
from tests.support.stage.season import Raised, ShowRow, row_of
from tests.support.stage.show import playing_level_dbfs

ROOT = Path(__file__).parent.parent.parent


def scene(top_hz: float | None = None) -> tuple[Scene, Part]:
    """Noise of an RMS of 0.05 on both sides, up to a frequency or white."""
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((1, 10 * RATE_HZ))
    if top_hz is not None:
        noise = low_passed(noise, top_hz, 8)
    sound = np.repeat(0.05 * noise / np.sqrt(np.mean(noise**2)), 2, axis=0)
    part = pair("keys", "keys", "keys", sound, rig="keys, chorus")
    return Scene(parts={"keys": part}, rng=rng, nominal_dbfs={"keys": -20.0}), part


def planted(kind: str, strength: float, *, top_hz: float | None = None) -> tuple[Part, Part, tuple[float, ...]]:
    given, part = scene(top_hz)
    plant = next(plant for plant in PLANTS if plant.kind == kind)
    outcome = plant.apply(given, part, strength)
    assert outcome is not None
    return part, *outcome


@pytest.mark.source("AES17-2020, 3.12.1: noise of an RMS of 0.05 reads 3.01 dB more than -26.02")
def test_the_independent_level() -> None:
    _, part = scene()
    assert playing_level_dbfs(part.sound, is_struck=False) == pytest.approx(-23.01, abs=0.1)


@pytest.mark.source("arithmetic")
def test_strengths_are_what_they_say() -> None:
    before, dead, _ = planted("dead side", 20.0)
    ratio_db = 10 * np.log10(np.mean(dead.sound[0] ** 2) / np.mean(dead.sound[1] ** 2))
    assert ratio_db == pytest.approx(20.0, abs=0.1)
    assert np.array_equal(planted("inverted pair of one signal", 1.0)[1].sound[1], -before.sound[1])
    assert level_of(planted("level", -6.0)[1]) == pytest.approx(-26.0, abs=0.05)
    hum = planted("hum", -30.0)[1].sound - before.sound
    assert 10 * np.log10(2 * np.mean(hum**2)) == pytest.approx(level_of(before) - 30.0, abs=0.1)
    assert (planted("offset", 3.0)[1].sound - before.sound).mean() == pytest.approx(0.03)
    assert np.abs(planted("clipping", 3.0)[1].sound).max() == 1.0


@pytest.mark.source("arithmetic")
def test_moments_are_where_they_say() -> None:
    _, gaps, gaps_s = planted("dropout", 5.0)
    for moment_s in gaps_s:
        first = round(moment_s * RATE_HZ)
        assert not gaps.sound[:, first : first + 240].any()
        assert gaps.sound[:, first - 1].all()
    before, clicked, clicks_s = planted("digital click", -30.0, top_hz=2000.0)
    wrong = np.flatnonzero((clicked.sound - before.sound)[0])
    assert wrong / RATE_HZ == pytest.approx(sorted(clicks_s), abs=1e-4)


@pytest.mark.source("arithmetic: the energies of one sample and of white noise are spread alike over all bands")
def test_how_far_a_click_stands_out_of_noise() -> None:
    noise = 0.05 * np.random.default_rng(6).standard_normal(RATE_HZ)
    # 8 ms of equivalent rectangular duration are 384 samples
    even_db = [click_margin_db(noise, frame, 0.05 * np.sqrt(384.0)) for frame in range(5000, 45000, 2000)]
    # the band in which it stands out most is, by chance, one that holds less noise
    assert 0.0 < np.mean(even_db) < 9.0
    assert [
        click_margin_db(noise, frame, 0.005 * np.sqrt(384.0)) for frame in range(5000, 45000, 2000)
    ] == pytest.approx([margin_db - 20.0 for margin_db in even_db])
    assert click_margin_db(noise, 100, 1.0) == float("-inf")


@pytest.mark.source("Moore et al., J. Acoust. Soc. Am. 83 (1988): what lies within 8 ms is heard together")
def test_a_click_that_nobody_hears_is_not_planted() -> None:
    plant = next(plant for plant in PLANTS if plant.kind == "digital click")
    assert plant.apply(*scene(), -30.0) is None
    assert plant.apply(*scene(2000.0), -30.0) is not None


@pytest.mark.source("arithmetic: a half lies midway between 0 of 2 at 10 and 2 of 2 at 20")
def test_the_strength_at_which_half_are_found() -> None:
    rows = [
        FaultRow(
            show=0,
            kind="hum",
            strength=strength,
            source="bass",
            rig="bass",
            found=right,
            right_kind=right,
            right_time=right,
        )
        for strength, right in ((10.0, False), (10.0, False), (20.0, True), (20.0, True))
    ]
    assert half_found(rows) == "15"
    assert [fault_row_of(row.line()) for row in rows] == rows


@pytest.mark.source("arithmetic")
def test_rows_are_counted_and_come_back_from_their_lines() -> None:
    false = Raised(source="bass", rig="bass", kind="hum", severity="fix", text="hums", is_fault=True)
    rows = [
        ShowRow(season=0, week=1, kept=0, inputs=17),
        ShowRow(season=0, week=2, kept=1, inputs=17, raised=(false,)),
        ShowRow(season=0, week=3, kept=2, inputs=17, raised=(false,), notes=("bass peaks",)),
    ]
    assert [row_of(row.line()) for row in rows] == rows
    text = "\n".join(clean_lines(rows, "tune"))
    assert "| all | 2 | 1 of 2 (50.0 %) | 1 of 2 (50.0 %) | 1 of 2 (50.0 %) |" in text
    assert "Left out, since the audit found them not clean: 1." in text


@pytest.mark.source("AES17-2020: the upper band edge of a recording is 20 kHz")
def test_a_note_played_higher_keeps_the_band_of_a_recording(tmp_path: Path) -> None:
    impulse = np.zeros(RATE_HZ)
    impulse[RATE_HZ // 2] = 0.9
    soundfile.write(tmp_path / "impulse.wav", impulse, RATE_HZ, subtype="FLOAT")
    take = Take(
        file="impulse.wav", kind="bass", role="bass", microphone="", number=0, begin_s=0.0, end_s=1.0, quiet_dbfs=-90.0,
        midi=40.0,
    )  # fmt: skip
    played = Library(folder=tmp_path, half="tune", rows=()).shifted(take, 4)[0]
    power = np.abs(np.fft.rfft(played)) ** 2
    frequency = np.fft.rfftfreq(played.size, 1 / RATE_HZ)
    above, below = (
        power[(frequency > low) & (frequency < high)].mean() for low, high in ((21500, 23500), (5000, 15000))
    )
    assert 10 * np.log10(above / below) < -10.0


@pytest.mark.source("contract of the study: where there is nothing to play, it says so and ends well")
def test_without_recordings_the_study_ends(tmp_path: Path) -> None:
    environment = {name: value for name, value in os.environ.items() if name != VARIABLE}
    command = [sys.executable, "-m", "validations.clean_stage", "--audio", str(tmp_path)]
    run = subprocess.run(command, capture_output=True, text=True, check=False, env=environment, cwd=ROOT)
    assert (run.returncode, run.stdout.count("Nothing was run.")) == (0, 1), run.stderr


@pytest.mark.source("arithmetic; common practice, no source: a drum is set by its back-beats, not by its ghost strokes")
def test_the_level_of_a_drum_is_that_of_its_loud_strokes() -> None:
    rng = np.random.default_rng(8)
    sound = 1e-5 * rng.standard_normal((1, 20 * RATE_HZ))
    stroke = 0.2 * rng.standard_normal(3 * RATE_HZ // 10)
    for second in range(1, 19):
        first = second * RATE_HZ
        sound[0, first : first + stroke.size] += stroke
    level_dbfs = playing_level_dbfs(sound, is_struck=True)
    assert level_dbfs == pytest.approx(20 * np.log10(0.2) + 3.01, abs=0.2)
    for ghosts, gain in ((18, 0.25), (18, 0.4)):
        for ghost in range(ghosts):
            first = (ghost + 1) * RATE_HZ + RATE_HZ // 2
            sound[0, first : first + stroke.size] = gain * stroke
        assert playing_level_dbfs(sound, is_struck=True) == pytest.approx(level_dbfs, abs=0.1)
    crash = sound.copy()
    crash[0, 19 * RATE_HZ : 19 * RATE_HZ + stroke.size] = 4.0 * stroke
    for facts in ({"is_struck": True}, {"is_kit": True}):
        assert playing_level_dbfs(crash, **facts) == pytest.approx(playing_level_dbfs(sound, **facts), abs=1.0)
