"""The pages as HTML: what each shows, put together from the check's result, with the words and pictures of the report."""

from __future__ import annotations

import datetime as dt
import tomllib
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from deskhand import __version__
from deskhand.dsp import kernels_are_compiled
from deskhand.findings.first import urgency
from deskhand.house import BLOCK_NAMES, ROLES, defaults_of
from deskhand.recording.names import dated
from deskhand.reference.keep import values_of
from deskhand.reference.numbers import BY_NAME, number_of, tone_vector
from deskhand.report.page import number_rows, voice_costs
from deskhand.report.pictures import (
    change_picture,
    level_picture,
    octave_picture,
    octave_word,
    range_picture,
    strip_picture,
    taken_picture,
    tone_picture,
    voice_picture,
)
from deskhand.report.terminal import FORGOTTEN, by_urgency, headline, mix_line, reference_line, voice_line
from deskhand.report.volume import LOWEST_DB, START_DB
from deskhand.report.words import explained, text, words
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.findings import Finding
    from deskhand.house import HouseFile, Source
    from deskhand.measure.readings import Readings
    from deskhand.mix.clearance import Clearance
    from deskhand.reference.normal import Normal
    from deskhand.report.result import CheckResult, SourceResult
    from deskhand.web.hall import Hall, Shelf, Shown
    from deskhand.web.tries import Tried

HEAR_S: Final = 2.0
_MOMENTS: Final = 12
_TO_FIX: Final = ("fix", "silent", "missing")
_KEYS: Final = {
    "gain": ("gain", "on"),
    "trim": ("gain", "on"),
    "polarity": ("on",),
    "delay": ("time", "on"),
    "high-pass": ("frequency", "slope", "on"),
    "low-pass": ("frequency", "slope", "on"),
    "bell": ("frequency", "gain", "q", "on"),
    "low-shelf": ("frequency", "gain", "q", "on"),
    "high-shelf": ("frequency", "gain", "q", "on"),
    "saturation": ("drive", "on"),
    "gate": ("threshold", "range", "attack", "hold", "release", "hysteresis"),
    "compressor": ("threshold", "ratio", "knee", "attack", "release", "makeup", "detector", "high_pass"),
    "dynamic-bell": ("frequency", "threshold", "gain", "q", "attack", "release"),
    "mid-side": ("mid", "side"),
    "pan": ("position",),
    "limiter": ("ceiling", "release"),
    "curve": ("file",),
}
"""Keys of each block that a page offers; others that are written stay as they are."""
_NEW: Final[dict[str, dict[str, Any]]] = {
    "gain": {"gain": "0 dB"},
    "trim": {"gain": "0 dB"},
    "polarity": {},
    "delay": {"time": "1 ms"},
    "high-pass": {"frequency": "80 Hz", "slope": "12 dB/oct"},
    "low-pass": {"frequency": "12 kHz", "slope": "12 dB/oct"},
    "bell": {"frequency": "1 kHz", "gain": "0 dB", "q": 1},
    "low-shelf": {"frequency": "120 Hz", "gain": "0 dB"},
    "high-shelf": {"frequency": "8 kHz", "gain": "0 dB"},
    "saturation": {"drive": "0 dB"},
    "gate": {"threshold": "-50 dBFS"},
    "compressor": {"threshold": "-18 dBFS", "ratio": 2},
    "dynamic-bell": {"frequency": "3 kHz", "threshold": "-24 dBFS", "gain": "-3 dB", "q": 1},
    "mid-side": {"mid": "0 dB", "side": "0 dB"},
    "pan": {"position": 0},
    "limiter": {"ceiling": "-1 dBFS"},
}
"""How a block begins that is added on the page: as much as does nothing, or next to nothing."""


