"""`show.toml`, a small file beside a recording: its show, phase and tap, and the players."""

from __future__ import annotations

import datetime as dt
import itertools
import re
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, get_args

from deskhand.errors import HouseError, UsageError
from deskhand.files import write_atomically
from deskhand.recording.names import date_in
from deskhand.units import parse_clock

if TYPE_CHECKING:
    from collections.abc import Mapping

Phase = Literal["line-check", "rehearsal", "show"]
Tap = Literal["preamp", "after-gain", "after-chain"]
FILE_NAME: Final = "show.toml"
_KEYS: Final = ("name", "date", "start", "phase", "tap", "taps", "players", "songs", "keep")


_TIME_OF_DAY: Final = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowNote:
    """Note on the show a recording belongs to; None where nobody said."""

    name: str | None = None
    date: str | None = None
    """ISO 8601."""
    start_clock_s: float | None = None
    """Time of day at which the recording begins, in seconds after midnight."""
    phase: Phase | None = None
    tap: Tap | None = None
    taps: dict[str, Tap] = field(default_factory=dict)
    """Source to tap, where it differs from the take's."""
    players: dict[str, str] = field(default_factory=dict)
    """Source to player."""
    songs: tuple[tuple[str, float], ...] = ()
    """Songs and where each begins, in seconds from the start of the recording, in the order of time; one played twice stands twice."""
    keep: bool = False
    """True where somebody decided that the show is one of the house's good ones; an archive keeps those."""


def checked_choice(value: object, allowed: tuple[str, ...], where: str) -> str:
    """`value` when it is one of the allowed words.

    Raises
    ------
    HouseError
        It is not; the message lists what is.
    """
    if value not in allowed:
        raise HouseError(where, f"{value!r} is not known", f"use one of {', '.join(allowed)}")
    return str(value)


def checked_date(value: object, where: str) -> str:
    """A date as ISO 8601 text.

    Raises
    ------
    HouseError
        Not a date.
    """
    if isinstance(value, dt.date):
        return value.isoformat()[:10]
    try:
        return dt.date.fromisoformat(str(value)).isoformat()
    except ValueError as error:
        raise HouseError(where, f"{value!r} is not a date", "write it like 2026-03-01") from error


def clock_of_day_s(value: object, where: str) -> float:
    """Seconds after midnight of a time of day, such as "19:30".

    Raises
    ------
    HouseError
        Not a time of day.
    """
    moment = value if isinstance(value, dt.time) else None
    written = _TIME_OF_DAY.fullmatch(str(value).strip())
    if moment is None and written is not None:
        moment = dt.time(int(written[1]), int(written[2]), int(written[3] or 0))
    if moment is None:
        raise HouseError(where, f"{value!r} is not a time of day", 'write it like "19:30"')
    return moment.hour * 3600.0 + moment.minute * 60.0 + moment.second


def write_show_note(
    folder: Path, values: Mapping[str, str | None], *, players: Mapping[str, str] | None = None
) -> None:
    """Write values into the note beside a recording, its comments and other keys kept; None takes a key out.

    Parameters
    ----------
    folder : Path
    values : mapping
        "name", "date" (ISO 8601), "phase" or "tap" to its value.
    players : mapping, optional
        Source to who plays it; those that are not among them stay as they are.

    Raises
    ------
    HouseError
        What is there is no note, or what comes of it is none.
    UsageError
        It cannot be written.
    """
    import tomlkit

    read_show_note(folder)
    path = folder / FILE_NAME
    try:
        note = tomlkit.parse(path.read_text("utf-8-sig")) if path.is_file() else tomlkit.document()
    except OSError as error:
        raise UsageError(str(path), f"cannot be read ({error.strerror})", "check the disk and try again") from error
    for name, value in values.items():
        written = dt.date.fromisoformat(value) if name == "date" and value is not None else value
        if written is None:
            note.pop(name, None)
        else:
            note[name] = written
    if players:
        table = note.setdefault("players", tomlkit.table())
        for source, player in players.items():
            if table.get(source) != player:
                table[source] = player
    write_atomically(path, tomlkit.dumps(note))


def _table_of_text(value: object, where: str) -> dict[str, str]:
    if not isinstance(value, dict) or not all(isinstance(item, str) for item in value.values()):
        raise HouseError(where, "must be a table of names", 'write lines like "piano" = "Ana"')
    return {str(name): str(item) for name, item in value.items()}


