"""Faults that the house's chains make: no headroom, unwanted gain reduction; and voices that are covered in the mix."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.context import MOST_SPANS, Gathering
from deskhand.findings.kinds import KINDS
from deskhand.house.blocks import BLOCKS
from deskhand.measure.readings import LEAST_ACTIVE_S
from deskhand.words import times

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from deskhand.chain.meter import Stage
    from deskhand.findings.finding import Finding
    from deskhand.house import Source
    from deskhand.mix.clearance import Clearance

_HEADROOM: Final = KINDS["headroom"]
_REDUCTION_OFF_DB: Final = KINDS["dynamics"]["reduction_off_db"]
_COVERED_SHARE: Final = KINDS["vocal-covered"]["covered_share"]


def chain(source: Source, stages: Sequence[Stage], earlier: Sequence[Finding]) -> list[Finding]:
    """Blocks of a chain that run out of headroom, and gain reduction that is not what the house wants.

    Parameters
    ----------
    source : Source
    stages : sequence of Stage
        What its meters read, for the blocks that were run (the last ones of its chain).
    earlier : sequence of Finding
        Of the source: what is wrong at the tap is the cause of what the chain makes of it.
    """
    gathering = Gathering(source.name, earlier, stage="after")
    at_tap = [KINDS[finding.kind] for finding in earlier if finding.severity == "fix"]
    hot = next(
        (
            stage
            for stage in stages
            if stage.true_peak_dbtp is not None and stage.true_peak_dbtp > _HEADROOM["chain_dbtp"]
        ),
        None,
    )
    if hot is not None and not any(kind.too_hot for kind in at_tap):
        gathering.add(
            "headroom",
            "listen",
            "chain",
            advice=("lower-output",),
            facts={"block": BLOCKS[hot.block].words},
            metric="true_peak_dbtp",
            measured=round(hot.true_peak_dbtp or 0.0, 1),
            high=_HEADROOM["chain_dbtp"],
            unit="dBTP",
        )
    if any(kind.other_level for kind in at_tap):
        return gathering.new
    for block, stage in zip(source.chain[len(source.chain) - len(stages) :], stages, strict=True):
        wanted_db = getattr(block, "reduction_db", None)
        if wanted_db is None or stage.reduction_db is None or block.block != stage.block:
            continue
        low_db, high_db = wanted_db
        reduction_db = stage.reduction_db.median
        if low_db - _REDUCTION_OFF_DB <= reduction_db <= high_db + _REDUCTION_OFF_DB:
            continue
        too_little = reduction_db < low_db
        gathering.add(
            "dynamics",
            "note",
            "reduction",
            advice=("lower-threshold",) if too_little else ("raise-threshold",),
            facts={"block": BLOCKS[block.block].words, "low_db": low_db, "high_db": high_db},
            metric="reduction_db",
            measured=round(reduction_db, 1),
            low=low_db,
            high=high_db,
            unit="dB",
        )
    return gathering.new


def share_covered(voice: Clearance) -> float:
    """Share of a voice's words that is covered, 0 to 1; 0 where too little is sung or said to tell."""
    total_s = sum(phrase.end_s - phrase.start_s for phrase in voice.phrases)
    if total_s < LEAST_ACTIVE_S:
        return 0.0
    return sum(phrase.end_s - phrase.start_s for phrase in voice.phrases if phrase.word == "covered") / total_s


def is_covered(voice: Clearance) -> bool:
    """True for a voice that is covered for a good part of its words."""
    return share_covered(voice) >= _COVERED_SHARE


def covered(
    voices: Sequence[Clearance],
    by_source: Mapping[str, Sequence[Finding]],
    *,
    learned: Collection[str] = (),
    wanted_pct: Mapping[str, float] | None = None,
) -> dict[str, list[Finding]]:
    """Voices that are covered for a good part of their words, with when and by whom.

    Parameters
    ----------
    voices : sequence of Clearance
    by_source : mapping
        Source to its earlier findings.
    learned : collection of str
        Voices whose words are set against the house's own kept weeks; of the others it is a note.
    wanted_pct : mapping, optional
        Voice to the clearance that the house file asks for: what misses it is raised too.
    """
    wanted_pct = wanted_pct or {}
    findings: dict[str, list[Finding]] = {}
    for voice in voices:
        phrases = [phrase for phrase in voice.phrases if phrase.word == "covered"]
        covered_share = share_covered(voice)
        if covered_share < _COVERED_SHARE or not voice.by_source:
            continue
        nearest = voice.by_source[0]
        missed = voice.clearance_pct.mono < wanted_pct.get(voice.source, 0.0)
        at_s = tuple((phrase.start_s, phrase.end_s) for phrase in phrases)
        gathering = Gathering(voice.source, by_source.get(voice.source, ()), stage="after")
        gathering.add(
            "vocal-covered",
            "listen" if voice.source in learned or missed else "note",
            "covered",
            advice=("hear-the-mix",),
            facts={"covered_pct": 100 * covered_share, "when": times(at_s)},
            other=nearest.source,
            metric="audible_pct",
            measured=voice.audible_pct.mono,
            unit="%",
            band_hz=(nearest.low_hz, nearest.high_hz),
            at_s=at_s[:MOST_SPANS],
        )
        findings[voice.source] = gathering.new
    return findings
