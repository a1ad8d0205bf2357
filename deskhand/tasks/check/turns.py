"""Turns of a recorded line check: read of each input in the stretch in which it plays by itself, and set against the kept ones."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from deskhand.baseline.keep import turn_part
from deskhand.baseline.role_priors import TURN
from deskhand.baseline.turns import compared_turn, turn_spans
from deskhand.findings.line_memory import line_check_finding, line_memory
from deskhand.house import ROLES
from deskhand.measure.activity import BLOCK_S
from deskhand.measure.readings import read_source
from deskhand.mix.bus import listening_dba
from deskhand.units import dbfs_from_mean_square

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.baseline.model import Baseline
    from deskhand.findings import Finding
    from deskhand.findings.line_memory import LineMemory
    from deskhand.measure.readings import SourceReading
    from deskhand.store import KeptPart
    from deskhand.tasks.check.measure import TakeReadings
    from deskhand.tasks.check.resolve import ShowSetup


def turn_parts(setup: ShowSetup, readings: TakeReadings) -> list[KeptPart]:
    """Parts of a line check that hold each input's turn; none of another phase."""
    if not setup.is_line_check:
        return []
    plays = {
        name: reading
        for name, reading in readings.before.items()
        if reading.readings.level_dbfs is not None and not set(reading.tracks) & set(setup.matched.mix)
    }
    spans = turn_spans({name: dbfs_from_mean_square(reading.mean_square) for name, reading in plays.items()})
    parts = []
    for source in setup.house.source:
        if source.name not in spans:
            continue
        turn = _turn_reading(
            setup, readings, plays[source.name], spans[source.name], strikes=ROLES[source.role].strikes
        )
        parts.append(
            turn_part(
                source.name,
                role=source.role,
                player=setup.show.players.get(source.name),
                tap=setup.source_taps[source.name],
                playing=turn.activity,
                # the pauses of the whole take tell the noise, not what others play meanwhile
                readings=replace(turn.readings, noise_dbfs=plays[source.name].readings.noise_dbfs),
            )
        )
    return parts


def _turn_reading(
    setup: ShowSetup, readings: TakeReadings, reading: SourceReading, span_s: tuple[float, float], *, strikes: bool
) -> SourceReading:
    """Reading of a source in one stretch alone."""
    first, last = (round(end_s / BLOCK_S) for end_s in span_s)
    playing = reading.activity
    windows, blocks = np.zeros_like(playing.windows), np.zeros_like(playing.blocks)
    windows[first:last], blocks[first:last] = playing.windows[first:last], playing.blocks[first:last]
    return read_source(
        readings.figures,
        reading.tracks,
        strikes=strikes,
        mains_hz=setup.house.house.mains_hz,
        level_dba=listening_dba(setup.house),
        playing=replace(playing, windows=windows, blocks=blocks),
    )


def line_memories(
    setup: ShowSetup, baseline: Baseline, parts: Sequence[KeptPart]
) -> tuple[dict[str, LineMemory], dict[str, list[Finding]]]:
    """Turns of a line check against the kept ones: source to what is told of it, and to its finding where it is not as always."""
    memories: dict[str, LineMemory] = {}
    findings: dict[str, list[Finding]] = {}
    by_cable = {source.name: source.by_cable for source in setup.house.source}
    for part in parts:
        comparison = compared_turn(baseline, part) if part.stage == TURN else None
        if comparison is None:
            continue
        memories[part.source] = memory = line_memory(comparison, player=part.player)
        finding = line_check_finding(part.source, part.role, memory, by_cable=by_cable[part.source])
        if finding is not None:
            findings[part.source] = [finding]
    return memories, findings
