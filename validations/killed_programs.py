"""What commands that are killed while they work leave behind: `live`, `check` and `serve`, at moments drawn from seeds.

python -m validations.killed_programs --kills 50

Each is ended with SIGKILL, which no program can catch, at a moment of the second half of the time that it takes: the first half is mostly the
loading of its libraries. Histories, to which `keep` writes: validations/killed.py.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.house import read_house
from deskhand.leftovers import clear_leftovers
from deskhand.recording import open_recording
from deskhand.recording.show import read_show_note
from tests.support.small_hall import OWN, small_hall
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-killed-programs.md"
SEED: Final = 4100
KILLS: Final = 50
"""Of each command."""
SHOW: Final = "show-2026-03-01"


class Killed:
    """What was found after one kill."""

    def __init__(self, *, amid: bool, left: int) -> None:
        self.amid = amid
        """Something was unfinished: a leftover lay there, or a file was shorter than it would have become."""
        self.left = left
        """Unfinished files that the next command cleared."""


def _command(*arguments: str, cwd: Path) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "deskhand", *arguments], cwd=cwd, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        env={**os.environ, "TMPDIR": str(cwd / "tmp")}, stdin=subprocess.DEVNULL,
    )  # fmt: skip


def _cleared(*folders: Path) -> int:
    """Count what the next command clears, and see that nothing is left then."""
    count = clear_leftovers(folders).count
    left = [
        path.name for folder in folders for path in folder.iterdir() if path.name.lstrip(".").startswith("deskhand-")
    ]
    assert not left, f"left after clearing: {left}"
    return count


def _recordings(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.glob("*.wav"))}


def check(hall: Path, wait_s: float) -> Killed:
    """Kill a check that writes a report and JSON over earlier ones."""
    (hall / "old.json").write_text('{"old": true}')
    (hall / "report.html").write_text("<p>old</p>")
    before = _recordings(hall / SHOW)
    process = _command("check", SHOW, "--json", "old.json", "--report", "report.html", cwd=hall)
    with suppress(subprocess.TimeoutExpired):
        process.wait(wait_s)
    process.kill()
    process.communicate()
    data = json.loads((hall / "old.json").read_text("utf-8"))
    assert data == {"old": True} or data["sources"], "JSON is neither the old nor the new one"
    report = (hall / "report.html").read_text("utf-8")
    assert report == "<p>old</p>" or report.rstrip().endswith("</html>"), "the report is cut"
    assert _recordings(hall / SHOW) == before, "a recording was changed"
    left = _cleared(hall, hall / "tmp", hall / SHOW)
    return Killed(amid=left > 0 or process.returncode == -signal.SIGKILL, left=left)


def live(hall: Path, wait_s: float) -> Killed:
    """Kill a line check that records what it hears."""
    process = _command("live", "--replay", SHOW, "--record", "take", "--house", "house.toml", cwd=hall)
    with suppress(subprocess.TimeoutExpired):
        process.wait(wait_s)
    process.kill()
    process.communicate()
    take = hall / "take" / "take.wav"
    if (hall / "take" / "show.toml").exists():
        read_show_note(hall / "take")
    amid = False
    if take.exists() and take.stat().st_size > 4 * 3 * 48000:
        played = open_recording(hall / SHOW).read()
        read = open_recording(take).read()
        steps = np.rint(played[:, : read.shape[1]] * 2**23)
        assert np.array_equal(np.rint(read * 2**23), steps), "what was recorded is not what was played"
        amid = read.shape[1] < played.shape[1]
    return Killed(amid=amid or process.returncode == -signal.SIGKILL, left=_cleared(hall, hall / "tmp"))


def _ask(port: int, method: str, path: str, body: bytes, kind: str) -> int:
    connection = http.client.HTTPConnection("localhost", port, timeout=20)
    try:
        connection.request(method, path, body, {**OWN, "content-type": kind, "origin": f"http://localhost:{port}"})
        return connection.getresponse().status
    finally:
        connection.close()


def serve(hall: Path, wait_s: float) -> Killed:
    """Kill the page while recordings are uploaded and the house is renamed, again and again."""
    with socket.socket() as free:
        free.bind(("localhost", 0))
        port = free.getsockname()[1]
    process = _command("serve", ".", "--port", str(port), cwd=hall)
    sound = (hall / SHOW / "vox.wav").read_bytes()
    answered: list[str] = []
    ready = threading.Event()

    def ask() -> None:
        number = 0
        while process.poll() is None:
            try:
                if not ready.is_set():
                    _ask(port, "GET", "/words", b"", "text/plain")
                    ready.set()
                name = f"show-{number:04}"
                if _ask(port, "PUT", f"/upload/{name}/vox.wav", sound, "audio/wav") == 201:
                    answered.append(name)
                _ask(
                    port,
                    "POST",
                    "/api/rename",
                    json.dumps({"of": "", "name": f"Hall {number}"}).encode(),
                    "application/json",
                )
                number += 1
            except (OSError, http.client.HTTPException):
                time.sleep(0.05)

    thread = threading.Thread(target=ask, daemon=True)
    thread.start()
    assert ready.wait(120), "the page did not come"
    time.sleep(wait_s)
    process.kill()
    process.communicate()
    thread.join(30)
    uploads = sorted(path.name for path in hall.glob("show-0*"))
    for name in uploads:
        files = [path.name for path in (hall / name).iterdir()]
        assert all((hall / name / file).read_bytes() == sound for file in files), f"{name} is not whole"
    assert all((hall / name / "vox.wav").exists() for name in answered), "an upload that was answered is not there"
    read_house(hall / "house.toml")
    return Killed(amid=True, left=_cleared(hall, hall / "tmp"))


PROGRAMS: Final[dict[str, Callable[[Path, float], Killed]]] = {"live": live, "check": check, "serve": serve}
WORDS: Final = {
    "live": "`live --replay --record`: of the recording all that was written is there and is what was played",
    "check": "`check --json --report`: old or new, whole; no recording is changed",
    "serve": "`serve`, while files are uploaded and the house is renamed: uploads whole or not there, all that were answered there; the house file reads",
}  # fmt: skip


def duration_s(name: str) -> float:
    """Seconds that a command takes when nobody kills it; of the page, half a second of its being asked."""
    if name == "serve":
        return 0.5
    with tempfile.TemporaryDirectory() as folder:
        hall = small_hall(Path(folder) / "hall")
        (hall / "tmp").mkdir()
        begin_s = time.monotonic()
        PROGRAMS[name](hall, 300.0)
        return time.monotonic() - begin_s


def strikes(name: str, kills: int) -> tuple[list[Killed], list[str]]:
    """What was found after each kill, and what was wrong."""
    whole_s = duration_s(name)
    found: list[Killed] = []
    wrong: list[str] = []
    for seed in range(SEED, SEED + kills):
        share = float(np.random.default_rng(seed).uniform(0.5 if name != "serve" else 0.0, 1.0))
        with tempfile.TemporaryDirectory() as folder:
            hall = small_hall(Path(folder) / "hall")
            (hall / "tmp").mkdir()
            try:
                found.append(PROGRAMS[name](hall, share * whole_s))
                print(f"{name} {seed}: amid {found[-1].amid}, cleared {found[-1].left}", flush=True)
            except Exception as error:  # noqa: BLE001 - whatever is wrong is counted, and the others are done
                wrong.append(f"{name}, seed {seed}: {type(error).__name__}: {' '.join(str(error).split())[:200]}")
                print(wrong[-1], flush=True)
    return found, wrong


def main(arguments: Sequence[str] = ()) -> None:
    """Kill, and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=KILLS)
    options = parser.parse_args(arguments)
    rows, failures = [], []
    for name in PROGRAMS:
        found, wrong = strikes(name, options.kills)
        rows.append(
            f"| {WORDS[name]} | {len(found) + len(wrong)} | {sum(killed.amid for killed in found)} |"
            f" {sum(killed.left for killed in found)} | {len(wrong)} |"
        )
        failures += wrong
    lines = [
        "# Validation: commands that are killed", "",
        "Made by `python -m validations.killed_programs`. Each command is ended with SIGKILL at a moment drawn evenly from the second half of",
        "the time it takes (the page: from half a second in which it is asked for one thing after the other). Three tracks of 12 s at 48 kHz.",
        "Then all files are looked at, and what the next command clears at its start is cleared. Failed: anything was not as it says here, or",
        "something was left after the clearing. Histories: [validation-killed.md](validation-killed.md).", "",
        "| command, and what holds after every kill | kills | amid its work | unfinished files cleared | failed |", "|---|---|---|---|---|",
        *rows, "", *([f"- {line}" for line in failures] or ["Nothing was lost, nothing was half there, nothing was left."]), "",
    ]  # fmt: skip
    write_page(TARGET, "\n".join(lines), __file__)
    print(TARGET)


if __name__ == "__main__":
    main(sys.argv[1:])
