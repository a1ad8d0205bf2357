"""The local page as a target: requests as a server hands them on, and stored checks that another hand changed."""

from __future__ import annotations

import json
import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from deskhand.errors import UsageError
from deskhand.report.words import text
from tests.support.fuzz.audio import Wrong
from tests.support.fuzz.mutate import SIGNS, damaged_bytes, damaged_json, edited, json_bytes, json_edits
from tests.support.small_hall import Asker, raw, small_hall

if TYPE_CHECKING:
    from collections.abc import Iterator
    from random import Random

BROKEN: Final = text("job.broken", kind="|", said="").split("|")[0].strip()
"""Beginning of what is said of work in which something went wrong inside."""
REQUESTS_A_HALL: Final = 300
"""After so many a new hall is laid out: what was saved before does not make the later ones all alike."""
CHAIN: Final = [
    {"block": "high-pass", "frequency": "80 Hz"},
    {"block": "bell", "frequency": "400 Hz", "gain": "-2 dB", "q": 1.0},
]
BODIES: Final[dict[str, dict[str, Any]]] = {
    "keep": {"id": "{id}", "note": "good", "by": "Ana", "faults": "keep", "listed": []},
    "leave": {"id": "{id}", "finding": "piano/tone", "for_good": False, "note": ""},
    "raise": {"id": "{id}", "finding": "piano/tone"},
    "try": {"id": "{id}", "source": "piano", "start_s": 1.0, "chain": CHAIN, "fader": "-6 dB"},
    "save": {"id": "{id}", "source": "piano", "chain": CHAIN, "fader": "-3 dB", "base": {}},
    "setup": {"id": "{id}", "source": "piano", "setup": {"preamp": "30 dB", "phantom": "yes", "effects": "hall, plate",
              "send": [{"mix": "wedge", "level": "-9 dB"}]}, "base": {}, "every_week": True},
    "voice": {"id": "{id}", "voice": "lead voice", "settings": {"mid_down_db": {"piano": 2.0}, "fader_db": {"piano": -3.0}, "muted": ["piano"]}, "at": 2.0},
    "forget": {"id": "{id}", "take": 1},
    "restore": {"id": "{id}", "take": 1},
    "blind/start": {"id": "{id}", "source": "piano", "against": "house", "start_s": 1.0, "chain": CHAIN, "trials": 8, "loop_from_s": 0.0, "loop_to_s": 2.0},
    "blind/answer": {"blind": "x", "answer": "a"},
    "house": {"id": "{id}", "name": "Tern Street Hall", "mains": "50 Hz", "lead": "lead voice",
              "sources": [{"name": "piano", "role": "keys", "left": "pno l", "right": "pno r", "channel": "9", "patch": ""}]},
    "rename": {"of": "piano", "name": "upright"},
    "tick": {"id": "{id}", "move": "piano/1", "declined": False},
    "untick": {"id": "{id}", "number": 1},
    "stop": {"job": "x"},
}  # fmt: skip
"""A body that each address takes."""
RARE: Final = {
    "check": {"id": "{id}", "date": "2026-03-01", "phase": "rehearsal", "tap": "preamp"},
    "listen": {"id": "{id}"},
    "measure-again": {},
}
"""Those that begin long work: one request in fifty."""
PAGES: Final = (
    "/", "/first", "/first?of={id}", "/recordings", "/words", "/weeks?phase=show&of=piano", "/weeks.csv?phase=rehearsal", "/show/{id}",
    "/show/{id}/source/0", "/show/{id}/source/0?from=1.5", "/show/{id}/source/1/hear.flac?at=1&for=1", "/show/{id}/voice?of=lead%20voice",
    "/show/{id}/sheet?paper=a4&note=x&jobs=y&since=standing", "/show/{id}/sheet.csv?paper=letter", "/api/jobs/1", "/api/news",
    "/api/written?id={id}&source=piano&which=moves", "/audio/x.flac?from=1", "/blind/x/a.wav", "/static/shared.css", "/static/../app.py",
)  # fmt: skip
HEADERS: Final = (
    ("host", "localhost:99"), ("host", "elsewhere.example"), ("origin", "http://localhost"), ("origin", "null"), ("content-length", "-1"), ("content-length", "9" * 20),
    ("content-type", "text/plain"), ("content-type", "application/json; charset=utf-16"), ("range", "bytes=5-"), ("range", "bytes=-0"), ("range", "bytes=9-1,3"),
    ("cookie", "a=b; c"), ("cookie", "\xff"), ("if-none-match", "*"), ("sec-fetch-site", "cross-site"), ("x-deskhand", "0"), ("accept", "\x00"), ("expect", "100-continue"),
)  # fmt: skip


def hall(folder: Path) -> Path:
    """A small hall with its check."""
    return small_hall(folder)


def files_of(folder: Path) -> set[str]:
    """Names of all files below a folder."""
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


