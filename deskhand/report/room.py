"""Room at the seats as text, as a page and as data: tables by seat, remarks in words, and the way of the words in one picture."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Final

from deskhand.findings.loudspeakers import day_words
from deskhand.report.page import compiled, environment
from deskhand.report.words import text
from deskhand.report.words_path import fixed, words_picture, words_text
from deskhand.result import plain
from deskhand.units import clock, hertz, number

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console

    from deskhand.seat.room import OctaveRoom, RoomRemark, SeatRoom
    from deskhand.seat.room_change import RoomChange, RoomComparison
    from deskhand.seat.room_result import RoomResult

_SPEECH_HZ: Final = (500.0, 1000.0)
"""Octaves whose mean stands for a seat in one number (ISO 3382-1:2009, A.4)."""
_NONE: Final = "–"
_LEAST_DISTORTION_DB: Final = -60.0
"""Distortion that is shown: 0.1 %; the sweep's own ends leave -80 dB. Common practice, no source."""
_LIMITS: Final = (
    "What this does not tell: the index is of spoken words through the loudspeakers, at these microphones, with as many people in the room as "
    "were there; sung words, other seats, echoes from far walls and a lit face are not in it. Clearance and the index are two scales: they "
    "stand beside each other and are not added up."
)
_REMARKS: Final = {
    "clipped": "Clipped at {times}: left out. Turn the microphone's preamp down before the next time.",
    "unlike": "The sweep at {times} sounds unlike the others (a noise, or the microphone was moved): left out.",
    "hum": "Hum in the microphone's line covers the end of the decay at {octaves}: look at its cable and earth.",
    "distortion": "The loudspeakers distort at {octaves}: up to {percent} %. Play it quieter, or have the loudspeaker and its amplifier looked at.",
    "compressed": "At {octaves} the loud sweeps lack up to {value} dB: a limiter or an amplifier holds them back.",
    "clock": "Player and recorder have clocks of their own, {value} ppm apart: allowed for.",
    "played-again": "The file was played more than once: the last whole playing is used.",
}
_MISSING: Final = {"sti": "Index with noise", "noise": "Noise", "audible_pct": "The feed"}
_CHANGES: Final = {
    "t20_s": "reverberation",
    "c80_db": "clarity C80",
    "sti_room": "speech transmission index of the room",
}


def _octave_words(octaves_hz: Sequence[float]) -> str:
    """Octaves as people say them: one, two, or from the lowest to the highest."""
    if len(octaves_hz) <= 2:
        return " and ".join(hertz(octave_hz) for octave_hz in octaves_hz)
    return f"{hertz(octaves_hz[0])} to {hertz(octaves_hz[-1])}"


def remark_text(remark: RoomRemark) -> str:
    """Remark as a sentence."""
    value = remark.value or 0.0
    return _REMARKS[remark.kind].format(
        times=", ".join(clock(moment_s) for moment_s in remark.at_s),
        octaves=_octave_words(remark.octaves_hz),
        value=number(value, 1),
        percent=number(100.0 * 10.0 ** (value / 20.0), 0),
    )


def change_text(seat: str, comparison: RoomComparison) -> str:
    """Change of a seat since its kept measurement as a sentence."""
    since = day_words(comparison.measured_at)
    if not comparison.changes:
        return f"{seat}: nothing that anybody would notice since {since} ({comparison.compared} numbers compared)."
    by_name: dict[str, list[RoomChange]] = {}
    for change in comparison.changes:
        by_name.setdefault(change.name, []).append(change)
    return f"{seat}, since {since}: " + "; ".join(_changes(name, changes) for name, changes in by_name.items()) + "."


def _changes(name: str, changes: Sequence[RoomChange]) -> str:
    """Changes of one number in words: each value, what it was, and where."""
    digits, unit = {"t20_s": (2, " s"), "c80_db": (1, " dB"), "sti_room": (2, "")}[name]
    parts = []
    for change in changes:
        where = f" at {_octave_words(change.octaves_hz)}" if change.octaves_hz else ""
        parts.append(f"{fixed(change.value, digits)}{unit} (was {fixed(change.before, digits)}){where}")
    return f"{_CHANGES[name]} {', '.join(parts)}"


def _mean(octaves: Sequence[OctaveRoom], name: str) -> float | None:
    """Mean of a number at 500 Hz and 1 kHz; None where one is missing."""
    values = [getattr(octave, name) for octave in octaves if octave.octave_hz in _SPEECH_HZ]
    return None if any(value is None for value in values) else sum(values) / len(values)


def _cell(value: float | None, digits: int) -> str:
    return _NONE if value is None else fixed(value, digits)


def octave_table(
    seats: Sequence[SeatRoom], value_of: Callable[[OctaveRoom], float | None], digits: int
) -> list[list[str]]:
    """Head and rows of a table by seat and octave."""
    head = ["", *(hertz(octave.octave_hz).removesuffix(" Hz") for octave in seats[0].octaves)]
    return [head, *([seat.seat, *(_cell(value_of(octave), digits) for octave in seat.octaves)] for seat in seats)]


