"""The result as one self-contained page that opens anywhere, without a network."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

from deskhand.baseline.numbers import BY_NAME
from deskhand.baseline.sides import label_of
from deskhand.language import language
from deskhand.measure.provider import providers
from deskhand.mix.clearance import AudibilityLimits
from deskhand.report.chains import block_name
from deskhand.report.loudspeakers import loudspeaker_cards
from deskhand.report.mix_weeks import recorded_mix_line
from deskhand.report.outside import MARK, is_outside, quietly_outside, told_line
from deskhand.report.pictures import (
    gain_picture,
    level_picture,
    taken_picture,
    voice_picture,
)
from deskhand.report.seats import seat_cards
from deskhand.report.songs import songs_line
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
from deskhand.report.tone_pictures import range_picture, tone_picture
from deskhand.report.turns import entries_at, memory_text
from deskhand.report.words import text, words
from deskhand.report.words_path import words_text
from deskhand.units import clock, number
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from jinja2 import Environment, Template

    from deskhand.baseline.normal import Normal
    from deskhand.mix.clearance import Clearance
    from deskhand.report.pictures import Picture
    from deskhand.result import CheckResult, SeatResult, SourceResult

_COST_PCT: Final = 0.5
"""Cost in points of audible share below which a source is not named: what would be rounded to nothing. Common practice, no source."""
_DIGITS: Final = {
    "tail_s": 2, "sharpness_acum": 2, "loudness_sone": 0, "loudness_n5_sone": 0, "noise_dbfs": 0, "hum_db": 0, "active_fraction": 0,
} | {provider.name: provider.digits for provider in providers()}  # fmt: skip
"""Of readings in small print; one where none is named."""


def _reductions(name: str, picture: Picture | None) -> list[tuple[str, str]]:
    """Name of each block that moves gain, with the picture of its gain reduction."""
    if picture is None:
        return []
    return [(block_name(block), taken_picture(name, picture, block)) for block in picture.taken_db]


def voice_costs(voice: Clearance) -> list[tuple[str, str, str, str]]:
    """Sources that cover a voice: name, what it costs, where, and when most."""
    return [
        (
            cost.source,
            number(cost.cost_pct, 1),
            phrase("{low:0} to {high:0} Hz", low=cost.low_hz, high=cost.high_hz),
            ", ".join(clock(begin) for begin, _ in cost.most_s),
        )
        for cost in voice.by_source[:6]
        if cost.cost_pct >= _COST_PCT
    ]


def _voices(result: CheckResult) -> list[dict[str, object]]:
    """Line, picture and tables of each voice."""
    cards: list[dict[str, object]] = []
    for voice in (*((result.vocal,) if result.vocal else ()), *result.voices):
        if not voice.phrases:
            continue
        shift = result.show.start_s
        end_s = shift + result.show.duration_s
        room = [
            (
                pair.source,
                number(pair.audible_pct[0].mono, 0),
                number(pair.audible_pct[3].mono, 0),
                number(pair.mono_loss_db[3] - pair.mono_loss_db[0], 1),
                "–" if pair.knee_db is None else number(pair.knee_db, 0),
            )
            for pair in voice.room
            if pair.audible_pct[-1].mono - pair.audible_pct[0].mono >= 1.0
        ]
        cards.append(
            {
                "line": voice_line(voice),
                "picture": voice_picture(voice, shift, max(end_s, shift + 1.0)),
                "index": number(voice.clearance_pct.mono, 0),
                "sides": phrase(
                    "{left:0} % left, {right:0} % right", left=voice.audible_pct.left, right=voice.audible_pct.right
                ),
                "costs": voice_costs(voice),
                "room": room,
                "method": phrase(voice.method),
            }
        )
    return cards


def reading_digits(name: str) -> int:
    """Places after the point with which a reading is shown."""
    return _DIGITS.get(name, 1)


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
        (text(f"reading.{name}"), f"{number(value, reading_digits(name))} {words()['unit'][name]}")
        for name, value in values.items()
        if value is not None
    ]


def _sounds(source: SourceResult) -> list[tuple[str, str, str]]:
    """Share, loudness and first stretches of each sound, where a source has several."""
    if len(source.sounds) < 2:
        return []
    rows = []
    for sound in source.sounds:
        spans = ", ".join(
            phrase("{begin:clock} to {end:clock}", begin=begin, end=end) for begin, end in sound.stretches_s[:4]
        )
        remainder = (
            phrase(" and {others} more", others=len(sound.stretches_s) - 4) if len(sound.stretches_s) > 4 else ""
        )
        loud = "–" if sound.loudness_lufs is None else number(sound.loudness_lufs, 1)
        rows.append((f"{number(100 * sound.share, 0)} %", loud, spans + remainder))
    return rows


def _stages(source: SourceResult) -> list[tuple[str, str, str, str]]:
    """Block, level, peak and gain reduction of each block of the house chain, after those of what goes into it."""
    if not source.stages or source.before is None:
        return []

    def text_of(value: float | None) -> str:
        return "–" if value is None else number(value, 1)

    rows = [(phrase("in"), text_of(source.before.level_dbfs), text_of(source.before.true_peak_dbtp), "")]
    for stage in source.stages:
        reduction = stage.reduction_db
        reduction_text = (
            ""
            if reduction is None
            else phrase("{median:1}, at most {most:1}", median=reduction.median, most=reduction.p95)
        )
        rows.append((block_name(stage.block), text_of(stage.level_dbfs), text_of(stage.true_peak_dbtp), reduction_text))
    return rows


def _normal_rows(normals: Sequence[Normal]) -> list[tuple[str, str, str, str]]:
    """Number, today, usual and normal range of all but the tone; what lies outside its range has a mark."""
    rows = []
    for normal in normals:
        if normal.bands_db is not None:
            continue
        reading = BY_NAME[normal.name]
        values = (normal.measured, normal.expected, normal.low, normal.high)
        today, usual, low, high = (reading.told(value) for value in values)
        mark = f" {MARK}" if is_outside(normal) else ""
        rows.append((f"{phrase(label_of(normal))}, {phrase(normal.unit)}", f"{today}{mark}", usual, f"{low} … {high}"))
    return rows


@cache
def environment() -> tuple[Environment, str]:
    """The template engine, and the style that all pages share."""
    from importlib import resources

    from jinja2 import Environment, StrictUndefined

    style = resources.files("deskhand.report").joinpath("style.css").read_text("utf-8")
    engine = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    engine.globals["t"] = text
    engine.globals["language"] = language
    return engine, style


@cache
def compiled(template: str) -> Template:
    """A page's template made ready, once for each process."""
    return environment()[0].from_string(template)


