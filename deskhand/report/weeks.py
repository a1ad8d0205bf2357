"""The weeks so far, as a table at a terminal, as CSV, and as a page with a picture of each number."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.weeks import crept, pace_text
from deskhand.report.page import compiled, environment
from deskhand.report.words import explained, text
from deskhand.units import number
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from deskhand.baseline.weeks import Course

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 640, 180, 68, 10, 10, 26
_SHOWN_WEEKS: Final = 12
"""Weeks of the table at a terminal: a season, on one screen. Common practice, no source."""
_DATE_WIDTH: Final = 190.0
"""Room for a date on a small screen, where letters are larger. Common practice, no source."""
_MOST_BAND: Final = 0.6
"""Share of the picture's height that the normal range takes at most. Common practice, no source."""
_MARGIN: Final = 0.06
"""Empty share of the picture above and below. Common practice, no source."""


def _trend(course: Course) -> str:
    """Trend of a number over the weeks, in words."""
    if course.chart is None:
        return phrase("too few to tell")
    if not course.chart.drifted:
        return phrase("steady")
    pace = pace_text(course.number, course.chart)
    return crept(course.number, course.chart) + (f" ({pace})" if pace else "")


def _capital(label: str) -> str:
    """Label as it begins a heading."""
    return f"{label[0].upper()}{label[1:]}"


def _creeping(courses: Sequence[Course]) -> list[Course]:
    """Courses of numbers that creep; of a tone the one that has gone farthest, since neighbouring octaves go together."""
    drifted = [course for course in courses if course.chart is not None and course.chart.drifted]
    farthest = max((course for course in drifted if course.number.is_of_tone), key=_gone, default=None)
    return [course for course in drifted if not course.number.is_of_tone or course is farthest]


def _gone(course: Course) -> float:
    """Length of the way a number has crept, in just noticeable differences."""
    return 0.0 if course.chart is None else abs(course.chart.line[1] - course.chart.line[0]) / course.number.jnd


def _against(courses: Sequence[Course]) -> str:
    """Weeks that say where a source's numbers were, in words; empty where none is charted."""
    charted = next((course for course in courses if course.chart is not None), None)
    if charted is None:
        return ""
    first, last = (take.date or take.show for take in charted.measured_against)
    return text("weeks.against", first=first, last=last)


def print_overview(by_source: dict[str, list[Course]], console: Console) -> None:
    """One line a source: how many takes, its newest level, and what creeps."""
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2))
    for name in ("source", "kept", "level, newest", "usual", "what creeps"):
        table.add_column(name, no_wrap=name != "what creeps")
    table.add_row(*(Text(word, "dim") for word in map(phrase, ("source", "kept", "level", "usual", "what creeps"))))
    for source, courses in by_source.items():
        level = next((course for course in courses if course.number.name == "level"), None)
        creeping = [f"{phrase(course.number.label)} {_trend(course)}" for course in _creeping(courses)]
        enough = any(course.chart is not None for course in courses)
        table.add_row(
            Text(source),
            Text(str(max((course.values.size for course in courses), default=0))),
            Text("–" if level is None else f"{number(float(level.values[-1]), 1)} dBFS"),
            Text("–" if level is None else f"{number(level.usual, 1)} dBFS"),
            Text("; ".join(creeping) or phrase("nothing" if enough else "too few to tell")),
        )
    console.print(table)


def print_source(courses: Sequence[Course], console: Console) -> None:
    """Each number of a source with its normal range and its course, then the newest weeks."""
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2))
    for _ in range(5):
        table.add_column()
    table.add_row(
        *(
            Text(word, "dim")
            for word in map(phrase, ("number", "newest", "usual", "normal from … to", "over the weeks"))
        )
    )
    for course in courses:
        table.add_row(
            Text(f"{phrase(course.number.label)}, {phrase(course.number.unit)}"),
            Text(course.number.told(float(course.values[-1]))),
            Text(course.number.told(course.usual)),
            Text(f"{course.number.told(course.low)} … {course.number.told(course.high)}"),
            Text(_trend(course)),
        )
    console.print(table)
    if against := _against(courses):
        console.print(Text(against, "dim"))
    console.print()
    # eight octaves are in the CSV and on the page: beside all else they are wider than a screen
    rows = table_rows([course for course in courses if not course.number.is_of_tone])
    table = Table.grid(padding=(0, 2))
    for _ in rows[0]:
        table.add_column(no_wrap=True)
    table.add_row(*(Text(word, "dim") for word in rows[0]))
    for row in rows[1:][-_SHOWN_WEEKS:]:
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)
    if len(rows) - 1 > _SHOWN_WEEKS:
        console.print(
            Text(phrase("({count} older ones: see --csv or --page)", count=len(rows) - 1 - _SHOWN_WEEKS), "dim")
        )


