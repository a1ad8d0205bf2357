"""`deskhand room` from end to end: the file to play, a table by seat, kept and compared, refusals in one line."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from deskhand.seat.room import SeatRoom
from deskhand.seat.room_result import RoomResult
from deskhand.seat.sweep_plan import sweep_signal
from tests.support.command import data_of, run
from tests.support.room_sweeps import RATE_HZ, made_response

if TYPE_CHECKING:
    from pathlib import Path

HOUSE = """\
[house]
name = "Tern Street Hall"

[[source]]
name = "mix position"
role = "seat"
tracks = ["mic a"]

[[source]]
name = "balcony"
role = "seat"
tracks = ["mic b"]
"""


def write_show(folder: Path, seed: int, noises: dict[str, float]) -> Path:
    """Recording of the sweeps at seats with some noise."""
    import scipy.signal as ss

    rng = np.random.default_rng(seed)
    source, response = sweep_signal(), made_response(np.random.default_rng(seed), length_s=2.0)
    sound = ss.oaconvolve(source, response)[: source.size]
    folder.mkdir(parents=True)
    for name, noise in noises.items():
        samples = sound + noise * rng.standard_normal(sound.size)
        soundfile.write(folder / f"{name}.wav", 0.5 * samples, RATE_HZ, subtype="PCM_24")
    return folder


@pytest.fixture(scope="module")
def house(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("room")
    (folder / "house.toml").write_text(HOUSE)
    write_show(folder / "march", 5, {"mic a": 1e-5, "mic b": 0.02})
    write_show(folder / "november", 6, {"mic a": 1e-5})
    return folder


def test_measured_kept_and_compared(house, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    first = run(
        "room",
        house / "march",
        "--date",
        "2026-03-01",
        "--speech",
        "70 dBA",
        "--noise",
        "40 dBA",
        "--keep",
        "--json",
        "march.json",
    )
    assert first.exit_code == 0, first.output
    assert "mix position: the room alone is " in first.output
    assert "only a calibrated class 1 or 2 meter" in first.output
    assert "What this does not tell: the index is of spoken words" in first.output
    assert "Kept: 2 seats" in first.output
    data = data_of((tmp_path / "march.json").read_text())
    clean, noisy = data["seats"]
    assert clean["sti_room"] is not None
    assert clean["octaves"][4]["t20_s"] is not None
    assert "above the noise" in noisy["octaves"][-1]["not_measured"]["t20_s"]
    assert noisy["octaves"][-1]["t20_s"] is None
    html = (tmp_path / "march-room.html").read_text()
    assert "Do the words arrive?" in html
    assert "<svg" in html
    second = run("room", house / "november", "--date", "2026-11-02", "--json", "-")
    assert second.exit_code == 0, second.output
    data = json.loads(second.stdout)
    assert data["since"]["mix position"]["measured_at"] == "2026-03-01"
    assert data["since"]["mix position"]["changes"]
    assert data["kept_now"] is False
    assert "--speech" in data["words"][0]["not_measured"]["sti"]


def test_the_file_to_play_comes_with_its_cautions(tmp_path):
    result = run("room", "--write-sweep", tmp_path / "sweeps.wav")
    assert result.exit_code == 0
    assert (tmp_path / "sweeps.wav").is_file()
    for caution in (
        "who is in the room",
        "Hearing protection",
        "In-ear monitors out",
        "No open microphone",
        "-40 dB",
        "loudspeakers bear",
    ):
        assert caution in result.output


def test_what_cannot_be_told_is_one_line(house, tmp_path):
    soundfile.write(tmp_path / "silence.wav", np.zeros(30 * RATE_HZ), RATE_HZ)
    result = run("room", tmp_path / "silence.wav", "--no-report")
    assert (result.exit_code, result.output.count("\n")) == (2, 1)
    assert "no sweep is in it; play the file" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "needs a RECORDING"),
        (("march", "--write-sweep", "x.wav"), "takes no RECORDING"),
        (("march", "--speech", "70 dB"), "write it in dBA"),
        (("march", "--speech", "700 dBA"), "is no level in a room"),
        (("march", "--seat", "mic c"), "is no track of march"),
        (("april",), "no such file or folder"),
        (("march", "--date", "March"), "--date"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_use_is_one_line(house, monkeypatch, arguments, words):
    monkeypatch.chdir(house)
    result = run("room", *arguments, *(() if "--write-sweep" in arguments or not arguments else ("--no-report",)))
    assert result.exit_code == 2
    assert words in result.output


def test_a_recording_without_a_seat(house, monkeypatch, tmp_path):
    shutil.copytree(house / "march", tmp_path / "march")
    monkeypatch.chdir(tmp_path)
    result = run("room", "march", "--no-report")
    assert result.exit_code == 2
    assert 'role = "seat"' in result.output
    assert run("room", "march", "--seat", "mic a", "--keep", "--no-report").exit_code == 2


@pytest.mark.parametrize(("refused", "status"), [((True,), 2), ((True, True), 2), ((True, False), 0)])
def test_the_first_refusal_is_told_where_nothing_can_be_told_of_any_seat(tmp_path, monkeypatch, refused, status):
    seats = tuple(
        SeatRoom(
            seat=f"seat {number}",
            track=f"omni {number}",
            octaves=(),
            sti_room=None,
            refused="it is clipped" if is_refused else None,
        )
        for number, is_refused in enumerate(refused, 1)
    )
    result = RoomResult(
        deskhand="",
        house=None,
        recording="sweeps",
        measured_at="2026-03-01",
        sample_rate_hz=48000,
        seats=seats,
        words=(),
    )
    monkeypatch.setattr("deskhand.tasks.room.measure_room", lambda *_, **__: result)
    told = run("room", tmp_path / "sweeps", "--json", "-", "--no-report")
    assert told.exit_code == status
    if status:
        assert told.stderr.strip().endswith("sweeps, track omni 1: nothing can be told of the room; it is clipped")
