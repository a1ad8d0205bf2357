"""Many houses on one page and at a terminal: inputs that drift, faults, and level by room, in rows."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from html import escape
from importlib import resources
from typing import TYPE_CHECKING, Final

from deskhand.report.page import compiled, environment
from deskhand.units import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.baseline.houses import InputDrift
    from deskhand.store.across import FaultCount, RoomMonth

_WIDTH, _HEIGHT, _LEFT = 640, 120, 60
_MOST_ROWS: Final = 12
"""Rows of a list at a terminal: with three lists one screen. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HousesAnswer:
    """Answers over all houses of a history."""

    drifts: Sequence[InputDrift]
    faults: Sequence[FaultCount]
    levels: Sequence[RoomMonth]


def house_text(house: str, room: str, desk: str) -> str:
    """House, with its room and its desk where these were named."""
    return ", ".join(name for name in (house, room, desk) if name)


def _place(of: InputDrift | FaultCount | RoomMonth) -> tuple[str, str, str]:
    """House, room and desk."""
    return of.house, of.room, of.desk


def drift_text(input_drift: InputDrift) -> str:
    """Line on an input that drifts."""
    words = "higher since" if input_drift.change_db > 0 else "lower since"
    return f"{input_drift.reading}: {number(abs(input_drift.change_db), 1)} dB {words} {input_drift.since}"


def fault_text(fault: FaultCount) -> str:
    """Line on how often a fault was there."""
    return f"{fault.kind}: {fault.takes} of {fault.of_takes} kept takes"


def houses_lines(answer: HousesAnswer) -> list[str]:
    """Lines for a terminal."""
    lines = ["What drifts:"]
    lines += [
        f"  {house_text(*_place(input_drift))}: {input_drift.source}: {drift_text(input_drift)}"
        for input_drift in answer.drifts[:_MOST_ROWS]
    ] or ["  nothing"]
    lines.append("Faults, how often:")
    faults = sorted(answer.faults, key=lambda fault: (-fault.takes / fault.of_takes, *_place(fault)))
    lines += [f"  {house_text(*_place(fault))}: {fault_text(fault)}" for fault in faults[:_MOST_ROWS]] or ["  none"]
    lines.append("Level at the tap, newest month:")
    newest = {_place(level): level for level in answer.levels}
    lines += [
        f"  {house_text(*place)}: {number(level.level_dbfs, 1)} dBFS ({level.month})"
        for place, level in list(newest.items())[:_MOST_ROWS]
    ] or ["  nothing"]
    return lines


def level_picture(title: str, levels: Sequence[RoomMonth]) -> str:
    """Mean level of a room's inputs, month by month."""
    values = [level.level_dbfs for level in levels]
    low, high = min(values) - 1.0, max(values) + 1.0

    def x(index: int) -> float:
        return _LEFT + (_WIDTH - _LEFT - 10) * index / max(1, len(values) - 1)

    def y(value: float) -> float:
        return 10 + (high - value) / (high - low) * (_HEIGHT - 36)

    points = " ".join(f"{x(index):.1f},{y(value):.1f}" for index, value in enumerate(values))
    marks = "".join(
        f'<circle class="dot" cx="{x(index):.1f}" cy="{y(value):.1f}" r="2.5"><title>{levels[index].month}: '
        f"{number(value, 1)} dBFS</title></circle>"
        for index, value in enumerate(values)
    )
    scale = "".join(
        f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - 10}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>'
        f'<text x="{_LEFT - 5}" y="{y(value) + 4:.1f}" text-anchor="end">{number(value, 1)}</text>'
        for value in dict.fromkeys((min(values), max(values)))
    )
    ends = (
        f'<text x="{_LEFT}" y="{_HEIGHT - 6}">{levels[0].month}</text>'
        f'<text x="{_WIDTH - 10}" y="{_HEIGHT - 6}" text-anchor="end">{levels[-1].month}</text>'
    )
    return (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(title, quote=True)}: level by month">'
        f'{scale}<polyline class="average" points="{points}"/>{marks}{ends}</svg>'
    )


def houses_page(answer: HousesAnswer) -> str:
    """All houses as a page of its own."""
    by_place: dict[tuple[str, str, str], list[RoomMonth]] = defaultdict(list)
    for level in answer.levels:
        by_place[_place(level)].append(level)
    rooms = [
        {
            "title": house_text(*place),
            "picture": level_picture(house_text(*place), levels),
            "drifts": [f"{each.source}: {drift_text(each)}" for each in answer.drifts if _place(each) == place],
            "faults": [fault_text(fault) for fault in answer.faults if _place(fault) == place],
        }
        for place, levels in sorted(by_place.items())
    ]
    template = resources.files("deskhand.report").joinpath("houses.html.j2").read_text("utf-8")
    _, style = environment()
    return compiled(template).render(style=style, rooms=rooms)
