"""Level against nominal, after the gain, trim and polarity that the house file holds."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from deskhand.findings.context import Context, Gathering, gain_cautions, has_nominal, role_of
from deskhand.findings.kinds import KINDS
from deskhand.house.blocks import BLOCKS
from deskhand.measure.activity import WINDOW_BLOCKS, loose_level_dbfs
from deskhand.measure.bleed import is_only_bleed
from deskhand.measure.readings import LEAST_ACTIVE_S, source_mean_square
from deskhand.measure.spread import half_width_of
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding, Severity
    from deskhand.house import Source
    from deskhand.measure.readings import SourceReading

_PATTERN_DB: Final = 2.0
"""By how much more the level of a whole kit, of toms and of percussion may lie off before it is said: it follows what of them is played and not
only the gain. Common practice, no source; overheads in 120 weeks of grooves at one gain, from recorded hits of two kits, lay within 2.5 dB of
their median in 98 % (weeks as tests/support/grooves.py makes them)."""
_STROKES_DB: Final = 1.0
"""By how much more a drum's level may: nobody strikes alike from evening to evening. Common practice, no source; the same weeks lay within
1 dB of their median in 98 %, those of a third kit, struck from soft to loud, within 1.6 dB of the true level (validations/clean_stage.py, half to
tune on)."""
_FEW_STROKES: Final = 10
"""Strokes below which the level is less sure: three seconds of their windows, as of any source. Common practice, no source."""
_FEW_STROKES_DB: Final = 3.0
"""By how much more than others it may then lie off: in weeks of four to nine strokes of toms it lay within 2.2 dB of nominal. As above."""
_LEAST_STROKES: Final = 4
"""Fewer strokes tell no spread, and what is low in them may be the bleed of the others. Common practice, no source."""
_LEAST_LOUD_STROKES: Final = 2
"""Strokes from which what is too high is said all the same: no bleed is that loud, and one may be a bump at the stand. Common practice, no source."""
_GAIN_SAID_DB: Final = 0.05
"""A gain below this is 0.0 dB when it is printed with one decimal: arithmetic."""


def _is_unused(source: Source, reading: SourceReading, context: Context) -> bool:
    """True where all that a microphone hears is the other sources: raising it until they are at nominal invites feedback."""
    others = [
        source_mean_square(context.figures, neighbour.tracks)
        for name, neighbour in context.readings.items()
        if name != source.name
    ]
    # where it does not follow the others it is used, and why it is so low nobody has measured
    return is_only_bleed(source_mean_square(context.figures, reading.tracks), others)


def level(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """Level too low or too high at the nominal point, with the knob and by how much."""
    point = context.nominal(source)
    if point.level_dbfs is None or not _is_judged(source, reading, context, earlier):
        return []
    gathering = Gathering(source.name, earlier)
    nominal_dbfs = context.house.nominal_dbfs(source)
    listen_db, fix_db = context.house.level_limits_db(source)
    off_db = point.level_dbfs - nominal_dbfs
    agreed_db = _agreed_off_db(source, reading, off_db)
    # peaks near full scale are turned down at the preamp: what then is too high still is left, and what is too low has no room
    at_preamp_db = _still_at_preamp_db(source, context, earlier)
    left_db = off_db + at_preamp_db
    margin_db = _margin_db(source, reading)
    least_off_db = min(map(abs, (off_db, agreed_db, left_db)))
    if least_off_db < listen_db + margin_db or not _is_sure(source, reading, off_db, least_off_db, listen_db):
        return []
    # peaks decide how far a gain can go up: what they hold back is not low
    raise_db = point.raise_db(-off_db)
    if (at_preamp_db and left_db < 0) or (off_db < 0 and raise_db < listen_db):
        return []
    turned, step_db = _knob(context, earlier)
    coarse = abs(agreed_db) >= fix_db + margin_db
    severity: Severity = "fix" if coarse else "listen"
    case = ("below" if off_db < 0 else "above") + ("" if coarse else "-fine")
    change_db: float | None = None
    advice: tuple[str, ...] = ("volume-cable-pad",)
    if _is_asked(source, point.level_dbfs, fix_db):
        severity, case, advice = "note", "asked-below" if off_db < 0 else "asked-above", ("answer-level",)
    elif off_db > 0:
        change_db, advice = point.change_db(nominal_dbfs - at_preamp_db, step_db), ("lower",)
    elif raise_db <= KINDS["level-low"]["most_raise_db"]:
        severity = "fix" if coarse and raise_db >= fix_db else "listen"
        change_db, advice = point.change_db(nominal_dbfs, step_db), ("raise",)
    elif role_of(source).open_microphone and _is_unused(source, reading, context):
        severity = "note" if role_of(source).rests else "listen"
        case, advice = "unused", ("use-first",)
    elif role_of(source).open_microphone:
        severity, case, advice = "listen", "far-below", ("gain-and-reduction",)
    gathering.add(
        "level-low" if off_db < 0 else "level-high",
        severity,
        case,
        advice=advice,
        cautions=() if change_db is None else gain_cautions(source, raises=off_db < 0),
        facts={
            "off_db": abs(off_db),
            "after_gains": _after_gains(source, point.gain_db, context),
            "turned": turned,
            **({} if change_db is None else {"turn_db": abs(change_db)}),
        },
        metric="level_dbfs",
        measured=round(point.level_dbfs, 1),
        expected=nominal_dbfs,
        low=nominal_dbfs - listen_db,
        high=nominal_dbfs + listen_db,
        unit="dBFS",
        change_db=change_db,
    )
    return gathering.new


def _is_sure(source: Source, reading: SourceReading, off_db: float, least_off_db: float, listen_db: float) -> bool:
    """True where the level is off by more than is uncertain: nobody turns a knob by what the reading itself does not know."""
    return least_off_db >= _unsure_db(source, reading) or _strikes_loud(source, reading, off_db, listen_db)


def _unsure_db(source: Source, reading: SourceReading) -> float:
    """Uncertainty of the level; of a few seconds of playing, or a few hits, by how far their windows lie apart. Fewer hits tell nothing."""
    if role_of(source).strikes and reading.activity.windows.sum() < _LEAST_STROKES:
        return math.inf
    pm_db = reading.readings.level_dbfs_pm
    if pm_db is None:
        levels_dbfs = reading.activity.level_dbfs[reading.activity.windows]
        # windows that follow each other share blocks; hits do not
        independent_dbfs = levels_dbfs if role_of(source).strikes else levels_dbfs[::WINDOW_BLOCKS]
        pm_db = half_width_of(independent_dbfs, reading.activity.level_of)
    return pm_db or 0.0


def _margin_db(source: Source, reading: SourceReading) -> float:
    """By how much more than others a drum, or what hears a whole kit, may lie off nominal."""
    role = role_of(source)
    if role.strikes and reading.activity.windows.sum() < _FEW_STROKES:
        return _FEW_STROKES_DB
    if role.hears_kit or role.rests:
        return _PATTERN_DB
    return _STROKES_DB if role.strikes else 0.0


def _strikes_loud(source: Source, reading: SourceReading, off_db: float, listen_db: float) -> bool:
    """True for a drum that is too high with two of its strokes at least, as much as few strokes have to be."""
    level_dbfs = reading.readings.level_dbfs
    if not role_of(source).strikes or level_dbfs is None:
        return False
    limit_db = listen_db + _FEW_STROKES_DB
    strokes_off_db = reading.activity.level_dbfs[reading.activity.windows] - level_dbfs + off_db
    return off_db >= limit_db and int((strokes_off_db >= limit_db).sum()) >= _LEAST_LOUD_STROKES


def _agreed_off_db(source: Source, reading: SourceReading, off_db: float) -> float:
    """Distance from nominal on which a second reading of the level agrees: the smaller one, nothing where they point apart.

    A line has no bleed below its playing: where its windows are parted into two heaps, both may be playing. A drum's level is that of its hits, and in a voice's microphone the lower heap is the stage.
    """
    role, level_dbfs = role_of(source), reading.readings.level_dbfs
    loose_dbfs = loose_level_dbfs(reading.activity)
    if role.strikes or role.open_microphone or loose_dbfs is None or level_dbfs is None:
        return off_db
    loose_off_db = off_db + loose_dbfs - level_dbfs
    return min(off_db, loose_off_db, key=abs) if off_db * loose_off_db > 0.0 else 0.0


def _is_judged(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> bool:
    """True where it has a nominal, has played for long enough (of a drum its strokes tell, few as they are), and does not clip.

    What clips at the preamp is turned down there by what its peaks ask for; the level of what is left is trim's business (moves).
    """
    active_s = reading.activity.blocks.sum() * context.hop_s
    return (
        has_nominal(source)
        and bool(active_s >= LEAST_ACTIVE_S or role_of(source).strikes)
        and not any("over_db" in finding.facts for finding in earlier)
    )


def _is_asked(source: Source, level_dbfs: float, fix_db: float) -> bool:
    """True where it comes in as it did when the house file was proposed, and nobody has said yet whether that is meant."""
    if source.asked_level_dbfs is None or source.nominal_dbfs is not None:
        return False
    return abs(level_dbfs - source.asked_level_dbfs) < fix_db


def _still_at_preamp_db(source: Source, context: Context, earlier: Sequence[Finding]) -> float:
    """Change that peaks ask of the preamp, without what was turned since the take was recorded: the level has that already."""
    asked_db = sum(finding.change_db or 0.0 for finding in earlier)
    return min(0.0, asked_db - context.turned_at_preamp_db(source)) if asked_db else 0.0


def _knob(context: Context, earlier: Sequence[Finding]) -> tuple[str, float]:
    """Gain that is turned for a level, and its steps.

    A preamp changes every player's mix: once line check is over, the digital trim is turned, unless what comes in is noisy.
    """
    desk = context.house.desk
    noisy = any(KINDS[finding.kind].at_preamp and not KINDS[finding.kind].too_hot for finding in earlier)
    return ("gain", desk.gain_step_db) if context.line_check or noisy else ("trim", desk.trim_step_db)


def _after_gains(source: Source, gain_db: float, context: Context) -> str:
    """Words for the gain and trim that are in the house file already and counted in."""
    names = dict.fromkeys(block.block for block in context.desk.blocks(source) if BLOCKS[block.block].is_gain)
    if not names or abs(gain_db) < _GAIN_SAID_DB:
        return ""
    blocks = phrase(" and ").join(phrase(name) for name in names)
    return phrase(" after its {blocks} of {gain_db:+1} dB", blocks=blocks, gain_db=gain_db)
