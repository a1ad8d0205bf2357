"""The result as one self-contained page that opens anywhere, without a network.

The pictures are drawn here as SVG rather than by a plotting library: they follow the reader's light or dark setting
through the page's colours, and fifty of them take milliseconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.findings.first import urgency
from deskhand.mix.clearance import Words
from deskhand.reference.numbers import BY_NAME
from deskhand.report.terminal import (
    FORGOTTEN,
    by_urgency,
    fader_lines,
    headline,
    mix_line,
    reference_line,
    title,
    voice_line,
)
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from jinja2 import Environment
    from numpy.typing import NDArray

    from deskhand.findings import Finding
    from deskhand.mix.clearance import Clearance
    from deskhand.reference.normal import Normal
    from deskhand.report.result import CheckResult, SourceResult

_WIDTH: Final = 640
_HEIGHT: Final = 160
_LEFT: Final = 40
_BOTTOM: Final = 26
_TOP: Final = 14
_POINTS: Final = 500
_HIGH_DBFS: Final = 0.0
_LOW_DBFS: Final = -70.0
_TONE_HIGH_DB: Final = 0.0
_COST_PCT: Final = 0.5
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


def level_picture(name: str, picture: Picture, findings: tuple[Finding, ...]) -> str:
    """Level over time with the nominal level as a line and the moments of faults marked."""
    duration_s = max(picture.step_s, picture.level_dbfs.size * picture.step_s)
    span = _WIDTH - _LEFT

    def x(at_s: float) -> float:
        return _LEFT + span * min(max((at_s - picture.start_s) / duration_s, 0.0), 1.0)

    timed = [finding for finding in findings if finding.at_s]
    told = "; ".join(f"{finding.kind} at {', '.join(clock(a) for a, _ in finding.at_s[:3])}" for finding in timed)
    label = f"{name}: level over time" + (f"; marked: {told}" if told else "")
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{_escape(label)}">']
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
                f'height="{_HEIGHT - _TOP - _BOTTOM}"><title>{_escape(finding.kind)} at {clock(begin)}</title></rect>'
            )
    parts.append("</svg>")
    return "".join(parts)


def tone_picture(name: str, tone_db: dict[str, float]) -> str:
    """Third-octave levels as steps over a logarithmic frequency axis."""
    count = len(NOMINAL_HZ)
    span = _WIDTH - _LEFT
    label = f"{name}: tone in third-octaves"
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{_escape(label)}">']
    parts += _grid((0, -10, -20, -30, -40), _TONE_LOW_DB, _TONE_HIGH_DB)
    base = _y(_TONE_LOW_DB, _TONE_LOW_DB, _TONE_HIGH_DB)
    path = [f"M{_LEFT},{base:.1f}"]
    for index, band in enumerate(NOMINAL_HZ):
        y = _y(tone_db.get(f"{band:g}", _TONE_LOW_DB), _TONE_LOW_DB, _TONE_HIGH_DB)
        path.append(f"L{_LEFT + span * index / count:.1f},{y:.1f} L{_LEFT + span * (index + 1) / count:.1f},{y:.1f}")
        if band in (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000):
            text = f"{band / 1000:g}k" if band >= 1000 else f"{band:g}"
            parts.append(
                f'<text x="{_LEFT + span * (index + 0.5) / count:.1f}" y="{_HEIGHT - 5}" text-anchor="middle">{text}</text>'
            )
    parts.append(f'<path class="level" d="{" ".join(path)} L{_WIDTH},{base:.1f} Z"/></svg>')
    return "".join(parts)


def _escape(text: str) -> str:
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
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{_escape(f"{source.name}: behind each block: {told}")}">'
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
                f'<text x="{x + 0.5 * span:.1f}" y="{_HEIGHT - 5}" text-anchor="middle">{_escape(name)}</text>'
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
    label = _escape(
        f"{name}: what its {block} takes off over time, at most {number(float(taken.max(initial=0.0)), 1)} dB"
    )
    return (
        f'<svg viewBox="0 0 {_WIDTH} {tall:.0f}" role="img" aria-label="{label}">'
        f'<text x="{_LEFT - 5}" y="10" text-anchor="end">0</text>'
        f'<text x="{_LEFT - 5}" y="{tall - 2:.0f}" text-anchor="end">{number(-deepest, 0)}</text>'
        f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH}" y1="4" y2="4"/>'
        f'<path class="level" d="M{_LEFT},4 L{" L".join(points)} L{_WIDTH},4 Z"/></svg>'
    )


def _taken(name: str, picture: Picture | None) -> list[tuple[str, str]]:
    """Each block that moves gain, with its picture."""
    if picture is None:
        return []
    return [(block, taken_picture(name, picture, block)) for block in picture.taken_db]


def voice_picture(voice: Clearance, start_s: float, show_s: float) -> str:
    """The take as a line of time: where the voice is clear, strained or covered, and by whom."""
    width, height, top = 640, 64, 22

    def place(at_s: float) -> float:
        return width * (at_s - start_s) / (show_s - start_s)

    shapes = []
    last_word_x = -1e9
    for phrase in voice.phrases:
        x = place(phrase.start_s)
        wide = max(1.5, place(phrase.end_s) - x)
        tall = {"clear": 10, "strained": 18, "covered": 26}[phrase.word]
        by = f" by {phrase.by}" if phrase.by else ""
        label = f"{clock(phrase.start_s)}: {phrase.word}{by}, {number(phrase.audible_pct, 0)} % audible"
        shapes.append(
            f'<rect class="voice-{phrase.word}" x="{x:.1f}" y="{top + 26 - tall}" width="{wide:.1f}" height="{tall}">'
            f"<title>{_escape(label)}</title></rect>"
        )
        if phrase.word == "covered" and phrase.by and x - last_word_x > 90:
            shapes.append(f'<text x="{x:.1f}" y="{top - 8}">{_escape(phrase.by)}</text>')
            last_word_x = x
    step = next(one for one in _STEPS_S if (show_s - start_s) / one <= 8)
    ticks = range(-int(-start_s // step) * step, int(show_s) + 1, step)
    shapes += [f'<text x="{place(at):.1f}" y="{height - 2}">{clock(at)}</text>' for at in ticks]
    told = _escape(f"{voice_line(voice)}. Taller is worse.")
    return (
        f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{told}">'
        f'<line class="grid" x1="0" x2="{width}" y1="{top + 26}" y2="{top + 26}"/>{"".join(shapes)}</svg>'
    )


def _voices(result: CheckResult) -> list[dict[str, object]]:
    """What the page shows of each voice."""
    out: list[dict[str, object]] = []
    for voice in (*((result.vocal,) if result.vocal else ()), *result.voices):
        if not voice.phrases:
            continue
        shift = result.show.start_s
        end_s = shift + result.show.duration_s
        costs = [
            (
                cost.source,
                number(cost.cost_pct, 1),
                f"{number(cost.low_hz, 0)} to {number(cost.high_hz, 0)} Hz",
                ", ".join(clock(begin) for begin, _ in cost.most_s),
            )
            for cost in voice.by_source[:6]
            if cost.cost_pct >= _COST_PCT
        ]
        room = [
            (
                one.source,
                number(one.audible_pct[0].mono, 0),
                number(one.audible_pct[3].mono, 0),
                number(one.mono_loss_db[3] - one.mono_loss_db[0], 1),
                "–" if one.knee_db is None else number(one.knee_db, 0),
            )
            for one in voice.room
            if one.audible_pct[-1].mono - one.audible_pct[0].mono >= 1.0
        ]
        out.append(
            {
                "line": voice_line(voice),
                "picture": voice_picture(voice, shift, max(end_s, shift + 1.0)),
                "index": number(voice.clearance_pct.mono, 0),
                "sides": f"{number(voice.audible_pct.left, 0)} % left, {number(voice.audible_pct.right, 0)} % right",
                "costs": costs,
                "room": room,
                "method": voice.method,
            }
        )
    return out


def _numbers(source: SourceResult) -> list[tuple[str, str]]:
    """The readings in plain words, for small print."""
    readings = source.before
    if readings is None:
        return []
    rows = (
        ("Level while playing", readings.level_dbfs, "dBFS", 1),
        ("Loud moments", readings.loud_dbfs, "dBFS", 1),
        ("Highest peak", readings.true_peak_dbtp, "dBTP", 1),
        ("Loudness", readings.loudness_lufs, "LUFS", 1),
        ("Peaks above level", readings.crest_db, "dB", 1),
        ("Notes stand out at 2 to 8 kHz by", readings.articulation_db, "dB", 1),
        ("Notes die away by 60 dB in", readings.tail_s, "s", 2),
        ("Sharpness", readings.sharpness_acum, "acum", 2),
        ("Loudness to the ear", readings.loudness_sone, "sone", 0),
        ("Of it from 2 to 5 kHz", readings.harsh_sone, "sone", 1),
        ("Its loud moments to the ear", readings.loudness_n5_sone, "sone", 0),
        ("Step between its sounds", source.step_db, "LU", 1),
        ("Noise in pauses", readings.noise_dbfs, "dBFS", 0),
        ("Hum against level", readings.hum_db, "dB", 0),
        ("Playing", 100 * readings.active_fraction, "% of the time", 0),
        ("Sides against middle", readings.width_db, "dB", 1),
        ("Right against left", readings.balance_db, "dB", 1),
        ("Lost in mono", None if readings.mono_loss_db is None else -readings.mono_loss_db, "dB", 1),
    )
    return [(name, f"{number(value, digits)} {unit}") for name, value, unit, digits in rows if value is not None]


def _sounds(source: SourceResult) -> list[tuple[str, str, str]]:
    """Share, loudness and first stretches of each sound, where a source has several."""
    if len(source.sounds) < 2:
        return []
    rows = []
    for sound in source.sounds:
        spans = ", ".join(f"{clock(begin)} to {clock(end)}" for begin, end in sound.stretches_s[:4])
        more = f" and {len(sound.stretches_s) - 4} more" if len(sound.stretches_s) > 4 else ""
        loud = "–" if sound.loudness_lufs is None else number(sound.loudness_lufs, 1)
        rows.append((f"{number(100 * sound.share, 0)} %", loud, spans + more))
    return rows


def _stages(source: SourceResult) -> list[tuple[str, str, str, str]]:
    """Block, level, peak and what it took off, for each block of the house chain and for what goes into it."""
    if not source.stages or source.before is None:
        return []

    def told(value: float | None) -> str:
        return "–" if value is None else number(value, 1)

    rows = [("in", told(source.before.level_dbfs), told(source.before.true_peak_dbtp), "")]
    for stage in source.stages:
        taken = stage.reduction_db
        off = "" if taken is None else f"{number(taken.median, 1)}, at most {number(taken.p95, 1)}"
        rows.append((stage.block, told(stage.level_dbfs), told(stage.true_peak_dbtp), off))
    return rows


_RANGE_HIGH_DB: Final = 0.0
_RANGE_LOW_DB: Final = -32.0


def range_picture(name: str, normal: Normal) -> str:
    """Today's tone by octave as dots, with the bar that holds 19 of 20 clean takes and a tick at what is usual."""
    assert normal.bands_db is not None
    out = [band for band, (now, _, low, high) in normal.bands_db.items() if not low <= now <= high]
    label = f"{name}: tone by octave against the kept takes; outside: {', '.join(f'{hz} Hz' for hz in out) or 'none'}"
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{_escape(label)}">']
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
        hz = int(band)
        text = f"{hz / 1000:g}k" if hz >= 1000 else f"{hz}"
        parts.append(f'<text x="{x:.1f}" y="{_HEIGHT - 5}" text-anchor="middle">{text}</text>')
    parts.append("</svg>")
    return "".join(parts)