def table_rows(courses: Sequence[Course]) -> list[list[str]]:
    """A header and a row for each take: date or show, player, and each number of one source where it was read."""
    takes = {take.id: take for course in courses for take in course.takes}
    order = sorted(takes, key=lambda take_id: (takes[take_id].date or takes[take_id].kept_at, take_id))
    player = {take.id: name for course in courses for take, name in zip(course.takes, course.players, strict=True)}
    values = [
        {take.id: float(value) for take, value in zip(course.takes, course.values, strict=True)} for course in courses
    ]
    rows = [["show", "player", *(course.number.name for course in courses)]]
    for take in order:
        cells = [takes[take].date or takes[take].show, player.get(take) or ""]
        for course, course_values in zip(courses, values, strict=True):
            value = course_values.get(take)
            cells.append("" if value is None else course.number.told(value))
        rows.append(cells)
    return rows


def to_csv(by_source: dict[str, list[Course]]) -> str:
    """Every number of every take: source, date, show, player, number, value, unit; one a row."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(["source", "date", "show", "player", "number", "value", "unit"])
    for source, courses in by_source.items():
        for course in courses:
            unit = course.number.unit
            for take, player, value in zip(course.takes, course.players, course.values, strict=True):
                row = (source, take.date or "", take.show, player or "", course.number.metric, f"{value:.6g}", unit)
                writer.writerow([_harmless(cell) for cell in row])
    return buffer.getvalue()


def _harmless(cell: str) -> str:
    """A name that a spreadsheet would take for a formula gets an apostrophe; numbers stay as they are."""
    try:
        float(cell)
    except ValueError:
        return f"'{cell}" if cell and cell[0] in "=+-@\t\r" else cell
    return cell


@dataclass(frozen=True, slots=True)
class _Scale:
    """Mapping of weeks and values to places in the picture of a number."""

    last_week: float
    low: float
    high: float

    def x(self, week: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * week / self.last_week

    def y(self, value: float) -> float:
        return _TOP + (self.high - value) / (self.high - self.low) * (_HEIGHT - _TOP - _BOTTOM)


def _date_labels(course: Course, scale: _Scale) -> list[str]:
    """Dates below the picture: of the first take, the last, and one between where there is room."""
    labels = []
    ends = [0, course.values.size - 1] if course.values.size > 1 else [0]
    middle = int(np.argmin(np.abs(course.weeks - 0.5 * scale.last_week)))
    middle_x = scale.x(float(course.weeks[middle]))
    has_room = min(middle_x - _LEFT, _WIDTH - _RIGHT - middle_x) >= _DATE_WIDTH
    for index in [*ends, middle] if has_room else ends:
        date = course.takes[index].date
        anchor = "middle" if index == middle and has_room else "start" if index == 0 else "end"
        labels.append(
            f'<text x="{scale.x(float(course.weeks[index])):.1f}" y="{_HEIGHT - 6}" text-anchor="{anchor}">'
            f"{escape(date or '')}</text>"
        )
    return labels


def _chart_lines(course: Course, scale: _Scale) -> list[str]:
    """Control limits and moving average of a number's chart."""
    chart = course.chart
    if chart is None:
        return []
    lines = []
    for values, kind in (
        (chart.low, 'class="nominal" fill="none"'),
        (chart.high, 'class="nominal" fill="none"'),
        (chart.average, 'class="average"'),
    ):
        points = " ".join(
            f"{scale.x(float(week)):.1f},{scale.y(course.number.from_scale(float(value))):.1f}"
            for week, value in zip(course.weeks, values, strict=True)
        )
        lines.append(f'<polyline {kind} points="{points}"/>')
    return lines