def _songs(value: object, where: str) -> tuple[tuple[str, float], ...]:
    """Songs and where each begins, in the order of time.

    Raises
    ------
    HouseError
        No table of names and times, or two songs that begin at one time.
    """
    if not isinstance(value, dict):
        raise HouseError(where, "must be a table of songs and times", 'write lines like "Harbour lights" = "5:10"')
    begins = [
        (name, begin)
        for name, written in value.items()
        for begin in (written if isinstance(written, list) else [written])
    ]
    songs = sorted(
        ((name, _song_begin_s(begin, f'{where}, "{name}"')) for name, begin in begins), key=lambda song: song[1]
    )
    for (name, begin_s), (later, later_begin_s) in itertools.pairwise(songs):
        if begin_s == later_begin_s:
            raise HouseError(
                where, f'"{name}" and "{later}" begin at the same time', "write at which time each begins, like 5:10"
            )
    return tuple(songs)


def _song_begin_s(written: object, where: str) -> float:
    """Seconds into the recording at which a song begins.

    Raises
    ------
    HouseError
        It is no time.
    """
    fix = 'write when it begins, like "5:10", or ["5:10", "21:40"] for one played twice'
    if not isinstance(written, str):
        raise HouseError(where, f"{written!r} is not a time in quotation marks", fix)
    try:
        begin_s = parse_clock(written)
    except ValueError as error:
        raise HouseError(where, f"{written!r} is not a time", fix) from error
    if begin_s < 0:
        raise HouseError(where, f"{written!r} is before the start", fix)
    return begin_s


def read_show_note(folder: Path) -> ShowNote:
    """The note beside a recording; an empty one when there is no `show.toml`.

    Raises
    ------
    HouseError
        It is no TOML, or a key or value is unknown.
    """
    path = folder / FILE_NAME
    if not path.is_file():
        return ShowNote()
    try:
        data = tomllib.loads(path.read_text("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise HouseError(path.name, f"not readable as TOML ({error})", "mend that line") from error
    except OSError as error:
        raise HouseError(path.name, f"cannot be read ({error.strerror})", "check who may read it") from error
    for key in data:
        if key not in _KEYS:
            import difflib

            near = difflib.get_close_matches(key, _KEYS, 1)
            fix = f'did you mean "{near[0]}"?' if near else f"known keys are {', '.join(_KEYS)}"
            raise HouseError(path.name, f'unknown key "{key}"', fix)
    taps = _table_of_text(data.get("taps", {}), f"{path.name}, taps")
    note: dict[str, object] = {
        "players": _table_of_text(data.get("players", {}), f"{path.name}, players"),
        "taps": {name: checked_choice(tap, get_args(Tap), f"{path.name}, taps, {name}") for name, tap in taps.items()},
    }
    note["songs"] = _songs(data.get("songs", {}), f"{path.name}, songs")
    if not isinstance(data.get("keep", False), bool):
        raise HouseError(f"{path.name}, keep", f"{data['keep']!r} is neither yes nor no", "write: keep = true")
    note["keep"] = data.get("keep", False)
    if "name" in data:
        note["name"] = str(data["name"])
    if "date" in data:
        note["date"] = checked_date(data["date"], f"{path.name}, date")
    if "start" in data:
        note["start_clock_s"] = clock_of_day_s(data["start"], f"{path.name}, start")
    if "phase" in data:
        note["phase"] = checked_choice(data["phase"], get_args(Phase), f"{path.name}, phase")
    if "tap" in data:
        note["tap"] = checked_choice(data["tap"], get_args(Tap), f"{path.name}, tap")
    return ShowNote(**note)  # type: ignore[arg-type]


def show_note_of(recording: Path) -> ShowNote:
    """Note on the show of a recording; its date from the names of the folder and the files where the note has none.

    Parameters
    ----------
    recording : Path
        Folder or file.

    Raises
    ------
    HouseError
        Its `show.toml` is no TOML, or a key or value is unknown.
    """
    whole = recording.resolve()
    folder = whole if whole.is_dir() else whole.parent
    note = read_show_note(folder)
    if note.date is not None:
        return note
    if whole == folder:
        return replace(note, date=date_in(folder.name) or _evening_in(folder))
    return replace(note, date=date_in(whole.stem) or date_in(folder.name))


def _evening_in(folder: Path) -> str | None:
    """Evening on which a folder's files began, by the dates in their names; None where they are of several evenings.

    A recorder that begins a new file after midnight writes the next day's date into its name: the evening is the first of two days.
    """
    try:
        names = [path.name for path in folder.iterdir() if not path.name.startswith(".") and path.name != FILE_NAME]
    except OSError:
        return None  # whoever opens the recording says so
    days = sorted(dt.date.fromisoformat(date) for date in map(date_in, names) if date is not None)
    return days[0].isoformat() if days and days[-1] - days[0] <= dt.timedelta(days=1) else None
