"""Sound in the house as people read it: levels at each seat, songs and speeches as a list, the limit, staff; and the picture of the list."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.standalone.too_loud import spoken_moment, window_words
from deskhand.report.drawing import escaped
from deskhand.report.words import text
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from deskhand.result import SeatResult
    from deskhand.seat.calibration import Calibration, SensitivityChange
    from deskhand.seat.exposure import SeatExposure, StaffExposure, StretchLevel
    from deskhand.seat.levels import LevelReadings

_ROW: Final = 24
"""Height of a row of the picture. Common practice, no source."""
_AXIS_LEFT, _AXIS_RIGHT, _WIDTH = 250, 560, 640
"""Room for the names at the left and the numbers at the right. Common practice, no source."""
_LEAST_RANGE_DB: Final = 30
"""Range of levels that a picture shows at least, so that half a decibel looks like one. Common practice, no source."""
_MOST_ROWS: Final = 40
"""Songs and speeches of a picture; an evening has fewer. Common practice, no source."""
_DAY_S: Final = 86400.0
"""Seconds of a day: arithmetic."""


def unit(exposure: SeatExposure) -> str:
    """Unit of A-weighted levels."""
    return text("seat.unit") if exposure.calibrated else text("seat.unit_relative")


def _level(value: float | None, exposure: SeatExposure, *, pm: bool = False) -> str:
    """Level with its unit, and its uncertainty where that is wanted."""
    if value is None:
        return "–"
    shown = f"{number(value, 1)} {unit(exposure)}"
    if pm and exposure.uncertainty_db is not None:
        shown += f" ± {number(exposure.uncertainty_db, 1)} dB"
    return shown


def _bare(value: float | None) -> str:
    """Level without its unit."""
    return "–" if value is None else number(value, 1)


def summary(exposure: SeatExposure) -> str:
    """Whole recording at a seat, in one line."""
    whole = exposure.whole
    if whole.laeq_db is None:
        return text("seat.refused", reason=whole.not_measured.get("laeq_db", ""))
    parts = [text("seat.at_least" if whole.at_least else "seat.whole", level=_level(whole.laeq_db, exposure, pm=True))]
    if exposure.songs_db is not None:
        parts.append(text("seat.songs", level=_level(exposure.songs_db, exposure)))
    if exposure.speech_db is not None:
        parts.append(text("seat.speech", level=_level(exposure.speech_db, exposure)))
    usual = exposure.whole_usual
    if usual is not None:
        parts.append(text("seat.usual", level=number(usual.expected_db, 1), kept=usual.kept))
    return ", ".join(parts) + "."


def small_print(readings: LevelReadings, exposure: SeatExposure) -> str:
    """Maxima and percentile levels, in small print."""
    suffix = "dB" if exposure.calibrated else text("seat.unit_relative")
    names = (("LAFmax", readings.lafmax_db), ("LASmax", readings.lasmax_db), ("LCpeak", readings.lcpeak_db))
    parts = [f"{name} {number(value, 1)}" for name, value in names if value is not None]
    parts += [f"LAF{share} {number(level_db, 1)}" for share, level_db in readings.exceeded_db.items()]
    reasons = {reason for name, reason in readings.not_measured.items() if name != "laeq_db"}
    line = f"{', '.join(parts)} {suffix}" if parts else ""
    return "; ".join([*([line] if line else []), *(text("seat.not_told", reason=reason) for reason in sorted(reasons))])


def limit_line(exposure: SeatExposure) -> str:
    """Standing against the house's limit, in one line; empty where none was chosen."""
    if exposure.limit_reason is not None:
        return text(f"seat.limit_{exposure.limit_reason.replace('-', '_')}")
    standing = exposure.limit
    if standing is None:
        return ""
    if standing.dose_pct is not None:
        line = text("seat.dose", limit=standing.name, dose=number(standing.dose_pct, 0))
    else:
        level = "–" if standing.level_db is None else number(standing.level_db, 1)
        line = text(
            "seat.limit",
            limit=standing.name,
            level=level,
            window=window_words(standing),
            most=number(standing.limit_db, 1),
        )
    if standing.passed_s is not None:
        return f"{line} {text('seat.passed', moment=spoken_moment(exposure, standing.passed_s))}"
    if standing.left_s is None:
        return f"{line} {text('seat.never', level=_bare(standing.present_db))}"
    if standing.left_s > _DAY_S:
        return line
    end_s = exposure.whole.to_s + standing.left_s
    return f"{line} {text('seat.left', level=_bare(standing.present_db), moment=spoken_moment(exposure, end_s))}"


