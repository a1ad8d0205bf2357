"""The result as one self-contained page that opens anywhere, without a network."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.first import urgency
from deskhand.mix.clearance import AudibilityLimits
from deskhand.reference.numbers import BY_NAME
from deskhand.report.pictures import (
    gain_picture,
    level_picture,
    range_picture,
    taken_picture,
    tone_picture,
    voice_picture,
)
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
from deskhand.report.words import text, words
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from jinja2 import Environment

    from deskhand.mix.clearance import Clearance
    from deskhand.reference.normal import Normal
    from deskhand.report.pictures import Picture
    from deskhand.result import CheckResult, SourceResult

_COST_PCT: Final = 0.5
_DIGITS: Final = {
    "tail_s": 2, "sharpness_acum": 2, "loudness_sone": 0, "loudness_n5_sone": 0, "noise_dbfs": 0, "hum_db": 0, "active_fraction": 0,
}  # fmt: skip
"""Of readings in small print; one where none is named."""


def _taken(name: str, picture: Picture | None) -> list[tuple[str, str]]:
    """Each block that moves gain, with its picture."""
    if picture is None:
        return []
    return [(block, taken_picture(name, picture, block)) for block in picture.taken_db]


def voice_costs(voice: Clearance) -> list[tuple[str, str, str, str]]:
    """Who covers a voice: source, what it costs, where, and when most."""
    return [
        (
            cost.source,
            number(cost.cost_pct, 1),
            f"{number(cost.low_hz, 0)} to {number(cost.high_hz, 0)} Hz",
            ", ".join(clock(begin) for begin, _ in cost.most_s),
        )
        for cost in voice.by_source[:6]
        if cost.cost_pct >= _COST_PCT
    ]


def _voices(result: CheckResult) -> list[dict[str, object]]:
    """What the page shows of each voice."""
    out: list[dict[str, object]] = []
    for voice in (*((result.vocal,) if result.vocal else ()), *result.voices):
        if not voice.phrases:
            continue
        shift = result.show.start_s
        end_s = shift + result.show.duration_s
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
                "costs": voice_costs(voice),
                "room": room,
                "method": voice.method,
            }
        )
    return out


def number_rows(source: SourceResult) -> list[tuple[str, str]]:
    """The readings in plain words, for small print."""
    readings = source.before
    if readings is None:
        return []
    values = {name: getattr(readings, name, None) for name in words()["unit"]}
    values |= {
        "active_fraction": 100.0 * readings.active_fraction,
        "step_db": source.step_db,
        "mono_loss_db": None if readings.mono_loss_db is None else -readings.mono_loss_db,
    }
    return [
        (text(f"reading.{name}"), f"{number(value, _DIGITS.get(name, 1))} {words()['unit'][name]}")
        for name, value in values.items()
        if value is not None
    ]


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
    made.globals["t"] = text
    return made, style


def page(result: CheckResult, pictures: dict[str, Picture]) -> str:
    """The page as HTML text."""
    from importlib import resources

    template = resources.files("deskhand.report").joinpath("page.html.j2").read_text("utf-8")
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
                "numbers": number_rows(source),
                "moves": [(f"{one.text} ({one.effect})", one.undo) for one in source.moves if one.is_setting],
                "normal": _normal_rows(source.normal),
                "ranges": next((range_picture(source.name, one) for one in source.normal if one.bands_db), ""),
                "kept": max((one.kept for one in source.normal), default=0),
                "judged": any(finding.noticeable is not None for finding in source.findings),
            }
        )
    own = result.vocal is not None and result.vocal.words != AudibilityLimits()
    return engine.from_string(template).render(
        style=style,
        reference=reference_line(result),
        words=text("voice.limits_own" if own else "voice.limits_common"),
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
