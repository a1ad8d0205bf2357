"""Plans the moves of every source that something is said of, and proves them by running the changed chains on the whole take."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.chain.nominal import balance_db, nominal_point
from deskhand.chain.run import Chain
from deskhand.chain.take import WithChains
from deskhand.house import STRIKING
from deskhand.measure.excerpt import LENGTH_S, telling_start_s
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.moves.plan import Heard, Plan, plan
from deskhand.reference.normal import tone_predictive, usual_tone_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from deskhand.findings import Finding
    from deskhand.house import ChainBlock, HouseFile, Source
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import Readings, SourceReading
    from deskhand.recording import Recording
    from deskhand.reference.normal import Reference
    from deskhand.store import KeptPart


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Taken:
    """What a check knows of a take when moves are planned."""

    house: HouseFile
    recording: Recording
    folder: Path | None
    figures: Figures
    before: Mapping[str, SourceReading]
    after: Mapping[str, SourceReading]
    blocks: Mapping[str, Sequence[ChainBlock]]
    """Source to the blocks of its chain behind the tap, for sources that are whole."""
    standing: Mapping[str, Sequence[ChainBlock]]
    """The same in the standing house file, which the kept weeks go by."""
    findings: Mapping[str, Sequence[Finding]]
    reference: Reference | None
    parts: Sequence[KeptPart]
    line_check: bool
    level_dba: float
    threads: int


def _wanted(findings: Sequence[Finding]) -> bool:
    return any(
        finding.severity != "note" or (finding.kind == "dynamics" and finding.metric == "reduction_db")
        for finding in findings
    )


def plans(taken: Taken) -> dict[str, Plan]:
    """The moves of each source that something is said of."""
    wanted = [
        source
        for source in taken.house.source
        if source.name in taken.blocks
        and taken.before[source.name].readings.level_dbfs is not None
        and _wanted(taken.findings.get(source.name, ()))
    ]

    def one(source: Source) -> Plan:
        name = source.name
        reading = taken.before[name]
        start_s = telling_start_s(taken.figures, reading.tracks, reading.activity)
        excerpt = taken.recording.excerpt(reading.tracks, start_s, LENGTH_S)
        first = round(start_s * 10)
        stage = "after" if name in taken.after else "tap"
        part = next((part for part in taken.parts if part.source == name and part.stage == stage), None)
        home = wanted_db = None
        if taken.reference is not None and part is not None:
            home = tone_predictive(taken.reference, part)
            wanted_db = usual_tone_db(taken.reference, part)
        behind = taken.after.get(name, reading).readings
        blocks = taken.blocks[name]
        nominal = nominal_point(blocks, reading, taken.figures)
        return plan(
            Heard(
                source=source,
                desk=taken.house.desk,
                blocks=blocks,
                skipped=len(source.chain) - len(blocks),
                excerpt=excerpt,
                playing=reading.activity.blocks[first : first + round(10 * LENGTH_S)],
                sample_rate_hz=taken.recording.sample_rate_hz,
                folder=taken.folder,
                findings=taken.findings.get(name, ()),
                before_tone_db=reading.readings.tone_db,
                after_tone_db=behind.tone_db,
                home=home,
                wanted_tone_db=wanted_db,
                line_check=taken.line_check,
                level_dbfs=nominal.level_dbfs,
                nominal_dbfs=taken.house.nominal_dbfs(source),
                level_listen_db=taken.house.level_limits_db(source)[0],
                nominal=nominal,
                usual_balance_db=balance_db(taken.standing.get(name, blocks)),
            )
        )

    with ThreadPoolExecutor(taken.threads) as pool:
        found = dict(zip((source.name for source in wanted), pool.map(one, wanted), strict=True))
    return {name: made for name, made in found.items() if made.moves or made.left_over or made.why}


def proved(taken: Taken, made: Mapping[str, Plan]) -> dict[str, Readings]:
    """Readings behind the chains as the moves leave them: run on the whole take and measured again.

    Gains turned at the preamp are run as if they were turned: what was clipped in the recording stays clipped in it.
    """
    changed = [name for name, one in made.items() if one.changed]
    if not changed:
        return {}
    chains = [
        (
            taken.before[name].tracks,
            Chain(
                made[name].blocks,
                channels=len(taken.before[name].tracks),
                sample_rate_hz=taken.recording.sample_rate_hz,
                folder=taken.folder,
                source=name,
            ),
        )
        for name in changed
    ]
    take = WithChains(taken.recording, 0, chains)
    pairs = [(rows[0], rows[1]) for rows in take.rows if len(rows) == 2]
    figures = measure_figures(take, take.tracks, pairs=pairs, threads=taken.threads)
    roles = {source.name: source.role for source in taken.house.source}
    return {
        name: read_source(
            figures,
            rows,
            strikes=roles[name] in STRIKING,
            mains_hz=taken.house.house.mains_hz,
            level_dba=taken.level_dba,
            playing=taken.before[name].activity,
        ).readings
        for name, rows in zip(changed, take.rows, strict=True)
    }
