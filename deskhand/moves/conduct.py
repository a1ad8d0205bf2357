"""Plans the moves of every source that something is said of, and proves them by running the changed chains on the whole take."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from deskhand.baseline.normal import tone_predictive, usual_tone_db
from deskhand.baseline.numbers import third_octaves_db, tone_vector
from deskhand.chain.nominal import balance_db, nominal_point
from deskhand.chain.parts import NOTHING_RECORDED, PART_TYPES, RowsPart, blocks_settings, joined_figures, rows_part
from deskhand.chain.run import Chain
from deskhand.chain.take import WithChains
from deskhand.findings import has_nominal
from deskhand.house import ROLES
from deskhand.measure.excerpt import LENGTH_S, telling_start_s
from deskhand.measure.figures import measure_figures
from deskhand.measure.passages import tone_of
from deskhand.measure.readings import read_source
from deskhand.moves.plan import plan
from deskhand.moves.state import Plan, SourceState

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.baseline.normal import Baseline
    from deskhand.baseline.predict import Predictive
    from deskhand.chain.nominal import NominalPoint
    from deskhand.findings import Finding
    from deskhand.house import ChainBlock, HouseFile, Source
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import Readings, SourceReading
    from deskhand.recording import Recording
    from deskhand.reuse import KeptMeasurements
    from deskhand.store import KeptPart


_STEPS_PER_S: Final = 10
"""Steps of a source's activity: 100 ms each (measure/activity)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanningInput:
    """Take with its readings and findings, as moves are planned from it."""

    house: HouseFile
    recording: Recording
    folder: Path | None
    figures: Figures
    before: Mapping[str, SourceReading]
    after: Mapping[str, SourceReading]
    blocks: Mapping[str, Sequence[ChainBlock]]
    """Source to the blocks that the take has still to go through, for sources that are whole."""
    turned: Mapping[str, Sequence[ChainBlock]]
    """Source to those of them that no file holds: what was turned before the tap since the take was recorded. They come first."""
    standing: Mapping[str, Sequence[ChainBlock]]
    """Source to its blocks in the standing house file, which the kept weeks go by."""
    standing_faders_db: Mapping[str, float]
    """Source to its fader in the standing house file, where this week has a file of its own."""
    findings: Mapping[str, Sequence[Finding]]
    baseline: Baseline | None
    parts: Sequence[KeptPart]
    line_check: bool
    level_dba: float
    threads: int
    reuse: KeptMeasurements | None = None
    """Measurements of an earlier check, and where those of this one are kept."""
    telling_s: Mapping[str, float] = field(default_factory=dict)
    """Source to the start of its most telling stretch, where that was looked for already."""


def _asks_for_moves(findings: Sequence[Finding]) -> bool:
    """True where something is to be put right, or a compressor takes off another amount than the house wants."""
    return any(finding.severity != "note" or finding.metric == "reduction_db" for finding in findings)


def plans(planning: PlanningInput) -> dict[str, Plan]:
    """Plan the moves of each source that something is found at."""
    wanted = [
        source
        for source in planning.house.source
        if source.name in planning.blocks
        and planning.before[source.name].readings.level_dbfs is not None
        and _asks_for_moves(planning.findings.get(source.name, ()))
    ]
    readings = [planning.before[source.name] for source in wanted]
    starts_s = [
        planning.telling_s[source.name]
        if source.name in planning.telling_s
        else telling_start_s(planning.figures, reading.tracks, reading.activity)
        for source, reading in zip(wanted, readings, strict=True)
    ]

    def planned(excerpt: tuple[int, NDArray[np.float32]]) -> Plan:
        index, samples = excerpt
        return plan(_state_of(planning, wanted[index], starts_s[index], samples))

    by_index: dict[int, Plan] = {}
    places = [(reading.tracks, start_s) for reading, start_s in zip(readings, starts_s, strict=True)]
    with ThreadPoolExecutor(planning.threads) as pool:
        for batch in planning.recording.excerpts(places, LENGTH_S):
            by_index |= zip((index for index, _ in batch), pool.map(planned, batch), strict=True)
    by_source = {source.name: by_index[index] for index, source in enumerate(wanted)}
    return {name: moves for name, moves in by_source.items() if moves.moves or moves.left_over or moves.why}


def _home_of(baseline: Baseline, part: KeptPart) -> Predictive | None:
    """Tone that is expected of a source, as the levels of its whole take would show it."""
    home, levels_db, tone_db = tone_predictive(baseline, part), third_octaves_db(part.values), tone_vector(part.values)
    if home is None or levels_db is None or tone_db is None:
        return home
    # moves are worked out on the whole take, what is expected is the mean over its passages
    return replace(home, location=home.location + tone_of(levels_db) - tone_db)


