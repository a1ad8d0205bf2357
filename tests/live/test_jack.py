"""End to end without hardware: a JACK server on its dummy driver, a client that plays the desk, `deskhand live` beside it.

Covers, in this order: a line check of 32 channels with planted faults, and its recording to the last bit; the device killed in
mid-run and back again; a device that comes back with another rate, or with fewer channels.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any
from unittest import mock

import numpy as np
import pytest
import soundfile

from deskhand.demo import line_check
from deskhand.demo.venue import SOURCES as _SOURCES
from deskhand.demo.venue import house_text
from tests.support import desk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

RATE_HZ = 48000
CHANNELS = 32
FIRST_PLAYERS = 5
SMALL_HOUSE = '[house]\nname = "Tern Street Hall"\n[[source]]\nname = "keys"\nrole = "keys"\ntracks = [1, 2]\n'


pytestmark = pytest.mark.needs("jackd", "portaudio")


class Live:
    """The command, running."""

    def __init__(self, folder: Path, *options: str, server: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "deskhand", "live", "--device", "desk", *options],
            cwd=folder, env=desk.environment(server), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            stdin=subprocess.DEVNULL,
        )  # fmt: skip
        self.lines: list[str] = []

    def until(self, text: str) -> str:
        """Read on to a line that holds a text."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)
            if text in line:
                return line
        raise AssertionError("".join(self.lines))

    def end(self) -> int:
        """Read all the rest; the exit status."""
        assert self.process.stdout is not None
        self.lines += list(self.process.stdout)
        return self.process.wait(60)

    @property
    def text(self) -> str:
        return "".join(self.lines)


@pytest.fixture
def live() -> Iterator[Any]:
    """Starts the command; ends whatever still runs."""
    started: list[Live] = []

    def start(folder: Path, *options: str, server: str) -> Live:
        started.append(Live(folder, *options, server=server))
        return started[-1]

    yield start
    for one in started:
        one.process.kill()
        one.process.wait()
        assert one.process.stdout is not None
        one.process.stdout.close()


def words(rng: np.random.Generator, channels: int, seconds: float) -> np.ndarray:
    """Noise on the grid of 24-bit words."""
    noise = rng.uniform(-0.1, 0.1, (channels, round(seconds * RATE_HZ)))
    return (np.round(noise * (1 << 23)) / (1 << 23)).astype(np.float32)


@pytest.mark.parametrize("players", [FIRST_PLAYERS, None], ids=["first-players", "whole"])
def test_a_line_check_of_32_channels(tmp_path, live, players):
    """Six times as fast as real time. Of the first players, up to a bass that hums, the last may not be heard to the end: it begins late."""
    everybody = [name for name, *_ in _SOURCES if name not in line_check.LEFT_OUT]
    left_out = {*line_check.LEFT_OUT, *(everybody[players:] if players else ())}
    with mock.patch.object(line_check, "LEFT_OUT", left_out):
        made = line_check.make_line_check(np.random.default_rng(31))
    listened_s = 144 if players is None else int(made.length_s) - 1
    reached = set(everybody[: players - 1] if players else everybody)
    planted = {(source, kind) for source, kind in made.planted if source in reached}
    assert planted
    names = [track for _, _, tracks, *_ in _SOURCES for track in tracks]
    rng = np.random.default_rng(1)
    data = (1e-5 * rng.standard_normal((CHANNELS, made.tracks["kick"].size))).astype(np.float32)
    data[: len(names)] = [made.tracks[name] for name in names]
    data = (np.round(data * (1 << 23)) / (1 << 23)).astype(np.float32)
    np.save(tmp_path / "desk.npy", data)
    (tmp_path / "house.toml").write_text(house_text(), "utf-8")
    with desk.jack(server="dh-line") as _, desk.playing(tmp_path / "desk.npy", pace=6.0, server="dh-line") as player:
        listed = subprocess.run(
            [sys.executable, "-m", "deskhand", "live", "--list"], env=desk.environment("dh-line"), capture_output=True, text=True, check=True
        )  # fmt: skip
        assert "32 channels  48 kHz  desk" in listed.stdout
        running = live(
            tmp_path,
            "--for",
            f"{listened_s // 60}:{listened_s % 60:02d}",
            "--record",
            "rec",
            "--json",
            "out.json",
            server="dh-line",
        )
        running.until("runs.")
        player.stdin.write("go\n")
        player.stdin.flush()
        assert running.end() == 1, running.text
    result = json.loads((tmp_path / "out.json").read_text())
    told = {
        (source["name"], finding["kind"])
        for source in result["sources"]
        for finding in source["findings"]
        if finding["severity"] != "note" and source["name"] in reached
    }
    assert told == planted, running.text
    assert not [note for note in result["show"]["notes"] if "lost" in note or "slow" in note]
    # each is told within five seconds of its playing; the clock of the lines counts the frames of the recording
    got, _ = soundfile.read(tmp_path / "rec" / "take.wav", dtype="float32", always_2d=True)
    began = int(np.flatnonzero(got.any(axis=1))[0])
    offset_s = began / RATE_HZ
    for line in running.lines:
        clock_, _, rest = line.strip().partition("  ")
        source = rest.split(":")[0]
        turn = next(((a, b) for name, a, b in made.turns if name == source), None)
        if turn is None or ":" not in clock_ or rest.endswith(("sounds", "arrived")):
            continue
        if "and the other way round" in rest:
            continue  # of the first of the two it is said once more when the second plays
        minutes, seconds = clock_.split(":")
        assert 60 * int(minutes) + int(seconds) - offset_s - turn[0] <= 6.0, line  # the clock shows whole seconds
    # every sample accounted for, and every bit
    frames = min(len(got) - began, data.shape[1])
    assert frames > (listened_s - 4) * RATE_HZ
    first = int(np.flatnonzero(data.any(axis=0))[0])
    assert np.array_equal(got[began : began + frames - first].T, data[:, first : first + frames - first])


