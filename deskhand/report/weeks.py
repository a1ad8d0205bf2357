"""The weeks so far, as a table at a terminal, as CSV, and as a page with a picture of each number."""

from __future__ import annotations

import csv
import io
from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.reference.weeks import crept
from deskhand.report.page import environment
from deskhand.report.words import explained
from deskhand.units import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from deskhand.reference.weeks import Course

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _BOTTOM = 640, 180, 68, 10, 10, 26
_SHOWN_WEEKS: Final = 12
_DATE_WIDTH: Final = 190.0
"""Room for a date on a small screen, where letters are larger."""


def _trend(course: Course) -> str:
    """What the chart says, in words."""
    if course.chart is None:
        return "too few to tell"
    return crept(course.number, course.chart) if course.chart.drifted else "steady"


def print_overview(by_source: dict[str, list[Course]], console: Console) -> None:
    """One line a source: how many takes, its newest level, and what creeps."""
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2))
    for name in ("source", "kept", "level, newest", "usual", "what creeps"):
        table.add_column(name, no_wrap=name != "what creeps")
    table.add_row(*(Text(word, "dim") for word in ("source", "kept", "level", "usual", "what creeps")))
    for source, courses in by_source.items():
        level = next((course for course in courses if course.number.name == "level"), None)
        creeping = [
            f"{one.number.label} {_trend(one)}" for one in courses if one.chart is not None and one.chart.drifted
        ]
        enough = any(one.chart is not None for one in courses)
        table.add_row(
            Text(source),
            Text(str(max((one.values.size for one in courses), default=0))),
            Text("–" if level is None else f"{number(float(level.values[-1]), 1)} dBFS"),
            Text("–" if level is None else f"{number(level.usual, 1)} dBFS"),
            Text("; ".join(creeping) or ("nothing" if enough else "too few to tell")),
        )
    console.print(table)


def print_source(courses: Sequence[Course], console: Console) -> None:
    """Each number of a source with its normal range and its course, then the newest weeks."""
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2))
    for _ in range(5):
        table.add_column()
    table.add_row(*(Text(word, "dim") for word in ("number", "newest", "usual", "normal from … to", "over the weeks")))
    for course in courses:
        table.add_row(
            Text(f"{course.number.label}, {course.number.unit}"),
            Text(course.number.told(float(course.values[-1]))),
            Text(course.number.told(course.usual)),
            Text(f"{course.number.told(course.low)} … {course.number.told(course.high)}"),
            Text(_trend(course)),
        )
    console.print(table)
    console.print()
    rows = table_rows(courses)
    table = Table.grid(padding=(0, 2))
    for _ in rows[0]:
        table.add_column(no_wrap=True)
    table.add_row(*(Text(word, "dim") for word in rows[0]))
    for row in rows[1:][-_SHOWN_WEEKS:]:
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)
    if len(rows) - 1 > _SHOWN_WEEKS:
        console.print(Text(f"({len(rows) - 1 - _SHOWN_WEEKS} older ones: see --csv or --page)", "dim"))


def table_rows(courses: Sequence[Course]) -> list[list[str]]:
    """A header and a row for each take: date or show, player, and each number of one source where it was read."""
    takes = {take.id: take for course in courses for take in course.takes}
    order = sorted(takes, key=lambda one: (takes[one].date or takes[one].kept_at, one))
    player = {take.id: name for course in courses for take, name in zip(course.takes, course.players, strict=True)}
    values = [
        {take.id: float(value) for take, value in zip(course.takes, course.values, strict=True)} for course in courses
    ]
    rows = [["show", "player", *(one.number.name for one in courses)]]
    for take in order:
        cells = [takes[take].date or takes[take].show, player.get(take) or ""]
        for course, own in zip(courses, values, strict=True):
            value = own.get(take)
            cells.append("" if value is None else course.number.told(value))
        rows.append(cells)
    return rows


