"""Seats of a recording: what their microphones hear while it is read, and what it comes to with the house's calibrations and kept weeks."""

from __future__ import annotations

import datetime as dt
from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.chain.blocks.filter import curve_points
from deskhand.dsp import fir
from deskhand.errors import HistoryError
from deskhand.seat.calibration import Calibration, applied, calibration_of
from deskhand.seat.exposure import LEVEL_VERSION, SeatFacts, level_content, seat_exposure
from deskhand.seat.meter import LevelMeter
from deskhand.seat.stretches import band_and_speech, stretches
from deskhand.store import history_url

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from concurrent.futures import ThreadPoolExecutor
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import FormerNames, HouseFile, MatchedTracks, Source
    from deskhand.measure.figures import BlockSource, SampleBlock
    from deskhand.result import SeatResult
    from deskhand.seat.exposure import SeatExposure
    from deskhand.store import KeptTake
    from deskhand.store.history import History
    from deskhand.store.seats import SeatRecord

    Array32 = NDArray[np.float32]

_RESPONSE_TAPS: Final = 2048
"""Taps at 48 kHz that take a microphone's response away: 23 Hz fine. Common practice, no source."""
_RESPONSE_RATE_HZ: Final = 48000
"""Sample rate that `_RESPONSE_TAPS` is for; multiples of it take as many times more taps."""
_REFERENCE_HZ: Final = 1000.0
"""Frequency at which a microphone is calibrated (IEC 60942): its response counts against that."""


def response_taps(source: Source, folder: Path | None, sample_rate_hz: int) -> NDArray[np.float64] | None:
    """Taps that take the response of a seat's microphone away; None where the house file names none.

    Raises
    ------
    HouseError
        The file cannot be read, or holds no response.
    """
    from pathlib import Path

    if source.response is None:
        return None
    points = curve_points((folder or Path()) / source.response, what="response")
    level_db = points[:, 1] - np.interp(np.log(_REFERENCE_HZ), np.log(points[:, 0]), points[:, 1])
    count = _RESPONSE_TAPS * max(1, round(sample_rate_hz / _RESPONSE_RATE_HZ))
    return fir.curve(points[:, 0], -level_db, sample_rate_hz=sample_rate_hz, minimum_phase=True, taps=count)


class EveningMeter:
    """Meters of all seats of a recording, and the levels by which songs and speeches are told apart.

    Parameters
    ----------
    house : HouseFile
    matched : MatchedTracks
    folder : Path or None
        Of the house file.
    sample_rate_hz : int

    Raises
    ------
    HouseError
        The response of a microphone cannot be read.
    """

    def __init__(self, house: HouseFile, matched: MatchedTracks, folder: Path | None, sample_rate_hz: int) -> None:
        self._rate_hz = sample_rate_hz
        self._rows = matched.seats
        self.meters = {
            seat.name: LevelMeter(sample_rate_hz=sample_rate_hz, correction=response_taps(seat, folder, sample_rate_hz))
            for seat in house.seat
            if seat.name in matched.seats
        }
        self._groups = [
            [row for name in names for row in matched.by_source[name] if row is not None and row not in matched.mix]
            for names in band_and_speech(house.source)
        ]
        self._sums = np.zeros(2)
        self._frames = 0
        self._seconds = array("d")

    def take(self, samples: Array32) -> None:
        """Measure the next (tracks, frames) samples of all tracks."""
        for name, meter in self.meters.items():
            meter.take(samples[self._rows[name]])
        first = 0
        while first < samples.shape[1]:
            last = min(samples.shape[1], first + self._rate_hz - self._frames)
            for index, rows in enumerate(self._groups):
                self._sums[index] += sum(float(samples[row, first:last] @ samples[row, first:last]) for row in rows)
            self._frames += last - first
            if self._frames == self._rate_hz:
                self._seconds.extend((self._sums / self._rate_hz).tolist())
                self._sums[:], self._frames = 0.0, 0
            first = last

    @property
    def band_and_speech_squares(self) -> NDArray[np.float64]:
        """(seconds, 2) summed mean squares of the inputs that make songs, and of those that make speeches."""
        return np.array(self._seconds, np.float64).reshape(-1, 2)


@dataclass(frozen=True, slots=True, eq=False)
class MeteredSource:
    """Recording that tells somebody each block that is read of it."""

    source: BlockSource
    take: Callable[[Array32], None]

    @property
    def sample_rate_hz(self) -> int:
        """Sample rate of all tracks."""
        return self.source.sample_rate_hz

    @property
    def frames(self) -> int:
        """Length of all tracks in samples."""
        return self.source.frames

    def blocks(self, frames: int, *, pool: ThreadPoolExecutor | None = None) -> Iterator[SampleBlock]:
        """Read a number of frames at a time; the last block may be shorter."""
        for block in self.source.blocks(frames, pool=pool):
            self.take(block.samples)
            yield block


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatMemory:
    """Records of the history that the seats of a show need."""

    calibrations: dict[str, Calibration]
    """Seat to the calibration that holds for the show."""
    weeks: dict[str, list[SeatRecord]]
    """Seat to the levels of its kept weeks, newest first, without this show's own."""


