"""A hall of three inputs whose wedges are rung out: a listener with its ring-out, what people press, and loops that ring."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np

from deskhand.house import parse_house
from deskhand.live.board import BoardAnswer, BoardRequest
from deskhand.live.picture import picture_of
from deskhand.live.requests import Requests
from deskhand.live.ring import Ring
from deskhand.live.ring_out_file import RingOutFile
from deskhand.live.ring_out_shared import SharedRingOut
from deskhand.live.soundcheck import Soundcheck
from deskhand.live.watch import Watch

RATE_HZ: Final = 48000
NAMES = ("kick", "lead voice", "choir")
HOUSE = parse_house(
    """
[house]
name = "Tern Street Hall"
[desk]
equaliser = { bells = 4, gain_step = "0.5 dB", frequency_step = "1/12 octave", q = [0.7, 1.4, 2.8, 5.6, 11] }
[[source]]
name = "kick"
role = "playback"
tracks = [1]
[[source]]
name = "lead voice"
role = "lead vocal"
tracks = [2]
[[source.send]]
mix = "wedge 1"
level = "-6 dB"
[[source]]
name = "choir"
role = "backing vocal"
tracks = [3]
""",
    Path("house.toml"),
)
INPUTS = [(source, (row,)) for row, source in enumerate(HOUSE.source)]


def watch() -> Watch:
    return Watch(
        house=HOUSE,
        inputs=INPUTS,
        ring=Ring.of(len(NAMES), 40 * RATE_HZ),
        sample_rate_hz=RATE_HZ,
        taps=dict.fromkeys(NAMES, "preamp"),
        players={},
    )


class RingOutHall:
    """A listener with its ring-out, and what people press."""

    def __init__(self, listener: Watch | Soundcheck | None = None, file: RingOutFile | None = None) -> None:
        self.listener = listener or watch()
        self.ring_out = SharedRingOut(self.listener, file)
        self.requests = Requests(self.listener, [], self.ring_out)

    def shown(self) -> dict[str, Any]:
        picture = picture_of(self.listener, device="desk", state="running", ring_out=self.ring_out.picture())
        return dict(picture["ring_out"])

    def press(self, answer: str, key: str | None = None, by: str = "Ana") -> BoardAnswer:
        key = self.shown()["key"] if key is None else key
        return self.requests.answer(BoardRequest(act="ring-answer", source=key, text=answer, by=by))

    def pressed(self, *answers: str) -> None:
        for answer in answers:
            assert self.press(answer).accepted, (answer, self.shown()["sentence"])

    def begin(self, text: str = "") -> BoardAnswer:
        return self.requests.answer(BoardRequest(act="ring-out", text=text, by="Ana"))

    def leave(self) -> BoardAnswer:
        return self.requests.answer(BoardRequest(act="ring-leave"))

    def labels(self) -> list[str]:
        return [answer["label"] for answer in self.shown()["answers"]]

    def hear(self, samples: np.ndarray, row: int = 1) -> None:
        """Let one input hear something, the others next to nothing."""
        heard = 1e-6 * np.random.default_rng(row).standard_normal((len(NAMES), samples.size))
        heard[row] += samples
        for first in range(0, samples.size, RATE_HZ):
            self.listener.ring.write(heard[:, first : first + RATE_HZ].astype(np.float32))
            self.ring_out.advance() if self.ring_out.is_open else self.listener.advance()


def ringing(hz: float, length_s: float = 3.0, growth_db_s: float = 20.0) -> np.ndarray:
    """A sine that grows from -75 dBFS, as a loop above its limit does."""
    time_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    return np.asarray(10 ** ((-75.0 + growth_db_s * time_s) / 20) * np.sin(2 * np.pi * hz * time_s))
