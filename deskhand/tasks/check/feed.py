"""Reads the seats of a take against its recorded main mix, and sets them against the kept weeks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings import with_text
from deskhand.findings.loudspeakers import loudspeaker_findings, noise_findings
from deskhand.measure.activity import BLOCK_S
from deskhand.result import SeatLoudspeakers
from deskhand.seat.background import background_noise, noise_change, noise_of_content, quietest_s
from deskhand.seat.calibration import applied
from deskhand.seat.feed import PARTS, feed_response, feed_spectra
from deskhand.seat.feed_result import feed_at_seat
from deskhand.seat.feed_weeks import FeedVerdict, feed_week, judge_week, week_of_content
from deskhand.store import history_url
from deskhand.tasks.seats import seat_memory

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.house import Source
    from deskhand.measure.figures import Figures
    from deskhand.recording import Recording
    from deskhand.seat.background import BackgroundNoise
    from deskhand.seat.feed import FeedResponse
    from deskhand.seat.feed_weeks import FeedWeek, NotJudged
    from deskhand.tasks.check.options import CheckOptions
    from deskhand.tasks.check.resolve import ShowSetup

_PART_S: Final = 60.0
"""Longest part that is read: four of them tell as much as is needed, and an evening is long. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatCheck:
    """One seat of a take, with what would be kept of it."""

    name: str
    """Name of the seat."""
    result: SeatLoudspeakers
    microphone: str
    week: FeedWeek | None
    """Week as the history would keep it; None where nothing was told."""
    noise: BackgroundNoise | None
    """Background noise; None where the feed was never silent for long enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _SeatHistory:
    """Records of one seat in the history, without this show's own."""

    weeks: list[FeedWeek]
    noises: list[BackgroundNoise]
    """Of the same phase."""
    full_scale_db_spl: float | None
    """Sound pressure level of a mean square of 1; None without calibration."""


def check_seats(
    setup: ShowSetup, recording: Recording, figures: Figures, options: CheckOptions
) -> tuple[SeatCheck, ...]:
    """Every seat of a take against its recorded main mix.

    Parameters
    ----------
    setup : ShowSetup
    recording : Recording
    figures : Figures
        Of the recorded tracks.
    options : CheckOptions
    """
    seats = [seat for seat in setup.house.seat if seat.name in setup.matched.seats]
    return tuple(_check_seat(setup, recording, figures, _history(setup, options, seat), seat) for seat in seats)


def _check_seat(
    setup: ShowSetup, recording: Recording, figures: Figures, history: _SeatHistory, seat: Source
) -> SeatCheck:
    """One seat: refused with the reason, or measured and compared."""
    track, mix = setup.matched.seats[seat.name], setup.matched.mix[:2]
    noise = _noise(recording, figures, mix, track, history.full_scale_db_spl) if mix else None
    reason: NotJudged = "no recorded mix" if not mix else "line check" if setup.is_line_check else ""
    response = None if reason else _response(recording, mix, track)
    week = None if response is None else feed_week(response, setup.show.date or "")
    verdict = FeedVerdict(not_judged=reason or "too little music") if week is None else judge_week(week, history.weeks)
    change = None if noise is None else noise_change(noise, history.noises)
    findings = [*loudspeaker_findings(seat.name, verdict.changes), *noise_findings(seat.name, change)]
    feed = feed_at_seat(
        seat.name,
        response,
        verdict,
        kept=len(history.weeks),
        noise=noise,
        temperature_c=setup.house.house.temperature_c,
    )
    return SeatCheck(
        name=seat.name,
        result=SeatLoudspeakers(feed=feed, findings=tuple(map(with_text, findings))),
        microphone=seat.microphone or seat.name,
        week=week,
        noise=noise,
    )


def _response(recording: Recording, mix: Sequence[int], track: int) -> FeedResponse | None:
    """Response of a seat, from parts spread over the take."""
    length_s = min(_PART_S, recording.duration_s / PARTS)
    starts_s = np.linspace(0.0, recording.duration_s - length_s, PARTS)
    parts = []
    for start_s in starts_s:
        audio = recording.excerpt([*mix, track], float(start_s), length_s).astype(np.float64)
        parts.append(feed_spectra(audio[:-1], audio[-1], sample_rate_hz=recording.sample_rate_hz))
    return feed_response(parts, sample_rate_hz=recording.sample_rate_hz)


def _noise(
    recording: Recording, figures: Figures, mix: Sequence[int], track: int, full_scale_db_spl: float | None
) -> BackgroundNoise | None:
    """Background noise in the quietest stretch in which the feed is silent."""
    feed = np.max([figures.tracks[row].mean_square for row in mix], axis=0)
    stretch_s = quietest_s(feed, figures.tracks[track].mean_square, step_s=BLOCK_S)
    if stretch_s is None:
        return None
    seat = recording.excerpt([track], stretch_s[0], stretch_s[1] - stretch_s[0])[0].astype(np.float64)
    return background_noise(seat, sample_rate_hz=recording.sample_rate_hz, full_scale_db_spl=full_scale_db_spl)


def _history(setup: ShowSetup, options: CheckOptions, seat: Source) -> _SeatHistory:
    """Kept weeks of a seat with the microphone that stands there now, and its calibration."""
    from deskhand.store.history import open_history
    from deskhand.store.seats import seat_records

    url = history_url(options.history, setup.folder)
    history = None if url is None else open_history(url, names=setup.names)
    if history is None:
        return _SeatHistory(weeks=[], noises=[], full_scale_db_spl=None)

    house, show, date = setup.house.house.name, (setup.show.name, setup.show.date), setup.show.date
    try:
        itself = {row.id for row in history.takes(house=house, forgotten=True) if (row.show, row.date) == show}
        responses, noises = (
            [
                record
                for record in seat_records(
                    history, house=house, kind=kind, seat=seat.name, microphone=seat.microphone or seat.name
                )
                if record.take not in itself
            ]
            for kind in ("response", "noise")
        )
        calibration = seat_memory(setup.house, history, date=date, show=show).calibrations.get(seat.name)
    finally:
        history.close()
    sensitivity = applied(
        calibration, preamp_db=seat.preamp_db, pad_db=seat.pad_db, own_noise_dba=seat.own_noise_dba, date=date
    ).sensitivity
    kept_noises = [
        noise_of_content(record.content) for record in noises if record.content.get("phase") == setup.show.phase
    ]
    return _SeatHistory(
        weeks=[week_of_content(record.content, record.measured_at) for record in responses],
        noises=[noise for noise in kept_noises if noise is not None],
        full_scale_db_spl=sensitivity.offset_db if sensitivity.calibrated else None,
    )
