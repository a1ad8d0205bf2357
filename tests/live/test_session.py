"""`deskhand live` as a person runs it, with a recording in place of a device: what is printed, written, kept and refused."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import Mock

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from rich.console import Console

from deskhand.cli import main
from deskhand.findings import Finding
from deskhand.live.device import Device, choose
from deskhand.live.keeping import keep_turns
from deskhand.live.session import LiveOptions, listen_live
from deskhand.tasks.keep import history_at
from tests.support.once import drawn_once
from tests.support.schemas import assert_meets_schema
from tests.support.signals import RATE_HZ, pink
from tests.support.writers import write_wave

if TYPE_CHECKING:
    from click.testing import Result

HOUSE = """\
# Tern Street Hall, invented
[house]
name = "Tern Street Hall"

[[source]]
name = "bass"
role = "bass"
tracks = ["bass"]
channel = "1"

[[source]]
name = "keys"
role = "keys"
tracks = ["keys l", "keys r"]
channel = "2/3"

[[source]]
name = "lectern"
role = "speech"
tracks = ["lectern"]
channel = "4"
"""


def run(*arguments: object) -> Result:
    done = CliRunner().invoke(main, [str(one) for one in arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    assert "Traceback" not in done.output
    return done


@drawn_once
def tracks_of(rng: np.random.Generator) -> dict[str, np.ndarray]:
    """A line check: a bass, keys whose right side is dead, and nobody at the lectern."""
    seconds = 26.0
    quiet = {
        name: 1e-5 * rng.standard_normal(round(seconds * RATE_HZ)) for name in ("bass", "keys l", "keys r", "lectern")
    }
    for name, begin_s in (("bass", 4.0), ("keys l", 14.0)):
        at = round(begin_s * RATE_HZ)
        sound = pink(rng, 6.0, -18.0)
        quiet[name][at : at + sound.size] += sound
    return quiet


@pytest.fixture
def hall(tmp_path: Path, rng: np.random.Generator) -> Path:
    folder = tmp_path / "show"
    folder.mkdir()
    for name, wave in tracks_of(rng).items():
        write_wave(folder / f"{name}.wav", wave, rate_hz=RATE_HZ)
    (tmp_path / "house.toml").write_text(HOUSE, "utf-8")
    return tmp_path


def test_a_line_check_from_a_recording(hall):
    done = run("live", "--replay", hall / "show", "--fast", "--date", "2026-03-01", "--json", hall / "out.json")
    assert done.exit_code == 1
    lines = done.output.splitlines()
    assert any(line.endswith("bass: arrived") for line in lines)
    assert any("keys: keys r is silent" in line for line in lines)
    data = json.loads((hall / "out.json").read_text())
    assert_keeps_the_contract(data, "line-check")
    assert data["show"]["date"] == "2026-03-01"
    status = {source["name"]: source["status"] for source in data["sources"]}
    assert status == {"bass": "well", "keys": "fix", "lectern": "silent"}
    assert data["first"][0]["source"] == "lectern"
    level = data["sources"][0]["before"]["level_dbfs"]
    assert level == pytest.approx(-18.0, abs=0.3)


def test_a_line_check_that_is_broken_off_blames_nobody_whose_turn_had_not_come(hall):
    done = run("live", "--replay", hall / "show", "--fast", "--for", "0:12", "--json", hall / "out.json")
    assert done.exit_code == 0
    assert "not heard yet: 2 inputs (keys, lectern)" in done.output
    data = json.loads((hall / "out.json").read_text())
    assert {source["name"]: source["status"] for source in data["sources"]} == {"bass": "well"}
    assert data["first"] == []


def assert_keeps_the_contract(data: dict[str, Any], phase: str) -> None:
    assert_meets_schema(data)
    assert data["show"]["phase"] == phase


@pytest.mark.parametrize("phase", ["line-check", "rehearsal"])
def test_the_result_keeps_the_contract(hall, phase):
    done = run("live", "--replay", hall / "show", "--fast", "--phase", phase, "--for", "0:12", "--json", "-")
    assert_keeps_the_contract(json.loads(done.stdout), phase)


def test_what_is_recorded_is_what_was_played(hall):
    rec = hall / "rec"
    done = run("live", "--replay", hall / "show", "--fast", "--record", rec)
    assert "Recorded:" in done.output
    got, rate = soundfile.read(rec / "take.wav", always_2d=True)
    assert rate == RATE_HZ
    order = ("bass", "keys l", "keys r", "lectern")
    played = {name: soundfile.read(hall / "show" / f"{name}.wav")[0] for name in order}
    from deskhand.recording import open_recording

    names = [track.name for track in open_recording(rec).tracks]
    for row, name in enumerate(names):
        # 24 bits: half a step
        assert np.abs(got[:, row] - played[name][: len(got)]).max() <= 0.51 / (1 << 23)
        assert len(got) == len(played[name])
    # and it is a take like any other
    again = run("check", rec, "--house", hall / "house.toml", "--no-report", "--json", "-")
    assert json.loads(again.stdout)["show"]["phase"] == "line-check"
    refused = run("live", "--replay", hall / "show", "--fast", "--record", rec)
    assert refused.exit_code == 2
    assert "holds a take already" in refused.output


def test_what_was_heard_is_kept(hall):
    done = run(
        "live", "--replay", hall / "show", "--fast", "--keep", "--date", "2026-03-01", "--by", "Marit", "--note", "fine"
    )
    # what is at fault is said as `keep` says it, and left out
    lines = done.output.splitlines()
    said_at = lines.index("Something is wrong in this take:")
    assert [line.split(":")[0] for line in lines[said_at + 1 : said_at + 3]] == ["  keys", "  lectern"]
    assert "keys r is silent" in lines[said_at + 1]
    assert "Kept as number 1" in done.output
    listed = " ".join(run("keep", "--list", "--house", hall / "house.toml").output.split())
    assert "line-check" in listed
    assert "Marit" in listed
    twice = run("live", "--replay", hall / "show", "--fast", "--keep", "--date", "2026-03-01")
    assert twice.exit_code == 2
    assert "kept already" in twice.output


def test_turns_are_kept_by_themselves_but_never_practice(hall):
    options = LiveOptions(house=hall / "house.toml", replay=hall / "show", fast=True, date="2026-03-01")
    outcome = listen_live(options, Console(file=io.StringIO()), keyboard=False)
    assert keep_turns(outcome, options) == []
    assert not (hall / "history.sqlite").exists()
    heard = replace(options, replay=None)
    assert keep_turns(outcome, replace(heard, phase="rehearsal")) == []
    kept, left_out = keep_turns(outcome, heard)
    # the keys are at fault, and nobody was at the lectern
    assert kept.startswith("Kept by itself for next week's line check: 1 inputs, number 1.")
    assert "keys" in left_out
    # the same evening once more: as many inputs take its place, fewer do not, nor is one replaced that a person kept
    assert "number 2" in keep_turns(outcome, heard)[0]
    store = history_at(None, hall / "house.toml")
    assert [row.id for row in store.takes(house="Tern Street Hall")] == [2]
    store.close()
    asked = Finding(
        id="bass/swapped", kind="swapped", stage="tap", severity="listen", what="turn", track="bass", other="lectern"
    )
    sources = [
        replace(source, findings=(asked,)) if source.name == "bass" else source for source in outcome.result.sources
    ]
    in_question = replace(outcome, result=replace(outcome.result, sources=tuple(sources)))
    assert keep_turns(in_question, heard) == []
    run("keep", "--forget", "2", "--house", hall / "house.toml")
    run("live", "--replay", hall / "show", "--fast", "--keep", "--date", "2026-03-01", "--note", "by hand")
    assert keep_turns(outcome, heard) == ["line check (2026-03-01) is kept already, as number 3: this one is not kept."]
    # the invented hall
    (hall / "show" / "truth.json").write_text("{}", "utf-8")
    assert keep_turns(outcome, heard) == []


def test_a_soundcheck_from_a_recording(hall):
    done = run("live", "--replay", hall / "show", "--fast", "--phase", "rehearsal", "--json", hall / "s.json")
    assert done.exit_code == 1
    data = json.loads((hall / "s.json").read_text())
    assert_keeps_the_contract(data, "rehearsal")
    bass = next(source for source in data["sources"] if source["name"] == "bass")
    # as a check of the same recording reads it
    check = json.loads(run("check", hall / "show", "--no-report", "--json", "-").stdout)
    there = next(source for source in check["sources"] if source["name"] == "bass")
    assert bass["before"]["level_dbfs"] == pytest.approx(there["before"]["level_dbfs"], abs=0.1)
    kinds = {source["name"]: {one["kind"] for one in source["findings"]} for source in data["sources"]}
    assert "one-sided" in kinds["keys"]
    assert "silent" in kinds["lectern"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--fast"], "--fast: is for a recording"),
        (["--replay", "nowhere"], "nowhere: no such file or folder"),
        (["--replay", "show", "--player", "bas=Ana"], 'did you mean "bass"?'),
        (["--replay", "show", "--date", "soon"], "is not a date"),
        (["--replay", "show", "--json", "nowhere/x.json"], "no such folder"),
        (["--replay", "show", "--house", "nothing.toml"], "nothing.toml"),
    ],
)
def test_mistakes_get_one_line(hall, monkeypatch, options, said):
    monkeypatch.chdir(hall)
    done = run("live", *options)
    assert done.exit_code == 2
    assert said in done.output
    assert len([line for line in done.output.splitlines() if line.startswith("Error")]) == 1


def test_without_a_house_there_is_no_line_check(hall):
    (hall / "house.toml").unlink()
    done = run("live", "--replay", hall / "show", "--fast")
    assert done.exit_code == 2
    assert "house.toml" in done.output


DEVICES = [
    Device(number=0, name="Built-in microphone, ALSA", channels=2, sample_rate_hz=44100.0),
    Device(number=3, name="Desk USB, ALSA", channels=32, sample_rate_hz=48000.0),
    Device(number=7, name="Desk USB, JACK", channels=32, sample_rate_hz=48000.0),
]


def test_the_device_that_is_meant():
    from deskhand.errors import UsageError

    assert choose(DEVICES, None).number == 3
    assert choose(DEVICES, "7").number == 7
    assert choose(DEVICES, "microphone").number == 0
    assert choose(DEVICES, "desk usb, jack").number == 7
    with pytest.raises(UsageError, match=r'fits several inputs; say which: 3 "Desk USB, ALSA", 7'):
        choose(DEVICES, "desk")
    with pytest.raises(UsageError, match=r"is no input of this computer; there are: 0"):
        choose(DEVICES, "mixer")
    with pytest.raises(UsageError, match="there are none"):
        choose([], None)


def test_screens_say_whose_turn_it_is(hall):
    """Both screens, drawn for a narrow and a wide terminal."""
    from rich.console import Console

    from deskhand.house import read_house
    from deskhand.live.ring import Ring
    from deskhand.live.screen import line_check_view, soundcheck_view
    from deskhand.live.soundcheck import Soundcheck
    from deskhand.live.watch import Watch, rows_of
    from deskhand.recording import open_recording
    from deskhand.tasks.check import CheckOptions

    house = read_house(hall / "house.toml")
    recording = open_recording(hall / "show")
    names = [track.name for track in recording.tracks]
    samples = recording.read()
    ring = Ring.of(4, 30 * RATE_HZ)
    watch = Watch(
        house=house, inputs=rows_of(house, names, 4), ring=ring, sample_rate_hz=RATE_HZ,
        taps={one.name: "preamp" for one in house.source}, players={},
    )  # fmt: skip
    soundcheck = Soundcheck(
        house=house,
        house_file=hall / "house.toml",
        names=names,
        ring=ring,
        sample_rate_hz=RATE_HZ,
        request=CheckOptions(phase="rehearsal"),
    )
    for first in range(0, 22 * RATE_HZ, 4800):
        ring.write(samples[:, first : first + 4800])
        watch.advance()
        soundcheck.advance()
    soundcheck.finish()
    for width, height in ((40, 16), (80, 24), (120, 40)):
        for listener in (watch, soundcheck):
            console = Console(width=width, height=height, record=True, force_terminal=True, file=(hall / "x").open("w"))
            view = line_check_view if listener is watch else soundcheck_view
            console.print(view(listener, note="runs", height=height, problem="disk full"))
            text = console.export_text()
            assert "disk full" in text
            # whatever is said, the keys are the last line that fits
            assert len(text.splitlines()) <= height
            assert text.splitlines()[-1].rstrip().endswith("q done")
            console.file.close()
            if listener is watch:
                assert "LECTERN" in text or "KEYS" in text
            assert "fix" in text


def test_what_is_over_is_said_in_words(hall, rng):
    """A dead side that comes back: the line names it as a person would, and by no name of the data."""
    from deskhand.findings import KIND_NAMES
    from deskhand.house import read_house
    from deskhand.live.ring import Ring
    from deskhand.live.soundcheck import Soundcheck
    from deskhand.tasks.check import CheckOptions

    seconds = 75
    samples = np.array([pink(rng, seconds, -18.0) for _ in range(4)], np.float32)
    samples[2, : 30 * RATE_HZ] = 0.0
    ring = Ring.of(4, 30 * RATE_HZ)
    soundcheck = Soundcheck(
        house=read_house(hall / "house.toml"),
        house_file=hall / "house.toml",
        names=["bass", "keys l", "keys r", "lectern"],
        ring=ring,
        sample_rate_hz=RATE_HZ,
        request=CheckOptions(phase="rehearsal"),
    )
    for first in range(0, seconds * RATE_HZ, 4800):
        ring.write(samples[:, first : first + 4800])
        soundcheck.advance()
    soundcheck.finish()
    keys = [message.text for message in soundcheck.messages if message.source == "keys"]
    assert any(text.startswith("keys r is silent") for text in keys)
    assert "no longer: keys r is silent" in keys
    assert not any(text.split(":")[0] in KIND_NAMES for text in keys)


def test_it_reads_this_week_s_file_and_says_so(hall):
    """As a check of the same show does; a house file that is named goes before."""
    week = HOUSE.replace('name = "bass"', 'name = "low end"')
    (hall / "week-2026-03-01.toml").write_text(week, "utf-8")
    # long enough for the first input to arrive
    replay = ("live", "--replay", hall / "show", "--fast", "--for", "0:10")
    by_note = hall / "show" / "show.toml"
    for arguments, note, name, file in (
        (("--date", "2026-03-01"), "", "low end", "week-2026-03-01.toml"),
        ((), "date = 2026-03-01\n", "low end", "week-2026-03-01.toml"),
        (("--date", "2026-03-08"), "date = 2026-03-01\n", "bass", "house.toml"),
        (("--date", "2026-03-01", "--house", hall / "house.toml"), "", "bass", "house.toml"),
    ):
        by_note.write_text(note, "utf-8")
        done = run(*replay, *arguments, "--json", hall / "out.json")
        data = json.loads((hall / "out.json").read_text())
        assert data["sources"][0]["name"] == name
        assert data["show"]["house_file"] == file
        assert ("week-2026-03-01.toml" in done.output) == (file != "house.toml")
        assert any("this week's settings" in line for line in data["show"]["notes"]) == (file != "house.toml")
    by_note.write_text("date = 2026-03-01\n", "utf-8")
    checked = run("check", hall / "show", "--no-report", "--json", "-")
    assert json.loads(checked.stdout)["show"]["house_file"] == "week-2026-03-01.toml"


def test_the_keys_stay_in_view_on_a_small_terminal(tmp_path):
    """80 columns by 24 lines (ECMA-48's usual page): sixteen inputs, and sentences that take lines of their own."""
    from rich.console import Console

    from deskhand.house import Source
    from deskhand.live.line import PatchList
    from deskhand.live.messages import LiveMessage
    from deskhand.live.screen import KEYS, line_check_view
    from tests.support.examples import example

    names = [f"backing voice by the drum riser {number}" for number in range(1, 17)]
    line = PatchList(
        [
            (Source(name=name, role="backing vocal", tracks=[name], channel=str(at)), (at,))
            for at, name in enumerate(names)
        ]
    )
    watch = Mock(
        line=line, now_s=70.0, messages=[LiveMessage(time_s=69.0, source=names[3], text=40 * "hum ", urgent=True)]
    )
    watch.answers.prompt = ""
    watch.house.house.name = "Tern Street Hall"
    watch.house.nominal_dbfs.return_value = -18.0
    seen = set()
    for turn in range(len(names) + 1):
        line.turn = turn
        for entry in line.inputs[:turn]:
            entry.state = "arrived"
            entry.reported = {"hum": example("hum", "fix", source=entry.source.name)}
        for width, height in ((80, 24), (60, 16)):
            console = Console(width=width, height=height, record=True, force_terminal=True, file=io.StringIO())
            console.print(line_check_view(watch, note="Desk USB runs", height=height, problem=30 * "disk full "))
            lines = console.export_text().splitlines()
            assert len(lines) <= height
            assert lines[-1].rstrip() == KEYS
            if turn < len(names):
                # and whose turn it is, large and in the list
                assert any(line.startswith(f">>  {names[turn].upper()}") for line in lines)
                assert any(line.startswith("> ") for line in lines)
            seen.add(len(lines))
    assert seen == {24, 16}


def test_a_computer_without_inputs_says_what_to_do(monkeypatch):
    monkeypatch.setattr("deskhand.live.device.list_devices", list)
    done = run("live", "--list")
    assert done.exit_code == 0
    assert "No audio input is connected" in done.output
    assert "--replay" in done.output