def _take_marks(course: Course, scale: _Scale) -> list[str]:
    """A dot for each take, or a square where it lies outside the normal range."""
    marks = []
    for week, value, take, player in zip(course.weeks, course.values, course.takes, course.players, strict=True):
        text = f"{take.date or take.show}: {course.number.told(float(value))} {phrase(course.number.unit)}"
        text += f", {player}" if player else ""
        x, y = scale.x(float(week)), scale.y(float(value))
        title = f"<title>{escape(text)}</title>"
        marks.append(
            f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="3">{title}</circle>'
            if course.low <= value <= course.high
            else f'<rect class="dot-out" x="{x - 3.5:.1f}" y="{y - 3.5:.1f}" width="7" height="7">{title}</rect>'
        )
    return marks


def course_picture(course: Course) -> str:
    """A number over the weeks: takes as dots, their moving average, the control limits, and the normal range as a band."""
    chart, reading = course.chart, course.number
    values = [*course.values, course.low, course.high]
    if chart is not None:
        values += [reading.from_scale(float(value)) for value in (*chart.low, *chart.high)]
    low, high = float(np.min(values)), float(np.max(values))
    margin = _MARGIN * (high - low) or 1.0
    low, high = low - margin, high + margin
    # a band that fills the picture shows nothing of where it ends
    missing = (course.high - course.low) / _MOST_BAND - (high - low)
    low, high = low - 0.5 * max(missing, 0.0), high + 0.5 * max(missing, 0.0)
    scale = _Scale(max(float(course.weeks[-1]), 1.0), low, high)
    alt_text = phrase(
        "{source}: {label} over {count} kept takes; {trend}",
        source=course.source,
        label=phrase(reading.label),
        count=course.values.size,
        trend=_trend(course),
    )
    band_top = scale.y(course.high)
    parts = [
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(alt_text, quote=True)}">',
        (
            f'<rect class="band" x="{_LEFT}" width="{_WIDTH - _LEFT - _RIGHT}" y="{band_top:.1f}" '
            f'height="{max(0.0, scale.y(course.low) - band_top):.1f}"/>'
        ),
    ]
    for value in (low + margin, 0.5 * (low + high), high - margin):
        y = scale.y(value)
        parts.append(f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{_LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{reading.told(value)}</text>')
    if course.nominal is not None:
        y = scale.y(course.nominal)
        parts.append(f'<line class="set-point" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(
            f'<text class="nominal-word" x="{_WIDTH - _RIGHT - 4}" y="{y - 4:.1f}" text-anchor="end">{phrase("nominal")}</text>'
        )
    parts += [*_date_labels(course, scale), *_chart_lines(course, scale), *_take_marks(course, scale), "</svg>"]
    return "".join(parts)


def course_cards(by_source: dict[str, list[Course]], *, whole: bool = True) -> list[dict[str, object]]:
    """Pictures of each source's numbers, and its takes; without `whole` only its level and what creeps."""
    cards: list[dict[str, object]] = []
    for source, courses in by_source.items():
        creeping = _creeping(courses)
        level = [course for course in courses if course.number.name == "level"]
        shown = courses if whole else list({id(course): course for course in (*level, *creeping)}.values())
        cards.append(
            {
                "source": source,
                "creeping": "; ".join(f"{phrase(course.number.label)} {_trend(course)}" for course in creeping),
                "against": _against(courses),
                "pictures": [
                    (
                        f"{_capital(phrase(course.number.label))}, {phrase(course.number.unit)}",
                        course_picture(course),
                        _trend(course),
                        explained("tone_db" if course.number.is_of_tone else course.number.metric) or "",
                    )
                    for course in shown
                ],
                "rows": table_rows(courses),
            }
        )
    return cards


def weeks_page(house: str, by_source: dict[str, list[Course]], set_aside: str = "") -> str:
    """The weeks as a page of its own, with a line on numbers that are set aside."""
    from importlib import resources

    template = resources.files("deskhand.report").joinpath("weeks.html.j2").read_text("utf-8")
    _, style = environment()
    return compiled(template).render(style=style, house=house, cards=course_cards(by_source), set_aside=set_aside)
