"""Display of a session: a screen that is drawn again on a terminal, else a line for each thing that happens."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.live.screen import line_check_view, ring_out_view, soundcheck_view
from deskhand.live.soundcheck import Soundcheck

if TYPE_CHECKING:
    from rich.console import Console
    from rich.live import Live

    from deskhand.live.device import Capture
    from deskhand.live.replay import Replay
    from deskhand.live.ring_out_shared import SharedRingOut
    from deskhand.live.seats import SeatWatch
    from deskhand.live.watch import Watch

_SCREEN_S: Final = 0.25
"""Time between two drawings of the screen: no faster than a person reads. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFeed:
    """Device or recording that is listened to."""

    audio: Capture | Replay
    track_names: list[str] | None
    """None of a device, whose inputs have numbers only."""
    label: str

    @property
    def is_practice(self) -> bool:
        """True where a recording is played back."""
        return self.track_names is not None

    def is_heard_to_its_end(self, listener: Watch | Soundcheck) -> bool:
        """Tell whether less than a hop of the audio is left."""
        return self.audio.ring.written - listener.follower.position < listener.follower.hop

    def state_text(self, note: str) -> str:
        """State of the device in words."""
        overflows = self.audio.overflows
        lost = f", frames lost {overflows} times" if overflows else ""
        text = {"gone": "GONE, waiting for it", "opening": "opening", "running": "runs", "over": "over"}[note]
        return f"{self.label}: {text}{lost}"


class Display:
    """Screen of a terminal, or lines where there is none.

    Parameters
    ----------
    console : Console
    screen : Live or None
        None: lines are printed.
    feed : AudioFeed
    """

    def __init__(self, console: Console, screen: Live | None, feed: AudioFeed) -> None:
        self._console = console
        self._screen = screen
        self._feed = feed
        self._printed = 0
        self._note = ""
        self._drawn_s = 0.0

    def update(
        self,
        listener: Watch | Soundcheck,
        note: str,
        problem: str,
        seats: SeatWatch | None,
        ring_out: SharedRingOut,
    ) -> None:
        """Print messages and changes of the device's state, or draw the screen again when it is time."""
        if self._screen is None:
            self._print(listener, note)
        elif time.monotonic() - self._drawn_s >= _SCREEN_S:
            device, height = self._feed.state_text(note), self._console.height
            lines = () if seats is None else seats.lines
            if ring_out.is_open:
                view = ring_out_view(listener, ring_out, note=device, height=height, problem=problem)
            elif isinstance(listener, Soundcheck):
                view = soundcheck_view(listener, note=device, height=height, problem=problem, seats=lines)
            else:
                view = line_check_view(listener, note=device, height=height, problem=problem, seats=lines)
            self._screen.update(view, refresh=True)
            self._drawn_s = time.monotonic()

    def _print(self, listener: Watch | Soundcheck, note: str) -> None:
        for message in listener.messages[self._printed :]:
            self._console.print(str(message), highlight=False, markup=False, soft_wrap=True)
        self._printed = len(listener.messages)
        if note != self._note and note in ("gone", "running"):
            state = "is gone; waiting for it" if note == "gone" else "is back" if self._note == "gone" else "runs"
            self._console.print(f"{self._feed.label} {state}.", highlight=False, markup=False, soft_wrap=True)
        self._note = note
