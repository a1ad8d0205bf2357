"""A pair whose right side comes in too low, with and without its level: moves that are carried out by arithmetic bring both home."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import soundfile

from tests.support.band_house import HOUSE, make_house
from tests.support.command import run

pytestmark = pytest.mark.usefixtures("measured_once")
SIDES = {"left": "pno l", "right": "pno r"}


@pytest.fixture(scope="module")
def learned(tmp_path_factory):
    """A house with five kept Sundays, the piano on two channels; do not write into it."""
    folder = tmp_path_factory.mktemp("weaker") / "hall"
    folder.mkdir()
    make_house(folder, weeks=3)
    (folder / "house.toml").write_text(HOUSE.replace('tracks = ["pno l", "pno r"]', 'tracks = ["pno l", "pno r"]\nchannel = "3/4"'))  # fmt: skip
    for week in range(5):
        done = run("keep", folder / f"week-{week % 3 + 1}", "--date", ("2026-01-04", "2026-01-11", "2026-01-18", "2026-01-25", "2026-02-01")[week], "--by", "Marit", "--with-faults")  # fmt: skip
        assert done.exit_code == 0, done.output
    return folder


def turned(folder, into, gains_db):
    """A copy of a take in which each side of the piano is turned."""
    shutil.copytree(folder, into)
    for side, gain_db in gains_db.items():
        file = into / f"{SIDES[side]}.wav"
        samples, rate_hz = soundfile.read(file)
        soundfile.write(file, samples * 10.0 ** (gain_db / 20.0), rate_hz, subtype="PCM_24")
    return into


def piano(folder, tmp_path):
    result = tmp_path / "result.json"
    done = run("check", folder, "--date", "2026-03-01", "--no-report", "--json", result)
    assert done.exit_code in (0, 1), done.output
    return next(source for source in json.loads(result.read_text())["sources"] if source["name"] == "piano")


@pytest.mark.source("definition: a gain of x dB raises the level of what goes through it by x dB")
@pytest.mark.parametrize(
    "gains_db", [{"left": 0.0, "right": -6.0}, {"left": -3.0, "right": -9.0}, {"left": 5.0, "right": -3.0}]
)
def test_the_moves_together_bring_the_pair_home(learned, tmp_path, gains_db):
    hall = shutil.copytree(learned, tmp_path / "hall")
    off = piano(turned(hall / "week-2", hall / "off", gains_db), tmp_path)
    asked_db = dict.fromkeys(SIDES, 0.0)
    for move in off["moves"]:
        assert move["block"] in ("trim", "gain"), move
        change_db = sum(setting["after"] - (setting["before"] or 0.0) for setting in move["settings"].values())
        for side in SIDES:
            asked_db[side] += change_db if move["on"] in ("both", side) else 0.0
    assert asked_db["right"] - asked_db["left"] == pytest.approx(gains_db["left"] - gains_db["right"], abs=1.0)
    home = piano(turned(hall / "off", hall / "home", asked_db), tmp_path)
    assert home["before"]["level_dbfs"] == pytest.approx(-18.0, abs=1.0)
    assert not [finding for finding in home["findings"] if finding["kind"] in ("level-high", "level-low", "width")]
    assert np.isclose(home["before"]["balance_db"], 0.0, atol=2.0)
