"""Limits of making room for a voice: how far its fader may go up, who left the kept weeks, and which microphones nobody uses."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.baseline.numbers import FEED_LEVEL
from deskhand.house import ROLES
from deskhand.measure.bleed import is_only_bleed
from deskhand.measure.readings import source_mean_square
from deskhand.units import amplitude_from_db, db_from_amplitude, db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.house import HouseFile
    from deskhand.measure.activity import Activity
    from deskhand.mix.clearance import TrialPhrase
    from deskhand.mix.voices import FeedStrip
    from deskhand.moves.conduct import PlanningInput
    from deskhand.moves.giving import Abilities
    from deskhand.moves.state import Plan

UNKNOWN_MARGIN_DB: Final = 3.0
"""How far the voice's fader goes up where nobody said how far it may: half of the 6 dB that are kept below ringing. Common practice, no
source."""
HEADROOM_DBTP: Final = -1.0
"""True peak of the mix that is not gone over (EBU R 128-2023, maximum permitted true peak level)."""
_LEFT_DB: Final = 3.0
"""Level in the feed above the kept weeks from which a source has left them; a player's level varies less from week to week. Common
practice, no source."""
_SPREADS: Final = 2.0
"""And from this many standard deviations of those weeks on: about 95 % of a normal distribution lie within. Arithmetic."""
_LEAST_WEEKS: Final = 3
"""Kept weeks that tell where a source was. Common practice, no source."""
_MOST_BACK_DB: Final = 12.0
"""A source goes back by no more at once. Common practice, no source."""
_USED_SHARE: Final = 0.1
"""Share of the voice's time from which on a microphone counts as used in the song. Common practice, no source."""
_AROUND_BLOCKS: Final = 20
"""Blocks of 100 ms before and after a line of the voice that belong to the song: 2 s, about a bar. Common practice, no source."""
_ALONG_DB: Final = 6.0
"""A singer's microphone that comes nearer to its nominal level may be sung into along with the lead. Common practice, no source."""