def seat_memory(
    house: HouseFile, history: History | None, *, date: str | None, show: tuple[str, str | None] | None = None
) -> SeatMemory:
    """Calibrations and kept weeks of the seats.

    Parameters
    ----------
    house : HouseFile
    history : History or None
    date : str or None
        Of the show: the last calibration up to that day holds, or the first after it.
    show : (name, date), optional
        The show itself, which is not compared with itself where it is kept already.
    """
    memory = SeatMemory(calibrations={}, weeks={})
    if history is None:
        return memory
    from deskhand.store.seats import seat_records

    name = house.house.name
    itself = {row.id for row in history.takes(house=name, forgotten=True) if (row.show, row.date) == show}
    for seat in house.seat:
        microphone = seat.microphone or seat.name
        records = seat_records(history, house=name, kind="calibration", microphone=microphone)
        until = [record for record in records if date is None or record.measured_at[:10] <= date]
        chosen = until[0] if until else records[-1] if records else None
        if chosen is not None:
            memory.calibrations[seat.name] = kept_calibration(chosen, history.where)
        weeks = seat_records(history, house=name, kind="level", seat=seat.name)
        memory.weeks[seat.name] = [week for week in weeks if week.take not in itself]
    return memory


def kept_calibration(record: SeatRecord, where: str) -> Calibration:
    """Calibration of a record.

    Parameters
    ----------
    record : SeatRecord
    where : str
        History it comes from, for messages.

    Raises
    ------
    HistoryError
        The record is damaged.
    """
    try:
        return calibration_of(
            record.content, measured_at=record.measured_at, microphone=record.microphone, seat=record.seat
        )
    except (TypeError, ValueError) as error:
        raise HistoryError(where, f"cannot be used ({error})", "calibrate the microphone again") from error


def loaded_memory(
    house: HouseFile,
    folder: Path | None,
    given: str | None,
    names: FormerNames,
    *,
    date: str | None,
    show: tuple[str, str | None] | None = None,
) -> SeatMemory:
    """Calibrations and kept weeks of the seats, from the history where there is one.

    Parameters
    ----------
    house : HouseFile
    folder : Path or None
        Of the house file.
    given : str or None
        URL or file of the history; the one beside the house file by default.
    names : FormerNames
    date : str or None
        Of the show.
    show : (name, date), optional
        The show itself, which is not compared with itself where it is kept already.

    Raises
    ------
    HistoryError
        It cannot be read.
    """
    from deskhand.store.history import open_history

    url = history_url(given, folder)
    history = None if url is None else open_history(url, names=names)
    try:
        return seat_memory(house, history, date=date, show=show)
    finally:
        if history is not None:
            history.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatShow:
    """Facts about a show that its seats are told with."""

    date: str | None
    phase: str
    songs: Sequence[tuple[str, float]] = ()
    """Songs that its note names, and where each begins in the recording."""
    start_s: float = 0.0
    """Where in the recording the reading began."""
    clock_s: float | None = None
    """Time of day at which the recording begins; None where nobody said."""


def exposures(house: HouseFile, meter: EveningMeter, memory: SeatMemory, show: SeatShow) -> tuple[SeatExposure, ...]:
    """Levels and exposure at each seat so far, in the order of the house.

    Parameters
    ----------
    house : HouseFile
    meter : EveningMeter
    memory : SeatMemory
    show : SeatShow
    """
    squares = meter.band_and_speech_squares
    songs = stretches(squares[:, 0], squares[:, 1], songs=show.songs, shift_s=show.start_s)
    results = []
    for seat in house.seat:
        if seat.name not in meter.meters:
            continue
        calibration = memory.calibrations.get(seat.name)
        held = applied(
            calibration,
            preamp_db=seat.preamp_db,
            pad_db=seat.pad_db,
            own_noise_dba=seat.own_noise_dba,
            date=show.date,
        )
        weeks = memory.weeks.get(seat.name, [])
        facts = SeatFacts(
            seat=seat,
            sensitivity=held.sensitivity,
            notes=held.notes,
            calibrated_at=None if calibration is None else calibration.measured_at,
            stretches=songs,
            limit=None if house.limits is None else house.limits.limit,
            staff=[member for member in house.staff if _same(member.seat, seat.name)],
            phase=show.phase,
            shift_s=show.start_s,
            clock_s=show.clock_s,
            kept=[week.content for week in weeks],
            kept_this_week=[week.content for week in weeks if _same_week(week.measured_at, show.date)],
        )
        results.append(seat_exposure(meter.meters[seat.name].course(), facts))
    return tuple(results)


def _same(first: str, second: str) -> bool:
    """True where two names are one, however they are written."""
    from deskhand.recording.names import key

    return key(first) == key(second)


def _same_week(measured_at: str, date: str | None) -> bool:
    """True where a record is of another day of the same calendar week (ISO 8601)."""
    if date is None:
        return False
    day, other = dt.date.fromisoformat(date), dt.date.fromisoformat(measured_at[:10])
    return day != other and day.isocalendar()[:2] == other.isocalendar()[:2]


def keep_levels(history: History, seats: Sequence[SeatResult], take: KeptTake, number: int) -> None:
    """Write the levels of a kept take to the history.

    Parameters
    ----------
    history : History
    seats : sequence of SeatResult
    take : KeptTake
    number : int
        Of the take in the history.
    """
    from deskhand.store.seats import SeatRecord, add_seat_record

    for exposure in (seat.exposure for seat in seats):
        content: dict[str, Any] = level_content(exposure, phase=take.phase)
        if not content["levels_db"]:
            continue
        record = SeatRecord(
            seat=exposure.seat,
            microphone=exposure.microphone,
            kind="level",
            measured_at=take.date or dt.datetime.now(dt.UTC).date().isoformat(),
            content=content,
            version=LEVEL_VERSION,
            take=number,
        )
        add_seat_record(history, record, house=take.house)
