"""A small hall for tests of the server: one house, three tracks of twelve seconds, checked once for each test process."""

from __future__ import annotations

import asyncio
import atexit
import functools
import os
import shutil
import tempfile
import time
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import soundfile
from starlette.testclient import TestClient

from deskhand.web.app import make_app
from deskhand.web.hall import Hall
from deskhand.web.state import PageState

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

RATE_HZ: Final = 48000
HOUSE: Final = """\
# what stands at Tern Street
[house]
name = "Tern Street Hall"

[[source]]
name = "piano"
role = "keys"
tracks = ["pno l", "pno r"]
channel = "9/10"
fader = "-6 dB"
[[source.chain]]
block = "high-pass"
frequency = "50 Hz"
[[source.chain]]
block = "bell"
frequency = "400 Hz" # the lid
gain = "-1.5 dB"

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = ["vox"]
fader = "0 dB"

[vocal]
source = "lead voice"
"""
SHOW: Final = 'name = "Open night"\ndate = 2026-03-01\nphase = "rehearsal"\n'
OWN: Final = {"x-deskhand": "1"}


def pink(seconds: float, seed: int, *, top: float = 0.3) -> np.ndarray:
    """Pink noise that comes and goes every second; where a recording of a player would lie."""
    frames = round(seconds * RATE_HZ)
    lines = np.fft.rfft(np.random.default_rng(seed).standard_normal(frames))
    noise = np.fft.irfft(lines / np.sqrt(np.maximum(np.arange(lines.size), 1.0)), frames)
    noise *= top / np.abs(noise).max()
    return noise * (0.1 + 0.9 * (np.sin(np.pi * np.arange(frames) / RATE_HZ) > 0))


def write_show(folder: Path, *, seconds: float = 12.0, names: Iterable[str] = ("pno l", "pno r", "vox")) -> Path:
    """A recording of one show."""
    folder.mkdir(parents=True)
    for seed, name in enumerate(names):
        soundfile.write(folder / f"{name}.wav", pink(seconds, seed), RATE_HZ, subtype="PCM_24")
    (folder / "show.toml").write_text(SHOW)
    return folder


@functools.cache
def _checked() -> Path:
    base = Path(tempfile.mkdtemp(prefix="deskhand-test-"))
    atexit.register(shutil.rmtree, base, ignore_errors=True)
    write_show(base / "show-2026-03-01")
    (base / "house.toml").write_text(HOUSE)
    with Asker(base) as asker:
        done = asker.checked(asker.id)
    assert done["state"] == "done", done
    return base


def small_hall(into: Path, *, checked: bool = True) -> Path:
    """A hall of its own; its audio is linked and takes no room."""

    def copied(source: str, target: str) -> str:
        if source.endswith(".wav"):
            os.link(source, target)
            return target
        return shutil.copy2(source, target)

    shutil.copytree(_checked(), into, copy_function=copied)
    if not checked:
        shutil.rmtree(into / ".deskhand")
    return into


class Asker(TestClient):
    """Asks the page as a browser on this computer does."""

    def __init__(self, folder: Path, *, also: Iterable[Path] = (), **how: Any) -> None:
        self.hall = Hall(folder, tuple(also))
        self.guard = make_app(self.hall, by="Mara", **how)
        super().__init__(self.guard, "http://localhost", raise_server_exceptions=False, follow_redirects=False)

    @property
    def pages(self) -> PageState:
        return self.guard._app.state.page  # type: ignore[attr-defined]  # the guard holds any ASGI application

    @property
    def id(self) -> str:
        """Of the newest recording."""
        return self.hall.recordings()[0].id

    def tell(self, name: str, /, **data: Any) -> Any:
        """What the page sends."""
        return self.post(f"/api/{name}", json=data, headers=OWN)

    def told(self, name: str, /, **data: Any) -> dict[str, Any]:
        """What comes back when all is well."""
        answer = self.tell(name, **data)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def refused(self, name: str, /, **data: Any) -> str:
        """The line that comes back when it is not."""
        answer = self.tell(name, **data)
        assert answer.status_code == 400, answer.text
        return one_line(answer.json()["problem"])

    def drop(self, folder: str, name: str, body: bytes | Iterator[bytes]) -> Any:
        """A file that is dropped on the page."""
        return self.put(f"/upload/{folder}/{name}", content=body, headers=OWN)

    def waited(self, job: str, seconds: float = 60.0) -> dict[str, Any]:
        """How work ended."""
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            found = self.get(f"/api/jobs/{job}").json()
            if found["state"] != "running":
                return found
            time.sleep(0.01)
        raise AssertionError(f"{job} is still running")

    def checked(self, id_: str) -> dict[str, Any]:
        return self.waited(self.told("check", id=id_)["job"])


def one_line(said: str) -> str:
    """A line for people: no second one, and nothing of the program's inside."""
    assert said
    assert "\n" not in said
    assert "Traceback" not in said
    assert "went wrong inside" not in said
    return said


class _Error(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.inside = ""
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside = tag

    def handle_endtag(self, tag: str) -> None:
        self.inside = ""

    def handle_data(self, data: str) -> None:
        if self.inside == "p":
            self.found.append(data)


def said_by(answer: Any) -> str:
    """The line of an error, as data or as a page."""
    if answer.headers["content-type"] == "application/json":
        return one_line(answer.json()["problem"])
    if not answer.headers["content-type"].startswith("text/html"):
        return one_line(answer.text)
    parser = _Error()
    parser.feed(answer.text[answer.text.index("<main") :])
    return one_line(next(one for one in parser.found if one.strip()))


def tree(folder: Path) -> dict[str, bytes]:
    """All that a folder holds."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def raw(
    app: Any,
    method: str,
    path: str,
    *,
    headers: Iterable[tuple[str, str]] = (),
    query: bytes = b"",
    pieces: Iterable[bytes | None] = (),
) -> tuple[int, dict[str, str], bytes]:
    """A request as the server hands it on, with nothing put right on the way; None among the pieces is a line that broke."""
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
        "path": path, "raw_path": path.encode("utf-8", "surrogateescape"), "query_string": query, "root_path": "",
        "headers": [(name.encode("latin-1"), value.encode("latin-1")) for name, value in (("host", "localhost"), *headers)],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8420),
    }  # fmt: skip
    coming = iter(pieces)
    sent: list[dict[str, Any]] = []

    ended = False

    async def receive() -> dict[str, Any]:
        nonlocal ended
        if ended:
            await asyncio.Event().wait()  # whoever asked waits for the answer
        piece = next(coming, b"")
        if piece is None:
            return {"type": "http.disconnect"}
        ended = not piece
        return {"type": "http.request", "body": piece, "more_body": bool(piece)}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    asyncio.run(app(scope, receive, send))
    start = next(one for one in sent if one["type"] == "http.response.start")
    body = b"".join(one.get("body", b"") for one in sent if one["type"] == "http.response.body")
    return start["status"], {name.decode(): value.decode("latin-1") for name, value in start["headers"]}, body
