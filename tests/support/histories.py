"""A small history with all that is kept of a take, and every way it is read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.store.history import open_history
from deskhand.store.records import Dismissal, KeptPart, KeptTake

if TYPE_CHECKING:
    from pathlib import Path

HOUSE: Final = "Tern Street Hall"


def kept_part(source: str) -> KeptPart:
    values = {f"tone_db.{band}": (float(band), 0.1) for band in range(40)}
    return KeptPart(source=source, stage="tap", role="keys", tap="preamp", playing_s=10.0, values=values)


def kept_take(week: int) -> KeptTake:
    return KeptTake(
        house=HOUSE,
        show=f"week {week}",
        date=f"2026-01-{week + 1:02}",
        phase="rehearsal",
        duration_s=60.0,
        sample_rate_hz=48000,
        recording="show",
        house_hash="0",
        deskhand="1",
        parts=[kept_part("piano"), kept_part("bass"), kept_part("lead voice")],
    )


def whole_history(path: Path) -> Path:
    """A history of six weeks, with one dismissal."""
    history = open_history(f"sqlite:///{path}", create=True)
    assert history is not None
    for week in range(6):
        history.keep(kept_take(week))
    dismissal = Dismissal(
        source="piano", kind="tone", metric=None, show="week 1", date="2026-01-02", for_good=True, measured=1.0,
        values={"tone_db.1": 1.0}, note="", said_by="Ana",
    )  # fmt: skip
    history.dismiss(dismissal, house=HOUSE)
    history.close()
    return path


def read_all(path: Path) -> None:
    """Every reading door of the history."""
    history = open_history(f"sqlite:///{path}")
    assert history is not None
    try:
        history.takes(house=HOUSE)
        history.parts(house=HOUSE, phase="rehearsal", metrics=["tone_db."], most=60, stages=["tap"])
        history.sources(house=HOUSE)
        history.dismissals(house=HOUSE)
        history.blind_tests(house=HOUSE)
    finally:
        history.close()
