"""The commands as people type them: help, exit status, the data, the page, what is said of the show.

In order: help and imports, exit status, `--json`, what flows into it, the page, terminals and pipes.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import jsonschema
import numpy as np
import pytest

from deskhand import __version__
from deskhand.cli import main
from deskhand.result import json_schema
from tests.support.command import HOUSE, data_of, make_show, run
from tests.support.schemas import assert_meets_schema
from tests.support.writers import noise, write_wave

if TYPE_CHECKING:
    from collections.abc import Sequence

RATE_HZ: Final = 48000


def own_temporary(folder: Path) -> dict[str, str]:
    """Environment whose temporary folder holds nothing that killed processes of others left."""
    return {**os.environ, "TMPDIR": str(folder)}


def command(*arguments: str | Path, **options: Any) -> subprocess.CompletedProcess[str]:
    """Run in a process of its own, where other streams and other modules are seen."""
    return subprocess.run(
        [sys.executable, "-m", "deskhand", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
        **options,
    )


@pytest.fixture
def show(tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return make_show(tmp_path / "sunday", rng)


def checked(recording: Path, *options: str | Path) -> dict[str, Any]:
    done = run("check", recording, "--no-report", "--json", "-", *options)
    assert done.exit_code in (0, 1), done.output
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return data_of(done.stdout)


class TestHelp:
    @pytest.mark.parametrize("name", [None, *main.commands])
    @pytest.mark.parametrize("flag", ["--help", "-h"])
    def test_every_command_explains_itself(self, name: str | None, flag: str) -> None:
        done = run(*([name] if name else []), flag)
        assert done.exit_code == 0
        assert done.stdout.startswith("Usage: ")
        for parameter in (main.commands[name] if name else main).params:
            if parameter.param_type_name == "option":
                assert parameter.opts[0] in done.stdout
                assert getattr(parameter, "help", None), f"{name} {parameter.opts[0]} has no help"

    def test_the_version_is_the_package_s(self) -> None:
        assert run("--version").stdout == f"deskhand {__version__}\n"

    def test_importing_the_commands_is_cheap(self) -> None:
        """STYLE: `--help` needs none of the libraries that take long to load."""
        code = "import sys, deskhand.cli; print(*sorted({name.partition('.')[0] for name in sys.modules}))"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        heavy = {"numpy", "numba", "scipy", "pydantic", "soundfile", "soxr", "tomlkit", "rich", "jinja2", "matplotlib"}
        heavy |= {"dask", "distributed", "fsspec"}
        assert "click" in done.stdout.split()
        assert heavy & set(done.stdout.split()) == set()

    def test_a_check_loads_no_library_that_only_other_commands_need(self) -> None:
        """Some tenths of a second of each check, where scipy.signal was loaded for sweeps, which only `room` looks for."""
        code = "import sys, deskhand.tasks.check; print(*sys.modules)"
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        loaded = set(done.stdout.split())
        assert {"numba", "scipy.fft"} <= loaded
        assert {"scipy.signal", "scipy.stats", "scipy.optimize", "jinja2", "sqlalchemy", "matplotlib"} & loaded == set()

    @pytest.mark.parametrize(
        ("arguments", "said"),
        [
            pytest.param([], "Usage: ", id="nothing"),
            pytest.param(["measure"], "Error: No such command 'measure'", id="command"),
            pytest.param(["check"], "Error: Missing argument 'RECORDING'", id="no-recording"),
            pytest.param(["check", "x", "--phse", "show"], "Error: No such option '--phse'", id="option"),
            pytest.param(
                ["check", "x", "--phase", "gig"], "Error: Invalid value for '--phase': 'gig' is not one of", id="phase"
            ),
            pytest.param(["check", "x", "--tap", "mic"], "Error: Invalid value for '--tap'", id="tap"),
            pytest.param(["demo", "--seed", "x"], "Error: Invalid value for '--seed'", id="seed"),
        ],
    )
    def test_wrong_use(self, arguments: list[str], said: str) -> None:
        done = run(*arguments)
        assert done.exit_code == 2
        assert done.stdout == ""
        assert any(line.startswith(said) for line in done.stderr.splitlines()), done.stderr


class TestStatus:
    def test_all_well(self, show: Path) -> None:
        done = run("check", show, "--no-report")
        assert done.exit_code == 0, done.output
        assert done.stderr == ""
        assert "Tern Street Hall, sunday: rehearsal, 0:03, 3 tracks at 48 kHz, taken at the preamp" in done.stdout
        assert "Nothing urgent" in done.stdout

    def test_something_to_fix(self, tmp_path: Path, rng: np.random.Generator) -> None:
        # 8 dB down: DESIGN 7 calls 4 dB off a thing to fix
        folder = make_show(tmp_path / "quiet", rng, gain=0.4)
        done = run("check", folder, "--no-report")
        assert done.exit_code == 1, done.output
        assert done.stderr == ""
        assert "One thing before doors:" in done.stdout
        assert "lead voice" in done.stdout

    def test_a_missing_track(self, show: Path) -> None:
        (show / "03 Vox.wav").unlink()
        done = run("check", show, "--no-report")
        assert done.exit_code == 1
        assert "MISSING" in done.stdout

    def test_a_missing_track_that_is_not_used_is_well(self, show: Path) -> None:
        (show / "03 Vox.wav").unlink()
        (show / "house.toml").write_text(HOUSE + "used = false\n")
        assert run("check", show, "--no-report").exit_code == 0

    def test_unreadable_input(self, show: Path) -> None:
        (show / "03 Vox.wav").write_text("not audio at all")
        done = run("check", show, "--no-report")
        assert done.exit_code == 2
        assert done.stdout == ""
        assert done.stderr.startswith("Error: 03 Vox.wav: ")

    def test_a_mistake_of_our_own_is_no_finding(self, show: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """EX_SOFTWARE of sysexits.h: 70, one line, no traceback; the line that failed is named."""

        def broken(*_arguments: object, **_options: object) -> None:
            raise KeyError("level_dbfs")

        monkeypatch.setattr("deskhand.tasks.check.check", broken)
        monkeypatch.delenv("DESKHAND_TRACEBACK", raising=False)
        outcome = run("check", show, "--no-report")
        assert outcome.exit_code == 70
        assert outcome.stdout == ""
        assert outcome.stderr.startswith("Error: deskhand made a mistake of its own (KeyError in cli/options.py, line ")
        assert outcome.stderr.count("\n") == 1
        monkeypatch.setenv("DESKHAND_TRACEBACK", "1")
        assert isinstance(run("check", show, "--no-report").exception, KeyError)

    def test_a_disk_s_refusal_is_no_finding(self, show: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def full(*_arguments: object, **_options: object) -> None:
            raise OSError(28, "No space left on device", "house.toml")

        monkeypatch.setattr("deskhand.tasks.check.check", full)
        outcome = run("check", show, "--no-report")
        assert (outcome.exit_code, outcome.stderr.count("\n")) == (2, 1)
        assert outcome.stderr.startswith("Error: house.toml: cannot be read or written (No space left on device)")

    @pytest.mark.skipif(os.name != "posix", reason="signals as POSIX has them")
    def test_ctrl_c_is_no_finding(self, tmp_path: Path) -> None:
        """128 and the signal's number, as POSIX shells say it: 130."""
        season = tmp_path / "season"
        process = subprocess.Popen(
            [sys.executable, "-m", "deskhand", "demo", "--output", season],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=own_temporary(tmp_path),
        )
        deadline_s = time.monotonic() + 60
        while not season.is_dir() and time.monotonic() < deadline_s:
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        stdout, stderr = process.communicate(timeout=60)
        assert process.returncode == 130
        assert (stdout, stderr) == ("", "Stopped by Ctrl-C.\n")

    def test_the_shell_sees_the_same(self, tmp_path: Path, rng: np.random.Generator) -> None:
        show = make_show(tmp_path / "show", rng, gain=0.4)
        done = command("check", show, "--no-report", env=own_temporary(tmp_path))
        assert done.returncode == 1
        assert "One thing before doors:" in done.stdout
        # away from a terminal there is neither a bar nor colour
        assert done.stderr == ""
        assert "\x1b" not in done.stdout