def speech_table(result: RoomResult, seats: Sequence[SeatRoom]) -> list[list[str]]:
    """Head and rows of the numbers for speech and music, one a seat."""
    paths = {path.seat: path for path in result.words}
    rows = [["", "STI, room", "STI, all", "C50 dB", "D50 %", "C80 dB", "Ts ms", "EDT s"]]
    for seat in seats:
        d50, ts_s = _mean(seat.octaves, "d50"), _mean(seat.octaves, "ts_s")
        rows.append(
            [
                seat.seat,
                _cell(seat.sti_room, 2),
                _cell(paths[seat.seat].sti, 2),
                _cell(_mean(seat.octaves, "c50_db"), 1),
                _cell(None if d50 is None else 100.0 * d50, 0),
                _cell(_mean(seat.octaves, "c80_db"), 1),
                _cell(None if ts_s is None else 1000.0 * ts_s, 0),
                _cell(_mean(seat.octaves, "edt_s"), 2),
            ]
        )
    return rows


def _heard_distortion(octave: OctaveRoom) -> float | None:
    """Distortion of an octave; None where it is too little to matter."""
    value = octave.distortion_db
    return value if value is not None and value > _LEAST_DISTORTION_DB else None


def tables(result: RoomResult) -> list[tuple[str, list[list[str]]]]:
    """Title and rows of every table."""
    seats = [seat for seat in result.seats if seat.refused is None]
    if not seats:
        return []
    titled = [
        ("Speech and music, one number a seat (mean of 500 Hz and 1 kHz)", speech_table(result, seats)),
        ("Reverberation time T20 in s, by octave in Hz", octave_table(seats, lambda octave: octave.t20_s, 2)),
        ("Clarity C80 in dB, by octave in Hz", octave_table(seats, lambda octave: octave.c80_db, 1)),
    ]
    if any(_heard_distortion(octave) is not None for seat in seats for octave in seat.octaves):
        titled.append(
            ("Distortion in dB against the fundamental, by octave in Hz", octave_table(seats, _heard_distortion, 0))
        )
    return titled


def reasons(seat: SeatRoom) -> list[str]:
    """Reasons for what is missing at a seat, octaves with the same one together."""
    if seat.refused is not None:
        return [f"{seat.seat}: not told, {seat.refused}."]
    by_reason: dict[tuple[str, str], list[float]] = {}
    for octave in seat.octaves:
        for name in ("t20_s", "c80_db"):
            if name in octave.not_measured:
                by_reason.setdefault((name, octave.not_measured[name]), []).append(octave.octave_hz)
    labels = {"t20_s": "reverberation", "c80_db": "clarity"}
    texts = [
        f"{seat.seat}, {labels[name]} at {_octave_words(octaves_hz)}: not told, {reason}."
        for (name, reason), octaves_hz in by_reason.items()
    ]
    return texts + [f"{seat.seat}, index of the room: not told, {reason}." for reason in seat.not_measured.values()]


def notes(result: RoomResult) -> list[str]:
    """Everything that is to be known beside the tables, a line each."""
    lines = []
    for seat in result.seats:
        lines += reasons(seat)
        lines += [f"{seat.seat}: {remark_text(remark)}" for remark in seat.remarks]
    missing: dict[str, list[str]] = {}
    for path in result.words:
        for name in ("sti", "noise", "audible_pct"):
            if name in path.not_measured:
                missing.setdefault(f"{_MISSING[name]}: {path.not_measured[name]}.", []).append(path.seat)
    everywhere = len(result.words)
    lines += [line if len(seats) == everywhere else f"{', '.join(seats)}. {line}" for line, seats in missing.items()]
    return lines


def has_levels(result: RoomResult) -> bool:
    """True where a sound level is shown."""
    return any(path.speech_dba is not None for path in result.words)


def print_room(result: RoomResult, console: Console) -> None:
    """Print the room for people."""
    from rich.table import Table
    from rich.text import Text

    title = f"{result.house or 'No house file'}, {result.recording}, {result.measured_at}"
    console.print(Text(title), style="dim")
    for note in result.notes:
        console.print(Text(f"note: {note}"), style="dim")
    console.print()
    if result.words:
        console.print(Text("Do the words arrive?"), style="bold")
        for path in result.words:
            console.print(Text(f"  {words_text(path)}"))
        console.print()
    for label, rows in tables(result):
        console.print(Text(label), style="bold")
        table = Table(box=None, pad_edge=False, show_header=True, header_style="dim")
        for column, head in enumerate(rows[0]):
            table.add_column(Text(head), justify="right" if column else "left", no_wrap=bool(column))
        for row in rows[1:]:
            table.add_row(*map(Text, row))
        console.print(table)
        console.print()
    for line in notes(result):
        console.print(Text(line))
    if result.since:
        console.print()
        console.print(Text("Since the last time:"), style="bold")
        for seat, comparison in result.since.items():
            console.print(Text(f"  {change_text(seat, comparison)}"))
    console.print()
    console.print(Text(_LIMITS), style="dim")
    if has_levels(result):
        console.print(Text(text("week.estimate")), style="dim")


def page(result: RoomResult) -> str:
    """Page as HTML text."""
    from importlib import resources

    template = resources.files("deskhand.report").joinpath("room.html.j2").read_text("utf-8")
    _, style = environment()
    return compiled(template).render(
        style=style,
        result=result,
        words=[(words_text(path), words_picture(path)) for path in result.words],
        tables=tables(result),
        notes=notes(result),
        since=[change_text(seat, comparison) for seat, comparison in result.since.items()],
        limits=_LIMITS,
        has_levels=has_levels(result),
    )


def to_json(result: RoomResult) -> str:
    """Result as JSON text; the same result gives the same bytes."""
    return json.dumps(plain(result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
