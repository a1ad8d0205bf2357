"""Measures a recording before and after the house's chains, and judges each source by itself."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from deskhand.baseline.keep import chain_digest
from deskhand.baseline.kept import MIX
from deskhand.findings import Context, Finding, joined, judge, judge_chain, judge_mix, judge_voices
from deskhand.mix.bus import level_offset_db, strips
from deskhand.mix.clearance import shifted
from deskhand.mix.recorded import recorded_mix
from deskhand.mix.voices import feed_strips, measure_voices, sings, voices_of
from deskhand.recording.names import nearest
from deskhand.tasks.check.chained import run_chains
from deskhand.tasks.check.mix import mix_result, mix_voice_ratio
from deskhand.tasks.check.source_readings import source_readings
from deskhand.tasks.check.take_input import TakeInput
from deskhand.tasks.check.take_readings import TakeReadings, playing_of
from deskhand.tasks.new import microphones_of_one

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.chain.meter import Stage
    from deskhand.house import ChainBlock
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import SourceReading
    from deskhand.mix.clearance import Clearance
    from deskhand.mix.recorded import RecordedMix

__all__ = ["TakeInput", "TakeReadings", "measure", "playing_of"]


def measure(take: TakeInput) -> TakeReadings:
    """Measure a take before and after its chains, and judge each source by itself."""
    present = take.present
    groups = [pair for pair in microphones_of_one(take.house) if pair[0] in present and pair[1] in present]
    tracks = {name: rows for name, rows in present.items() if not set(rows) & set(take.matched.mix)}
    chained = run_chains(take, present, groups, tracks)
    count = len(take.recording.tracks)
    # what is wrong is judged on what was recorded
    figures = replace(chained.figures, tracks=chained.figures.tracks[:count])
    before, after = source_readings(take, present, groups, figures, chained)
    unwritten = {source.name: len(take.desk.turned_since(source)) for source in take.house.source}
    stages = {name: chain.stages(before[name].activity)[unwritten[name] :] for name, chain in chained.chains.items()}
    findings = _findings(take, context := _context(take, figures, before), groups, stages, after)
    mix = mix_reading = None
    if chained.mix_rows is not None:
        mix, mix_reading = mix_result(
            take.house, chained.figures, strips(take.house, tracks | chained.rows), chained.mix_rows, take.matched.mix
        )
    blocks: dict[str, Sequence[ChainBlock]] = {name: chain.house_blocks for name, chain in chained.chains.items()}
    heard_mix = mix is not None and mix.loudness_lufs is not None
    offset_db = level_offset_db(take.house.room, mix.loudness_lufs) if mix and mix.loudness_lufs is not None else 0.0
    voices = _voices(take, tracks, blocks, before, offset_db) if heard_mix else []
    return TakeReadings(
        figures=figures,
        figures_with_chains=chained.figures,
        rows=chained.rows if chained.mix_rows is None else chained.rows | {MIX: chained.mix_rows},
        digests={name: chain_digest(chain.house_blocks[unwritten[name] :]) for name, chain in chained.chains.items()},
        before=before,
        after=after,
        stages=stages,
        traces_db={name: chain.traces_db() for name, chain in chained.chains.items()},
        findings=joined(findings, _voice_findings(take, voices, findings)),
        mix_track_findings=judge_mix(take.matched.mix, context),
        mix=mix,
        recorded_mix=_recorded_mix(take, before),
        voice_ratio=None
        if take.line_check
        else mix_voice_ratio(take.house, chained.figures, tracks | chained.rows, before, take.matched.mix),
        mix_reading=mix_reading,
        voices=voices,
        tracks=tracks,
        blocks=blocks,
        offset_db=offset_db,
    )


def _recorded_mix(take: TakeInput, readings: dict[str, SourceReading]) -> RecordedMix | None:
    """The desk's own mix against its target; None where one of them is not there."""
    target, tracks = take.house.desk.mix_target, take.matched.mix
    source = next((name for name, rows in take.present.items() if tracks and set(rows) <= set(tracks)), None)
    return None if target is None or source not in readings else recorded_mix(target, readings[source].readings)


def _context(take: TakeInput, figures: Figures, readings: dict[str, SourceReading]) -> Context:
    """Everything a source is judged by."""
    return Context(
        house=take.house,
        figures=figures,
        tracks=take.recording.tracks,
        readings=readings,
        offset_s=take.recording.start_s,
        line_check=take.line_check,
        desk=take.desk,
    )


def _findings(
    take: TakeInput,
    context: Context,
    groups: list[tuple[str, str]],
    stages: dict[str, tuple[Stage, ...]],
    after: dict[str, SourceReading],
) -> dict[str, list[Finding]]:
    """Findings of each source at the tap and in its chain."""
    missing = take.missing
    free = [take.recording.tracks[position].name for position in take.matched.unmatched]
    near = {name: nearest(wanted[0], free) for name, wanted in missing.items()}
    findings = judge(context, absent=missing, similar=near, groups=groups)
    in_chains = {
        source.name: judge_chain(source, stages[source.name], findings.get(source.name, ()))
        for source in take.house.source
        if source.name in after and context.readings[source.name].readings.level_dbfs is not None
    }
    return joined(findings, in_chains)


def _voice_findings(
    take: TakeInput, voices: list[Clearance], findings: dict[str, list[Finding]]
) -> dict[str, list[Finding]]:
    """Findings of voices that cannot be heard."""
    vocal = take.house.vocal
    wanted_pct = {vocal.source: vocal.clearance_pct} if vocal and vocal.clearance_pct is not None else {}
    return judge_voices(voices, findings, learned=take.words or (), wanted_pct=wanted_pct)


def _voices(
    take: TakeInput,
    tracks: dict[str, tuple[int, ...]],
    blocks: dict[str, Sequence[ChainBlock]],
    readings: dict[str, SourceReading],
    offset_db: float,
) -> list[Clearance]:
    """Clearance of the voices in the feed."""
    playing = playing_of(readings)
    return [
        shifted(clearance, take.recording.start_s)
        for voice in voices_of(take.house)
        for clearance in measure_voices(
            take.recording,
            feed_strips(take.house, tracks, blocks, in_song=sings(take.house, voice)),
            playing,
            [voice],
            offset_db=offset_db,
            words=take.words,
            folder=take.folder,
            threads=take.threads,
            reuse=take.reuse,
        )
    ]
