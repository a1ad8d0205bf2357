"""Clipped peaks, and peaks too close to full scale."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.chain.nominal import PEAK_ROOM_DB
from deskhand.findings.context import MOST_SPANS, Context, Gathering, gain_cautions, in_steps, role_of
from deskhand.findings.kinds import KINDS
from deskhand.measure.activity import stretches
from deskhand.units import db_from_amplitude
from deskhand.words import times

if TYPE_CHECKING:
    from collections.abc import Sequence

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


def peaks(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """Clipped peaks of each track; where none are, peaks too close to full scale."""
    gathering = Gathering(source.name, earlier)
    for track in reading.tracks:
        _clipped(source, reading, track, context, gathering)
    peak_dbtp = reading.readings.true_peak_dbtp
    role = role_of(source)
    # a click that runs into its stop is a click all the same
    if gathering.has("clipped") or peak_dbtp is None or peak_dbtp < _HEADROOM["listen_dbtp"] or role.metronome:
        return gathering.new
    lower_db = in_steps(max(_LEAST_LOWER_DB, PEAK_ROOM_DB + peak_dbtp), context.house.desk.gain_step_db)
    gathering.add(
        "headroom",
        "fix" if peak_dbtp >= _HEADROOM["fix_dbtp"] and not role.finished else "listen",
        "tap",
        advice=("leave-if-last",) if role.finished else ("lower",),
        cautions=() if role.finished else gain_cautions(source, raises=False),
        facts={"room_db": max(0.0, -peak_dbtp), "turned": "gain", "turn_db": lower_db},
        metric="true_peak_dbtp",
        measured=round(peak_dbtp, 1),
        high=_HEADROOM["listen_dbtp"],
        unit="dBTP",
        change_db=None if role.finished else -lower_db,
    )
    return gathering.new


def _clipped(source: Source, reading: SourceReading, track: int, context: Context, gathering: Gathering) -> None:
    """Peaks of one track that are cut flat at the top."""
    figures = context.figures.tracks[track]
    top = float(figures.peak.max())
    # what clips is cut at the top; something flat further down is the sound itself
    cut = (figures.flats > 0) & (figures.flat_level >= _CLIPPED["at_the_top"] * top)
    count = int(figures.flats[cut].sum())
    full = top > _FULL_SCALE
    # chance makes runs of three and four equal samples in a smooth wave; cutting makes longer ones
    if count < _CLIPPED["few"] or (not full and figures.long_flats[cut].sum() < _CLIPPED["long_share"] * count):
        return
    spans_s = [
        (begin_s + context.offset_s, end_s + context.offset_s)
        for begin_s, end_s in stretches(cut, context.hop_s, join_s=_JOIN_S)
    ]
    role = role_of(source)
    meant = role.finished or (not full and role.line)
    many = count >= _CLIPPED["many"] + _CLIPPED["a_minute"] * context.figures.duration_s / 60.0
    gathering.add(
        "clipped",
        "fix" if many and not meant else "listen",
        "full-scale" if full and not meant else "below",
        advice=("as-meant",) if meant else ("lower-until-whole",) if full else ("before-the-desk",),
        cautions=gain_cautions(source, raises=False) if full and not meant else (),
        facts={
            "count_words": f"over {_COUNTED_UP_TO}" if count > _COUNTED_UP_TO else str(count),
            "when": times(spans_s),
        },
        metric="peak_dbfs",
        measured=round(db_from_amplitude(top), 2),
        unit="dBFS",
        track=context.side(reading, track),
        at_s=tuple((round(begin_s, 3), round(end_s, 3)) for begin_s, end_s in spans_s[:MOST_SPANS]),
    )
