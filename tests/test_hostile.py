"""Bad input of every kind, typed as people type it: one line that names the file or key, status 2, nothing left behind.

In order: what must be refused, the same through a process of its own, what looks wrong and must be read, a full disk.
"""

from __future__ import annotations

import json
import os
import re
import struct
import subprocess
import sys
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from deskhand.cli import main
from tests.support.writers import (
    FLOAT,
    bext_chunk,
    float_bytes,
    noise,
    pcm_bytes,
    wave_bytes,
    write_wave,
)

if TYPE_CHECKING:
    from collections.abc import Callable

RATE_HZ: Final = 48000
HOUSE: Final = """\
[house]
name = "Tern Street Hall"

[[source]]
name = "piano"
role = "keys"
tracks = ["pno"]
[[source.chain]]
block = "bell"
frequency = "400 Hz"
gain = "-1.5 dB"

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]

[vocal]
source = "lead voice"
"""
GOOD: Final = wave_bytes(
    pcm_bytes(np.round(noise(np.random.default_rng(1), seconds=2.0) * 2**23).astype(np.int64), 24), bits=24
)


def good_show(folder: Path) -> Path:
    """Two sound tracks and their house: only what a case changes is wrong."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text(HOUSE)
    (folder / "01 pno.wav").write_bytes(GOOD)
    (folder / "02 vox.wav").write_bytes(GOOD)
    return folder


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What to spoil in a good show, what to type, what the line must say."""

    spoil: Callable[[Path], Any]
    said: str
    arguments: tuple[str, ...] = ("show",)
    """After `deskhand check`; `show` is the folder's name."""


def case(name: str, spoil: Callable[[Path], Any], said: str, *arguments: str) -> Any:
    return pytest.param(Case(spoil=spoil, said=said, arguments=arguments or ("show",)), id=name)


def nothing(_: Path) -> None:
    """The show is good; what is typed is not."""


def vox(data: bytes, name: str = "02 vox.wav") -> Callable[[Path], Any]:
    """The voice's file holds something else."""
    return lambda show: (show / name).write_bytes(data)