def to_csv(by_source: dict[str, list[Course]]) -> str:
    """Every number of every take: source, date, show, player, number, value, unit; one a row."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["source", "date", "show", "player", "number", "value", "unit"])
    for source, courses in by_source.items():
        for course in courses:
            unit = course.number.unit
            for take, player, value in zip(course.takes, course.players, course.values, strict=True):
                row = (source, take.date or "", take.show, player or "", course.number.metric, f"{value:.6g}", unit)
                writer.writerow([_harmless(cell) for cell in row])
    return out.getvalue()


def _harmless(cell: str) -> str:
    """A name that a spreadsheet would take for a formula gets an apostrophe; numbers stay as they are."""
    try:
        float(cell)
    except ValueError:
        return f"'{cell}" if cell and cell[0] in "=+-@\t\r" else cell
    return cell


def course_picture(course: Course) -> str:
    """A number over the weeks: takes as dots, their moving average, the control limits, and the normal range as a band."""
    chart, scale = course.chart, course.number
    values = [*course.values, course.low, course.high]
    if chart is not None:
        values += [scale.from_scale(float(value)) for value in (*chart.low, *chart.high)]
    low, high = float(np.min(values)), float(np.max(values))
    room = 0.06 * (high - low) or 1.0
    low, high = low - room, high + room
    last = max(float(course.weeks[-1]), 1.0)

    def x(week: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * week / last

    def y(value: float) -> float:
        return _TOP + (high - value) / (high - low) * (_HEIGHT - _TOP - _BOTTOM)

    label = f"{course.source}: {scale.label} over {course.values.size} kept takes; {_trend(course)}"
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(label, quote=True)}">']
    parts.append(
        f'<rect class="band" x="{_LEFT}" width="{_WIDTH - _LEFT - _RIGHT}" y="{y(course.high):.1f}" '
        f'height="{max(0.0, y(course.low) - y(course.high)):.1f}"/>'
    )
    for value in (low + room, 0.5 * (low + high), high - room):
        parts.append(
            f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>'
        )
        parts.append(f'<text x="{_LEFT - 5}" y="{y(value) + 4:.1f}" text-anchor="end">{scale.told(value)}</text>')
    ends = [0, course.values.size - 1] if course.values.size > 1 else [0]
    middle = int(np.argmin(np.abs(course.weeks - 0.5 * last)))
    apart = min(x(float(course.weeks[middle])) - _LEFT, _WIDTH - _RIGHT - x(float(course.weeks[middle])))
    for place in [*ends, middle] if apart >= _DATE_WIDTH else ends:
        date = course.takes[place].date
        anchor = "middle" if place == middle and apart >= _DATE_WIDTH else "start" if place == 0 else "end"
        parts.append(
            f'<text x="{x(float(course.weeks[place])):.1f}" y="{_HEIGHT - 6}" text-anchor="{anchor}">{escape(date or "")}</text>'
        )
    if chart is not None:
        for line in (chart.low, chart.high):
            points = " ".join(
                f"{x(float(week)):.1f},{y(scale.from_scale(float(value))):.1f}"
                for week, value in zip(course.weeks, line, strict=True)
            )
            parts.append(f'<polyline class="nominal" fill="none" points="{points}"/>')
        points = " ".join(
            f"{x(float(week)):.1f},{y(scale.from_scale(float(value))):.1f}"
            for week, value in zip(course.weeks, chart.average, strict=True)
        )
        parts.append(f'<polyline class="average" points="{points}"/>')
    for week, value, take, player in zip(course.weeks, course.values, course.takes, course.players, strict=True):
        told = f"{take.date or take.show}: {scale.told(float(value))} {scale.unit}" + (f", {player}" if player else "")
        at, high_at = x(float(week)), y(float(value))
        title = f"<title>{escape(told)}</title>"
        parts.append(
            f'<circle class="dot" cx="{at:.1f}" cy="{high_at:.1f}" r="3">{title}</circle>'
            if course.low <= value <= course.high
            else f'<rect class="dot-out" x="{at - 3.5:.1f}" y="{high_at - 3.5:.1f}" width="7" height="7">{title}</rect>'
        )
    parts.append("</svg>")
    return "".join(parts)


def course_cards(by_source: dict[str, list[Course]], *, whole: bool = True) -> list[dict[str, object]]:
    """What a page shows of each source: pictures of its numbers, and its takes; without `whole` only what creeps."""
    out: list[dict[str, object]] = []
    for source, courses in by_source.items():
        creeping = [one for one in courses if one.chart is not None and one.chart.drifted]
        level = [one for one in courses if one.number.name == "level"]
        shown = courses if whole else list({id(one): one for one in (*level, *creeping)}.values())
        out.append(
            {
                "source": source,
                "said": "; ".join(f"{one.number.label} {_trend(one)}" for one in creeping),
                "pictures": [
                    (
                        f"{one.number.label[0].upper()}{one.number.label[1:]}, {one.number.unit}",
                        course_picture(one),
                        _trend(one),
                        explained(one.number.metric) or "",
                    )
                    for one in shown
                ],
                "rows": table_rows(courses),
            }
        )
    return out


def weeks_page(house: str, by_source: dict[str, list[Course]]) -> str:
    """The weeks as a page of its own."""
    from importlib import resources

    text = resources.files("deskhand.report").joinpath("weeks.html.j2").read_text("utf-8")
    engine, style = environment()
    return engine.from_string(text).render(style=style, house=house, cards=course_cards(by_source))
