"""Pictures of the result, drawn as SVG: for the report and for the local page.

They are drawn here rather than by a plotting library: they follow the reader's light or dark setting through the page's colours, and
fifty of them take milliseconds. Each says in words what it shows; nothing is told by colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.report.terminal import voice_line
from deskhand.units import clock, number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.findings import Finding
    from deskhand.mix.clearance import Clearance
    from deskhand.reference.normal import Normal
    from deskhand.result import SourceResult

_WIDTH: Final = 640
_HEIGHT: Final = 160
_LEFT: Final = 40
_BOTTOM: Final = 26
_TOP: Final = 14
_POINTS: Final = 500
_HIGH_DBFS: Final = 0.0
_LOW_DBFS: Final = -70.0
_TONE_HIGH_DB: Final = 0.0
_HIGH_GAIN_DB: Final = 6.0
_HOT_DBTP: Final = -3.0
_NAMES_FIT: Final = 7
_STEPS_S: Final = (5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 36000)
_TONE_LOW_DB: Final = -50.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """What the picture of a source is drawn from."""

    level_dbfs: NDArray[np.floating]
    """(windows,) RMS of 300 ms, one every `step_s`."""
    active: NDArray[np.bool_]
    step_s: float
    start_s: float
    nominal_dbfs: float | None
    taken_db: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    """What each block that moves gain took off, every `step_s`."""
    telling_s: float = 0.0
    """Where its most telling 20 s begin, in the recording."""


def _y(value: float, low: float, high: float) -> float:
    share = (min(max(value, low), high) - low) / (high - low)
    return _TOP + (1 - share) * (_HEIGHT - _TOP - _BOTTOM)


def _grid(marks_db: tuple[int, ...], low: float, high: float) -> list[str]:
    """Lines across the picture at some levels, with their numbers."""
    parts = []
    for mark_db in marks_db:
        y = _y(mark_db, low, high)
        parts.append(f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{_LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{number(mark_db, 0)}</text>')
    return parts


def _level_path(picture: Picture) -> str:
    """The level as a filled shape: the highest value in each of at most 500 stretches."""
    level = np.where(np.isfinite(picture.level_dbfs), picture.level_dbfs, _LOW_DBFS)
    edges = np.unique(np.linspace(0, level.size, min(_POINTS, level.size) + 1).astype(int))
    tops = np.maximum.reduceat(level, edges[:-1])
    span = _WIDTH - _LEFT
    points = [
        f"{_LEFT + span * at / level.size:.1f},{_y(float(top), _LOW_DBFS, _HIGH_DBFS):.1f}"
        for at, top in zip(0.5 * (edges[:-1] + edges[1:]), tops, strict=True)
    ]
    base = _y(_LOW_DBFS, _LOW_DBFS, _HIGH_DBFS)
    return f"M{_LEFT},{base:.1f} L" + " L".join(points) + f" L{_WIDTH},{base:.1f} Z"


def _time_step(duration_s: float) -> float:
    return next((step for step in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800) if duration_s / step <= 7), 3600)


def _time_axis(left: float, right: float, start_s: float, duration_s: float) -> str:
    """Where time begins and ends in a picture, for a page on which a click tells a moment."""
    return f' data-left="{left:g}" data-right="{right:g}" data-start="{start_s:.3f}" data-length="{duration_s:.3f}"'


def strip_picture(name: str, picture: Picture, findings: tuple[Finding, ...]) -> str:
    """When a source played, as a thin line of time, with the moments of faults as taller marks."""
    wide, tall = _WIDTH, 26
    duration_s = max(picture.step_s, picture.level_dbfs.size * picture.step_s)

    def x(at_s: float) -> float:
        return wide * min(max((at_s - picture.start_s) / duration_s, 0.0), 1.0)

    timed = [finding for finding in findings if finding.at_s]
    share = number(100.0 * float(np.mean(picture.active)) if picture.active.size else 0.0, 0)
    told = "; ".join(f"{finding.kind} at {', '.join(clock(a) for a, _ in finding.at_s[:3])}" for finding in timed)
    label = f"{name}: plays {share} % of the time" + (f"; {told}" if told else "")
    parts = [
        (
            f'<svg class="strip" viewBox="0 0 {wide} {tall}" preserveAspectRatio="none" role="img" '
            f'aria-label="{escaped(label)}"{_time_axis(0, wide, picture.start_s, duration_s)}>'
            f'<line class="grid" x1="0" x2="{wide}" y1="13" y2="13"/>'
        )
    ]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], picture.active, [False]]).astype(int)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        left = wide * begin / max(picture.active.size, 1)
        right = wide * end / max(picture.active.size, 1)
        parts.append(f'<rect class="plays" x="{left:.1f}" y="8" width="{max(1.0, right - left):.1f}" height="10"/>')
    for finding in timed:
        for begin_s, end_s in finding.at_s[:200]:
            parts.append(
                f'<rect class="fault" x="{x(begin_s):.1f}" y="0" width="{max(3.0, x(end_s) - x(begin_s)):.1f}" height="26">'
                f"<title>{escaped(finding.kind)} at {clock(begin_s)}</title></rect>"
            )
    return "".join(parts) + "</svg>"


def octave_word(hz: int) -> str:
    """An octave's centre as an axis has it."""
    return f"{hz / 1000:g}k" if hz >= 1000 else f"{hz}"


