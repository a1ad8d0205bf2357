"""Writes what the seats of a kept take got of the loudspeakers to the history."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from deskhand.seat.background import noise_content
from deskhand.seat.feed_weeks import week_content
from deskhand.store import history_url

if TYPE_CHECKING:
    from deskhand.store.seats import SeatRecordKind
    from deskhand.tasks.check import ShowCheck


def keep_loudspeakers(checked: ShowCheck, history: str | None, *, take: int) -> None:
    """Write the response and the background noise of each seat, where they were told, with its take.

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
    store = open_history(url) if url is not None and checked.loudspeakers else None
    if store is None:
        return
    show = checked.result.show
    with closing(store):
        for seat in checked.loudspeakers:
            contents: dict[SeatRecordKind, dict[str, Any]] = {}
            if seat.week is not None:
                contents["response"] = week_content(seat.week)
            if seat.noise is not None:
                contents["noise"] = noise_content(seat.noise, phase=show.phase)
            for kind, content in contents.items():
                record = SeatRecord(
                    seat=seat.name,
                    microphone=seat.microphone,
                    kind=kind,
                    measured_at=show.date or datetime.now(UTC).date().isoformat(),
                    content=content,
                    take=take,
                )
                add_seat_record(store, record, house=checked.result.house)