def window_lines(exposure: SeatExposure) -> list[str]:
    """Loudest 15 minutes, and the half hours of the clock."""
    lines = []
    if exposure.quarter is not None:
        moment = spoken_moment(exposure, exposure.quarter.from_s)
        lines.append(text("seat.quarter", level=_level(exposure.quarter.laeq_db, exposure), moment=moment))
    if len(exposure.half_hours) > 1:
        listed = ", ".join(
            f"{spoken_moment(exposure, window.from_s)} {_bare(window.laeq_db)}" for window in exposure.half_hours
        )
        lines.append(text("seat.half_hours", listed=listed))
        if exposure.clock_s is None:
            lines.append(text("seat.no_clock"))
    return lines


def staff_line(person: StaffExposure) -> str:
    """Exposure of a person, in one line."""
    if person.lex_8h_db is None or person.uncertainty_db is None:
        return text("seat.staff_refused", name=person.name, reason=person.not_measured)
    times = f"{clock(person.from_s)}–{clock(person.to_s)}"
    line = text(
        "seat.staff",
        name=person.name,
        times=times,
        level=number(person.lex_8h_db, 1),
        pm=number(person.uncertainty_db, 1),
    )
    if person.week_db is not None:
        line += " " + text("seat.staff_week", shows=person.week_shows, level=number(person.week_db, 1))
    return line


def stretch_name(stretch: StretchLevel) -> str:
    """Name of a song, or what it is."""
    return stretch.name or text(f"seat.kind_{stretch.kind}")


def stretch_rows(exposure: SeatExposure) -> list[tuple[str, str, str, str]]:
    """Name, time, level and usual level of each song and speech."""
    rows = []
    for stretch in exposure.stretches:
        readings = stretch.readings
        usual = "" if stretch.usual is None else number(stretch.usual.expected_db, 1)
        times = f"{clock(readings.from_s)}–{clock(readings.to_s)}"
        rows.append((stretch_name(stretch), times, _level(readings.laeq_db, exposure), usual))
    return rows