def octave_picture(
    label: str,
    low: float,
    high: float,
    marks: tuple[float, ...],
    now: dict[str, float],
    tried: dict[str, float] | None = None,
) -> str:
    """A number by octave: dots for how it stands, rings for how it is with what is tried."""
    names = list(dict.fromkeys((*now, *(tried or {}))))
    names.sort(key=float)
    told = ", ".join(f"{octave_word(round(float(hz)))} Hz {number(now[hz], 1)}" for hz in names if hz in now)
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escaped(f"{label}: {told}")}">']
    for mark in marks:
        y = _y(mark, low, high)
        parts.append(f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{_LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{mark:g}</text>')
    step = (_WIDTH - _LEFT) / max(len(names), 1)
    for place, hz in enumerate(names):
        x = _LEFT + step * (place + 0.5)
        if hz in now:
            parts.append(f'<circle class="dot-new" cx="{x:.1f}" cy="{_y(now[hz], low, high):.1f}" r="4.5"/>')
        if tried is not None and hz in tried:
            parts.append(_ring(x, _y(tried[hz], low, high)))
        parts.append(f'<text x="{x:.1f}" y="{_HEIGHT - 5}" text-anchor="middle">{octave_word(round(float(hz)))}</text>')
    return "".join(parts) + "</svg>"


def _ring(x: float, y: float) -> str:
    return f'<circle class="ring" cx="{x:.1f}" cy="{y:.1f}" r="7"/>'


def change_picture(name: str, octave_db: dict[int, float]) -> str:
    """What one step does to the tone: a bar up or down for each octave, 12 dB at most."""
    wide, tall, most = 160, 44, 12.0
    told = ", ".join(
        f"{octave_word(hz)} Hz {number(value, 1)} dB" for hz, value in octave_db.items() if abs(value) >= 0.5
    )
    label = f"{name}: {told or 'tone as it was'}"
    parts = [
        (
            f'<svg class="change" viewBox="0 0 {wide} {tall}" role="img" aria-label="{escaped(label)}">'
            f'<line class="grid" x1="0" x2="{wide}" y1="{tall / 2}" y2="{tall / 2}"/>'
        )
    ]
    for hz, value in octave_db.items():
        place = round(float(np.log2(hz / 62.5)))
        reach = min(abs(value), most) / most * (tall / 2 - 2)
        top = tall / 2 - reach if value > 0 else tall / 2
        parts.append(
            f'<rect class="plays" x="{place * 20 + 3}" y="{top:.1f}" width="14" height="{max(reach, 0.8):.1f}"/>'
        )
    return "".join(parts) + "</svg>"


def level_picture(name: str, picture: Picture, findings: tuple[Finding, ...]) -> str:
    """Level over time with the nominal level as a line and the moments of faults marked."""
    duration_s = max(picture.step_s, picture.level_dbfs.size * picture.step_s)
    span = _WIDTH - _LEFT

    def x(at_s: float) -> float:
        return _LEFT + span * min(max((at_s - picture.start_s) / duration_s, 0.0), 1.0)

    timed = [finding for finding in findings if finding.at_s]
    told = "; ".join(f"{finding.kind} at {', '.join(clock(a) for a, _ in finding.at_s[:3])}" for finding in timed)
    label = f"{name}: level over time" + (f"; marked: {told}" if told else "")
    parts = [
        (
            f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escaped(label)}"'
            f"{_time_axis(_LEFT, _WIDTH, picture.start_s, duration_s)}>"
        )
    ]
    parts += _grid((0, -20, -40, -60), _LOW_DBFS, _HIGH_DBFS)
    step = _time_step(duration_s)
    for count in range(int(duration_s / step) + 1):
        at_s = count * step
        anchor = "start" if count == 0 else "end" if at_s > duration_s * 0.97 else "middle"
        parts.append(
            f'<text x="{x(at_s + picture.start_s):.1f}" y="{_HEIGHT - 5}" text-anchor="{anchor}">'
            f"{clock(at_s + picture.start_s)}</text>"
        )
    parts.append(f'<path class="level" d="{_level_path(picture)}"/>')
    if picture.nominal_dbfs is not None:
        y = _y(picture.nominal_dbfs, _LOW_DBFS, _HIGH_DBFS)
        parts.append(f'<line class="nominal" x1="{_LEFT}" x2="{_WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text class="nominal-word" x="{_WIDTH - 3}" y="{y - 4:.1f}" text-anchor="end">nominal</text>')
    for finding in timed:
        for begin, end in finding.at_s[:200]:
            left, wide = x(begin), max(2.0, x(end) - x(begin))
            parts.append(
                f'<rect class="fault" x="{left:.1f}" y="{_TOP}" width="{wide:.1f}" '
                f'height="{_HEIGHT - _TOP - _BOTTOM}"><title>{escaped(finding.kind)} at {clock(begin)}</title></rect>'
            )
    parts.append("</svg>")
    return "".join(parts)


def tone_picture(name: str, tone_db: dict[str, float]) -> str:
    """Third-octave levels as steps over a logarithmic frequency axis."""
    count = len(NOMINAL_HZ)
    span = _WIDTH - _LEFT
    label = f"{name}: tone in third-octaves"
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escaped(label)}">']
    parts += _grid((0, -10, -20, -30, -40), _TONE_LOW_DB, _TONE_HIGH_DB)
    base = _y(_TONE_LOW_DB, _TONE_LOW_DB, _TONE_HIGH_DB)
    path = [f"M{_LEFT},{base:.1f}"]
    for index, band in enumerate(NOMINAL_HZ):
        y = _y(tone_db.get(f"{band:g}", _TONE_LOW_DB), _TONE_LOW_DB, _TONE_HIGH_DB)
        path.append(f"L{_LEFT + span * index / count:.1f},{y:.1f} L{_LEFT + span * (index + 1) / count:.1f},{y:.1f}")
        if band in (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000):
            text = f"{band / 1000:g}k" if band >= 1000 else f"{band:g}"
            middle = _LEFT + span * (index + 0.5) / count
            parts.append(f'<text x="{middle:.1f}" y="{_HEIGHT - 5}" text-anchor="middle">{text}</text>')
    parts.append(f'<path class="level" d="{" ".join(path)} L{_WIDTH},{base:.1f} Z"/></svg>')
    return "".join(parts)