def _normal_rows(normals: Sequence[Normal]) -> list[tuple[str, str, str, str]]:
    """Number, today, usual and normal range of all but the tone."""
    rows = []
    for one in normals:
        if one.bands_db is not None:
            continue
        its = BY_NAME[one.name]
        today, usual, low, high = (its.told(value) for value in (one.measured, one.expected, one.low, one.high))
        rows.append((f"{its.label}, {one.unit}", today, usual, f"{low} … {high}"))
    return rows


def environment() -> tuple[Environment, str]:
    """The template engine, and the style that all pages share."""
    from importlib import resources

    from jinja2 import Environment, StrictUndefined

    style = resources.files("deskhand.report").joinpath("style.css").read_text("utf-8")
    made = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return made, style


def page(result: CheckResult, pictures: dict[str, Picture]) -> str:
    """The page as HTML text."""
    from importlib import resources

    text = resources.files("deskhand.report").joinpath("page.html.j2").read_text("utf-8")
    engine, style = environment()
    cards = []
    for source in by_urgency(result):
        picture = pictures.get(source.name)
        tone = source.before.tone_db if source.before else None
        cards.append(
            {
                "source": source,
                "findings": sorted(source.findings, key=urgency),
                "level": level_picture(source.name, picture, source.findings) if picture is not None else "",
                "stages": _stages(source),
                "sounds": _sounds(source),
                "gain": gain_picture(source, picture.nominal_dbfs if picture is not None else None),
                "taken": _taken(source.name, picture),
                "tone": tone_picture(source.name, tone) if tone else "",
                "numbers": _numbers(source),
                "moves": [(f"{one.text} ({one.effect})", one.undo) for one in source.moves if one.is_setting],
                "normal": _normal_rows(source.normal),
                "ranges": next((range_picture(source.name, one) for one in source.normal if one.bands_db), ""),
                "kept": max((one.kept for one in source.normal), default=0),
                "judged": any(finding.noticeable is not None for finding in source.findings),
            }
        )
    own = result.vocal is not None and result.vocal.words != Words()
    return engine.from_string(text).render(
        style=style,
        reference=reference_line(result),
        words="The limits are this house's own, from its kept weeks."
        if own
        else "Until the house has kept five weeks, the limits are common practice.",
        mix_findings=[finding.text for finding in result.mix.findings] if result.mix else [],
        result=result,
        title=title(result),
        headline=headline(result),
        voices=_voices(result),
        mix=mix_line(result),
        faders=fader_lines(result),
        cards=cards,
        forgotten=FORGOTTEN,
    )