def evening_picture(exposure: SeatExposure) -> str:
    """Songs and speeches one below the other, each with a dot at its level, a bar to what is usual, and the house's limit; SVG."""
    rows = [stretch for stretch in exposure.stretches if stretch.readings.laeq_db is not None][:_MOST_ROWS]
    if not rows:
        return ""
    levels = [stretch.readings.laeq_db or 0.0 for stretch in rows]
    highs = [stretch.usual.high_db for stretch in rows if stretch.usual is not None]
    limit_db = _limit_at_seat(exposure)
    marks = [*levels, *highs, *([] if limit_db is None else [limit_db])]
    high = 5.0 * (max(marks) // 5.0 + 1.0)
    low = min(5.0 * (min(marks) // 5.0), high - _LEAST_RANGE_DB)

    def x_of(level_db: float) -> float:
        return _AXIS_LEFT + (level_db - low) / (high - low) * (_AXIS_RIGHT - _AXIS_LEFT)

    height = _ROW * (len(rows) + 1) + 8
    label = escaped(text("seat.picture", seat=exposure.seat))
    parts = [f'<svg viewBox="0 0 {_WIDTH} {height}" role="img" aria-label="{label}">']
    for mark in range(int(low), int(high) + 1, 10):
        x = x_of(mark)
        parts.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="4" y2="{height - _ROW}"/>')
        parts.append(f'<text x="{x:.1f}" y="{height - 8}" text-anchor="middle">{number(mark, 0)}</text>')
    if limit_db is not None:
        x = x_of(limit_db)
        parts.append(f'<line class="nominal" x1="{x:.1f}" x2="{x:.1f}" y1="4" y2="{height - _ROW}"/>')
    for index, stretch in enumerate(rows):
        y = _ROW * (index + 0.5) + 4
        parts += _picture_row(
            stretch,
            y,
            x_of(levels[index]),
            None if stretch.usual is None else (x_of(stretch.usual.expected_db), x_of(stretch.usual.high_db)),
        )
    return "".join([*parts, "</svg>"])


def _picture_row(stretch: StretchLevel, y: float, x: float, usual: tuple[float, float] | None) -> list[str]:
    """Row of the picture: when, what, how loud."""
    readings = stretch.readings
    name = stretch_name(stretch)
    shown = name if len(name) <= 22 else f"{name[:21]}…"
    parts = [
        f'<text x="0" y="{y + 4:.1f}">{clock(readings.from_s)}</text>',
        f'<text class="nominal-word" x="60" y="{y + 4:.1f}">{escaped(shown)}</text>',
    ]
    if usual is not None:
        parts.append(
            f'<line class="range" x1="{usual[0] - (usual[1] - usual[0]):.1f}" x2="{usual[1]:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>'
        )
    dot = "dot-new" if stretch.kind == "song" else "dot"
    parts.append(f'<circle class="{dot}" cx="{x:.1f}" cy="{y:.1f}" r="5"/>')
    parts.append(f'<text x="{_WIDTH}" y="{y + 4:.1f}" text-anchor="end">{number(readings.laeq_db or 0.0, 1)}</text>')
    return parts


def _limit_at_seat(exposure: SeatExposure) -> float | None:
    """Level of the house's limit as it reads at the seat, for a limit of a window; None where there is none."""
    standing = exposure.limit
    if standing is None or standing.dose_pct is not None or standing.offset_db is None:
        return None
    return standing.limit_db - standing.offset_db


def _asked(question: str, answer: str) -> str:
    """Answer with the question that it belongs to."""
    return f"{text(f'seat.{question}')} {answer}"


def seat_notes(exposure: SeatExposure) -> list[str]:
    """Notes on a seat: its calibration, and what has to be said of it."""
    notes = []
    if exposure.calibrated and exposure.calibrated_at is not None:
        notes.append(text("seat.calibrated", microphone=exposure.microphone, date=exposure.calibrated_at[:10]))
    return [*notes, *exposure.notes]


def seat_lines(seat: SeatResult) -> list[str]:
    """Everything about a seat that stands on the terminal, a line each."""
    exposure = seat.exposure
    lines = [_asked("too_loud", summary(exposure)), *window_lines(exposure)]
    if line := limit_line(exposure):
        lines.append(_asked("too_long", line))
    lines += [finding.text for finding in seat.findings]
    lines += [staff_line(person) for person in exposure.staff]
    return [*lines, *seat_notes(exposure)]


def seat_cards(seats: Sequence[SeatResult]) -> list[dict[str, object]]:
    """Parts of the section on the sound in the house, for the templates."""
    return [
        {
            "name": seat.exposure.seat,
            "summary": _asked("too_loud", summary(seat.exposure)),
            "lines": [
                *([_asked("too_long", line)] if (line := limit_line(seat.exposure)) else []),
                *window_lines(seat.exposure),
            ],
            "legend": text("seat.picture_legend" if seat.exposure.calibrated else "seat.picture_legend_plain"),
            "findings": seat.findings,
            "picture": evening_picture(seat.exposure),
            "rows": stretch_rows(seat.exposure),
            "small": small_print(seat.exposure.whole, seat.exposure),
            "staff": [staff_line(person) for person in seat.exposure.staff],
            "notes": seat_notes(seat.exposure),
        }
        for seat in seats
    ]


def print_seats(seats: Sequence[SeatResult], console: Console) -> None:
    """Print the sound in the house at each seat, and the caution that belongs to it."""
    from rich.text import Text

    for seat in seats:
        console.print(Text(f"{text('seat.heading')}, {seat.exposure.seat}:"), style="bold")
        for name, times, level, usual in stretch_rows(seat.exposure):
            expected = f", {text('seat.column_usual')} {usual}" if usual else ""
            console.print(Text(f"  {times}  {name}: {level}{expected}"))
        for line in seat_lines(seat):
            console.print(Text(f"  {line}"), soft_wrap=True)
        console.print()
    if seats:
        console.print(Text(text("week.estimate")), soft_wrap=True)
        console.print()


def calibration_lines(
    calibration: Calibration, change: SensitivityChange | None, *, earlier: int, history: str
) -> list[str]:
    """Calibration as it is told, a line each: the tone, what it ties together, how surely, and the change since the last one.

    Parameters
    ----------
    calibration : Calibration
    change : SensitivityChange or None
        Since the last one; None where it cannot be told.
    earlier : int
        Calibrations of this microphone before.
    history : str
        File or server, for people.
    """
    tone = text(
        "seat.tone", microphone=calibration.microphone, level=number(calibration.level_db), hz=number(calibration.frequency_hz),
        dbfs=number(calibration.tone_dbfs), range=number(calibration.range_db, 2), distortion=number(calibration.distortion_pct, 2),
    )  # fmt: skip
    full_db = number(calibration.level_db - calibration.tone_dbfs)
    lines = [
        tone,
        text(
            "seat.tied",
            full=full_db,
            pm=number(calibration.uncertainty_db, 1),
            date=calibration.measured_at[:10],
            history=history,
        ),
    ]
    gain_db = calibration.preamp_db
    lines.append(text("seat.no_gain") if gain_db is None else text("seat.gain", gain=number(gain_db)))
    if change is not None:
        name = "seat.drifted" if change.is_large else "seat.steady"
        lines.append(text(name, change=number(change.change_db, 2), since=change.since[:10]))
    elif earlier:
        lines.append(text("seat.drift_untold"))
    return [*lines, text("week.estimate")]


def live_line(exposure: SeatExposure) -> str:
    """Level of the last minutes and of the evening so far, and when the limit is reached, in one line."""
    whole = exposure.whole
    if whole.laeq_db is None:
        return f"{exposure.seat}: {summary(exposure)}"
    parts = [f"{exposure.seat}: LAeq {_level(whole.laeq_db, exposure)}"]
    if exposure.stretches:
        last = exposure.stretches[-1]
        parts.append(f"{stretch_name(last)} {_level(last.readings.laeq_db, exposure)}")
    return ", ".join(parts) + (f". {line}" if (line := limit_line(exposure)) else "")