def test_a_device_that_is_killed_and_comes_back(tmp_path, live, rng):
    np.save(tmp_path / "desk.npy", words(rng, 2, 120.0))
    (tmp_path / "house.toml").write_text(SMALL_HOUSE, "utf-8")
    with desk.jack(server="dh-kill") as server, desk.playing(tmp_path / "desk.npy", server="dh-kill") as player:
        running = live(tmp_path, "--for", "0:12", "--record", "rec", server="dh-kill")
        running.until("runs.")
        player.stdin.write("go\n")
        player.stdin.flush()
        time.sleep(4.0)
        server.kill()
        running.until("is gone; waiting for it")
    # all that came before is there
    before, _ = soundfile.read(tmp_path / "rec" / "take.wav", dtype="float32", always_2d=True)
    assert len(before) >= 2 * RATE_HZ
    began = int(np.flatnonzero(before.any(axis=1))[0])
    played = np.load(tmp_path / "desk.npy")[:, :RATE_HZ]
    assert np.array_equal(before[began : began + RATE_HZ].T, played)
    with desk.jack(server="dh-kill"), desk.playing(tmp_path / "desk.npy", server="dh-kill") as player:
        player.stdin.write("go\n")
        player.stdin.flush()
        running.until("is back")
        assert running.end() in (0, 1), running.text
    assert "the device was gone for" in running.text
    after, _ = soundfile.read(tmp_path / "rec" / "take.wav", dtype="float32", always_2d=True)
    assert len(after) > len(before)
    assert np.array_equal(after[: len(before)], before)


@pytest.mark.parametrize(
    ("channels", "rate_hz", "said"),
    [(2, 44100, "runs at 44100 Hz now, it began with 48000 Hz"), (1, 48000, "has 1 inputs now, 2 are used")],
)
def test_a_device_that_comes_back_as_another(tmp_path, live, rng, channels, rate_hz, said):
    server_name = f"dh-other-{channels}"
    np.save(tmp_path / "desk.npy", words(rng, 2, 60.0))
    np.save(tmp_path / "other.npy", words(rng, channels, 60.0))
    (tmp_path / "house.toml").write_text(SMALL_HOUSE, "utf-8")
    with desk.jack(server=server_name) as server, desk.playing(tmp_path / "desk.npy", server=server_name) as player:
        running = live(tmp_path, "--record", "rec", "--json", "out.json", server=server_name)
        running.until("runs.")
        player.stdin.write("go\n")
        player.stdin.flush()
        time.sleep(4.0)
        server.kill()
        running.until("is gone; waiting for it")
    with (
        desk.jack(server=server_name, rate_hz=rate_hz),
        desk.playing(tmp_path / "other.npy", rate_hz=rate_hz, server=server_name),
    ):
        assert running.end() == 2, running.text
    assert said in running.text
    assert "Traceback" not in running.text
    # what was heard until then is told and written all the same
    assert json.loads((tmp_path / "out.json").read_text())["sources"]
    got, _ = soundfile.read(tmp_path / "rec" / "take.wav", always_2d=True)
    assert len(got) >= 2 * RATE_HZ