class TestData:
    def test_it_is_what_the_schema_says(self, show: Path) -> None:
        schema = json_schema()
        jsonschema.Draft202012Validator.check_schema(schema)
        (show / "04 Spare.wav").write_bytes((show / "03 Vox.wav").read_bytes())
        data = checked(show)
        jsonschema.validate(data, schema, cls=jsonschema.Draft202012Validator)
        # and what the other tests ask is no less
        assert_meets_schema(data)
        for spoilt in ({**data, "first": 3}, {key: value for key, value in data.items() if key != "sources"}):
            with pytest.raises(jsonschema.ValidationError):
                assert_meets_schema(spoilt)
        data["sources"][0]["findings"] = [{"id": "x"}]
        with pytest.raises(jsonschema.ValidationError):
            assert_meets_schema(data)
        # what a schema of the same dataclasses cannot see: DESIGN 6
        assert set(data) >= {"schema", "deskhand", "house", "show", "sources", "first"}
        assert set(data["show"]) >= {
            "name",
            "date",
            "phase",
            "tap",
            "players",
            "duration_s",
            "sample_rate_hz",
            "tracks",
        }
        assert set(data["sources"][0]) >= {"name", "role", "tracks", "channel", "status", "before", "findings"}
        assert data["deskhand"] == __version__
        assert len(data["first"]) <= 3

    @pytest.mark.parametrize("kind", ["silent", "short", "tiny", "huge"])
    def test_it_is_valid_where_little_can_be_measured(
        self, tmp_path: Path, kind: str, rng: np.random.Generator
    ) -> None:
        samples = {
            "silent": np.zeros(3 * RATE_HZ),
            "short": noise(rng, seconds=0.4)[0],
            "tiny": np.full(3 * RATE_HZ, 2.0**-23),
            "huge": np.sign(noise(rng, seconds=3.0)[0]) * (1 - 2.0**-23),
        }[kind]
        folder = tmp_path / "show"
        folder.mkdir()
        for name in ("vox", "pno l", "pno r"):
            write_wave(folder / f"{name}.wav", samples)
        (folder / "house.toml").write_text(HOUSE)
        assert_meets_schema(checked(folder))

    def test_what_could_not_be_measured_has_a_reason(self, show: Path) -> None:
        write_wave(show / "03 Vox.wav", np.zeros(3 * RATE_HZ))
        for source in checked(show)["sources"]:
            before = source["before"]
            missing = [name for name, value in before.items() if value is None and not name.endswith("_pm")]
            if len(source["tracks"]) == 1:  # what takes two sides needs no reason where there is one
                of_pairs = ("width", "balance", "correlation", "mono_loss", "delay", "side_tone", "side_scatter")
                missing = [name for name in missing if not name.startswith(of_pairs)]
            unexplained = [name for name in missing if name not in before["not_measured"]]
            assert unexplained == [], source["name"]

    def test_ids_of_findings_are_unique_and_first_points_at_them(
        self, tmp_path: Path, rng: np.random.Generator
    ) -> None:
        folder = make_show(tmp_path / "show", rng, gain=0.01)
        (folder / "01 Pno L.wav").unlink()
        data = checked(folder)
        ids = [finding["id"] for source in data["sources"] for finding in source["findings"]]
        assert len(ids) == len(set(ids))
        assert data["first"]
        for thing in data["first"]:
            source = next(source for source in data["sources"] if source["name"] == thing["source"])
            assert thing["finding"] in [finding["id"] for finding in source["findings"]]

    def test_a_file_holds_what_standard_output_holds(self, show: Path, tmp_path: Path) -> None:
        done = run("check", show, "--no-report", "--json", "-")
        assert run("check", show, "--no-report", "--json", tmp_path / "x.json").exit_code == done.exit_code
        # the same input gives the same bytes
        assert (tmp_path / "x.json").read_text("utf-8") == done.stdout

    def test_a_polyphonic_file_reads_like_the_folder(
        self, show: Path, tmp_path: Path, rng: np.random.Generator
    ) -> None:
        samples = noise(rng, seconds=3.0, channels=3)
        names = ("Pno L", "Pno R", "Vox")
        for at, name in enumerate(names):
            write_wave(show / f"0{at + 1} {name}.wav", samples[at])
        other = tmp_path / "poly"
        other.mkdir()
        write_wave(other / "sunday.wav", samples, names={at + 1: name for at, name in enumerate(names)})
        (other / "house.toml").write_text(HOUSE)
        assert checked(show)["sources"] == checked(other / "sunday.wav")["sources"]


