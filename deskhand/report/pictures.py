"""Pictures of the result, drawn as SVG: for the report and for the local page.

They are drawn here rather than by a plotting library: they follow the reader's light or dark setting through the page's colours, and
fifty of them take milliseconds. Each says in words what it shows; nothing is told by colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.findings.kinds import KINDS
from deskhand.report.chains import block_name
from deskhand.report.drawing import BOTTOM, HEIGHT, LEFT, TOP, WIDTH, escaped, grid, time_axis, y_of
from deskhand.report.terminal import voice_line
from deskhand.units import clock, number
from deskhand.words import phrase

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.findings import Finding
    from deskhand.mix.clearance import Clearance
    from deskhand.result import SourceResult

_POINTS: Final = 500
"""Points of a line: fewer than the picture has columns, so that a file stays small. Common practice, no source."""
_HIGH_DBFS: Final = 0.0
"""Top of a level picture: full scale (AES17)."""
_LOW_DBFS: Final = -70.0
"""Bottom of a level picture: below what a rehearsal's pauses leave. Common practice, no source."""
_HIGH_GAIN_DB: Final = 6.0
"""Top of a picture of the chain, where a level may pass full scale. Common practice, no source."""
_HOT_DBTP: Final = -3.0
"""True peak from which on it is drawn as a fault: as `headroom` listens (docs/findings.md)."""
_NAMES_FIT: Final = 7
"""Names that stand beside each other below a picture. Common practice, no source."""
_STEPS_S: Final = (5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 36000)
"""Steps of a long axis of time that people count in. Common practice, no source."""
_FAULTS_DRAWN: Final = 200
"""Marks of one finding: more would be one bar. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """Data from which the pictures of a source are drawn."""

    level_dbfs: NDArray[np.floating]
    """(windows,) RMS of 300 ms, one every `step_s`."""
    active: NDArray[np.bool_]
    step_s: float
    start_s: float
    nominal_dbfs: float | None
    taken_db: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    """Gain reduction in dB of each block that moves gain, every `step_s`."""
    telling_s: float = 0.0
    """Where its most telling 20 s begin, in the recording."""


def _level_path(picture: Picture) -> str:
    """The level as a filled shape: the highest value in each of at most 500 stretches."""
    level = np.where(np.isfinite(picture.level_dbfs), picture.level_dbfs, _LOW_DBFS)
    edges = np.unique(np.linspace(0, level.size, min(_POINTS, level.size) + 1).astype(int))
    tops = np.maximum.reduceat(level, edges[:-1])
    span = WIDTH - LEFT
    points = [
        f"{LEFT + span * centre / level.size:.1f},{y_of(float(top), _LOW_DBFS, _HIGH_DBFS):.1f}"
        for centre, top in zip(0.5 * (edges[:-1] + edges[1:]), tops, strict=True)
    ]
    base = y_of(_LOW_DBFS, _LOW_DBFS, _HIGH_DBFS)
    return f"M{LEFT},{base:.1f} L" + " L".join(points) + f" L{WIDTH},{base:.1f} Z"


def _time_step(duration_s: float) -> float:
    return next((step for step in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800) if duration_s / step <= 7), 3600)


def _moment_words(kind: str, begin_s: float) -> str:
    """Name of a kind of finding with one moment."""
    return phrase("{kind} at {moments}", kind=phrase(KINDS[kind].words), moments=clock(begin_s))


def _faults_in_words(findings: list[Finding]) -> str:
    """Names of findings with their first moments."""
    return "; ".join(
        phrase(
            "{kind} at {moments}",
            kind=phrase(KINDS[finding.kind].words),
            moments=", ".join(clock(begin_s) for begin_s, _ in finding.at_s[:3]),
        )
        for finding in findings
    )


def strip_picture(name: str, picture: Picture, findings: tuple[Finding, ...]) -> str:
    """A thin line of time: bars where a source played, taller marks at the moments of faults."""
    wide, tall = WIDTH, 26
    duration_s = max(picture.step_s, picture.level_dbfs.size * picture.step_s)

    def x(at_s: float) -> float:
        return wide * min(max((at_s - picture.start_s) / duration_s, 0.0), 1.0)

    timed = [finding for finding in findings if finding.at_s]
    share = number(100.0 * float(np.mean(picture.active)) if picture.active.size else 0.0, 0)
    faults = _faults_in_words(timed)
    label = phrase("{name}: plays {share} % of the time", name=name, share=share) + (f"; {faults}" if faults else "")
    parts = [
        (
            f'<svg class="strip" viewBox="0 0 {wide} {tall}" preserveAspectRatio="none" role="img" '
            f'aria-label="{escaped(label)}"{time_axis(0, wide, picture.start_s, duration_s)}>'
            f'<line class="grid" x1="0" x2="{wide}" y1="13" y2="13"/>'
        )
    ]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], picture.active, [False]]).astype(int)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        left = wide * begin / max(picture.active.size, 1)
        right = wide * end / max(picture.active.size, 1)
        parts.append(f'<rect class="plays" x="{left:.1f}" y="8" width="{max(1.0, right - left):.1f}" height="10"/>')
    for finding in timed:
        for begin_s, end_s in finding.at_s[:_FAULTS_DRAWN]:
            parts.append(
                f'<rect class="fault" x="{x(begin_s):.1f}" y="0" width="{max(3.0, x(end_s) - x(begin_s)):.1f}" height="26">'
                f"<title>{escaped(_moment_words(finding.kind, begin_s))}</title></rect>"
            )
    return "".join(parts) + "</svg>"


def level_picture(name: str, picture: Picture, findings: tuple[Finding, ...]) -> str:
    """Level over time with the nominal level as a line and the moments of faults marked."""
    duration_s = max(picture.step_s, picture.level_dbfs.size * picture.step_s)
    span = WIDTH - LEFT

    def x(at_s: float) -> float:
        return LEFT + span * min(max((at_s - picture.start_s) / duration_s, 0.0), 1.0)

    timed = [finding for finding in findings if finding.at_s]
    faults = _faults_in_words(timed)
    marked = phrase("; marked: {faults}", faults=faults) if faults else ""
    label = phrase("{name}: level over time", name=name) + marked
    parts = [
        (
            f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escaped(label)}"'
            f"{time_axis(LEFT, WIDTH, picture.start_s, duration_s)}>"
        )
    ]
    parts += grid((0, -20, -40, -60), _LOW_DBFS, _HIGH_DBFS)
    step = _time_step(duration_s)
    for count in range(int(duration_s / step) + 1):
        at_s = count * step
        anchor = "start" if count == 0 else "end" if at_s > duration_s * 0.97 else "middle"
        parts.append(
            f'<text x="{x(at_s + picture.start_s):.1f}" y="{HEIGHT - 5}" text-anchor="{anchor}">'
            f"{clock(at_s + picture.start_s)}</text>"
        )
    parts.append(f'<path class="level" d="{_level_path(picture)}"/>')
    if picture.nominal_dbfs is not None:
        y = y_of(picture.nominal_dbfs, _LOW_DBFS, _HIGH_DBFS)
        parts.append(f'<line class="nominal" x1="{LEFT}" x2="{WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text class="nominal-word" x="{WIDTH - 3}" y="{y - 4:.1f}" text-anchor="end">nominal</text>')
    for finding in timed:
        for begin, end in finding.at_s[:_FAULTS_DRAWN]:
            left, wide = x(begin), max(2.0, x(end) - x(begin))
            parts.append(
                f'<rect class="fault" x="{left:.1f}" y="{TOP}" width="{wide:.1f}" '
                f'height="{HEIGHT - TOP - BOTTOM}"><title>{escaped(_moment_words(finding.kind, begin))}</title></rect>'
            )
    parts.append("</svg>")
    return "".join(parts)


def gain_picture(source: SourceResult, nominal_dbfs: float | None) -> str:
    """Level and true peak after every block of the chain, with the nominal level as a line."""
    before = source.before
    if not source.stages or before is None:
        return ""
    rows = [("in", before.level_dbfs, before.true_peak_dbtp)]
    rows += [(block_name(stage.block), stage.level_dbfs, stage.true_peak_dbtp) for stage in source.stages]
    span = (WIDTH - LEFT) / len(rows)
    levels = ", ".join(f"{name} {number(level, 1)} dBFS" for name, level, _ in rows if level is not None)
    parts = [
        (
            f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escaped(phrase("{name}: after each block: {levels}", name=source.name, levels=levels))}">'
        )
    ]
    parts += grid((0, -20, -40, -60), _LOW_DBFS, _HIGH_GAIN_DB)
    base = y_of(_LOW_DBFS, _LOW_DBFS, _HIGH_GAIN_DB)
    for column, (name, level, top) in enumerate(rows):
        x = LEFT + span * column
        if level is not None:
            y = y_of(level, _LOW_DBFS, _HIGH_GAIN_DB)
            parts.append(
                f'<rect class="level" x="{x + 0.2 * span:.1f}" y="{y:.1f}" width="{0.6 * span:.1f}" height="{base - y:.1f}"/>'
            )
        if top is not None:
            y = y_of(top, _LOW_DBFS, _HIGH_GAIN_DB)
            hot = " fault" if top > _HOT_DBTP else ""
            parts.append(
                f'<rect class="top{hot}" x="{x + 0.2 * span:.1f}" y="{y - 2:.1f}" width="{0.6 * span:.1f}" height="4"/>'
            )
        if column % -(-len(rows) // _NAMES_FIT) == 0:
            parts.append(f'<text x="{x + 0.5 * span:.1f}" y="{HEIGHT - 5}" text-anchor="middle">{escaped(name)}</text>')
    if nominal_dbfs is not None:
        y = y_of(nominal_dbfs, _LOW_DBFS, _HIGH_GAIN_DB)
        parts.append(f'<line class="nominal" x1="{LEFT}" x2="{WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
    parts.append("</svg>")
    return "".join(parts)


def taken_picture(name: str, picture: Picture, block: str) -> str:
    """Gain reduction of a block over time, hanging from 0 dB."""
    reduction_db = picture.taken_db[block]
    floor_db = max(6.0, float(np.ceil(reduction_db.max(initial=0.0) / 6.0)) * 6.0)
    edges = np.unique(np.linspace(0, reduction_db.size, min(_POINTS, reduction_db.size) + 1).astype(int))
    if edges.size < 2:
        return ""
    deepest_db = np.maximum.reduceat(reduction_db, edges[:-1])
    span, tall = WIDTH - LEFT, HEIGHT / 2
    points = [
        f"{LEFT + span * centre / reduction_db.size:.1f},{4 + (tall - 8) * float(value_db) / floor_db:.1f}"
        for centre, value_db in zip(0.5 * (edges[:-1] + edges[1:]), deepest_db, strict=True)
    ]
    label = escaped(
        phrase(
            "{name}: gain reduction of its {block} over time, at most {most:1} dB",
            name=name,
            block=block_name(block),
            most=float(reduction_db.max(initial=0.0)),
        )
    )
    return (
        f'<svg viewBox="0 0 {WIDTH} {tall:.0f}" role="img" aria-label="{label}">'
        f'<text x="{LEFT - 5}" y="10" text-anchor="end">0</text>'
        f'<text x="{LEFT - 5}" y="{tall - 2:.0f}" text-anchor="end">{number(-floor_db, 0)}</text>'
        f'<line class="grid" x1="{LEFT}" x2="{WIDTH}" y1="4" y2="4"/>'
        f'<path class="level" d="M{LEFT},4 L{" L".join(points)} L{WIDTH},4 Z"/></svg>'
    )


Side = Literal["mono", "left", "right"]


def voice_picture(voice: Clearance, start_s: float, show_s: float, side: Side = "mono") -> str:
    """The take as a line of time: where the voice is clear, strained or covered, and by whom; in mono, or on one side."""
    width, height, top = 640, 64, 22

    def x_of(at_s: float) -> float:
        return width * (at_s - start_s) / (show_s - start_s)

    shapes = []
    last_word_x = -1e9
    for part in voice.phrases:
        x = x_of(part.start_s)
        wide = max(1.5, x_of(part.end_s) - x)
        share_pct = {"mono": part.audible_pct, "left": part.left_pct, "right": part.right_pct}[side]
        word = part.word if side == "mono" else voice.words.word(share_pct)
        tall = {"clear": 10, "strained": 18, "covered": 26}[word]
        by = part.by if side == "mono" else None
        covered_by = phrase(" by {name}", name=by) if by else ""
        told = phrase("{word}{by}, {share:0} % audible", word=phrase(word), by=covered_by, share=share_pct)
        label = f"{clock(part.start_s)}: {told}"
        shapes.append(
            f'<rect class="voice-{word}" x="{x:.1f}" y="{top + 26 - tall}" width="{wide:.1f}" height="{tall}">'
            f"<title>{escaped(label)}</title></rect>"
        )
        if word == "covered" and by and x - last_word_x > 90:
            shapes.append(f'<text x="{x:.1f}" y="{top - 8}">{escaped(by)}</text>')
            last_word_x = x
    step = next(step_s for step_s in _STEPS_S if (show_s - start_s) / step_s <= 8)
    ticks = range(-int(-start_s // step) * step, int(show_s) + 1, step)
    shapes += [f'<text x="{x_of(tick_s):.1f}" y="{height - 2}">{clock(tick_s)}</text>' for tick_s in ticks]
    where = phrase({"mono": "in mono", "left": "on the left", "right": "on the right"}[side])
    text = escaped(phrase("{line}. This line: {where}. Taller is worse.", line=voice_line(voice), where=where))
    axis = time_axis(0, width, start_s, show_s - start_s)
    return (
        f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{text}"{axis}>'
        f'<line class="grid" x1="0" x2="{width}" y1="{top + 26}" y2="{top + 26}"/>{"".join(shapes)}</svg>'
    )
