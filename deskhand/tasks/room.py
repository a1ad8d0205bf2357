"""Conducts the room: a recording of the sweeps in, seats measured, kept and compared, the way of the words beside them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand import __version__
from deskhand.errors import HouseError, UsageError
from deskhand.house import ROLES, find_house, match_tracks, read_house
from deskhand.mix.clearance import AudibilityLimits
from deskhand.mix.voices import lead_of
from deskhand.recording import open_recording, show_note_of
from deskhand.recording.names import key, nearest
from deskhand.recording.show import checked_date
from deskhand.result import plain
from deskhand.seat.calibration import applied
from deskhand.seat.room import measure_seat
from deskhand.seat.room_change import VERSION, RoomComparison, checked_content, room_change
from deskhand.seat.room_result import RoomResult
from deskhand.seat.words_path import SpeechAndNoise, WordsPath, noise_of_level, noise_of_sensitivity, words_path
from deskhand.tasks.keep import history_at
from deskhand.tasks.seats import seat_memory

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from deskhand.house import HouseFile
    from deskhand.recording import Recording
    from deskhand.seat.room import SeatRoom
    from deskhand.store.history import History
    from deskhand.tasks.seats import SeatMemory

_PHASES: Final = ("show", "rehearsal")
"""Phases in which a feed is kept, the likest to an evening first."""
_NEWEST: Final = 8
"""Kept takes that are looked through for a voice's share: about two months of weekly ones. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomOptions:
    """Facts that the caller knows about a measurement of the room."""

    seats: tuple[str, ...] = ()
    """Tracks that are seats, where the house file names none."""
    speech_dba: float | None = None
    """Level of speech at the seats."""
    noise_dba: float | None = None
    """Level of the noise, as somebody read it on a meter."""
    date: str | None = None
    keep: bool = False
    note: str = ""
    history: str | None = None
    """File or URL of the history."""


def _seat_tracks(options: RoomOptions, house: HouseFile | None, recording: Recording, path: Path) -> dict[str, int]:
    """Seat to its track: those that were named, those of the house file, or the only track there is."""
    names = [track.name for track in recording.tracks]
    if options.seats:
        positions = {key(name): position for position, name in enumerate(names)}
        for seat in options.seats:
            if key(seat) not in positions:
                near = nearest(seat, names)
                fix = f"did you mean {near[0]!r}?" if near else f"its tracks are {', '.join(names)}"
                raise UsageError(f"--seat {seat!r}", f"is no track of {path.name}", fix)
        return {names[positions[key(seat)]]: positions[key(seat)] for seat in options.seats}
    seats = match_tracks(house, names).seats if house is not None else {}
    if seats:
        return dict(seats)
    if len(names) == 1:
        return {names[0]: 0}
    raise UsageError(
        str(path),
        "no track of it is a seat",
        'add the microphone to house.toml with role = "seat", or name its track with --seat',
    )


def measure_room(
    path: Path,
    *,
    house_path: Path | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    options: RoomOptions | None = None,
    progress: Callable[[float], None] | None = None,
) -> RoomResult:
    """Room at every seat from a recording of the sweeps; kept and compared where there is a history.

    Parameters
    ----------
    path, house_path, start_s, end_s, progress
        As for `tasks.check.check`.
    options : RoomOptions, optional

    Raises
    ------
    RecordingError, HouseError, HistoryError, UsageError
        One line each: where, what, and what to do.
    """
    options = options or RoomOptions()
    recording = open_recording(path, start_s=start_s, end_s=end_s)
    house_file = house_path or find_house(path)
    house = None if house_file is None else read_house(house_file)
    seat_tracks = _seat_tracks(options, house, recording, path)
    if options.keep and house_file is None:
        raise HouseError(
            "--keep", "needs a house file, beside which the history lies", "write one with: deskhand new RECORDING"
        )
    date = checked_date(options.date, "--date") if options.date else show_note_of(path).date
    measured_at = date or dt.date.today().isoformat()  # noqa: DTZ011 - the day where the house is
    mains_hz = 50.0 if house is None else house.house.mains_hz
    seats = _measured(recording, seat_tracks, mains_hz, progress)
    history = _history(options, house_file)
    since: dict[str, RoomComparison] = {}
    feed, levels = None, _levels(seats, options, {}, {})
    if history is not None and house is not None:
        try:
            since = _since(seats, history, house.house.name, measured_at)
            feed = kept_feed(history, house)
            memory = seat_memory(house, history, date=measured_at)
            levels = _levels(seats, options, _offsets_db(house, memory, measured_at), _kept_speech_dba(memory))
            if options.keep:
                _keep(seats, history, house, measured_at, levels, options.note)
        finally:
            history.close()
    return RoomResult(
        deskhand=__version__,
        house=house.house.name if house else None,
        recording=path.name,
        measured_at=measured_at,
        sample_rate_hz=recording.sample_rate_hz,
        seats=tuple(seats),
        words=tuple(_words(seat, levels.get(seat.seat), feed) for seat in seats if seat.refused is None),
        since=since,
        kept_now=options.keep,
        notes=recording.notes,
    )