class TestShow:
    def test_options_flow_into_the_result(self, show: Path) -> None:
        found = checked(
            show, *("--phase", "line-check", "--tap", "after-gain", "--date", "2026-03-01"),
            *("--player", "piano=Ana", "--player", " Lead Voice = Bo Smith = tenor"),
        )["show"]  # fmt: skip
        assert found["name"] == "sunday"
        assert (found["phase"], found["tap"], found["date"]) == ("line-check", "after-gain", "2026-03-01")
        assert found["players"] == {"piano": "Ana", "lead voice": "Bo Smith = tenor"}
        assert (found["sample_rate_hz"], found["tracks"], found["duration_s"], found["start_s"]) == (
            RATE_HZ,
            3,
            3.0,
            0.0,
        )

    def test_nothing_said(self, show: Path) -> None:
        found = checked(show)["show"]
        assert (found["phase"], found["tap"], found["date"], found["players"]) == ("rehearsal", "preamp", None, {})

    def test_the_note_beside_the_recording(self, show: Path) -> None:
        (show / "show.toml").write_text(
            'name = "First Sunday"\ndate = 2026-03-01\nphase = "show"\ntap = "after-chain"\n'
            '[players]\nPiano = "Ana"\n"lead voice" = "Bo"\n'
        )
        found = checked(show)["show"]
        assert found["name"] == "First Sunday"
        assert (found["phase"], found["tap"], found["date"]) == ("show", "after-chain", "2026-03-01")
        assert found["players"] == {"piano": "Ana", "lead voice": "Bo"}

    def test_options_win_over_the_note(self, show: Path) -> None:
        (show / "show.toml").write_text(
            'date = 2026-03-01\nphase = "show"\n[players]\npiano = "Ana"\n"lead voice" = "Bo"\n'
        )
        found = checked(show, "--phase", "line-check", "--date", "2026-03-08", "--player", "piano=Cy")["show"]
        assert (found["phase"], found["date"]) == ("line-check", "2026-03-08")
        assert found["players"] == {"piano": "Cy", "lead voice": "Bo"}

    def test_the_house_s_tap_is_the_last_word_but_one(self, show: Path) -> None:
        (show / "house.toml").write_text(HOUSE.replace('Hall"\n', 'Hall"\ntap = "after-gain"\n', 1))
        assert checked(show)["show"]["tap"] == "after-gain"
        assert checked(show, "--tap", "preamp")["show"]["tap"] == "preamp"

    def test_a_stretch(self, show: Path) -> None:
        found = checked(show, "--from", "0:01", "--to", "2.5 s")["show"]
        assert (found["start_s"], found["duration_s"]) == (1.0, 1.5)

    @pytest.mark.parametrize(
        ("folder", "name"),
        [("2026.03.01", "2026.03.01"), ("St. Mary's evening", "St. Mary's evening"), ("sunday", "sunday")],
    )
    def test_a_folder_s_name_is_all_of_it(
        self, tmp_path: Path, rng: np.random.Generator, folder: str, name: str
    ) -> None:
        assert checked(make_show(tmp_path / folder, rng))["show"]["name"] == name

    def test_a_file_s_name_is_without_its_ending(self, show: Path) -> None:
        assert checked(show / "03 Vox.wav")["show"]["name"] == "03 Vox"

    def test_another_house(self, show: Path, tmp_path: Path) -> None:
        (tmp_path / "other.toml").write_text(HOUSE.replace("Tern Street", "Quay"))
        assert checked(show, "--house", tmp_path / "other.toml")["house"] == "Quay Hall"

    def test_the_house_above_the_recording(self, show: Path, tmp_path: Path) -> None:
        (show / "house.toml").rename(tmp_path / "house.toml")
        assert checked(show)["house"] == "Tern Street Hall"

    def test_no_house_is_said(self, show: Path) -> None:
        (show / "house.toml").unlink()
        notes = checked(show)["show"]["notes"]
        assert len(notes) == 1
        assert notes[0].startswith("no house file found")


