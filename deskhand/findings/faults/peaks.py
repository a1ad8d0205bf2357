"""Clipped peaks, and peaks too close to full scale."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.nominal import PEAK_ROOM_DB, PREAMP_PEAK_DBFS, in_steps, in_steps_below
from deskhand.findings.context import MOST_SPANS, Context, Gathering, gain_cautions, has_nominal, role_of
from deskhand.findings.kinds import KINDS
from deskhand.measure.activity import stretches
from deskhand.units import db_from_amplitude
from deskhand.words import phrase, times

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.findings.finding import Finding
    from deskhand.house import Source
    from deskhand.measure.readings import SourceReading

_CLIPPED: Final = KINDS["clipped"]
_HEADROOM: Final = KINDS["headroom"]
_FULL_SCALE: Final = 0.98
"""A peak above this is at full scale: 0.2 dB, less than converters differ in where they clip. Common practice, no source."""
_JOIN_S: Final = 0.5
"""Clipped blocks no further apart are one moment. Common practice, no source."""
_COUNTED_UP_TO: Final = 1000
"""More cut peaks are "over 1000": nobody needs the digits. Common practice, no source."""
_LEAST_LOWER_DB: Final = 1.0
"""A smaller change of gain for headroom is not worth a hand. Common practice, no source."""
_LOUDEST_BLOCK: Final = 1
"""Index of the block, the loudest first, that tells how far peaks were cut: one alone may be a click (validations/clipping.py)."""
_WIRELESS: Final = re.compile(r"\b(radio|wireless|receiver|beltpack|bodypack|transmitter)\b", re.IGNORECASE)
"""Words by which people write down that an input comes over a radio link. Common practice, no source."""


def peaks(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """Clipped peaks of each track; where none are, peaks too close to full scale."""
    gathering = Gathering(source.name, earlier)
    lower_db = clipped_lower_db(source, reading, context)
    for track in reading.tracks:
        _clipped(source, reading, track, context, gathering, lower_db)
    peak_dbtp = reading.readings.true_peak_dbtp
    role = role_of(source)
    # a click that runs into its stop is a click all the same
    if gathering.has("clipped") or peak_dbtp is None or peak_dbtp < _HEADROOM["listen_dbtp"] or role.metronome:
        return gathering.new
    near = peak_dbtp >= _HEADROOM["fix_dbtp"] and not role.finished
    # once line check is over the preamp is everybody's: it is turned for what is about to clip, and not for less
    turned = not role.finished and (near or context.line_check)
    # one knob, one number: at line check the preamp is turned for the level as well
    room_db = max(_LEAST_LOWER_DB, PEAK_ROOM_DB + peak_dbtp, _above_nominal_db(source, context))
    lower_db = in_steps(room_db, context.house.desk.gain_step_db)
    gathering.add(
        "headroom",
        "fix" if near else "listen",
        "tap",
        advice=("leave-if-last",) if role.finished else ("lower",) if turned else ("leave-unless-louder",),
        cautions=gain_cautions(source, raises=False) if turned else (),
        facts={"room_db": max(0.0, -peak_dbtp), "turned": "gain", "turn_db": lower_db},
        metric="true_peak_dbtp",
        measured=round(peak_dbtp, 1),
        high=_HEADROOM["listen_dbtp"],
        unit="dBTP",
        change_db=-lower_db if turned else None,
    )
    return gathering.new


def _above_nominal_db(source: Source, context: Context) -> float:
    """By how much a source lies above its nominal level where the preamp is what is turned for it."""
    level_dbfs = context.nominal(source).level_dbfs
    if not context.line_check or not has_nominal(source) or level_dbfs is None:
        return 0.0
    off_db = level_dbfs - context.house.nominal_dbfs(source)
    return off_db if off_db >= context.house.level_limits_db(source)[0] else 0.0


def cut_blocks(track: int, context: Context) -> NDArray[np.bool_]:
    """(blocks,) blocks in which a track's peaks are cut flat at the top: something flat further down is the sound itself."""
    figures = context.figures.tracks[track]
    return np.asarray((figures.flats > 0) & (figures.flat_level >= _CLIPPED["at_the_top"] * float(figures.peak.max())))


def _is_clipped(track: int, context: Context) -> bool:
    """True where peaks of a track are cut, by more than chance makes."""
    figures = context.figures.tracks[track]
    cut = cut_blocks(track, context)
    count = int(figures.flats[cut].sum())
    # chance makes runs of three and four equal samples in a smooth wave; cutting makes longer ones
    long_enough = figures.long_flats[cut].sum() >= _CLIPPED["long_share"] * count
    return count >= _CLIPPED["few"] and (_at_full_scale(track, context) or bool(long_enough))


def _at_full_scale(track: int, context: Context) -> bool:
    """True where a track's highest peak is at full scale."""
    return float(context.figures.tracks[track].peak.max()) > _FULL_SCALE


