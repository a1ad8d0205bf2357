"""Conducts `deskhand exposure` and `deskhand calibrate`: a recording in, levels at its seats or a calibration out."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from deskhand.errors import HouseError, UsageError
from deskhand.recording import open_recording
from deskhand.recording.names import key, nearest
from deskhand.recording.show import show_note_of
from deskhand.seat.calibration import CALIBRATION_VERSION, Calibration, drift, tone_level
from deskhand.tasks.check.options import CheckOptions
from deskhand.tasks.check.resolve import resolve
from deskhand.tasks.check.seats import shown_seats
from deskhand.tasks.keep import history_at
from deskhand.tasks.seats import EveningMeter, kept_calibration

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from deskhand.house import Source
    from deskhand.recording import Recording
    from deskhand.result import SeatResult
    from deskhand.seat.calibration import SensitivityChange
    from deskhand.tasks.check.resolve import ShowSetup

_LONGEST_TONE_S: Final = 120.0
"""ShowStretch of a calibrator's recording that is looked at. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EveningExposure:
    """Levels and exposure at all seats of a recording."""

    house: str
    show: str
    date: str | None
    phase: str
    duration_s: float
    notes: tuple[str, ...]
    seats: tuple[SeatResult, ...]


def exposure(
    path: Path,
    *,
    house_path: Path | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    options: CheckOptions | None = None,
    clock_s: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> EveningExposure:
    """Sound level and exposure at the seats of a recording; nothing else of it is measured.

    Parameters
    ----------
    path : Path
    house_path : Path, optional
    start_s, end_s : float, optional
        ShowStretch, in seconds.
    options : CheckOptions, optional
    clock_s : float, optional
        Time of day at which the recording begins; by default what its note says.
    progress : callable, optional
        Told the share done.

    Raises
    ------
    RecordingError, HouseError, HistoryError, UsageError
        One line each: where, what, and what to do. Among them: the recording has no seat.
    """
    options = options or CheckOptions()
    recording = open_recording(path, start_s=start_s, end_s=end_s)
    setup = resolve(path, house_path, recording, options)
    _require_seat(setup, recording)
    clock_s = show_note_of(path).start_clock_s if clock_s is None else clock_s
    meter = EveningMeter(setup.house, setup.matched, setup.folder, recording.sample_rate_hz)
    for block in recording.blocks(recording.sample_rate_hz):
        meter.take(block.samples)
        if progress is not None:
            progress((block.start + block.samples.shape[1]) / recording.frames)
    return EveningExposure(
        house=setup.house.house.name,
        show=setup.show.name,
        date=setup.show.date,
        phase=setup.show.phase,
        duration_s=setup.show.duration_s,
        notes=setup.show.notes,
        seats=shown_seats(setup, recording, meter, options.history, clock_s),
    )


def _require_seat(setup: ShowSetup, recording: Recording) -> None:
    """Refuse a recording without a seat."""
    if setup.matched.seats:
        return
    if not setup.house.seat:
        where = setup.house_file.name if setup.house_file is not None else "the house"
        raise HouseError(
            where, "has no seat", 'write a [[source]] with role = "seat" and its track, for the measurement microphone'
        )
    seat = setup.house.seat[0]
    near = nearest(str(seat.tracks[0]), [track.name for track in recording.tracks], count=1)
    raise HouseError(
        f'seat "{seat.name}"',
        f'the recording has no track "{seat.tracks[0]}"',
        f'did you mean "{near[0]}"?' if near else "record its input too",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCalibration:
    """Calibration that was measured and kept, with the change since the last one."""

    calibration: Calibration
    drift: SensitivityChange | None
    """None where there was none before, or the preamp's gain was not written down both times."""
    earlier: int
    """Calibrations of this microphone before."""
    history: str


def calibrate(
    path: Path,
    *,
    track: str,
    level_db: float,
    house_path: Path | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    options: CheckOptions | None = None,
    preamp_db: float | None = None,
) -> NewCalibration:
    """Calibrate a seat's microphone from the recorded tone of a sound calibrator, and keep it.

    Parameters
    ----------
    path : Path
    track : str
        Name of the seat, or of its track in the recording.
    level_db : float
        Level that the calibrator makes.
    house_path : Path, optional
    start_s, end_s : float, optional
        ShowStretch that holds the tone.
    options : CheckOptions, optional
    preamp_db : float, optional
        Gain that the preamp shows, where it differs from the house file's.

    Raises
    ------
    RecordingError, HouseError, HistoryError, UsageError, MeasureError
        One line each. Among them: no steady tone of a calibrator.
    """
    options = options or CheckOptions()
    recording = open_recording(path, start_s=start_s, end_s=end_s)
    setup = resolve(path, house_path, recording, options)
    if setup.house_file is None:
        raise HouseError("the house file", "is not there", "write one with: deskhand new RECORDING")
    seat, row = _seat_of(setup, recording, track)
    signal = recording.excerpt([row], 0.0, min(_LONGEST_TONE_S, recording.duration_s))[0]
    where = f'{recording.path.name}, track "{recording.tracks[row].name}"'
    tone = tone_level(signal, sample_rate_hz=recording.sample_rate_hz, level_db=level_db, where=where)
    new = replace(
        tone,
        preamp_db=seat.preamp_db if preamp_db is None else preamp_db,
        pad_db=seat.pad_db or 0.0,
        measured_at=setup.show.date or dt.datetime.now(dt.UTC).date().isoformat(),
        microphone=seat.microphone or seat.name,
        seat=seat.name,
    )
    return _kept(setup, new, options.history)


def _kept(setup: ShowSetup, new: Calibration, history: str | None) -> NewCalibration:
    """Calibration written to the history, with the change since the last one."""
    from deskhand.store.seats import SeatRecord, add_seat_record, seat_records

    store = history_at(history, setup.house_file, create=True)
    house = setup.house.house.name
    try:
        rows = seat_records(store, house=house, kind="calibration", microphone=new.microphone)
        earlier = [row for row in rows if row.measured_at[:10] <= new.measured_at]
        last = earlier[0] if earlier else None
        change = None
        if last is not None:
            change = drift(new, kept_calibration(last, store.where))
        record = SeatRecord(
            seat=new.seat,
            microphone=new.microphone,
            kind="calibration",
            measured_at=new.measured_at,
            content=new.content(),
            version=CALIBRATION_VERSION,
        )
        add_seat_record(store, record, house=house)
    finally:
        store.close()
    return NewCalibration(calibration=new, drift=change, earlier=len(rows), history=store.where)


def _seat_of(setup: ShowSetup, recording: Recording, track: str) -> tuple[Source, int]:
    """Seat that a name means, and its track in the recording.

    Raises
    ------
    UsageError
        No seat is called so, or it is not recorded.
    """
    names = [recorded.name for recorded in recording.tracks]
    for seat in setup.house.seat:
        row = setup.matched.seats.get(seat.name)
        if row is not None and key(track) in map(key, (seat.name, names[row], *seat.was)):
            return seat, row
    seats = [seat.name for seat in setup.house.seat]
    if not seats:
        raise UsageError(
            f'--track "{track}"', "the house file has no seat", 'write a [[source]] with role = "seat" and this track'
        )
    near = nearest(track, seats, count=1)
    fix = f'did you mean "{near[0]}"?' if near else f"seats are {', '.join(seats)}"
    raise UsageError(f'--track "{track}"', "is no seat of this recording", fix)