def escaped(text: str) -> str:
    """Text as HTML may hold it."""
    from markupsafe import escape

    return str(escape(text))


def gain_picture(source: SourceResult, nominal_dbfs: float | None) -> str:
    """Level and true peak behind every block of the chain, with the nominal level and full scale as lines."""
    before = source.before
    if not source.stages or before is None:
        return ""
    rows = [("in", before.level_dbfs, before.true_peak_dbtp)]
    rows += [(stage.block, stage.level_dbfs, stage.true_peak_dbtp) for stage in source.stages]
    span = (_WIDTH - _LEFT) / len(rows)
    told = ", ".join(f"{name} {number(level, 1)} dBFS" for name, level, _ in rows if level is not None)
    parts = [
        (
            f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escaped(f"{source.name}: behind each block: {told}")}">'
        )
    ]
    parts += _grid((0, -20, -40, -60), _LOW_DBFS, _HIGH_GAIN_DB)
    base = _y(_LOW_DBFS, _LOW_DBFS, _HIGH_GAIN_DB)
    for place, (name, level, top) in enumerate(rows):
        x = _LEFT + span * place
        if level is not None:
            y = _y(level, _LOW_DBFS, _HIGH_GAIN_DB)
            parts.append(
                f'<rect class="level" x="{x + 0.2 * span:.1f}" y="{y:.1f}" width="{0.6 * span:.1f}" height="{base - y:.1f}"/>'
            )
        if top is not None:
            y = _y(top, _LOW_DBFS, _HIGH_GAIN_DB)
            hot = " fault" if top > _HOT_DBTP else ""
            parts.append(
                f'<rect class="top{hot}" x="{x + 0.2 * span:.1f}" y="{y - 2:.1f}" width="{0.6 * span:.1f}" height="4"/>'
            )
        if place % -(-len(rows) // _NAMES_FIT) == 0:
            parts.append(
                f'<text x="{x + 0.5 * span:.1f}" y="{_HEIGHT - 5}" text-anchor="middle">{escaped(name)}</text>'
            )
    if nominal_dbfs is not None:
        y = _y(nominal_dbfs, _LOW_DBFS, _HIGH_GAIN_DB)
        parts.append(f'<line class="nominal" x1="{_LEFT}" x2="{_WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
    parts.append("</svg>")
    return "".join(parts)


def taken_picture(name: str, picture: Picture, block: str) -> str:
    """What a block took off over time, hanging from 0 dB."""
    taken = picture.taken_db[block]
    deepest = max(6.0, float(np.ceil(taken.max(initial=0.0) / 6.0)) * 6.0)
    edges = np.unique(np.linspace(0, taken.size, min(_POINTS, taken.size) + 1).astype(int))
    if edges.size < 2:
        return ""
    most = np.maximum.reduceat(taken, edges[:-1])
    span, tall = _WIDTH - _LEFT, _HEIGHT / 2
    points = [
        f"{_LEFT + span * at / taken.size:.1f},{4 + (tall - 8) * float(one) / deepest:.1f}"
        for at, one in zip(0.5 * (edges[:-1] + edges[1:]), most, strict=True)
    ]
    label = escaped(
        f"{name}: what its {block} takes off over time, at most {number(float(taken.max(initial=0.0)), 1)} dB"
    )
    return (
        f'<svg viewBox="0 0 {_WIDTH} {tall:.0f}" role="img" aria-label="{label}">'
        f'<text x="{_LEFT - 5}" y="10" text-anchor="end">0</text>'
        f'<text x="{_LEFT - 5}" y="{tall - 2:.0f}" text-anchor="end">{number(-deepest, 0)}</text>'
        f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH}" y1="4" y2="4"/>'
        f'<path class="level" d="M{_LEFT},4 L{" L".join(points)} L{_WIDTH},4 Z"/></svg>'
    )


Side = Literal["mono", "left", "right"]


def voice_picture(voice: Clearance, start_s: float, show_s: float, side: Side = "mono") -> str:
    """The take as a line of time: where the voice is clear, strained or covered, and by whom; in mono, or on one side."""
    width, height, top = 640, 64, 22

    def place(at_s: float) -> float:
        return width * (at_s - start_s) / (show_s - start_s)

    shapes = []
    last_word_x = -1e9
    for phrase in voice.phrases:
        x = place(phrase.start_s)
        wide = max(1.5, place(phrase.end_s) - x)
        share_pct = {"mono": phrase.audible_pct, "left": phrase.left_pct, "right": phrase.right_pct}[side]
        word = phrase.word if side == "mono" else voice.words.word(share_pct)
        tall = {"clear": 10, "strained": 18, "covered": 26}[word]
        by = phrase.by if side == "mono" else None
        label = f"{clock(phrase.start_s)}: {word}{f' by {by}' if by else ''}, {number(share_pct, 0)} % audible"
        shapes.append(
            f'<rect class="voice-{word}" x="{x:.1f}" y="{top + 26 - tall}" width="{wide:.1f}" height="{tall}">'
            f"<title>{escaped(label)}</title></rect>"
        )
        if word == "covered" and by and x - last_word_x > 90:
            shapes.append(f'<text x="{x:.1f}" y="{top - 8}">{escaped(by)}</text>')
            last_word_x = x
    step = next(one for one in _STEPS_S if (show_s - start_s) / one <= 8)
    ticks = range(-int(-start_s // step) * step, int(show_s) + 1, step)
    shapes += [f'<text x="{place(at):.1f}" y="{height - 2}">{clock(at)}</text>' for at in ticks]
    where = {"mono": "in mono", "left": "on the left", "right": "on the right"}[side]
    told = escaped(f"{voice_line(voice)}. This line: {where}. Taller is worse.")
    axis = _time_axis(0, width, start_s, show_s - start_s)
    return (
        f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{told}"{axis}>'
        f'<line class="grid" x1="0" x2="{width}" y1="{top + 26}" y2="{top + 26}"/>{"".join(shapes)}</svg>'
    )


_RANGE_HIGH_DB: Final = 0.0
_RANGE_LOW_DB: Final = -32.0


def range_picture(name: str, normal: Normal, tried_db: dict[str, float] | None = None) -> str:
    """Today's tone by octave as dots, with the bar that holds 19 of 20 clean takes and a tick at what is usual; rings: as tried."""
    assert normal.bands_db is not None
    out = [band for band, (now, _, low, high) in normal.bands_db.items() if not low <= now <= high]
    label = f"{name}: tone by octave against the kept takes; outside: {', '.join(f'{hz} Hz' for hz in out) or 'none'}"
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escaped(label)}">']
    parts += _grid((0, -10, -20, -30), _RANGE_LOW_DB, _RANGE_HIGH_DB)
    step = (_WIDTH - _LEFT) / len(normal.bands_db)
    for place, (band, (now, usual, low, high)) in enumerate(normal.bands_db.items()):
        x = _LEFT + step * (place + 0.5)
        top, bottom, middle, dot = (_y(value, _RANGE_LOW_DB, _RANGE_HIGH_DB) for value in (high, low, usual, now))
        parts.append(f'<line class="range" x1="{x:.1f}" x2="{x:.1f}" y1="{top:.1f}" y2="{bottom:.1f}"/>')
        parts.append(f'<line class="usual" x1="{x - 9:.1f}" x2="{x + 9:.1f}" y1="{middle:.1f}" y2="{middle:.1f}"/>')
        kind = "dot-new" if low <= now <= high else "dot-out"
        # outside the range is told by the shape too: a square, not a dot
        parts.append(
            f'<circle class="{kind}" cx="{x:.1f}" cy="{dot:.1f}" r="4.5"/>'
            if kind == "dot-new"
            else f'<rect class="{kind}" x="{x - 5:.1f}" y="{dot - 5:.1f}" width="10" height="10"/>'
        )
        if tried_db is not None and band in tried_db:
            parts.append(_ring(x, _y(tried_db[band], _RANGE_LOW_DB, _RANGE_HIGH_DB)))
        parts.append(f'<text x="{x:.1f}" y="{_HEIGHT - 5}" text-anchor="middle">{octave_word(int(band))}</text>')
    parts.append("</svg>")
    return "".join(parts)
