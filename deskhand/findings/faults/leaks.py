"""Click or talkback that is heard in another input, or in a recorded mix."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.context import Context, Gathering, role_of
from deskhand.findings.kinds import KINDS
from deskhand.measure.leak import find_leak
from deskhand.units import dbfs_from_mean_square

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.findings.finding import Finding, Severity
    from deskhand.house import Source

_LEAK: Final = KINDS["in-the-mix"]


def leaks(context: Context, by_source: Mapping[str, Sequence[Finding]]) -> dict[str, list[Finding]]:
    """Click and talkback heard in other inputs, by the source that they are heard in."""
    gatherings: dict[str, Gathering] = {}
    for origin, origin_track in _unmixed_sources(context):
        for target in context.house.source:
            below_db = _heard_in(target, origin_track, context)
            if below_db is None or below_db < _least_db(target, origin):
                continue
            gathering = gatherings.setdefault(target.name, Gathering(target.name, by_source.get(target.name, ())))
            gathering.add(
                "in-the-mix",
                _severity(target, origin, below_db),
                "click" if role_of(origin).metronome else "input",
                advice=(_advice(target),),
                facts={"below_db": -below_db},
                other=origin.name,
                measured=round(below_db, 1),
                high=_LEAK["leak_listen_db"],
                unit="dB",
            )
    return {name: gathering.new for name, gathering in gatherings.items()}


def leaks_in_mix(mix: Sequence[int], context: Context) -> list[Finding]:
    """Click and talkback in the recorded mix, whose tracks are named."""
    gathering = Gathering("mix")
    if not mix:
        return gathering.new
    mix_dbfs = max(float(dbfs_from_mean_square(np.array(context.figures.tracks[track].overall))) for track in mix)
    for origin, origin_track in _unmixed_sources(context):
        levels_dbfs = [
            leak.level_dbfs for track in mix if (leak := find_leak(context.figures, origin_track, track)) is not None
        ]
        below_db = max(levels_dbfs, default=-np.inf) - mix_dbfs
        if below_db >= _LEAK["leak_mix_db"]:
            gathering.add(
                "in-the-mix",
                "fix",
                "mix",
                advice=("off-the-bus",),
                facts={"below_db": -below_db},
                other=origin.name,
                measured=round(below_db, 1),
                high=_LEAK["leak_mix_db"],
                unit="dB",
            )
    return gathering.new


def _unmixed_sources(context: Context) -> list[tuple[Source, int]]:
    """Sources that belong in no mix, with their track."""
    return [
        (source, reading.tracks[0])
        for source in context.house.source
        if not role_of(source).in_a_mix and (reading := context.readings.get(source.name)) is not None
    ]


def _heard_in(target: Source, origin_track: int, context: Context) -> float | None:
    """Level of what is heard in a source, against the source's own, in dB; None where nothing is."""
    reading = context.readings.get(target.name)
    if reading is None or not role_of(target).in_a_mix or reading.readings.level_dbfs is None:
        return None
    levels_dbfs = [
        leak.level_dbfs
        for track in reading.tracks
        if (leak := find_leak(context.figures, origin_track, track)) is not None
    ]
    return max(levels_dbfs) - reading.readings.level_dbfs if levels_dbfs else None


def _by_the_room(target: Source, origin: Source) -> bool:
    """True where a talkback microphone and an open one hear the same room."""
    return role_of(target).open_microphone and role_of(origin).to_stage


def _least_db(target: Source, origin: Source) -> float:
    if _by_the_room(target, origin):
        return _LEAK["talkback_open_db"]
    # what a machine plays is locked to the click, and shares a little with it by being so
    return _LEAK["leak_fix_db"] if role_of(target).finished else _LEAK["leak_listen_db"]


def _severity(target: Source, origin: Source, below_db: float) -> Severity:
    if _by_the_room(target, origin):
        return "note"
    if role_of(target).finished:
        return "listen"
    return "fix" if below_db >= _LEAK["leak_fix_db"] else "listen"


def _advice(target: Source) -> str:
    role = role_of(target)
    return "headphones" if role.open_microphone else "ask-if-meant" if role.finished else "wrong-send"