class TestPage:
    def files(self, folder: Path) -> list[str]:
        return sorted(path.name for path in folder.iterdir() if path.is_file())

    def test_it_is_written_where_the_command_is_typed(self, show: Path, tmp_path: Path) -> None:
        done = run("check", show)
        assert done.exit_code == 0, done.output
        assert self.files(tmp_path) == ["sunday-check.html"]
        assert "Report: sunday-check.html" in done.stdout

    def test_from_inside_the_folder(self, show: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(show)
        assert run("check", ".").exit_code == 0
        assert "sunday-check.html" in self.files(show)

    @pytest.mark.parametrize(
        "options", [("--no-report",), ("--no-report", "--json", "x.json"), ("--report", "page.html")]
    )
    def test_nothing_else_is_written(self, show: Path, tmp_path: Path, options: Sequence[str]) -> None:
        before = {path: path.stat().st_mtime_ns for path in show.iterdir()}
        assert run("check", show, *options).exit_code == 0
        assert self.files(tmp_path) == sorted(name for name in ("x.json", "page.html") if name in options)
        assert {path: path.stat().st_mtime_ns for path in show.iterdir()} == before

    def test_it_needs_no_network_and_trusts_no_name(self, show: Path, tmp_path: Path) -> None:
        write_wave(show / '04 <img src=x onerror=alert(1)> & "co".wav', noise(np.random.default_rng(4), seconds=3.0)[0])
        (show / "show.toml").write_text('name = "<script>x</script>"\n[players]\npiano = "<b>Ana</b>"\n')
        assert run("check", show, "--report", "page.html").exit_code in (0, 1)
        page = (tmp_path / "page.html").read_text("utf-8")
        for trap in ("<img", "<script>x", "<b>Ana"):
            assert trap not in page
        assert "&lt;img src=x onerror" in page
        for outside in ("http://", "https://", "url(", "@import", "<link", " src="):
            assert outside not in page.replace("&lt;img src=x", "")

    def test_a_page_that_is_there_is_replaced_whole(self, show: Path, tmp_path: Path) -> None:
        (tmp_path / "page.html").write_text("old" * 10**6)
        assert run("check", show, "--report", "page.html").exit_code == 0
        assert "old" * 10 not in (tmp_path / "page.html").read_text("utf-8")
        assert self.files(tmp_path) == ["page.html"]


class TestTerminal:
    @pytest.mark.parametrize("name", ["Hall [/b]", "Hall [red]", "Hall [main room]", "Hall :fire: 1"])
    def test_names_are_printed_as_they_are(self, show: Path, name: str) -> None:
        """Square brackets and colons mean something to the library that prints."""
        (show / "house.toml").write_text(HOUSE.replace("Tern Street Hall", name))
        done = run("check", show, "--no-report")
        assert done.exit_code == 0, repr(done.exception)
        assert name in done.stdout

    def test_notes_are_printed_as_they_are(self, show: Path) -> None:
        write_wave(show / "04 [bold] tom.wav", np.full(RATE_HZ, 0.1))
        assert "04 [bold] tom.wav: ends at 0:01" in run("check", show, "--no-report").stdout

    @pytest.mark.parametrize(("encoding", "options"), [("cp1252", ()), ("utf-8", ()), ("cp1252", ("--json", "-"))])
    def test_output_goes_into_a_file_of_any_encoding(self, show: Path, encoding: str, options: tuple[str, ...]) -> None:
        """Redirected output is cp1252 on many systems, which has no minus sign (U+2212) and no Cyrillic."""
        (show / "house.toml").write_text(HOUSE.replace("lead voice", "голос"), encoding="utf-8")
        environment = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
        done = subprocess.run(
            [sys.executable, "-m", "deskhand", "check", str(show), "--no-report", *options],
            capture_output=True,
            check=False,
            env=environment,
        )
        assert done.returncode == 0, done.stderr.decode(encoding)
        assert b"Traceback" not in done.stderr
        if options:
            # JSON between programs is UTF-8 (RFC 8259, 8.1), or escaped to ASCII
            assert data_of(done.stdout.decode())["sources"][1]["name"] == "голос"
        else:
            # a level must not lose its sign on the way: -17 dBFS, in either sign's shape
            assert re.search(r"[-−]1[67](\.\d)? dBFS", done.stdout.decode(encoding))

    @pytest.mark.parametrize("options", [pytest.param((), id="words"), pytest.param(("--json", "-"), id="json")])
    def test_whoever_reads_may_stop_early(self, show: Path, options: tuple[str, ...]) -> None:
        process = subprocess.Popen(
            [sys.executable, "-m", "deskhand", "check", str(show), "--no-report", *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        said = process.stderr.read()
        process.stderr.close()
        process.wait()
        assert b"Traceback" not in said
        assert b"Exception ignored" not in said