def _measured(
    recording: Recording, seat_tracks: Mapping[str, int], mains_hz: float, progress: Callable[[float], None] | None
) -> list[SeatRoom]:
    """Seats of a recording, each measured from its track."""
    seats = []
    for count, (seat, track) in enumerate(seat_tracks.items(), 1):
        samples = recording.excerpt([track], 0.0, recording.duration_s)[0].astype(np.float64)
        name, rate_hz = recording.tracks[track].name, recording.sample_rate_hz
        seats.append(measure_seat(samples, seat=seat, track=name, sample_rate_hz=rate_hz, mains_hz=mains_hz))
        if progress is not None:
            progress(count / len(seat_tracks))
    return seats


def _history(options: RoomOptions, house_file: Path | None) -> History | None:
    """History of the house; None where there is none yet and nothing is to be kept."""
    try:
        return history_at(options.history, house_file, create=options.keep)
    except UsageError:
        if options.keep or options.history is not None:
            raise
        return None


def _since(seats: list[SeatRoom], history: History, house: str, measured_at: str) -> dict[str, RoomComparison]:
    """Seat to its change since the newest kept measurement of an earlier day."""
    from deskhand.store.seats import seat_records

    since = {}
    for seat in seats:
        earlier = [
            record
            for record in seat_records(history, house=house, kind="room", seat=seat.seat)
            if record.measured_at < measured_at and record.version == VERSION
        ]
        if seat.refused is None and earlier:
            day = earlier[0].measured_at
            content = checked_content(earlier[0].content, seat=seat.seat, measured_at=day)
            since[seat.seat] = room_change(seat, content, measured_at=day)
    return since


def _keep(
    seats: list[SeatRoom],
    history: History,
    house: HouseFile,
    measured_at: str,
    levels: Mapping[str, SpeechAndNoise],
    note: str,
) -> None:
    """Write each seat of which something is told.

    Raises
    ------
    UsageError
        There is none.
    """
    from deskhand.store.seats import SeatRecord, add_seat_record

    measured = [seat for seat in seats if seat.refused is None]
    if not measured:
        raise UsageError(
            "--keep", f"nothing is told at {seats[0].seat}: {seats[0].refused}", "measure again, then keep"
        )
    microphones = {source.name: source.microphone for source in house.seat}
    for seat in measured:
        content: dict[str, Any] = {**plain(seat), "levels": plain(levels.get(seat.seat)), "note": note}
        record = SeatRecord(
            seat=seat.seat,
            microphone=microphones.get(seat.seat) or seat.seat,
            kind="room",
            measured_at=measured_at,
            content=content,
            version=VERSION,
        )
        add_seat_record(history, record, house=house.house.name)