class RequestSession:
    """Cases are requests, as JSON; a piece of the page's own, damaged."""

    def __init__(self, folder: Path, _: bool) -> None:
        self._folder = folder
        self._count = 0
        self._asker: Asker | None = None

    def _lay_out(self) -> Asker:
        if self._asker is None or self._count % REQUESTS_A_HALL == 0:
            if self._asker is not None:
                self._look_round()
            shutil.rmtree(self._folder / "inside", ignore_errors=True)
            self._asker = Asker(small_hall(self._folder / "inside"))
        self._count += 1
        return self._asker

    @staticmethod
    def _wait_for_jobs(asker: Asker) -> None:
        """Wait for work that was begun: what goes wrong in it is this request's."""
        end_s = time.monotonic() + 30.0
        jobs = asker.pages.jobs
        while time.monotonic() < end_s and jobs.running():
            time.sleep(0.005)
        broken = [job.message for job in list(jobs._jobs.values()) if job.state == "failed" and BROKEN in job.message]
        if broken:
            raise Wrong(f"work that was begun: {broken[-1]}")

    def _look_round(self) -> None:
        """Nothing may be written beside the hall."""
        beside = {path.name for path in self._folder.iterdir()} - {"inside", "case"}
        if beside:
            raise Wrong(f"written outside the hall: {sorted(beside)}")

    def draw(self, random: Random) -> bytes:
        """Draw a request."""
        method, body = "GET", b""
        headers = [random.choice(HEADERS)] if random.random() < 0.25 else []
        draw = random.random()
        if draw < 0.45:
            path = random.choice(PAGES)
            if random.random() < 0.6:
                path = self._damaged_path(random, path)
        elif draw < 0.55:
            method, path = (
                "PUT",
                f"/upload/{random.choice(('show-new', '..', '%2e%2e', random.choice(SIGNS)))}/{random.choice(('a.wav', 'show.toml', 'x.exe', '..', random.choice(SIGNS) + '.wav'))}",
            )
            headers.append(("x-deskhand", "1"))
            body = b"RIFF" + random.randbytes(40)
        else:
            name, filled = random.choice(list((RARE if random.random() < 0.02 else BODIES).items()))
            method, path = "POST", f"/api/{name}"
            headers += [("x-deskhand", "1"), ("content-type", "application/json")]
            body = json_bytes(damaged_json(random, filled) if random.random() < 0.85 else filled)
            if random.random() < 0.1:
                body = damaged_bytes(random, [body])
        if random.random() < 0.03:
            method = random.choice(("HEAD", "DELETE", "POST", "OPTIONS", "PATCH", "X" * 50, ""))
        return json.dumps({"method": method, "path": path, "headers": headers, "body": body.decode("latin-1")}).encode()

    @staticmethod
    def _damaged_path(random: Random, path: str) -> str:
        begin = random.randrange(1, len(path) + 1)
        piece = random.choice(
            (*SIGNS, "%00", "%ff", "..%2f", "&&", "?", "#", ";", "99999999999999999999", "-1", "1e400", "a" * 300)
        )
        return path[:begin] + piece + path[begin + random.choice((0, 0, 1, 3)) :]

    def take(self, case: bytes) -> None:
        """Send it; what goes wrong inside comes back as the error it is."""
        asked = json.loads(case)
        asker = self._lay_out()
        path, _, query = asked["path"].replace("{id}", asker.id).partition("?")
        status, _, body = raw(
            asker.guard, asked["method"], path, query=query.encode("utf-8", "replace"),
            headers=[(name, value.encode("utf-8", "replace").decode("latin-1")) for name, value in asked["headers"]],
            pieces=[asked["body"].replace("{id}", asker.id).encode("latin-1", "replace")],
        )  # fmt: skip
        if status >= 500:
            raise Wrong(f"answered {status}: {body[:200]!r}")
        if asked["method"] == "POST":
            self._wait_for_jobs(asker)
        if status >= 400:
            raise UsageError(path[:80], f"refused with {status}", "ask otherwise")


class StoredSession:
    """Cases are stored checks, as the page finds them on the disk."""

    def __init__(self, folder: Path, _: bool) -> None:
        self._asker = Asker(small_hall(folder / "hall"))
        self._file = next((folder / "hall" / ".deskhand").glob("check-*.json"))
        self._stored = json.loads(self._file.read_text())

    def draw(self, random: Random) -> bytes:
        """Edits of what is stored: it carries the time of its files, and is another one in every folder."""
        return json_bytes(json_edits(random, self._stored))

    def _pages(self, show: str) -> Iterator[str]:
        yield from (show, f"{show}/source/0", f"{show}/source/1", f"{show}/voice", f"{show}/sheet.csv")

    def take(self, case: bytes) -> None:
        """Ask for every page of the show."""
        self._file.write_bytes(json_bytes(edited(self._stored, json.loads(case))))
        refused = 0
        for page in self._pages(f"/show/{self._asker.id}"):
            status, _, body = raw(self._asker.guard, "GET", page)
            if status >= 500:
                raise Wrong(f"{page} answered {status}: {body[:200]!r}")
            refused += status >= 300
        if refused:
            raise UsageError("the check", "is asked for anew", "check again")