@cache
def _engine() -> Environment:
    from importlib import resources

    folder = resources.files("deskhand.web").joinpath("templates")
    engine = Environment(
        loader=FileSystemLoader(str(folder)),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    engine.globals.update(
        t=text, explained=explained, clock=clock, number=number, version=__version__, compiled=kernels_are_compiled,
        start_db=START_DB, lowest_db=LOWEST_DB,
    )  # fmt: skip
    return engine


def page(name: str, /, **values: Any) -> str:
    """One page."""
    made = (
        _engine()
        .get_template(f"{name}.html.j2")
        .render({"shelf": None, "house_name": "", "shown": None, "page": name, "voice_there": False} | values)
    )
    return made.encode("utf-8", "replace").decode()  # a file's name may hold bytes that are no text


def spoken_date(date: str | None) -> str:
    """A date as people say it."""
    if not date:
        return ""
    try:
        day = dt.date.fromisoformat(date)
    except ValueError:
        return date
    return f"{words()['days'][f'{day.weekday()}']}, {day.day} {words()['months'][f'{day.month}']} {day.year}"


def spoken_time(moment: dt.datetime) -> str:
    """Weekday and time."""
    return f"{words()['days'][f'{moment.weekday()}']} {moment:%H:%M}"


def head(hall: Hall, shelf: Shelf | None, shown: Shown | None) -> dict[str, Any]:
    """What stands at the top of every page."""
    name = shown.result.house if shown else ""
    if not name and hall.has_house:
        try:
            name = hall.house().house.name
        except Exception:  # noqa: BLE001 - a broken house file is told where it matters
            name = hall.root.name
    return {
        "house_name": name,
        "shelf": shelf,
        "shown": shown,
        "voice_there": bool(shown and shown.result.vocal),
        "show_line": ", ".join(one for one in (shown.result.show.name, spoken_date(shown.result.show.date)) if one)
        if shown
        else "",
    }


# --- this week


def first_moment(finding: Finding) -> float | None:
    """Where a finding can be heard."""
    if finding.hear_s is not None:
        return finding.hear_s[0]
    return finding.at_s[0][0] if finding.at_s else None


def _thing(
    shown: Shown, said: str, source: SourceResult, finding: Finding, *, with_moves: bool = True
) -> dict[str, Any]:
    moment = first_moment(finding)
    picture = shown.pictures.get(source.name)
    if moment is None and picture is not None and source.before is not None and source.before.level_dbfs is not None:
        moment = picture.telling_s
    return {
        "source": source.name,
        "text": said,
        "finding": finding.id,
        "hear_at": moment,
        "moves": [
            {
                "text": move.text,
                "effect": move.effect,
                "hears": ", ".join(text(f"hears.{one}") for one in move.who_hears),
                "undo": move.undo,
            }
            for move in source.moves
            if move.is_setting and with_moves
        ],
        "severity": finding.severity,
    }


def week_page(
    hall: Hall, shown: Shown, *, news: Mapping[str, Any] | None, kept: str | None, changed: bool, left: Sequence[str]
) -> str:
    """The week: what to do before doors, and everything else behind it."""
    result = shown.result
    by_name = {source.name: source for source in result.sources}
    first, told = [], set()
    for thing in result.first:
        source = by_name[thing.source]
        finding = next(one for one in source.findings if one.id == thing.finding)
        first.append(_thing(shown, thing.text, source, finding))
        told.add(finding.id)
    turned = {thing.source for thing in result.first}
    also_to_fix, after_show = [], []
    for source in by_urgency(result):
        for finding in sorted(source.findings, key=urgency):
            if finding.severity == "note" or finding.id in told:
                continue
            # what to turn at a source is said once
            said = f"{source.name}: {finding.text}"
            later = also_to_fix if finding.severity == "fix" else after_show
            later.append(_thing(shown, said, source, finding, with_moves=source.name not in turned))
            turned.add(source.name)
    rows = []
    for source in result.sources:
        picture = shown.pictures.get(source.name)
        level = None if source.before is None else source.before.level_dbfs
        rows.append(
            {
                "name": source.name,
                "role": source.role,
                "status": source.status,
                "where": f"{text('label.channel')} {source.channel}" if source.channel else "",
                "player": result.show.players.get(source.name, ""),
                "level": "" if level is None else number(level, 1),
                "strip": strip_picture(source.name, picture, source.findings) if picture is not None else "",
                "moves": sum(move.is_setting for move in source.moves),
                "moments": [
                    {"at": begin, "kind": finding.kind} for finding in source.findings for begin, _ in finding.at_s[:3]
                ][:3],
            }
        )
    voices = [voice_line(one) for one in (*((result.vocal,) if result.vocal else ()), *result.voices)]
    return page(
        "week",
        **head(hall, shown.shelf, shown),
        headline=headline(result),
        quiet=not result.first,
        first=first,
        also=also_to_fix,
        after=after_show,
        rows=rows,
        voices=[one for one in voices if one],
        mix=mix_line(result),
        mix_findings=[one.text for one in result.mix.findings] if result.mix else [],
        reference=reference_line(result),
        notes=result.show.notes,
        forgotten=FORGOTTEN,
        length=clock(result.show.duration_s),
        show=result.show,
        news=news,
        kept=kept,
        changed=changed,
        left=left,
    )


# --- a source


def tone_words(normal: Normal | None, bands_db: Mapping[str, float] | None = None) -> str:
    """The tone against what is usual here, in words."""
    if normal is None or normal.bands_db is None:
        return text("source.tone_unknown")
    out = []
    for band, (measured, usual, low, high) in normal.bands_db.items():
        now = measured if bands_db is None else bands_db.get(band, measured)
        if not low <= now <= high:
            off = now - usual
            word = text("source.more" if off > 0 else "source.less", off=number(abs(off), 0), hz=octave_word(int(band)))
            out.append(word)
    return text("source.tone_usual") if not out else text("source.tone_outside", what=", ".join(out))


def predicted_tone(normal: Normal, checked: Readings, tried: Readings) -> dict[str, float] | None:
    """Tone bands of the whole take as they would be: as measured, and by what the stretch was moved."""
    one, other = (tone_vector(values_of(readings)) for readings in (checked, tried))
    if normal.bands_db is None or one is None or other is None:
        return None
    return {
        band: now[0] + float(moved) for (band, now), moved in zip(normal.bands_db.items(), other - one, strict=True)
    }


def predicted_numbers(normals: Sequence[Normal], checked: Readings, tried: Readings) -> list[dict[str, str]]:
    """The judged numbers of the whole take as they would be, each with its range."""
    rows = []
    for normal in normals:
        if normal.bands_db is not None:
            continue
        its = BY_NAME[normal.name]
        one, other = (number_of(its, values_of(readings)) for readings in (checked, tried))
        value = normal.measured
        if one is not None and other is not None and normal.stage == "after":
            value = its.from_scale(its.to_scale(normal.measured) + other[0] - one[0])
        inside = normal.low <= value <= normal.high
        rows.append(
            {
                "label": its.label,
                "unit": normal.unit,
                "now": its.told(normal.measured),
                "tried": its.told(value),
                "usual": its.told(normal.expected),
                "range": f"{its.told(normal.low)} … {its.told(normal.high)}",
                "word": text("source.inside" if inside else "source.outside"),
                "explain": explained(its.metric) or "",
            }
        )
    return rows


_BOTH: Final = (
    "level_dbfs", "loud_dbfs", "true_peak_dbtp", "loudness_lufs", "crest_db", "articulation_db", "tail_s", "sharpness_acum",
    "tilt_db_per_octave", "width_db", "balance_db", "mono_loss_db",
)  # fmt: skip


def both_numbers(standing: Readings, tried: Readings) -> list[dict[str, str]]:
    """Readings of the stretch through the standing chain and through the one that is tried."""
    rows = []
    for name in _BOTH:
        one, other = (_shown(name, readings) for readings in (standing, tried))
        if one is None and other is None:
            continue
        unit = words()["unit"][name]
        digits = 2 if name in ("tail_s", "sharpness_acum") else 1
        rows.append(
            {
                "label": text(f"reading.{name}"),
                "unit": unit,
                "standing": "–" if one is None else number(one, digits),
                "tried": "–" if other is None else number(other, digits),
                "explain": explained(name) or "",
            }
        )
    return rows


def _shown(name: str, readings: Readings) -> float | None:
    value: float | None = getattr(readings, name)
    # what is lost is said as a loss
    return -value if name == "mono_loss_db" and value is not None else value


def step_rows(written: Sequence[Mapping[str, Any]], tried: Tried) -> list[dict[str, Any]]:
    """What each block of a chain does, in numbers and as a small picture; those in front of the tap say so."""
    told = iter(tried.steps)
    rows = []
    for block, runs in zip(written, tried.runs, strict=True):
        step = next(told, None) if runs else None
        if step is None:
            rows.append({"level": "", "taken": "", "picture": "", "note": text("source.before_the_tap")})
            continue
        stage, taken = step.stage, step.stage.reduction_db
        peak = "" if stage.true_peak_dbtp is None else text("source.peak", peak=number(stage.true_peak_dbtp, 1))
        level = "–" if stage.level_dbfs is None else text("source.out", level=number(stage.level_dbfs, 1))
        rows.append(
            {
                "level": f"{level}{', ' if peak else ''}{peak}",
                "taken": ""
                if taken is None
                else text("source.taken", median=number(taken.median, 1), p95=number(taken.p95, 1)),
                "picture": change_picture(str(block["block"]), step.octave_db),
                "note": ""
                if step.width_db is None or abs(step.width_db) < 0.3
                else text("source.wider" if step.width_db > 0 else "source.narrower", by=number(abs(step.width_db), 1)),
            }
        )
    return rows


def tried_parts(
    source: SourceResult | None, written: Sequence[Mapping[str, Any]], checked: Tried, standing: Tried, tried: Tried
) -> dict[str, Any]:
    """Everything of a source's page that follows its settings."""
    normals = source.normal if source else ()
    tone = next((one for one in normals if one.bands_db is not None), None)
    bands = predicted_tone(tone, checked.readings, tried.readings) if tone else None
    name = source.name if source else ""
    pictures = {
        "tone": range_picture(name, tone, bands)
        if tone
        else tone_picture(name, tried.readings.tone_db)
        if tried.readings.tone_db
        else ""
    }
    for key, label, low, high, marks in (
        ("width_octave_db", text("source.width_by_octave"), -30.0, 12.0, (0.0, -10.0, -20.0, -30.0)),
        ("tail_octave_s", text("source.tail_by_octave"), 0.0, 4.0, (0.0, 1.0, 2.0, 3.0, 4.0)),
    ):
        now, other = getattr(standing.readings, key), getattr(tried.readings, key)
        pictures[key] = octave_picture(label, low, high, marks, now or {}, other or {}) if now or other else ""
    return {
        "tone_words": tone_words(tone, bands),
        "pictures": pictures,
        "steps": step_rows(written, tried),
        "numbers": both_numbers(standing.readings, tried.readings),
        "judged": predicted_numbers(normals, checked.readings, tried.readings),
        "in": text("source.in", level="–" if tried.level_in_dbfs is None else number(tried.level_in_dbfs, 1)),
    }


def source_page(
    hall: Hall,
    shown: Shown,
    source: SourceResult,
    *,
    written: Mapping[str, Any],
    house: HouseFile,
    start_s: float,
    at: int,
) -> str:
    """One source: its chain, what each step does, and everything that can be tried."""
    picture = shown.pictures.get(source.name)
    of_house = next((one for one in house.source if one.name == source.name), None)
    return page(
        "source",
        **head(hall, shown.shelf, shown),
        source=source,
        at=at,
        before=shown.result.sources[at - 1].name if at else "",
        behind=shown.result.sources[at + 1].name if at + 1 < len(shown.result.sources) else "",
        where=of_house.where if of_house else "",
        player=shown.result.show.players.get(source.name, ""),
        findings=sorted(source.findings, key=urgency),
        moves=[move for move in source.moves if move.is_setting],
        left_over=source.left_over,
        level=level_picture(source.name, picture, source.findings) if picture is not None else "",
        taken=[(block, taken_picture(source.name, picture, block)) for block in picture.taken_db] if picture else [],
        moments=[
            {"at": begin, "kind": finding.kind} for finding in source.findings for begin, _ in finding.at_s[:_MOMENTS]
        ][:_MOMENTS],
        numbers=number_rows(source),
        chain=written.get("chain", []),
        fader=str(written.get("fader", "")),
        start_s=start_s,
        block_names=[name for name in BLOCK_NAMES if name in _NEW],
        settings={
            "keys": _KEYS,
            "new": _NEW,
            "words": words()["key"],
            "defaults": {name: defaults_of(name) for name in BLOCK_NAMES},
        },
        first_moment=first_moment,
    )


# --- the voice


def voice_parts(result: CheckResult, voice: Clearance) -> dict[str, Any]:
    """Everything of the voice's page that follows what is tried."""
    shift = result.show.start_s
    end_s = max(shift + result.show.duration_s, shift + 1.0)
    return {
        "line": voice_line(voice),
        "pictures": {
            "mono": voice_picture(voice, shift, end_s),
            "left": voice_picture(voice, shift, end_s, "left"),
            "right": voice_picture(voice, shift, end_s, "right"),
        },
        "shares": {
            side: text("voice.share", pct=number(getattr(voice.audible_pct, side), 0))
            for side in ("mono", "left", "right")
        },
        "index": text("voice.index", pct=number(voice.clearance_pct.mono, 0)),
        "phrases": [
            {
                "at": one.start_s,
                "clock": clock(one.start_s),
                "word": text(f"voice.{one.word}"),
                "by": one.by or "",
                "pct": number(one.audible_pct, 0),
            }
            for one in voice.phrases
            if one.word != "clear"
        ][:_MOMENTS],
    }


def voice_page(
    hall: Hall,
    shown: Shown,
    voice: Clearance,
    *,
    strips: Sequence[tuple[str, bool]],
    others: Sequence[str],
) -> str:
    """One voice over the song, and what gives it room."""
    costs = {cost.source: cost for cost in voice.by_source}
    knees = {one.source: one.knee_db for one in voice.room}
    order = sorted(strips, key=lambda one: -costs[one[0]].cost_pct if one[0] in costs else 0.0)
    return page(
        "voice",
        **head(hall, shown.shelf, shown),
        voice=voice,
        parts=voice_parts(shown.result, voice),
        costs=voice_costs(voice),
        others=others,
        rows=[
            {
                "name": name,
                "pair": pair,
                "cost": number(costs[name].cost_pct, 1) if name in costs else "–",
                "knee": None if knees.get(name) is None else number(knees[name] or 0.0, 0),
            }
            for name, pair in order
        ],
        own=voice.words != type(voice.words)(),
        with_moves=voice.with_moves,
    )


# --- the first evening, recordings, words


def roles() -> list[str]:
    """Roles in the order they are offered."""
    return list(ROLES)


def proposal(house: HouseFile, heard: Mapping[str, str]) -> list[dict[str, Any]]:
    """Sources as they are proposed."""
    return [
        {
            "name": source.name,
            "role": source.role,
            "left": str(source.tracks[0]),
            "right": str(source.tracks[1]) if len(source.tracks) == 2 else "",
            "heard": heard.get(source.name, ""),
            "channel": "",
            "patch": "",
        }
        for source in house.source
    ]


def week_source(text_: str, name: str) -> dict[str, Any]:
    """A source of a house file's text; an empty one when there is none."""
    for one in tomllib.loads(text_).get("source", []):
        if one.get("name") == name:
            return dict(one)
    return {}


def title_of(source: Source) -> str:
    """A source with where it is."""
    return f"{source.name} ({source.where})" if source.where else source.name


def shelf_line(shelf: Shelf) -> str:
    """A recording in a list."""
    return f"{dated(shelf.name, spoken_date(shelf.date) or None)}"
