"""The line check's page as a target: requests of people who press at once, long after, or something that no page sends, and the events that come of them."""

from __future__ import annotations

import json
import threading
from typing import TYPE_CHECKING, Any, Final, get_args

from deskhand.errors import UsageError
from deskhand.house import parse_house
from deskhand.live.board import Act, Board
from deskhand.live.picture import picture_of
from deskhand.live.requests import Requests
from deskhand.live.ring import Ring
from deskhand.live.ring_out_shared import SharedRingOut
from deskhand.live.watch import Watch, rows_of
from deskhand.web.app import make_app
from deskhand.web.hall import Hall
from deskhand.web.live_page import LiveHost
from tests.support.fuzz.audio import Wrong
from tests.support.fuzz.mutate import SIGNS, damaged_bytes, damaged_json, json_bytes
from tests.support.small_hall import raw

if TYPE_CHECKING:
    from pathlib import Path
    from random import Random

    from deskhand.live.board import BoardNote

RATE_HZ: Final = 8000
HOUSE: Final = """\
[house]
name = "Tern Street Hall"

[[source]]
name = "lead voice"
role = "lead vocal"
tracks = [1]
channel = "1"
[[source.send]]
mix = "wedge 1"
level = "-6 dB"

[[source]]
name = "choir"
role = "backing vocal"
tracks = [2]
channel = "2"

[[source]]
name = "piano"
role = "keys"
tracks = [3, 4]
channel = "3/4"
"""
ACTS: Final = tuple(act for act in get_args(Act) if act != "done")
"""All that a page asks for, but the end of it."""
TEXTS: Final = (
    "",
    "Ana",
    "yes",
    "-6",
    "skip",
    "enough",
    "muted",
    "no",
    "next",
    "stop",
    "anew",
    "1e9",
    "nan",
    "90",
    "-90",
)
SESSIONS_CASES: Final = 200
"""Requests to one line check; the next has a new one."""


class Stage:
    """A line check that nobody plays at, with the server that shows it; whoever listens answers in a thread of its own."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(exist_ok=True)
        (folder / "house.toml").write_text(HOUSE, "utf-8")
        house = parse_house(HOUSE, folder / "house.toml")
        names = [source.name for source in house.source]
        self.watch = Watch(
            house=house, inputs=rows_of(house, None, 4), ring=Ring.of(4, 40 * RATE_HZ), sample_rate_hz=RATE_HZ,
            taps=dict.fromkeys(names, "preamp"), players={},
        )  # fmt: skip
        self.notes: list[BoardNote] = []
        self.ring_out = SharedRingOut(self.watch)
        self.requests = Requests(self.watch, self.notes, self.ring_out)
        self.board = Board()
        self.guard = make_app(Hall(folder), by="Mara", live=LiveHost(self.board))
        self.problem: BaseException | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        try:
            while not self._over.wait(0.0005):
                self.board.answer(self.requests.answer)
        except BaseException as error:  # noqa: BLE001 - what ended whoever listens is the finding
            self.problem = error

    def event(self) -> bytes:
        """Event that everybody gets of how it stands now (WHATWG HTML, 9.2.6: a line feed ends a field, a second one the event)."""
        from deskhand.web.live_page import _event

        picture = picture_of(
            self.watch, device="desk", state="running", notes=self.notes, ring_out=self.ring_out.picture()
        )
        return _event(picture, "1-1")

    def close(self) -> None:
        """End it."""
        self._over.set()
        self._thread.join(5.0)


class LiveSession:
    """Cases are the bodies of requests to one line check."""

    def __init__(self, folder: Path, _: bool) -> None:
        self._folder = folder
        self._stage: Stage | None = None
        self._count = 0

    def _laid_out(self) -> Stage:
        if self._stage is None or self._count % SESSIONS_CASES == 0:
            if self._stage is not None:
                self._stage.close()
            self._stage = Stage(self._folder / "hall")
        self._count += 1
        return self._stage

    def draw(self, random: Random) -> bytes:
        """Draw a request: what a page would send, and of that some values of other kinds."""
        body: dict[str, Any] = {
            "act": random.choice(ACTS),
            "source": random.choice(("lead voice", "choir", "piano", "", "{key}", "{key}", random.choice(SIGNS))),
            "by": random.choice(("Ana", "", random.choice(SIGNS), "a" * 200)),
            "text": random.choice((*TEXTS, random.choice(SIGNS), random.choice(SIGNS) * 300)),
        }
        case = json_bytes(damaged_json(random, body) if random.random() < 0.4 else body)
        return damaged_bytes(random, [case]) if random.random() < 0.05 else case

    def take(self, case: bytes) -> None:
        """Send it, then read the event that everybody gets."""
        stage = self._laid_out()
        key = stage.ring_out.state.key if stage.ring_out.state is not None else ""
        status, _, body = raw(
            stage.guard, "POST", "/api/live", headers=[("x-deskhand", "1"), ("content-type", "application/json")],
            pieces=[case.replace(b"{key}", key.encode())],
        )  # fmt: skip
        if stage.problem is not None:
            raise Wrong(f"whoever listens ended: {stage.problem!r}")
        if status >= 500:
            raise Wrong(f"answered {status}: {body[:200]!r}")
        fields = stage.event().decode("ascii").split("\n")
        if [field.partition(":")[0] for field in fields] != ["id", "data", "", ""]:
            raise Wrong(f"an event of {len(fields)} lines: {fields[:4]!r}")
        picture = json.loads(fields[1].removeprefix("data: "))
        if len(picture["inputs"]) != len(stage.watch.inputs):
            raise Wrong(f"a picture of {len(picture['inputs'])} inputs")
        if status >= 400:
            raise UsageError("the request", f"was refused with {status}", "ask otherwise")
        answer = json.loads(body)
        if not answer["accepted"]:
            raise UsageError("the request", str(answer["said"]) or "was refused without a word", "ask otherwise")