LimitReason = Literal["margin", "unknown-margin", "headroom", "room"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedLevels:
    """True peak and sound level of the mix of the written faders."""

    true_peak_dbtp: float | None = None
    level_dba: float | None = None
    """At the mix position, where the room is calibrated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VoiceLimit:
    """Rise that a voice's fader may make, and what keeps it from going further."""

    up_db: float
    reason: LimitReason


def voice_limit(
    planning: PlanningInput,
    lead: str,
    strips: Mapping[str, FeedStrip],
    levels: FeedLevels,
    held: Sequence[TrialPhrase],
) -> VoiceLimit:
    """Rise of the lead voice's fader that is allowed: the stated margin, the headroom of the mix, and the room's limit."""
    vocal, room = planning.house.vocal, planning.house.room
    stated_db = vocal.margin_db if vocal is not None and vocal.source == lead else None
    margin: LimitReason = "unknown-margin" if stated_db is None else "margin"
    # what this week's file has raised already is not allowed once more
    fader_db = next((source.fader_db for source in planning.house.source if source.name == lead), None) or 0.0
    raised_db = max(0.0, fader_db - planning.standing_faders_db.get(lead, fader_db))
    up_db = max(0.0, (UNKNOWN_MARGIN_DB if stated_db is None else stated_db) - raised_db)
    limits = [VoiceLimit(up_db=up_db, reason=margin)]
    reading = planning.after.get(lead, planning.before.get(lead))
    peak_dbtp = None if reading is None else reading.readings.true_peak_dbtp
    if levels.true_peak_dbtp is not None and peak_dbtp is not None:
        voice_peak = amplitude_from_db(peak_dbtp) * float(np.abs(strips[lead].matrix).sum(axis=1).max())
        limits.append(VoiceLimit(up_db=headroom_db(levels.true_peak_dbtp, voice_peak), reason="headroom"))
    if room is not None and room.limit_dba is not None and levels.level_dba is not None:
        limits.append(VoiceLimit(up_db=below_limit_db(held, room.limit_dba - levels.level_dba), reason="room"))
    return min(limits, key=lambda limit: limit.up_db)


def headroom_db(mix_dbtp: float, voice_peak: float) -> float:
    """Decibels a voice may go up before the peaks of the mix can reach -1 dBTP, were all its peaks to fall on the mix's."""
    left = amplitude_from_db(HEADROOM_DBTP) - amplitude_from_db(mix_dbtp)
    if left <= 0.0 or voice_peak <= 0.0:
        return 0.0
    return float(db_from_amplitude(1.0 + left / voice_peak))


def below_limit_db(held: Sequence[TrialPhrase], left_dba: float) -> float:
    """Decibels a voice may go up before the feed, while it is active, is louder by what is left to the room's limit."""
    voice = sum(phrase.voice_middle + phrase.voice_side for phrase in held)
    others_power = sum(float(phrase.middle.sum() + phrase.side.sum()) for phrase in held)
    if left_dba <= 0.0 or voice <= 0.0:
        return 0.0
    return float(db_from_power(((others_power + voice) * power_from_db(left_dba) - others_power) / voice))


def back_db(
    planning: PlanningInput, abilities: Mapping[str, Abilities], planned: Mapping[str, Plan]
) -> dict[str, float]:
    """Source that left its kept weeks upwards to the dB (below 0) that bring it back.

    Its level in the feed (after its chain and its fader) is set against those of the kept takes; what its own moves turn down already is
    not turned down twice.
    """
    if planning.baseline is None:
        return {}
    levels_dbfs = {
        part.source: part.values[FEED_LEVEL][0]
        for part in planning.parts
        if part.stage == "tap" and FEED_LEVEL in part.values
    }
    changes = {}
    for name, knobs in abilities.items():
        kept_dbfs = [
            part.values[FEED_LEVEL][0]
            for part in planning.baseline.parts.get((name, "tap"), ())
            if FEED_LEVEL in part.values
        ]
        has_level_move = name in planned and any(move.where in ("preamp", "trim") for move in planned[name].moves)
        if name not in levels_dbfs or len(kept_dbfs) < _LEAST_WEEKS or has_level_move or not knobs.fader:
            continue
        above_db = levels_dbfs[name] - float(np.median(kept_dbfs))
        steps = math.floor(min(above_db, _MOST_BACK_DB) / knobs.fader_step_db + 0.5)
        if above_db >= max(_LEFT_DB, _SPREADS * float(np.std(kept_dbfs, ddof=1))) and steps:
            changes[name] = -round(steps * knobs.fader_step_db, 6)
    return changes


def unused_microphones(
    planning: PlanningInput, lead: str, strips: Mapping[str, FeedStrip], playing: Mapping[str, Activity]
) -> dict[str, bool]:
    """Open microphones of voices that are in the feed and that nobody uses while the lead voice sings.

    A microphone is unused where its own signal, bleed left out, is active for less than a tenth of the lead's time, or where all that it
    holds meanwhile follows the other sources up and down.

    Returns
    -------
    dict
        Microphone to True where nobody uses it in all of the take either.
    """
    roles = {source.name: ROLES[source.role] for source in planning.house.source}
    if planning.line_check or roles[lead].speaks:
        return {}
    lead_blocks = playing[lead].blocks
    # the band plays on between the lines
    song_blocks = np.convolve(lead_blocks, np.ones(2 * _AROUND_BLOCKS + 1), "same")[: lead_blocks.size] > 0.5
    every_block = np.ones_like(lead_blocks)
    unused = {}
    for name in strips:
        if name == lead or not (roles[name].is_voice and roles[name].open_microphone):
            continue
        active = playing[name].blocks if name in playing else np.zeros_like(lead_blocks)
        rests = (active & lead_blocks).sum() < _USED_SHARE * lead_blocks.sum()
        if rests or _is_only_bleed(planning, name, strips, song_blocks):
            unused[name] = not active.any() or _is_only_bleed(planning, name, strips, every_block)
    return unused


def _is_only_bleed(
    planning: PlanningInput, name: str, strips: Mapping[str, FeedStrip], blocks: NDArray[np.bool_]
) -> bool:
    """True where a microphone holds nothing but the other sources in some blocks."""
    source = next(source for source in planning.house.source if source.name == name)
    level_dbfs = planning.before[name].readings.level_dbfs
    # who sings along with the lead goes up and down with it, but at the level of a voice
    if not ROLES[source.role].speaks and (
        level_dbfs is not None and level_dbfs > planning.house.nominal_dbfs(source) - _ALONG_DB
    ):
        return False
    powers = {masker: source_mean_square(planning.figures, strip.tracks)[blocks] for masker, strip in strips.items()}
    return is_only_bleed(powers.pop(name), list(powers.values()))


def groups_of(
    house: HouseFile, strips: Mapping[str, FeedStrip], abilities: Mapping[str, Abilities]
) -> dict[str, tuple[str, ...]]:
    """Group of the desk to its sources in the feed, for groups in which every one of them may be turned down."""
    members: dict[str, list[str]] = {}
    for source in house.source:
        if source.group is not None and source.name in strips:
            members.setdefault(source.group, []).append(source.name)
    return {
        group: tuple(names)
        for group, names in members.items()
        if len(names) > 1 and all(name in abilities for name in names)
    }
