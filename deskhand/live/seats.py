"""Seats while the show goes on: the meters of a recording, fed from the ring a second at a time."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from deskhand.errors import LiveError
from deskhand.house import MatchedTracks, former_names, match_tracks
from deskhand.live.messages import LiveMessage
from deskhand.recording import ShowNote, show_note_of
from deskhand.report.seats import live_line
from deskhand.tasks.check.seats import with_findings
from deskhand.tasks.seats import EveningMeter, SeatShow, exposures, loaded_memory

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.house import HouseFile, Source
    from deskhand.live.device import Capture
    from deskhand.live.replay import Replay
    from deskhand.live.ring import Ring
    from deskhand.result import SeatResult
    from deskhand.tasks.seats import SeatMemory

_TOLD_EVERY_S: Final = 10
"""Seconds from one line on the screen to the next: no faster than anybody turns. Common practice, no source."""


def seat_rows(house: HouseFile, names: Sequence[str] | None, channels: int) -> dict[str, int]:
    """Seat to its input, for those that have one here.

    Parameters
    ----------
    house : HouseFile
    names : sequence of str or None
        Of a recording's tracks; an interface has numbers only.
    channels : int
    """
    if names is not None:
        return match_tracks(house, list(names)).seats
    rows = {}
    for seat in house.seat:
        track = seat.tracks[0]
        digits = re.findall(r"\d+", str(seat.channel or ""))
        number = track if isinstance(track, int) else int(digits[0]) if len(digits) == 1 else None
        if seat.used and number is not None and 1 <= number <= channels:
            rows[seat.name] = number - 1
    return rows


@dataclass(slots=True, kw_only=True)
class SeatWatch:
    """Seats of a live show, read from a ring.

    Parameters
    ----------
    house : HouseFile
    folder : Path
        Of the house file.
    rows : mapping
        Seat to its input.
    inputs : sequence of (source, rows)
    ring : Ring
    sample_rate_hz : int
    memory : SeatMemory
    show : SeatShow
    """

    house: HouseFile
    folder: Path
    rows: dict[str, int]
    inputs: Sequence[tuple[Source, tuple[int, ...]]]
    ring: Ring
    sample_rate_hz: int
    memory: SeatMemory
    show: SeatShow
    lines: list[str] = field(default_factory=list)
    """Line of each seat, as it was last told."""
    late: int = 0
    """Frames that were overwritten before they were read."""
    meter: EveningMeter = field(init=False)
    _needed: list[int] = field(init=False)
    _position: int = 0
    _told_s: int = 0
    _passed: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        used = {row for _, rows in self.inputs for row in rows} | set(self.rows.values())
        self._needed = sorted(used)
        place = {row: index for index, row in enumerate(self._needed)}
        by_source: dict[str, tuple[int | None, ...]] = {source.name: () for source in self.house.source}
        by_source |= {source.name: tuple(place[row] for row in rows) for source, rows in self.inputs}
        matched = MatchedTracks(
            by_source=by_source, seats={seat: place[row] for seat, row in self.rows.items()}, mix=(), unmatched=()
        )
        self.meter = EveningMeter(self.house, matched, self.folder, self.sample_rate_hz)

    def advance(self) -> list[LiveMessage]:
        """Measure the whole seconds that have come since; returns what is to be said of them."""
        rate_hz = self.sample_rate_hz
        while self.ring.written - self._position >= rate_hz:
            gone = self.ring.oldest - self._position
            if gone > 0:
                skipped = -(-gone // rate_hz) * rate_hz
                self._position += skipped
                self.late += skipped
                continue
            try:
                samples = self.ring.read(self._position, rate_hz, self._needed)
            except LiveError:
                continue  # overwritten meanwhile: counted on the next round
            self._position += rate_hz
            self.meter.take(samples)
        seconds = self._position // rate_hz
        if seconds - self._told_s >= _TOLD_EVERY_S:
            self._told_s = seconds
            return self._tell(seconds)
        return []

    def results(self) -> tuple[SeatResult, ...]:
        """Sound in the house at each seat so far, with its findings."""
        return with_findings(exposures(self.house, self.meter, self.memory, self.show))

    def _tell(self, seconds: int) -> list[LiveMessage]:
        """Bring the lines up to date; the message, once, that the limit was passed at a seat."""
        messages = []
        results = self.results()
        self.lines = [live_line(seat.exposure) for seat in results]
        for seat in results:
            name = seat.exposure.seat
            over = [finding for finding in seat.findings if finding.severity == "fix"]
            if over and name not in self._passed:
                self._passed.add(name)
                messages.append(LiveMessage(time_s=float(seconds), source=name, text=over[0].text, urgent=True))
        return messages

    def note(self) -> tuple[str, ...]:
        """Seconds that were not measured, in words; none where all were."""
        late_s = self.late / self.sample_rate_hz
        return (f"{late_s:.0f} s at the seats were not measured: this computer was too slow",) if late_s else ()


def watched_seats(
    house: HouseFile,
    house_file: Path,
    names: Sequence[str] | None,
    inputs: Sequence[tuple[Source, tuple[int, ...]]],
    audio: Capture | Replay,
    *,
    date: str,
    phase: str,
    history: str | None,
    replay: Path | None,
) -> SeatWatch | None:
    """Seats of a live show; None where none has an input.

    Parameters
    ----------
    house : HouseFile
    house_file : Path
    names : sequence of str or None
        Of a recording's tracks; None of an interface.
    inputs : sequence of (source, rows)
    audio : Capture or Replay
    date, phase, history
        Of the show, and where its history is.
    replay : Path or None
        Recording that is played back: its note tells songs and the time of day.

    Raises
    ------
    HouseError, HistoryError
        The response of a microphone, or the history, cannot be read.
    """
    rows = seat_rows(house, names, audio.channels)
    if not rows:
        return None
    note = ShowNote() if replay is None else show_note_of(replay)
    moment = dt.datetime.now().time()  # noqa: DTZ005 - the time of day on the wall
    now_s = moment.hour * 3600.0 + moment.minute * 60.0 + moment.second
    return SeatWatch(
        house=house,
        folder=house_file.parent,
        rows=rows,
        inputs=inputs,
        ring=audio.ring,
        sample_rate_hz=audio.sample_rate_hz,
        memory=loaded_memory(house, house_file.parent, history, former_names(house, house_file), date=date),
        show=SeatShow(date=date, phase=phase, songs=note.songs, clock_s=note.start_clock_s if replay else now_s),
    )
