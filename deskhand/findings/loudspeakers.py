"""Changes of the loudspeakers and of the room's noise at a seat, as findings and as lines for people."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Final

from deskhand.findings.drifts import MONTHS
from deskhand.findings.finding import Finding
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from deskhand.findings.finding import Severity
    from deskhand.seat.background import NoiseChange
    from deskhand.seat.feed_weeks import FeedChange

_FIX_DB: Final = 6.0
"""Fall of one side from which it is to be put right before doors: half the pressure. Common practice, no source."""


def day_words(day: str | None) -> str:
    """Day and month of a date for people, with the year; tonight where there is none.

    Examples
    --------
    >>> day_words("2026-04-12"), day_words(None)
    ('12 April 2026', 'tonight')
    """
    if not day:
        return phrase("tonight")
    when = date.fromisoformat(day[:10])
    return phrase("{day} {month} {year}", day=when.day, month=phrase(MONTHS[when.month - 1]), year=when.year)


def loudspeaker_findings(seat: str, changes: Sequence[FeedChange]) -> list[Finding]:
    """Findings of what a loudspeaker does that it did not do in the kept weeks.

    Parameters
    ----------
    seat : str
        Name of the seat.
    changes : sequence of FeedChange
    """
    faults = [change for change in changes if change.kind in _MAKERS]
    return [_MAKERS[change.kind](seat, change, day_words(change.since)) for change in faults]


def _severity(change: FeedChange) -> Severity:
    return "fix" if change.change_db is not None and -change.change_db >= _FIX_DB else "listen"


def _side_lost(seat: str, change: FeedChange, since: str) -> Finding:
    """Finding of a side that is gone or down throughout."""
    change_db = change.change_db or 0.0
    return Finding(
        id=f"{seat}/side-lost",
        kind="side-lost",
        stage="tap",
        severity=_severity(change),
        what="gone" if change.gone else "down",
        advice=("check-side",),
        facts={"side": change.side, "fall_db": -change_db, "since": since},
        measured=round(change_db, 1),
        unit="dB",
        track=change.side,
    )


def _driver_lost(seat: str, change: FeedChange, since: str) -> Finding:
    """Finding of a side whose top is down."""
    change_db, above_hz = change.change_db or 0.0, change.above_hz or 0.0
    return Finding(
        id=f"{seat}/driver-lost",
        kind="driver-lost",
        stage="tap",
        severity=_severity(change),
        what="at-least" if change.at_least else "down",
        advice=("check-high-driver",),
        facts={"side": change.side, "fall_db": -change_db, "above_hz": above_hz, "since": since},
        measured=round(change_db, 1),
        unit="dB",
        track=change.side,
    )


def _side_late(seat: str, change: FeedChange, since: str) -> Finding:
    """Finding of a side that comes later than it did."""
    late_ms = change.change_ms or 0.0
    return Finding(
        id=f"{seat}/side-late",
        kind="side-late",
        stage="tap",
        severity="listen",
        what="late",
        advice=("check-delay",),
        facts={"side": change.side, "late_ms": late_ms, "since": since},
        measured=round(late_ms, 2),
        unit="ms",
        track=change.side,
    )


_MAKERS: Final[Mapping[str, Callable[[str, FeedChange, str], Finding]]] = {
    "side down": _side_lost,
    "top down": _driver_lost,
    "late": _side_late,
}
"""Change to what makes its finding; the others are no finding."""


def noise_findings(seat: str, change: NoiseChange | None) -> list[Finding]:
    """Finding of a room that is noisier than it was; none without one."""
    if change is None:
        return []
    return [
        Finding(
            id=f"{seat}/room-noise",
            kind="room-noise",
            stage="tap",
            severity="listen",
            what="louder",
            advice=("find-noise",),
            facts={"louder_db": change.louder_db, "octave_hz": float(change.octave_hz)},
            measured=round(change.louder_db, 1),
            unit="dB",
        )
    ]