def floats(value: float, *, bits: int = 32) -> Callable[[Path], Any]:
    samples = np.full((1, RATE_HZ), 0.1)
    samples[0, RATE_HZ // 2] = value
    return vox(wave_bytes(float_bytes(samples, bits), bits=bits, tag=FLOAT))


def house(old: str, new: str) -> Callable[[Path], Any]:
    """The house file with something changed in it, which must have been there."""
    assert old in HOUSE
    return lambda show: (show / "house.toml").write_text(HOUSE.replace(old, new, 1))


def house_bytes(data: bytes) -> Callable[[Path], Any]:
    return lambda show: (show / "house.toml").write_bytes(data)


def note(text: str) -> Callable[[Path], Any]:
    return lambda show: (show / "show.toml").write_text(text)


def only_in_a_folder_below(show: Path) -> None:
    (show / "audio").mkdir()
    for name in ("01 pno.wav", "02 vox.wav"):
        (show / name).rename(show / "audio" / name)


def no_audio(show: Path) -> None:
    for name in ("01 pno.wav", "02 vox.wav"):
        (show / name).unlink()


PNG: Final = b"\x89PNG\r\n\x1a\n" + struct.pack(">I4sIIBBBBB", 13, b"IHDR", 8, 8, 8, 2, 0, 0, 0) + bytes(2000)
ALONE: Final = "show/02 vox.wav"
EIGHT_KHZ: Final = wave_bytes(bytes(2 * 8000), rate_hz=8000)

FILES: Final = [
    case("cut-in-the-header", vox(GOOD[:30]), r"02 vox\.wav: the header ends before it says"),
    case("cut-after-the-header", vox(GOOD[:44]), r"02 vox\.wav: holds no audio"),
    case("cut-before-the-data", vox(GOOD[:36]), r"02 vox\.wav: the file ends before any audio"),
    case("of-no-length", vox(b""), r"02 vox\.wav: the file is empty \(0 bytes\)"),
    case("text", vox(b"bring the spare cable\n" * 50), r"02 vox\.wav: not audio that can be read"),
    case("picture", vox(PNG), r"02 vox\.wav: not audio that can be read"),
    case("zeros", vox(bytes(100_000)), r"02 vox\.wav: not audio that can be read"),
    case("riff-of-another-kind", vox(b"RIFF\x20\0\0\0AVI LIST" + bytes(64)), r"02 vox\.wav: not audio"),
    case("flac-that-is-none", vox(b"fLaC" + bytes(500), "03 gtr.flac"), r"03 gtr\.flac: "),
    case("aiff-cut-in-the-header", vox(b"FORM\0\0\0\x20AIFFCOMM\0\0\0\x12", "03 gtr.aiff"), r"03 gtr\.aiff: "),
    case("not-a-number", floats(np.nan), r"02 vox\.wav, channel 1 at 0:00: holds nan"),
    case("infinity", floats(np.inf), r"02 vox\.wav, channel 1 at 0:00: holds inf"),
    case("minus-infinity", floats(-np.inf), r"02 vox\.wav, channel 1 at 0:00: holds -inf"),
    case("not-a-number-of-64-bits", floats(np.nan, bits=64), r"02 vox\.wav, channel 1 at 0:00: holds nan"),
    # a double that float32 cannot hold is infinity there
    case("too-large-a-double", floats(1e300, bits=64), r"02 vox\.wav, channel 1 at 0:00: holds inf"),
    case("no-channels", vox(wave_bytes(bytes(RATE_HZ), channels=0)), r"02 vox\.wav: the header says 0 channels"),
    case("no-rate", vox(wave_bytes(bytes(RATE_HZ), rate_hz=0)), r"02 vox\.wav: the header says 1 channels at 0 Hz"),
    case("8-khz", vox(EIGHT_KHZ), r"02 vox\.wav: sampled at 8000 Hz; 44100 to 192000 Hz can be measured"),
    case("no-sample", vox(wave_bytes(b"")), r"02 vox\.wav: holds no audio \(0 samples\)", ALONE),
    case("one-sample", vox(wave_bytes(b"\0\1")), r"02 vox\.wav: holds 1 samples .*0\.4 s is the least", ALONE),
    case("one-sample-at-8-khz", vox(wave_bytes(b"\0\1", rate_hz=8000)), r"02 vox\.wav: sampled at 8000 Hz", ALONE),
    case("picture-given", vox(PNG, "cover.wav"), r"cover\.wav: not audio that can be read", "show/cover.wav"),
    case("text-given", nothing, r"house\.toml: not audio that can be read", "show/house.toml"),
    case("device", nothing, r"null: the file is empty", "/dev/null"),
    case("folder-of-none", no_audio, r"no audio files .* among 1 files; name the folder that holds the tracks"),
    case("folder-too-high", only_in_a_folder_below, r'no audio files .*; did you mean the folder "audio" in it\?'),
    case("no-such-path", nothing, r"next week: no such file or folder; check the name", "next week"),
    case("path-too-long", nothing, r"xxx", "x" * 300),
    case("path-through-a-file", nothing, r"no such file or folder", "show/house.toml/x.wav"),
    case(
        "two-takes",
        lambda show: [
            (show / f"{name}.wav").write_bytes(wave_bytes(bytes(2 * RATE_HZ), before=[bext_chunk(at)]))
            for name, at in (("03 a", 0), ("04 b", 3600 * RATE_HZ))
        ],
        r"04 b\.wav: starts 1:00:00 after the others",
    ),
]

HOUSES: Final = [
    case("house-syntax", house("[house]", "[house"), r"house\.toml, line 1: not readable as TOML"),
    case("house-no-text", house_bytes(b'[house]\nname = "\xff"'), r"house\.toml: cannot be read as text"),
    case("house-empty", house_bytes(b""), r'house\.toml.*the key "house" is missing'),
    case("house-binary", house_bytes(PNG), r"house\.toml: cannot be read as text"),
    case("house-is-audio", nothing, r"01 pno\.wav: cannot be read as text", "show", "--house", "show/01 pno.wav"),
    case("house-nested", house_bytes(b"a = " + b"[" * 5000), r"house\.toml.*not readable as TOML"),
    case("house-unknown-table", house("[vocal]", "[vocals]"), r'house\.toml, line 18.*unknown key "vocals"; did you mean "vocal"\?'),
    case("house-unknown-key", house('name = "Tern', 'nme = "Tern'), r'house\.toml, line 2.*unknown key "nme"; did you mean "name"\?'),
    case("house-unknown-key-of-source", house("tracks =", "track ="), r'house\.toml, line 7, source "piano": unknown key "track"'),
    case("house-unknown-key-of-block", house("frequency", "frqency"), r'line 10, source "piano", chain 1: unknown key "frqency"; did you'),
    case("house-wrong-type", house('["pno"]', '"pno"'), r'house\.toml, line 7, source "piano": "tracks" is \'pno\''),
    case("house-bad-unit", house("-1.5 dB", "-1.5 dBFS"), r"house\.toml, line 11.*\"gain\": '-1\.5 dBFS' has the unit 'dBFS'; write it in dB"),
    case("house-unknown-role", house('"keys"', '"key"'), r"house\.toml, line 6.*\"role\" is 'key'; did you mean \"keys\"\?"),
    case("house-unknown-block", house('"bell"', '"bel"'), r"house\.toml, line 9.*unknown block 'bel'; did you mean \"bell\"\?"),
    case("house-source-twice", house('"lead voice"', '"Piano"'), r'house\.toml, line 1\d, source "Piano": there is a source "piano" already'),
    case("house-track-twice", house('["vox"]', '["01 PNO"]'), r'house\.toml, line 16, source "lead voice": track "01 PNO" belongs to source "piano"'),
    case("house-vocal-of-none", house('source = "lead voice"', 'source = "led voice"'), r'house\.toml, line 19, \[vocal\]: there is no source "led voice"; did you mean "lead voice"\?'),
    case("house-missing", nothing, r"hous\.toml: no such file; write one with: deskhand new", "show", "--house", "hous.toml"),
    case("house-is-a-folder", nothing, r"show: cannot be read as text", "show", "--house", "show"),
]  # fmt: skip

NOTES: Final = [
    case("note-syntax", note("phase ="), r"show\.toml: not readable as TOML"),
    case("note-unknown-key", note('phse = "show"'), r'show\.toml: unknown key "phse"; did you mean "phase"\?'),
    case("note-bad-phase", note('phase = "gig"'), r"show\.toml, phase: 'gig' is not known; use one of line-check"),
    case("note-bad-tap", note('tap = "mic"'), r"show\.toml, tap: 'mic' is not known; use one of preamp"),
    case("note-bad-date", note('date = "sunday"'), r"show\.toml, date: 'sunday' is not a date; write it like 2026-03-01"),
    case("note-player-of-no-source", note('[players]\npaino = "Ana"'), r'show\.toml, players: there is no source "paino"; did you mean "piano"\?'),
    case("note-player-no-text", note("[players]\npiano = 3"), r"show\.toml, players: must be a table of names"),
    case("note-tap-of-no-source", note('[taps]\ndrums = "preamp"'), r'show\.toml, taps: there is no source "drums"'),
    case("note-binary", lambda show: (show / "show.toml").write_bytes(PNG), r"show\.toml: not readable as TOML"),
]  # fmt: skip

OPTIONS: Final = [
    case("from-after-the-end", nothing, r"--from 1:00: the recording ends at 0:02", "show", "--from", "1:00"),
    case(
        "to-before-from", nothing, r"--to 0:00: does not come after --from 0:00", "show", "--from", "0.5", "--to", "0.2"
    ),
    case("too-short-a-stretch", nothing, r"show: holds 4800 samples .*0\.4 s is the least", "show", "--to", "0.1"),
    case("from-no-time", nothing, r"'--from': 'abc' is not a time", "show", "--from", "abc"),
    case("from-nan", nothing, r"'--from': 'nan' is not a time", "show", "--from", "nan"),
    case("to-inf", nothing, r"'--to': 'inf' is not a time", "show", "--to", "inf"),
    case("from-below-nought", nothing, r"'--from': '-5' is before the start", "show", "--from", "-5"),
    case("from-huge", nothing, r"--from .*: the recording ends at 0:02", "show", "--from", "1e15"),
    case("player-without-equals", nothing, r"--player 'piano': is not SOURCE=NAME", "show", "--player", "piano"),
    case("player-without-name", nothing, r"--player 'piano=': is not SOURCE=NAME", "show", "--player", "piano="),
    case("player-of-no-source", nothing, r'there is no source "drums"', "show", "--player", "drums=Ana"),
    case("date-nonsense", nothing, r"--date: 'nonsense' is not a date", "show", "--date", "nonsense"),
    case("date-no-such-day", nothing, r"--date: '2026-02-30' is not a date", "show", "--date", "2026-02-30"),
    case("phase-unknown", nothing, r"'--phase': 'gig' is not one of", "show", "--phase", "gig"),
    case("json-no-such-folder", nothing, r"nowhere/x\.json: cannot be written", "show", "--json", "nowhere/x.json"),
    case("json-is-a-folder", nothing, r"show: cannot be written", "show", "--json", "show"),
    case("report-no-such-folder", nothing, r"nowhere/x\.html: cannot be written", "show", "--report", "nowhere/x.html"),
    case("report-is-a-folder", nothing, r"show: cannot be written", "show", "--report", "show"),
    case("no-recording", nothing, r"Missing argument 'RECORDING'", "--phase", "show"),
    case("no-such-option", nothing, r"No such option '--jsn'", "show", "--jsn", "x"),
]

CASES: Final = [*FILES, *HOUSES, *NOTES, *OPTIONS]


def everything_in(folder: Path) -> dict[str, tuple[int, int]]:
    """Every file with its size and time, so that what is new, gone or changed is seen."""
    found = {}
    for path in sorted(folder.rglob("*")):
        state = path.lstat()
        found[str(path.relative_to(folder))] = (state.st_size if path.is_file() else 0, state.st_mtime_ns)
    return found


def assert_refused(status: int, stdout: str, stderr: str, said: str) -> None:
    lines = stderr.splitlines()
    assert status == 2, (stdout, stderr)
    assert stdout == ""
    assert "Traceback" not in stderr
    errors = [line for line in lines if line.startswith("Error: ")]
    assert len(errors) == 1, stderr
    # click prints how the command is used before what is wrong with it: the last line is ours
    assert lines[-1] == errors[0]
    assert lines[0].startswith("Usage: ") or len(lines) == 1, stderr
    assert re.search(said, errors[0]), errors[0]
    # one line of words, not of code: no wall of text, no name of an exception
    assert len(errors[0]) < 600
    assert not re.search(r"Errno|Error\(|<class|0x[0-9a-f]{6}", errors[0]), errors[0]


@pytest.mark.parametrize("wrong", CASES)
def test_bad_input_is_refused_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: Case) -> None:
    monkeypatch.chdir(tmp_path)
    wrong.spoil(good_show(tmp_path / "show"))
    before = everything_in(tmp_path)
    done = run("check", *wrong.arguments)
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
    assert_refused(done.exit_code, done.stdout, done.stderr, wrong.said)
    assert everything_in(tmp_path) == before


