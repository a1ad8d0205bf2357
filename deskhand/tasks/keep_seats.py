"""Writes what the seats of a kept take got of the loudspeakers to the history."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from deskhand.seat.feed_weeks import week_content
from deskhand.store import history_url

if TYPE_CHECKING:
    from deskhand.tasks.check import ShowCheck


def keep_loudspeakers(checked: ShowCheck, history: str | None, *, take: int) -> None:
    """Write one record of each seat whose response was told, with its take.

    Parameters
    ----------
    checked : ShowCheck
    history : str or None
        URL or file of the history, where the take was written; the one beside the house file by default.
    take : int
        Number of the kept take: what is forgotten with it is compared with no more.
    """
    from deskhand.store.history import open_history
    from deskhand.store.seats import SeatRecord, add_seat_record

    url = history_url(history, checked.house_file.parent if checked.house_file else None)
    store = open_history(url) if url is not None and any(seat.week is not None for seat in checked.seats) else None
    if store is None:
        return
    with closing(store):
        for seat in checked.seats:
            if seat.week is not None:
                record = SeatRecord(
                    seat=seat.result.feed.seat,
                    microphone=seat.microphone,
                    kind="response",
                    measured_at=seat.week.date or datetime.now(UTC).date().isoformat(),
                    content=week_content(seat.week),
                    take=take,
                )
                add_seat_record(store, record, house=checked.result.house)
