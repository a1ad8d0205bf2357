"""Reads the seats of a take against its recorded main mix, and sets them against the kept weeks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings import with_text
from deskhand.findings.loudspeakers import loudspeaker_findings
from deskhand.result import SeatLoudspeakers
from deskhand.seat.feed import PARTS, feed_response, feed_spectra
from deskhand.seat.feed_result import feed_at_seat
from deskhand.seat.feed_weeks import FeedVerdict, feed_week, judge_week, week_of_content
from deskhand.store import history_url

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.recording import Recording
    from deskhand.seat.feed import FeedResponse
    from deskhand.seat.feed_weeks import FeedWeek, NotJudged
    from deskhand.tasks.check.options import CheckOptions
    from deskhand.tasks.check.resolve import ShowSetup

_PART_S: Final = 60.0
"""Longest part that is read: four of them tell as much as is needed, and an evening is long. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatCheck:
    """One seat of a take, with what would be kept of it."""

    result: SeatLoudspeakers
    microphone: str
    week: FeedWeek | None
    """Week as the history would keep it; None where nothing was told."""


def check_seats(setup: ShowSetup, recording: Recording, options: CheckOptions) -> tuple[SeatCheck, ...]:
    """Every seat of a take against its recorded main mix.

    Parameters
    ----------
    setup : ShowSetup
    recording : Recording
    options : CheckOptions
    """
    return tuple(_check_seat(setup, recording, options, seat, track) for seat, track in setup.matched.seats.items())


def _check_seat(setup: ShowSetup, recording: Recording, options: CheckOptions, seat: str, track: int) -> SeatCheck:
    """One seat: refused with the reason, or measured and compared."""
    kept, microphone = _kept_weeks(setup, options, seat), _microphone(setup, seat)
    reason: NotJudged = "no recorded mix" if not setup.matched.mix else "line check" if setup.is_line_check else ""
    response = None if reason else _response(recording, setup.matched.mix[:2], track)
    if response is None:
        verdict = FeedVerdict(not_judged=reason or "too little music")
        refused = SeatLoudspeakers(feed=feed_at_seat(seat, None, verdict, kept=len(kept)), findings=())
        return SeatCheck(result=refused, microphone=microphone, week=None)
    week = feed_week(response, setup.show.date or "")
    verdict = judge_week(week, kept)
    findings = tuple(map(with_text, loudspeaker_findings(seat, verdict.changes)))
    result = SeatLoudspeakers(feed=feed_at_seat(seat, response, verdict, kept=len(kept)), findings=findings)
    return SeatCheck(result=result, microphone=microphone, week=week)


def _microphone(setup: ShowSetup, seat: str) -> str:
    """Name of a seat's microphone; the seat's own where nobody named one."""
    return next((source.microphone or seat for source in setup.house.seat if source.name == seat), seat)


def _response(recording: Recording, mix: Sequence[int], track: int) -> FeedResponse | None:
    """Response of a seat, from parts spread over the take."""
    length_s = min(_PART_S, recording.duration_s / PARTS)
    starts_s = np.linspace(0.0, recording.duration_s - length_s, PARTS)
    parts = []
    for start_s in starts_s:
        audio = recording.excerpt([*mix, track], float(start_s), length_s).astype(np.float64)
        parts.append(feed_spectra(audio[:-1], audio[-1], sample_rate_hz=recording.sample_rate_hz))
    return feed_response(parts, sample_rate_hz=recording.sample_rate_hz)


def _kept_weeks(setup: ShowSetup, options: CheckOptions, seat: str) -> list[FeedWeek]:
    """Kept weeks of a seat with the microphone that stands there now."""
    from deskhand.store.history import open_history
    from deskhand.store.seats import seat_records

    url = history_url(options.history, setup.folder)
    history = None if url is None else open_history(url, names=setup.names)
    if history is None:
        return []
    try:
        records = seat_records(
            history, house=setup.house.house.name, kind="response", seat=seat, microphone=_microphone(setup, seat)
        )
    finally:
        history.close()
    return [week_of_content(record.content, record.measured_at) for record in records]