def test_the_good_show_is_good(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without this, every case above could be refused for another reason than its own."""
    monkeypatch.chdir(tmp_path)
    good_show(tmp_path / "show")
    assert run("check", "show").exit_code in (0, 1)


@pytest.mark.parametrize("wrong", [FILES[0], FILES[10], HOUSES[7], OPTIONS[3]])
def test_the_shell_sees_the_same(tmp_path: Path, wrong: Case) -> None:
    wrong.spoil(good_show(tmp_path / "show"))
    before = everything_in(tmp_path)
    done = subprocess.run(
        [sys.executable, "-m", "deskhand", "check", *wrong.arguments],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        stdin=subprocess.DEVNULL,
    )
    assert_refused(done.returncode, done.stdout, done.stderr, wrong.said)
    assert everything_in(tmp_path) == before


@pytest.mark.parametrize("wrong", [FILES[0], FILES[4], FILES[23], FILES[25]])
def test_new_refuses_what_check_refuses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: Case) -> None:
    monkeypatch.chdir(tmp_path)
    show = good_show(tmp_path / "show")
    wrong.spoil(show)
    (show / "house.toml").unlink()
    before = everything_in(tmp_path)
    done = run("new", *wrong.arguments)
    assert_refused(done.exit_code, done.stdout, done.stderr, r"^Error: ")
    assert everything_in(tmp_path) == before


@pytest.mark.modes_count
@pytest.mark.parametrize("name", ["02 vox.wav", "house.toml", "show.toml", "notes.txt"])
def test_what_may_not_be_read_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.chdir(tmp_path)
    show = good_show(tmp_path / "show")
    path = show / name
    path.touch()
    path.chmod(0)
    done = run("check", "show")
    assert_refused(done.exit_code, done.stdout, done.stderr, re.escape(name))


@pytest.mark.modes_count
def test_a_folder_that_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    good_show(tmp_path / "show")
    (tmp_path / "closed").mkdir(mode=0o500)
    monkeypatch.chdir(tmp_path / "closed")
    done = run("check", "../show")
    assert_refused(done.exit_code, done.stdout, done.stderr, r"show-check\.html: cannot be written")


# ---- what looks wrong and must be read


def checked(path: Path, *options: str) -> dict[str, Any]:
    done = run("check", path, "--no-report", "--json", "-", *options)
    assert done.exit_code in (0, 1), (done.output, repr(done.exception))
    assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} in the JSON")

    data = json.loads(done.stdout, parse_constant=refuse)
    return dict(data)


def track_count(data: dict[str, Any]) -> int:
    return int(data["show"]["tracks"])


class TestRead:
    def test_a_wave_file_by_another_name_given_directly(self, tmp_path: Path) -> None:
        (tmp_path / "vox.txt").write_bytes(GOOD)
        assert track_count(checked(tmp_path / "vox.txt")) == 1

    @pytest.mark.parametrize("name", ["vox", "VOX.WAV", "vox.wav.bak", "vox.flac"])
    def test_endings_do_not_matter_for_a_file_given_directly(self, tmp_path: Path, name: str) -> None:
        (tmp_path / name).write_bytes(GOOD)
        assert track_count(checked(tmp_path / name)) == 1

    @pytest.mark.parametrize("channels", [1, 2, 5])
    def test_silence_is_found_not_feared(self, tmp_path: Path, channels: int) -> None:
        write_wave(tmp_path / "vox.wav", np.zeros((channels, 2 * RATE_HZ)))
        data = checked(tmp_path / "vox.wav")
        # sources of an unknown role may be silent: that is worth a look, and no more
        assert {source["status"] for source in data["sources"]} <= {"silent", "listen"}
        assert {finding["kind"] for source in data["sources"] for finding in source["findings"]} == {"silent"}
        assert all(source["before"]["level_dbfs"] is None for source in data["sources"])

    @pytest.mark.parametrize("seconds", [0.4, 0.5, 0.7, 1.0, 1.1, 1.3, 2.05, 3.0, 3.3])
    def test_short_recordings(self, tmp_path: Path, rng: np.random.Generator, seconds: float) -> None:
        for name in ("kick", "pno L", "pno R", "vox", "click"):
            write_wave(tmp_path / f"{name}.wav", noise(rng, seconds=seconds)[0])
        assert track_count(checked(tmp_path)) == 5

    @pytest.mark.parametrize(
        "signal",
        [
            pytest.param(np.full(2 * RATE_HZ, 0.5), id="dc"),
            pytest.param(np.tile([1.0, -1.0], RATE_HZ), id="half-the-rate"),
            pytest.param(np.r_[np.zeros(RATE_HZ), 0.99, np.zeros(RATE_HZ)], id="one-click"),
            pytest.param(np.full(2 * RATE_HZ, 1e-42), id="smallest-float"),
            pytest.param(np.random.default_rng(1).normal(0, 1e6, 2 * RATE_HZ), id="noise-far-above-full-scale"),
        ],
    )
    @pytest.mark.parametrize("name", ["vox", "kick"])
    def test_signals_that_are_no_music(self, tmp_path: Path, signal: np.ndarray, name: str) -> None:
        pair = np.stack([signal, -signal])
        path = tmp_path / f"{name}.wav"
        path.write_bytes(wave_bytes(float_bytes(pair, 32), channels=2, bits=32, tag=FLOAT))
        assert track_count(checked(path)) == 2

    @pytest.mark.parametrize("name", ["vox", "kick"])
    @pytest.mark.parametrize("signs", [(1, 1), (1, -1)])
    def test_the_largest_floats_are_read_or_refused(self, tmp_path: Path, name: str, signs: tuple[int, int]) -> None:
        """Finite, but their squares are not: warnings of the numbers' library are errors here."""
        path = tmp_path / f"{name}.wav"
        samples = np.tile(np.multiply(signs, 3.4e38), RATE_HZ)[None, :]
        path.write_bytes(wave_bytes(float_bytes(samples, 32), bits=32, tag=FLOAT))
        done = run("check", path, "--no-report")
        assert done.exception is None or isinstance(done.exception, SystemExit), repr(done.exception)
        if done.exit_code == 2:
            assert_refused(done.exit_code, done.stdout, done.stderr, rf"{name}\.wav, channel 1")

    def test_five_channels(self, tmp_path: Path, rng: np.random.Generator) -> None:
        write_wave(tmp_path / "20260301.wav", noise(rng, seconds=2.0, channels=5))
        data = checked(tmp_path / "20260301.wav")
        assert [source["name"] for source in data["sources"]] == [f"channel {n}" for n in range(1, 6)]

    def test_one_file_of_a_whole_desk(self, tmp_path: Path, rng: np.random.Generator) -> None:
        write_wave(tmp_path / "20260301.wav", noise(rng, seconds=2.01, channels=33))
        assert track_count(checked(tmp_path / "20260301.wav")) == 33

    def test_the_same_name_twice(self, tmp_path: Path, rng: np.random.Generator) -> None:
        for name in ("01 vox", "02 vox", "03 VOX", "vox 2"):
            write_wave(tmp_path / f"{name}.wav", noise(rng, seconds=2.0))
        data = checked(tmp_path)
        assert len({source["name"] for source in data["sources"]}) == 4

    @pytest.mark.parametrize(
        "name",
        [
            "vox für uns",
            "Вокал",
            "歌",
            "🎤",
            "🎤🎸 solo",
            "a'b\"c`$(x)",
            "[bold]vox[red]",
            "%s {0} \\n",
            "-rf",
            " vox ",
        ],
    )
    def test_names_of_any_kind(self, tmp_path: Path, name: str) -> None:
        folder = tmp_path / name
        folder.mkdir()
        for track in (name, f"{name} 2"):
            (folder / f"{track}.wav").write_bytes(GOOD)
        data = checked(folder)
        assert track_count(data) == 2
        assert data["show"]["name"] == name
        assert run("check", folder, "--no-report").exit_code in (0, 1)

    @pytest.mark.skipif(sys.platform != "linux", reason="elsewhere names are always text")
    def test_names_that_are_no_text(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A card written by a device with an older coding of letters: bytes that are no UTF-8."""
        monkeypatch.chdir(tmp_path)
        (tmp_path / "show").mkdir()
        for name in (b"01 ch\xf6r.wav", b"02 ch\xe4r.wav"):
            (tmp_path / "show" / os.fsdecode(name)).write_bytes(GOOD)
        data = checked(tmp_path / "show")
        assert track_count(data) == 2
        done = run("check", "show")
        assert done.exit_code in (0, 1), repr(done.exception)

    @pytest.mark.parametrize("length", [200, 240])
    def test_names_nearly_as_long_as_a_system_allows(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, length: int
    ) -> None:
        # 255 bytes is the most that common file systems hold (NAME_MAX); ".wav" and "-check.html" come on top
        monkeypatch.chdir(tmp_path)
        folder = tmp_path / "show"
        folder.mkdir()
        (folder / f"{'v' * length}.wav").write_bytes(GOOD)
        done = run("check", folder / f"{'v' * length}.wav")
        assert done.exit_code in (0, 1), done.output
        assert [path.suffix for path in tmp_path.iterdir() if path.is_file()] == [".html"]

    def test_hidden_files_are_passed_over(self, tmp_path: Path) -> None:
        show = good_show(tmp_path / "show")
        (show / "._01 pno.wav").write_bytes(b"\0\5\x16\7" + bytes(4000))
        (show / ".DS_Store").write_bytes(bytes(100))
        data = checked(show)
        assert track_count(data) == 2
        assert data["show"]["notes"] == []

    def test_symbolic_links(self, tmp_path: Path) -> None:
        card = good_show(tmp_path / "card")
        show = tmp_path / "show"
        show.mkdir()
        (show / "house.toml").symlink_to(card / "house.toml")
        (show / "01 pno.wav").symlink_to(card / "01 pno.wav")
        (show / "02 vox.wav").symlink_to("../card/02 vox.wav")
        (show / "gone.wav").symlink_to(tmp_path / "ejected" / "gone.wav")
        (show / "loop.wav").symlink_to(show / "loop.wav")
        (show / "up").symlink_to(tmp_path, target_is_directory=True)
        assert track_count(checked(show)) == 2
        (tmp_path / "sunday").symlink_to(show, target_is_directory=True)
        assert track_count(checked(tmp_path / "sunday")) == 2

    def test_a_link_to_itself_is_refused(self, tmp_path: Path) -> None:
        (tmp_path / "loop.wav").symlink_to(tmp_path / "loop.wav")
        done = run("check", tmp_path / "loop.wav")
        assert_refused(done.exit_code, done.stdout, done.stderr, r"loop\.wav")

    def test_an_unfinished_file_is_read_and_said(self, tmp_path: Path) -> None:
        show = good_show(tmp_path / "show")
        data = bytearray(GOOD)
        data[40:44] = b"\0\0\0\0"
        (show / "02 vox.wav").write_bytes(data)
        notes = checked(show)["show"]["notes"]
        assert len(notes) == 1
        assert notes[0].startswith("02 vox.wav: header promises nothing")

    def test_every_kind_of_file_in_one_folder(self, tmp_path: Path, rng: np.random.Generator) -> None:
        for suffix, subtype in (
            ("wav", "PCM_16"),
            ("flac", "PCM_24"),
            ("aiff", "PCM_24"),
            ("caf", "FLOAT"),
            ("w64", "PCM_24"),
        ):
            soundfile.write(
                tmp_path / f"in {suffix}.{suffix}", noise(rng, seconds=2.0, channels=2).T, RATE_HZ, subtype=subtype
            )
        assert track_count(checked(tmp_path)) == 10


FULL_DISK: Final = textwrap.dedent(
    """
    import resource, signal, sys
    # as on a full disk, no file may grow past this: the system then says so in place of ending the process
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1])))
    sys.argv = ["deskhand", *sys.argv[2:]]
    from deskhand.cli import main
    main()
    """
)


@pytest.mark.skipif(sys.platform == "win32", reason="limits the size of files with setrlimit")
@pytest.mark.parametrize(
    ("odd_hz", "options", "said"),
    [
        pytest.param(44100, ("--no-report",), r"03 gtr\.wav", id="resampled-copy"),
        pytest.param(None, ("--report", "page.html"), r"page\.html: cannot be written", id="page"),
    ],
)
def test_a_full_disk_is_said(
    tmp_path: Path, rng: np.random.Generator, odd_hz: int | None, options: tuple[str, ...], said: str
) -> None:
    show = good_show(tmp_path / "show")
    if odd_hz:
        write_wave(show / "03 gtr.wav", noise(rng, seconds=2.0, rate_hz=odd_hz), rate_hz=odd_hz)
    before = everything_in(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, "1000", "check", "show", *options],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    )
    assert_refused(done.returncode, done.stdout, done.stderr, said)
    assert everything_in(tmp_path) == before