def seats_section(seats: Sequence[SeatResult]) -> str:
    """Section of a page on the sound in the house, as HTML; empty where no seat was recorded."""
    from importlib import resources

    if not seats:
        return ""
    template = resources.files("deskhand.report").joinpath("seats.html.j2").read_text("utf-8")
    return compiled(template).render(cards=seat_cards(seats))


def loudspeakers_section(result: CheckResult) -> str:
    """Section of a page on the loudspeakers at each seat, as HTML; empty where no seat was recorded."""
    from importlib import resources

    if not result.loudspeakers:
        return ""
    template = resources.files("deskhand.report").joinpath("loudspeakers.html.j2").read_text("utf-8")
    return compiled(template).render(cards=loudspeaker_cards(result))


def page(result: CheckResult, pictures: dict[str, Picture]) -> str:
    """The page as HTML text."""
    from importlib import resources

    template = resources.files("deskhand.report").joinpath("page.html.j2").read_text("utf-8")
    _, style = environment()
    cards = []
    for source in by_urgency(result):
        picture = pictures.get(source.name)
        tone = source.before.tone_db if source.before else None
        cards.append(
            {
                "source": source,
                "entries": entries_at(source, result),
                "marked": any(finding.at_s for finding in source.findings),
                "level": level_picture(source.name, picture, source.findings) if picture is not None else "",
                "stages": _stages(source),
                "sounds": _sounds(source),
                "gain": gain_picture(source, picture.nominal_dbfs if picture is not None else None),
                "reductions": _reductions(source.name, picture),
                "tone": tone_picture(source.name, tone) if tone else "",
                "numbers": number_rows(source),
                "normal": _normal_rows(source.normal),
                "ranges": next((range_picture(source.name, normal) for normal in source.normal if normal.bands_db), ""),
                "told": next((told_line(normal) for normal in source.normal if normal.bands_db), ""),
                "line_check": memory_text(source),
                "outside": any(map(is_outside, source.normal)),
                "quiet": bool(quietly_outside(source)),
                "kept": max((normal.kept for normal in source.normal), default=0),
                "judged": any(finding.noticeable is not None for finding in source.findings),
            }
        )
    learned_limits = result.vocal is not None and result.vocal.words != AudibilityLimits()
    return compiled(template).render(
        style=style,
        reference=reference_line(result),
        songs=songs_line(result),
        words=text("voice.limits_own" if learned_limits else "voice.limits_common"),
        mix_findings=[finding.text for finding in result.mix.findings] if result.mix else [],
        result=result,
        title=title(result),
        headline=headline(result),
        seats=seats_section(result.seats),
        loudspeakers=loudspeakers_section(result),
        voices=_voices(result),
        words_at_seats=[words_text(path) for path in result.words],
        mix=mix_line(result),
        mix_against_kept=recorded_mix_line(result),
        faders=fader_lines(result),
        cards=cards,
        forgotten=[phrase(reminder) for reminder in FORGOTTEN],
    )