def cut_by_db(source: Source, reading: SourceReading, context: Context) -> float | None:
    """Least by which a source's peaks would have gone over full scale; None where the desk's input did not clip them, or on purpose."""
    over_db = []
    for track in reading.tracks:
        if _is_clipped(track, context) and _at_full_scale(track, context) and not role_of(source).finished:
            cut = cut_blocks(track, context)
            ratios = np.sort(context.figures.tracks[track].flat_over[cut])[::-1]
            over_db.append(db_from_amplitude(float(ratios[_LOUDEST_BLOCK])) if ratios.size > _LOUDEST_BLOCK else 0.0)
    return max(over_db, default=None)


def clipped_lower_db(source: Source, reading: SourceReading, context: Context) -> float | None:
    """Least by which a preamp goes down so that what it clipped peaks at -10 dBFS, and is not above nominal; None where none clips."""
    over_db = cut_by_db(source, reading, context)
    if over_db is None:
        return None
    lower_db = max(over_db - _wanted_peak_dbfs(source, context), _above_nominal_db(source, context))
    return -in_steps_below(-lower_db, context.house.desk.gain_step_db)


def _wanted_peak_dbfs(source: Source, context: Context) -> float:
    """Where the highest peaks of a clipped input should read at its tap: a trim before it has raised them already."""
    return min(PREAMP_PEAK_DBFS + max(0.0, context.desk.recorded_trim_db(source)), -PEAK_ROOM_DB)


def _turn_facts(source: Source, reading: SourceReading, context: Context, lower_db: float) -> dict[str, float]:
    """Numbers of turning down what is clipped: by how much, where its peaks should then read, and how far they went over at least."""
    over_db = cut_by_db(source, reading, context) or 0.0
    active = reading.activity.blocks
    cut = np.any([cut_blocks(track, context)[: active.size] for track in reading.tracks], axis=0)
    return {
        "turn_db": lower_db,
        # lower only where the level asks for more than the peaks
        "peak_dbfs": min(_wanted_peak_dbfs(source, context), over_db - _above_nominal_db(source, context)),
        "over_db": over_db,
        "cut_share_pct": 100.0 * float(cut[active].mean()),
    }


def _advice(source: Source, *, meant: bool, turned: bool) -> tuple[str, ...]:
    """Names of what to do about clipping: where to turn an input down, and until when, or where else to look."""
    if not turned:
        return ("as-meant",) if meant else ("before-the-desk",)
    return _turn_at(source), _turn_until(source)


def _turn_at(source: Source) -> str:
    """Name of where a clipped input is turned down."""
    role = role_of(source)
    if _WIRELESS.search(" ".join(filter(None, (source.microphone, source.patch, source.name)))):
        return "lower-receiver"
    if role.on_radio and source.microphone is None:
        return "lower-line-or-receiver" if role.line else "lower-preamp-or-receiver"
    return "lower-line" if role.line else "lower-preamp"


def _turn_until(source: Source) -> str:
    """Name of until when it is turned down."""
    role = role_of(source)
    if not role.is_voice:
        return "until-played"
    return "until-spoken" if role.speaks else "until-sung"


def _clipped(
    source: Source,
    reading: SourceReading,
    track: int,
    context: Context,
    gathering: Gathering,
    lower_db: float | None,
) -> None:
    """Peaks of one track that are cut flat at the top."""
    if not _is_clipped(track, context):
        return
    figures = context.figures.tracks[track]
    top = float(figures.peak.max())
    cut, full = cut_blocks(track, context), _at_full_scale(track, context)
    count = int(figures.flats[cut].sum())
    spans_s = [
        (begin_s + context.offset_s, end_s + context.offset_s)
        for begin_s, end_s in stretches(cut, context.hop_s, join_s=_JOIN_S)
    ]
    role = role_of(source)
    meant = role.finished or (not full and role.line)
    many = count >= _CLIPPED["many"] + _CLIPPED["a_minute"] * context.figures.duration_s / 60.0
    turned = full and not meant and lower_db is not None
    advice = _advice(source, meant=meant, turned=turned)
    gathering.add(
        "clipped",
        "fix" if many and not meant else "listen",
        "full-scale" if full and not meant else "below",
        advice=advice,
        cautions=gain_cautions(source, raises=False) if turned else (),
        facts={
            "count_words": phrase("over {count}", count=_COUNTED_UP_TO) if count > _COUNTED_UP_TO else str(count),
            "when": times(spans_s),
            **(_turn_facts(source, reading, context, lower_db) if turned and lower_db is not None else {}),
        },
        metric="peak_dbfs",
        measured=round(db_from_amplitude(top), 2),
        unit="dBFS",
        change_db=-lower_db if turned and lower_db is not None else None,
        track=context.side(reading, track),
        at_s=tuple((round(begin_s, 3), round(end_s, 3)) for begin_s, end_s in spans_s[:MOST_SPANS]),
    )
