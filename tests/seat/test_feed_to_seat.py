"""From a recorded mix and a seat's track to what is said: refused with the reason, kept, compared, and found; forgotten with its take."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from click.testing import CliRunner
from scipy import signal

from deskhand.cli import main
from deskhand.store.history import open_history
from deskhand.store.seats import add_seat_record, seat_records
from tests.support.signals import RATE_HZ
from tests.support.small_hall import Asker
from tests.support.writers import write_wave

if TYPE_CHECKING:
    pass

HOUSE = """\
[house]
name = "Tern Street Hall"
[desk]
{mix}
[[source]]
name = "keys"
role = "keys"
tracks = ["keys"]
[[source]]
name = "balcony"
role = "seat"
tracks = ["seat"]
"""


def write_show(folder: Path, rng: np.random.Generator, *, left_top_db: float = 0.0, quiet_s: int = 0) -> Path:
    """Write 24 s of two sides of noise, and what a microphone 34.3 m from one and 37.73 m from the other gets of them at 20 °C."""
    folder.mkdir(parents=True)
    frames = (24 + quiet_s) * RATE_HZ
    mix = 0.05 * rng.standard_normal((2, frames))
    mix[:, : quiet_s * RATE_HZ] = 0.0
    low = signal.butter(2, 2000.0, "low", fs=RATE_HZ, output="sos")
    high = signal.butter(2, 2000.0, "high", fs=RATE_HZ, output="sos")
    top = signal.sosfilt(high, signal.sosfilt(high, mix[0]))
    left = signal.sosfilt(low, signal.sosfilt(low, mix[0])) + 10 ** (left_top_db / 20) * top
    seat = 0.001 * rng.standard_normal(frames)
    seat[4800:] += 0.5 * left[:-4800]
    seat[5280:] += 0.5 * mix[1][:-5280]
    for name, sound in (("main l", mix[0]), ("main r", mix[1]), ("seat", seat), ("keys", 0.5 * mix.sum(axis=0))):
        write_wave(folder / f"{name}.wav", sound)
    return folder


def run(*arguments: str | Path) -> str:
    """Output of a command that finds something or nothing."""
    done = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert done.exit_code in (0, 1), done.output
    return " ".join(done.output.split())


def checked(show: Path, tmp_path: Path) -> tuple[str, dict[str, Any]]:
    """What a check prints, and its result."""
    output = run("check", show, "--json", tmp_path / "a.json", "--report", tmp_path / "a.html")
    return output, json.loads((tmp_path / "a.json").read_text("utf-8"))


@pytest.mark.source(
    "arithmetic: 4800 and 5280 samples at 48 kHz are 100 and 110 ms, 34.3 and 37.8 m at 343.2 m/s (ISO 9613-1:1993, A.5, 20 °C)"
)
def test_a_dead_high_driver_is_found_from_three_kept_weeks(tmp_path: Path, rng: np.random.Generator) -> None:
    (tmp_path / "house.toml").write_text(HOUSE.format(mix='mix = ["main l", "main r"]'), "utf-8")
    kept = write_show(tmp_path / "week 1", rng)
    run("keep", kept, "--date", "2026-04-01", "--with-faults")
    history = open_history(f"sqlite:///{tmp_path / 'history.sqlite'}")
    assert history is not None
    with closing(history):
        (record,) = seat_records(history, house="Tern Street Hall", kind="response")
        for day in (8, 15):
            add_seat_record(
                history, replace(record, measured_at=f"2026-04-{day:02d}", take=None), house="Tern Street Hall"
            )
    # a kept show is not compared with itself
    assert "from 3 kept weeks with this seat on; 2 so far" in run("check", kept, "--date", "2026-04-01", "--no-report")
    output, result = checked(write_show(tmp_path / "broken", rng, left_top_db=-7.0), tmp_path)
    (seat,) = result["loudspeakers"]
    (finding,) = seat["findings"]
    assert "left 100 ms (34.3 m), right 110 ms (37.8 m)" in output
    assert seat["feed"]["left"]["delay_ms"] == pytest.approx(100.0, abs=0.25)
    assert seat["feed"]["right"]["delay_ms"] == pytest.approx(110.0, abs=0.1)
    assert (finding["kind"], finding["track"], finding["severity"]) == ("driver-lost", "left", "fix")
    assert finding["measured"] == pytest.approx(-7.0, abs=0.5)
    assert "4 kHz ● left 6 dB less 8 kHz ● left 7 dB less" in output
    assert "the left side is 7 dB down above 2.8 kHz since tonight; check that loudspeaker's high driver" in output
    assert finding["text"] in (tmp_path / "a.html").read_text("utf-8").replace("&#39;", "'")
    assert any(thing["source"] == "balcony" for thing in result["first"])
    # the local page says it before doors too, where a seat has no page of its own
    with Asker(tmp_path) as asker:
        newest = next(shelf.id for shelf in asker.hall.recordings() if shelf.path.name == "broken")
        assert asker.checked(newest)["state"] == "done"
        shown = asker.get(f"/show/{newest}")
    assert shown.status_code == 200
    assert shown.text.count("is 7 dB down above 2.8 kHz") == 2


@pytest.mark.parametrize(
    ("mix", "phase", "said"),
    [
        pytest.param("", "show", "the recording holds no main mix", id="no mix"),
        pytest.param(
            'mix = ["main l", "main r"]', "line-check", "in a line check nothing plays long enough", id="line check"
        ),
        pytest.param(
            'mix = ["main l", "main r"]', "show", "from 3 kept weeks with this seat on; 0 so far", id="nothing kept"
        ),
    ],
)
def test_what_cannot_be_told_is_said(tmp_path: Path, rng: np.random.Generator, mix: str, phase: str, said: str) -> None:
    (tmp_path / "house.toml").write_text(HOUSE.format(mix=mix), "utf-8")
    show = write_show(tmp_path / "show", rng, quiet_s=11)
    output, result = checked(show, tmp_path) if phase == "show" else (run("check", show, "--phase", phase), {})
    assert said in output
    assert ("background noise was read, but this seat is not calibrated" in output) == bool(mix)
    assert all(seat["findings"] == [] for seat in result.get("loudspeakers", []))


@pytest.mark.source("tests/reference/speed_of_sound.csv (ISO 9613-1:1993, A.5): 349.00 m/s at 30 °C")
def test_metres_are_told_at_the_temperature_of_the_house(tmp_path: Path, rng: np.random.Generator) -> None:
    """A sound that takes 100 ms comes from 34.9 m in a hall of 30 °C."""
    house = HOUSE.format(mix='mix = ["main l", "main r"]').replace('Hall"\n', 'Hall"\ntemperature = "30 °C"\n', 1)
    (tmp_path / "house.toml").write_text(house, "utf-8")
    output, _ = checked(write_show(tmp_path / "warm", rng), tmp_path)
    assert "left 100 ms (34.9 m), right 110 ms (38.4 m); the metres hold at 30 °C" in output
