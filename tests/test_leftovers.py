"""Unfinished files of killed runs: told from those of runs that go on, of other computers and of other people, and removed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from deskhand.cli import main
from deskhand.leftovers import clear_leftovers, unfinished_prefix

pytestmark = pytest.mark.skipif(os.name != "posix", reason="elsewhere only age tells, and no test waits two days")


def ended_process() -> int:
    """Number of a process that has ended (POSIX: kill with signal 0 says that there is none)."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    return process.pid


def name_of(process: int, rest: str = "x.part") -> str:
    return unfinished_prefix().replace(str(os.getpid()), str(process)) + rest


def test_only_what_a_gone_process_of_this_computer_left_is_removed(tmp_path: Path) -> None:
    gone = ended_process()
    (tmp_path / name_of(gone)).write_bytes(b"12345")
    folder = tmp_path / name_of(gone, "sounds").removeprefix(".")
    folder.mkdir()
    (folder / "a.flac").write_bytes(b"123")
    other_host = name_of(gone, "y").replace(unfinished_prefix().split("-")[1], "0" * 8)
    stay = [name_of(os.getpid()), name_of(os.getppid()), other_host, ".deskhand-notes.txt", f"{name_of(gone)}"[1:4]]
    for name in stay:
        (tmp_path / name).write_bytes(b"stays")
    kept = tmp_path / "house.toml"
    kept.write_text("stays")
    (tmp_path / name_of(gone, "link")).symlink_to(kept)
    cleared = clear_leftovers([tmp_path, tmp_path, tmp_path / "not there"])
    assert (cleared.count, cleared.size_bytes) == (2, 8)
    assert {path.name for path in tmp_path.iterdir()} == {*stay, "house.toml", name_of(gone, "link")}
    assert clear_leftovers([tmp_path]).count == 0


KILLED = """
import os, signal
from pathlib import Path
import deskhand.files as files
files.os.fsync = lambda handle: os.kill(os.getpid(), signal.SIGKILL)
files.write_atomically(Path("house.toml"), "new" * 1000)
"""


def test_the_next_command_removes_what_a_killed_one_left_and_says_so_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "house.toml").write_text("old")
    subprocess.run([sys.executable, "-c", KILLED], cwd=tmp_path, check=False, timeout=60)
    assert len(list(tmp_path.glob(".deskhand-*"))) == 1
    assert (tmp_path / "house.toml").read_text() == "old"
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    first = CliRunner().invoke(main, ["check", "no such show"])
    assert "Removed an unfinished file (0.0 MB) of an earlier run that was broken off." in first.stderr
    assert first.exit_code == 2
    assert not list(tmp_path.glob(".deskhand-*"))
    assert "Removed" not in CliRunner().invoke(main, ["check", "no such show"]).stderr


@pytest.mark.parametrize("depth", [0, 1, 2])
def test_the_folder_of_a_recording_and_those_above_it_are_looked_into(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, depth: int
) -> None:
    show = tmp_path / "hall" / "show"
    show.mkdir(parents=True)
    left = Path(*show.parts[: len(show.parts) - depth]) / name_of(ended_process())
    left.write_bytes(b"")
    (tmp_path / "empty").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "empty"))
    CliRunner().invoke(main, ["check", str(show)])
    assert not left.exists()
