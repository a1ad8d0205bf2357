"""Contract of `room --json`: every seat, the way of the words to it, and what changed since it was kept."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from deskhand.seat.room import SeatRoom
    from deskhand.seat.room_change import RoomComparison
    from deskhand.seat.words_path import WordsPath


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomResult:
    """Contract of `room --json`."""

    deskhand: str
    house: str | None
    recording: str
    measured_at: str
    """Day, in ISO 8601."""
    sample_rate_hz: int
    seats: tuple[SeatRoom, ...]
    words: tuple[WordsPath, ...]
    """Way of the words to each seat of which something is told."""
    since: dict[str, RoomComparison] = field(default_factory=dict)
    """Seat to what changed since its newest kept measurement."""
    kept_now: bool = False
    """True where it was kept now."""
    notes: tuple[str, ...] = ()
