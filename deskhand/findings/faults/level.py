"""Level against nominal, after the gain, trim and polarity that the house file holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.context import Context, Gathering, gain_cautions, has_nominal, role_of
from deskhand.findings.kinds import KINDS
from deskhand.house.blocks import BLOCKS
from deskhand.measure.activity import WINDOW_BLOCKS, loose_level_dbfs
from deskhand.measure.bleed import is_only_bleed
from deskhand.measure.readings import LEAST_ACTIVE_S, source_mean_square
from deskhand.measure.spread import half_width_of_median
from deskhand.units import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding, Severity
    from deskhand.house import Source
    from deskhand.measure.readings import SourceReading

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
    # nobody turns a knob by what the reading itself does not know
    if min(map(abs, (off_db, agreed_db, left_db))) < max(listen_db, _unsure_db(source, reading)):
        return []
    # peaks decide how far a gain can go up: what they hold back is not low
    raise_db = point.raise_db(-off_db)
    if (at_preamp_db and left_db < 0) or (off_db < 0 and raise_db < listen_db):
        return []
    turned, step_db = _knob(context, earlier)
    coarse = abs(agreed_db) >= fix_db
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
        severity, case, advice = "listen", "unused", ("use-first",)
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


def _unsure_db(source: Source, reading: SourceReading) -> float:
    """Uncertainty of the level; of a few seconds of playing, or a few hits, by how far their windows lie apart."""
    pm_db = reading.readings.level_dbfs_pm
    if pm_db is None:
        levels_dbfs = reading.activity.level_dbfs[reading.activity.windows].astype(np.float64)
        # windows that follow each other share blocks; hits do not
        pm_db = half_width_of_median(levels_dbfs if role_of(source).strikes else levels_dbfs[::WINDOW_BLOCKS])
    return pm_db or 0.0


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
    """True where it has a nominal, has played for long enough, and does not clip.

    What clips at the preamp is turned down there by what its peaks ask for; the level of what is left is trim's business (moves).
    """
    active_s = reading.activity.blocks.sum() * context.hop_s
    return (
        has_nominal(source)
        and bool(active_s >= LEAST_ACTIVE_S)
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
    sign = "+" if gain_db > 0 else ""
    return f" after its {' and '.join(names)} of {sign}{number(gain_db, 1)} dB"