def _state_of(planning: PlanningInput, source: Source, start_s: float, excerpt: NDArray[np.float32]) -> SourceState:
    """State of a source, with the excerpt (channels, frames) that tells most of it and its start."""
    name = source.name
    reading = planning.before[name]
    first = round(start_s * _STEPS_PER_S)
    stage = "after" if name in planning.after else "tap"
    part = next((part for part in planning.parts if part.source == name and part.stage == stage), None)
    home = wanted_db = None
    if planning.baseline is not None and part is not None:
        home = _home_of(planning.baseline, part)
        wanted_db = usual_tone_db(planning.baseline, part)
    blocks, turned = planning.blocks[name], planning.turned.get(name, ())
    standing = planning.standing.get(name, blocks)

    def nominal_at(chain: Sequence[ChainBlock]) -> NominalPoint:
        return nominal_point(chain, reading, planning.figures, standing=standing)

    return SourceState(
        source=source,
        desk=planning.house.desk,
        blocks=blocks,
        skipped=len(source.chain) - (len(blocks) - len(turned)),
        turned=turned,
        excerpt=excerpt,
        playing=reading.activity.blocks[first : first + round(_STEPS_PER_S * LENGTH_S)],
        sample_rate_hz=planning.recording.sample_rate_hz,
        folder=planning.folder,
        findings=planning.findings.get(name, ()),
        before_tone_db=reading.readings.tone_db,
        after_tone_db=planning.after.get(name, reading).readings.tone_db,
        home=home,
        wanted_tone_db=wanted_db,
        line_check=planning.line_check,
        nominal_at=nominal_at,
        nominal_dbfs=planning.house.nominal_dbfs(source) if has_nominal(source) else None,
        level_listen_db=planning.house.level_limits_db(source)[0],
        usual_balance_db=balance_db(standing),
        usual_fader_db=planning.standing_faders_db.get(name),
    )


def proved(planning: PlanningInput, planned: Mapping[str, Plan]) -> dict[str, Readings]:
    """Readings after the chains as the moves leave them: run on the whole take and measured again.

    Gains turned at the preamp are run as if they were turned: what was clipped in the recording stays clipped in it.
    """
    changed = [name for name, moves in planned.items() if moves.changed]
    if not changed:
        return {}
    parts = _proof_parts(planning, {name: planned[name].blocks for name in changed})
    grid = planning.figures.grid
    figures = joined_figures(grid, NOTHING_RECORDED, list(parts.values()), planning.figures.blocks)
    rows, first = {}, 0
    for name, part in parts.items():
        rows[name] = tuple(range(first, first + len(part.tracks)))
        first += len(part.tracks)
    roles = {source.name: source.role for source in planning.house.source}
    return {
        name: read_source(
            figures,
            rows[name],
            strikes=ROLES[roles[name]].strikes,
            mains_hz=planning.house.house.mains_hz,
            level_dba=planning.level_dba,
            playing=planning.before[name].activity,
        ).readings
        for name in changed
    }


def _proof_parts(planning: PlanningInput, blocks_of: Mapping[str, Sequence[ChainBlock]]) -> dict[str, RowsPart]:
    """Source to the figures after its changed chain: kept ones, and those of one pass through all others."""
    settings = {
        name: {"tracks": planning.before[name].tracks, "blocks": blocks_settings(blocks, planning.folder)}
        for name, blocks in blocks_of.items()
    }
    parts: dict[str, RowsPart | None] = dict.fromkeys(blocks_of)
    if planning.reuse is not None:
        for name in parts:
            parts[name] = planning.reuse.get("proof", settings[name], PART_TYPES)
    to_run = [name for name, part in parts.items() if part is None]
    if to_run:
        recording = planning.recording
        tracks = sorted({track for name in to_run for track in planning.before[name].tracks})
        chains = [
            (
                tuple(tracks.index(track) for track in planning.before[name].tracks),
                Chain(
                    blocks_of[name],
                    channels=len(planning.before[name].tracks),
                    sample_rate_hz=recording.sample_rate_hz,
                    folder=planning.folder,
                    source=name,
                ),
            )
            for name in to_run
        ]
        # files of other sources are not read again
        take = WithChains(recording.stretch(tracks, 0.0, recording.duration_s), 0, chains)
        pairs = [(rows[0], rows[1]) for rows in take.rows if len(rows) == 2]
        figures = measure_figures(take, take.tracks, pairs=pairs, targets=0, threads=planning.threads)
        for name, rows in zip(to_run, take.rows, strict=True):
            parts[name] = part = rows_part(figures, rows)
            if planning.reuse is not None:
                planning.reuse.put("proof", settings[name], part)
    return {name: part for name, part in parts.items() if part is not None}