def kept_feed(history: History, house: HouseFile) -> tuple[float, str] | None:
    """Audible share of the voice whose words matter most, in the newest kept feed, and its word; speech goes before singing."""
    spoken = [source.name for source in house.source if ROLES[source.role].speaks]
    lead = lead_of(house)
    for voice in (*spoken, *([lead] if lead else [])):
        for phase in _PHASES:
            rows = history.parts(
                house=house.house.name,
                phase=phase,
                metrics=("audible_pct.mono",),
                most=_NEWEST,
                stages=("feed",),
                source=voice,
            )
            shares = [part.values["audible_pct.mono"][0] for _, part in rows if "audible_pct.mono" in part.values]
            if shares:
                return shares[-1], AudibilityLimits().word(shares[-1])
    return None


def _words(seat: SeatRoom, levels: SpeechAndNoise | None, feed: tuple[float, str] | None) -> WordsPath:
    """Way of the words to a seat."""
    reasons = dict(seat.not_measured)
    if feed is None:
        reasons["audible_pct"] = "no kept show tells how clear the voice is in it; check's report does"
    if levels is None:
        reasons["sti"] = (
            'nobody knows how loud speech is at the seat; measure it and add --speech, like --speech "70 dBA"'
        )
    elif levels.noise_db_spl is None:
        reasons["noise"] = _no_noise(seat)
    return words_path(
        seat=seat.seat, transfer=seat.transfer, sti_room=seat.sti_room, levels=levels, feed=feed, not_measured=reasons
    )


def _noise_dbfs(seat: SeatRoom) -> list[float] | None:
    """Noise of a seat by octave; None where an octave has none."""
    levels = [octave.noise_dbfs for octave in seat.octaves]
    return None if any(level is None for level in levels) else [float(level) for level in levels if level is not None]


def _offsets_db(house: HouseFile, memory: SeatMemory, measured_at: str) -> dict[str, float]:
    """Seat to the sound pressure level of full scale, where its microphone is calibrated."""
    offsets_db = {}
    for source in house.seat:
        calibration = memory.calibrations.get(source.name)
        held = applied(
            calibration, preamp_db=source.preamp_db, pad_db=source.pad_db, own_noise_dba=None, date=measured_at
        )
        if calibration is not None:
            offsets_db[source.name] = held.sensitivity.offset_db
    return offsets_db


def _kept_speech_dba(memory: SeatMemory) -> dict[str, float]:
    """Seat to the level of speech in its newest kept week that tells it, by a calibrated microphone."""
    levels_dba = {}
    for seat, weeks in memory.weeks.items():
        for week in weeks:
            level_dba = (week.content.get("levels_db") or {}).get("speech") if week.content.get("calibrated") else None
            if isinstance(level_dba, int | float):
                levels_dba[seat] = float(level_dba)
                break
    return levels_dba


def _levels(
    seats: Sequence[SeatRoom],
    options: RoomOptions,
    offsets_db: Mapping[str, float],
    kept_speech_dba: Mapping[str, float],
) -> dict[str, SpeechAndNoise]:
    """Seat to the levels of speech and noise, as far as they are known; without those where nobody knows how loud speech is."""
    levels = {}
    for seat in seats:
        speech_dba = options.speech_dba if options.speech_dba is not None else kept_speech_dba.get(seat.seat)
        if speech_dba is None:
            continue
        recorded, noise_dba = _noise_dbfs(seat), options.noise_dba
        noise_db_spl, basis = None, None
        if recorded is not None and noise_dba is not None:
            noise_db_spl, basis = noise_of_level(recorded, noise_dba), "stated"
        elif recorded is not None and seat.seat in offsets_db:
            (noise_db_spl, noise_dba), basis = noise_of_sensitivity(recorded, offsets_db[seat.seat]), "calibrated"
        levels[seat.seat] = SpeechAndNoise(
            speech_dba=speech_dba,
            noise_db_spl=noise_db_spl,
            noise_dba=None if noise_db_spl is None else noise_dba,
            noise_basis=basis,  # type: ignore[arg-type] # one of the two words above
        )
    return levels


def _no_noise(seat: SeatRoom) -> str:
    """Reason why noise does not count."""
    if _noise_dbfs(seat) is None:
        return "there is too little silence in front of the sweeps; record from the start of the file"
    return "the microphone is not calibrated, and nobody said how loud the noise is; read it on a meter and add --noise"
