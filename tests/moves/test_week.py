"""This week's house file and the reasoning, by the command: what is written, and what is refused in one line.

Covers, in this order: a recorded mix that is no source of the house; the standing file; no house file; an unknown source; a week's
file that is read again: nothing that it holds is asked twice, and what is turned at a preamp is not in it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.house import read_house, standing_file, week_file
from deskhand.tasks.check import check
from tests.support.signals import RATE_HZ, amplitude, pink
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

pytestmark = pytest.mark.usefixtures("measured_once")
HOUSE = """\
# Tern Street Hall, invented
[house]
name = "Tern Street Hall"

[desk]
mix = ["main l", "main r"]      # the desk's own mix

[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
"""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


@pytest.fixture
def hall(tmp_path: Path, rng: np.random.Generator) -> Path:
    """A bass 5 dB above nominal, and the desk's mix of it with its right side upside down."""
    bass = pink(rng, 12.0, -13.0)
    mix = 0.3 * bass + pink(rng, 12.0, -24.0)
    folder = tmp_path / "show"
    folder.mkdir()
    for name, wave in (("bass", bass), ("main l", mix), ("main r", -mix)):
        write_wave(folder / f"{name}.wav", wave + 1e-4 * rng.standard_normal(bass.size), rate_hz=RATE_HZ)
    (tmp_path / "house.toml").write_text(HOUSE, "utf-8")
    return tmp_path


def test_what_is_no_source_of_the_house_is_not_turned(hall):
    week = hall / "week.toml"
    done = run("check", hall / "show", "--no-report", "--write-week", week)
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    # what is said of the bass is done at the bass, and nothing else is written
    [source] = read_house(week).source
    assert [block.block for block in source.chain] == ["trim"]
    assert source.chain[0].gain_db == pytest.approx(-5.0, abs=0.6)
    assert "# the desk's own mix" in week.read_text("utf-8")


def test_the_standing_house_file_is_never_touched(hall):
    before = (hall / "house.toml").read_bytes()
    done = run("check", hall / "show", "--no-report", "--write-week", hall / "house.toml")
    assert done.exit_code == 2
    assert "is the standing house file" in done.output
    assert (hall / "house.toml").read_bytes() == before


def test_without_a_house_file_there_is_no_week(hall):
    (hall / "house.toml").unlink()
    done = run("check", hall / "show", "--no-report", "--write-week", hall / "week.toml")
    assert done.exit_code == 2
    assert "deskhand new" in done.output
    assert not (hall / "week.toml").exists()


def test_why_tells_the_numbers_and_the_undo(hall):
    told = run("check", hall / "show", "--no-report", "--why", "bass").output
    assert "Why, at bass:" in told
    assert "line check is over" in told
    assert "undo: set its trim back by +" in told
    done = run("check", hall / "show", "--no-report", "--why", "bas")
    assert done.exit_code == 2
    assert 'did you mean "bass"?' in done.output


AGAIN = """\
[house]
name = "Tern Street Hall"

[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
[[source.chain]]
block = "compressor"
threshold = "-10 dBFS"
ratio = 3
reduction = "2 to 4 dB"

[[source]]
name = "keys"
role = "keys"
tracks = ["keys l", "keys r"]

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
"""
WEEK = "week-show.toml"


@pytest.fixture
def again(tmp_path: Path, rng: np.random.Generator) -> Path:
    """A bass 6 dB low before a compressor, keys with one side upside down, a voice 14 dB too hot and clipped."""
    folder = tmp_path / "show"
    folder.mkdir()
    shared = pink(rng, 14.0, -20.0)
    keys = shared + pink(rng, 14.0, -26.0), -(shared + pink(rng, 14.0, -26.0))
    tracks = {"bass": pink(rng, 14.0, -24.0), "keys l": keys[0], "keys r": keys[1], "vox": pink(rng, 14.0, -4.0)}
    for name, wave in tracks.items():
        write_wave(folder / f"{name}.wav", np.clip(wave, -1.0, 1.0), rate_hz=RATE_HZ)
    (tmp_path / "house.toml").write_text(AGAIN, "utf-8")
    return tmp_path


def moves_of(checked) -> dict[str, list[tuple[str, str | None]]]:
    return {
        source.name: [(move.where, move.block) for move in source.moves if move.is_setting]
        for source in checked.result.sources
        if source.moves
    }


def kinds_of(checked, name: str) -> set[str]:
    source = next(source for source in checked.result.sources if source.name == name)
    return {finding.kind for finding in source.findings}


def test_what_the_week_holds_is_not_asked_again(again):
    first = check(again / "show")
    assert moves_of(first) == {
        "bass": [("trim", "trim"), ("channel", "compressor")],
        "keys": [("channel", "polarity")],
        "lead voice": [("preamp", "gain")],
    }
    done = run("check", again / "show", "--no-report", "--write-week", again / WEEK)
    assert done.exit_code == 1, done.output
    written = (again / WEEK).read_bytes()
    blocks = {source.name: source.chain for source in read_house(again / WEEK).source}
    assert [block.block for block in blocks["bass"]] == ["trim", "compressor"]
    assert blocks["bass"][0].gain_db == pytest.approx(6.0, abs=0.3)
    assert blocks["lead voice"] == []

    second = check(again / "show")
    assert second.house_file == again / WEEK
    assert second.standing_file == again / "house.toml"
    assert moves_of(second) == {"lead voice": [("preamp", "gain")]}
    assert not kinds_of(second, "keys") & {"polarity", "mono-loss"}
    assert not kinds_of(second, "bass") & {"level-low", "level-high", "dynamics"}
    # the preamp's move is the same one, not a second on top of the first
    [asked], [still] = (
        [move for source in one.result.sources if source.name == "lead voice" for move in source.moves]
        for one in (first, second)
    )
    assert still == asked
    assert "no file keeps it" in asked.text
    # written again, by the file's own name and elsewhere: the same to the byte
    for target in (again / WEEK, again / "elsewhere.toml"):
        done = run("check", again / "show", "--no-report", "--write-week", target)
        assert f"with this week's settings, {WEEK}" in done.output
        assert target.read_bytes() == written


def test_the_rest_is_asked_as_the_rest(again):
    text = AGAIN.replace("[[source.chain]]", '[[source.chain]]\nblock = "trim"\ngain = "2.5 dB"\n[[source.chain]]', 1)
    (again / "house.toml").write_text(text, "utf-8")
    checked = check(again / "show")
    bass = next(source for source in checked.result.sources if source.name == "bass")
    level = next(finding for finding in bass.findings if finding.kind == "level-low")
    # the reading stays one at the tap; what is judged is behind the trim, and says so
    assert bass.before.level_dbfs == pytest.approx(-24.0, abs=0.3)
    assert level.measured == pytest.approx(bass.before.level_dbfs + 2.5, abs=0.06)
    assert "below nominal after its trim of +2.5 dB" in level.text
    setting = bass.moves[0].settings["gain"]
    assert (setting.before, setting.after) == (2.5, pytest.approx(-18.0 - bass.before.level_dbfs, abs=0.06))


def test_a_switch_that_is_in_the_chain_and_not_needed_is_told_by_what_mono_loses(again, rng):
    """A pair that was put right at the rig while its polarity switch stayed in."""
    shared = pink(rng, 14.0, -20.0)
    for side in ("l", "r"):
        write_wave(again / "show" / f"keys {side}.wav", shared + pink(rng, 14.0, -32.0), rate_hz=RATE_HZ)
    text = AGAIN.replace(
        'tracks = ["keys l", "keys r"]',
        'tracks = ["keys l", "keys r"]\n[[source.chain]]\nblock = "polarity"\non = "right"',
    )
    (again / "house.toml").write_text(text, "utf-8")
    keys = next(source for source in check(again / "show").result.sources if source.name == "keys")
    [loss] = [finding for finding in keys.findings if finding.kind == "mono-loss"]
    # of two sides that share all but a part 12 dB down, the difference holds that part alone
    assert loss.measured == pytest.approx(10 * np.log10(amplitude(-24.0) / (1 + amplitude(-24.0)) / 2), abs=0.7)
    assert keys.before.mono_loss_db > -1.0
    assert loss.advice == ("take-switch-out",)


def test_a_raise_is_written_no_further_than_its_peaks_allow(again, rng):
    """Docs, findings: never asked to rise so far that its peaks pass -6 dBTP."""
    wave = pink(rng, 14.0, -27.0)
    wave[RATE_HZ] = amplitude(-10.5)
    write_wave(again / "show" / "bass.wav", wave, rate_hz=RATE_HZ)
    checked = check(again / "show")
    bass = next(source for source in checked.result.sources if source.name == "bass")
    trim = next(move for move in bass.moves if move.block == "trim")
    assert trim.settings["gain"].after == pytest.approx(-6.0 - bass.before.true_peak_dbtp, abs=0.06)
    assert run("check", again / "show", "--no-report", "--write-week", again / WEEK).exit_code == 1
    assert "bass" not in moves_of(check(again / "show"))


def test_names_of_a_week(tmp_path):
    assert week_file(tmp_path, date="2026-03-01", name="show") == tmp_path / "week-2026-03-01.toml"
    assert week_file(tmp_path, date=None, name="Open night") == tmp_path / "week-Open-night.toml"
    assert week_file(tmp_path, date=None, name="...") is None
    assert week_file(tmp_path, date=None, name="n" * 101) is None
    week = tmp_path / "week-2026-03-01.toml"
    assert standing_file(week) == week
    (tmp_path / "house.toml").touch()
    assert standing_file(week) == tmp_path / "house.toml"
    assert standing_file(tmp_path / "other.toml") == tmp_path / "other.toml"


def test_a_named_house_goes_before_this_week_s(again):
    (again / WEEK).write_text(AGAIN.replace('name = "Tern Street Hall"', 'name = "Another"'), "utf-8")
    assert check(again / "show").result.house == "Another"
    assert check(again / "show", house_path=again / "house.toml").result.house == "Tern Street Hall"
