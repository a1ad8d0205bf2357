"""This week's house file and the reasoning, by the command: what is written, and what is refused in one line.

Covers, in this order: a recorded mix that is no source of the house; the standing file; no house file; an unknown source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.house import read_house
from tests.support.signals import RATE_HZ, pink
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

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
    """A bass 8 dB above nominal, and the desk's mix of it with its right side upside down."""
    bass = pink(rng, 12.0, -10.0)
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
    assert source.chain[0].gain_db == pytest.approx(-8.0, abs=0.6)
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
