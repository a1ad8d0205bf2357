"""Measures a recording before and after the house's chains, and judges each source by itself."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from deskhand.baseline.keep import chain_digest
from deskhand.baseline.kept import MIX
from deskhand.chain.run import Chain
from deskhand.chain.take import WithChains
from deskhand.findings import Context, Finding, joined, judge, judge_chain, judge_mix, judge_voices
from deskhand.house import ROLES
from deskhand.measure.bleed import bleed
from deskhand.measure.excerpt import telling_start_s
from deskhand.measure.figures import measure_figures
from deskhand.measure.loud_moments import LENGTH_S, exceeded_loudness_sone
from deskhand.measure.readings import SourceReading, read_source, source_mean_square
from deskhand.mix.bus import gains, level_offset_db, listening_dba, note_gains, strips
from deskhand.mix.clearance import shifted
from deskhand.mix.recorded import recorded_mix
from deskhand.mix.voices import feed_strips, measure_voices, sings, voices_of
from deskhand.recording.names import nearest
from deskhand.tasks.check.mix import mix_result, mix_voice_ratio
from deskhand.tasks.new import microphones_of_one
from deskhand.tasks.seats import MeteredSource

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.chain.meter import Stage
    from deskhand.desk import DeskState
    from deskhand.house import ChainBlock, HouseFile, MatchedTracks
    from deskhand.measure.activity import Activity
    from deskhand.measure.figures import Figures
    from deskhand.mix.clearance import AudibilityLimits, Clearance
    from deskhand.mix.recorded import RecordedMix
    from deskhand.mix.voice_ratio import VoiceRatio
    from deskhand.recording import Recording
    from deskhand.result import MixResult
    from deskhand.tasks.seats import EveningMeter


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TakeInput:
    """Recording with its house, tap and tracks, to be measured."""

    house: HouseFile
    recording: Recording
    matched: MatchedTracks
    desk: DeskState
    folder: Path | None
    """Folder of the house file."""
    line_check: bool = True
    words: dict[str, AudibilityLimits] | None = None
    """Source to what its words need to be clear, learned from kept takes; None while nothing is kept."""
    threads: int = 2
    progress: Callable[[float], None] | None = None
    meter: EveningMeter | None = None
    """Meters of the seats, fed while the recording is read; None without a seat."""

    @property
    def present(self) -> dict[str, tuple[int, ...]]:
        """Source to its tracks, for those that have any here."""
        tracks_of = {
            source.name: tuple(track for track in self.matched.by_source[source.name] if track is not None)
            for source in self.house.source
            if source.used
        }
        return {name: tracks for name, tracks in tracks_of.items() if tracks}

    @property
    def missing(self) -> dict[str, list[str]]:
        """Source to its tracks that the recording does not have."""
        return {
            source.name: [
                str(track)
                for track, position in zip(source.tracks, self.matched.by_source[source.name], strict=True)
                if position is None
            ]
            for source in self.house.source
            if source.used and None in self.matched.by_source[source.name]
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TakeReadings:
    """Readings of a take before and after the house's chains, with the findings of each source by itself."""

    figures: Figures
    """Figures of the recorded tracks."""
    figures_with_chains: Figures
    """Figures of the recorded tracks, of what comes out of the chains, and of the mix."""
    rows: dict[str, tuple[int, ...]]
    """Source, or the mix, to the rows of `figures_with_chains` that hold it after its chain."""
    digests: dict[str, str | None]
    """Source to the digest of the blocks that were run."""
    before: dict[str, SourceReading]
    after: dict[str, SourceReading]
    stages: dict[str, tuple[Stage, ...]]
    traces_db: dict[str, dict[str, NDArray[np.float64]]]
    """Source to the gain reduction of each block over time."""
    findings: dict[str, list[Finding]]
    """Source to its findings, before any kept take is looked at."""
    mix_track_findings: list[Finding]
    """Findings of the desk's own mix, where it was recorded."""
    mix: MixResult | None
    recorded_mix: RecordedMix | None
    """The desk's own mix against its target, where both are there."""
    voice_ratio: VoiceRatio | None
    """Lead voice against the band in the desk's own mix, where it was recorded."""
    mix_reading: SourceReading | None
    voices: list[Clearance]
    tracks: dict[str, tuple[int, ...]]
    """Source to its tracks, without the desk's own mix."""
    blocks: dict[str, Sequence[ChainBlock]]
    """Source to the blocks of its chain that were run."""
    offset_db: float
    """Sound pressure level in dB of a feed with a mean square of 1."""

    @property
    def playing(self) -> dict[str, Activity]:
        """Activity of each source that carries anything."""
        return playing_of(self.before)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Chained:
    """Recording with its chains on the way, measured."""

    chains: dict[str, Chain]
    figures: Figures
    """Recorded tracks first."""
    rows: dict[str, tuple[int, ...]]
    """Source to the rows after its chain."""
    mix_rows: tuple[int, int] | None


def measure(take: TakeInput) -> TakeReadings:
    """Measure a take before and after its chains, and judge each source by itself."""
    present = take.present
    groups = [pair for pair in microphones_of_one(take.house) if pair[0] in present and pair[1] in present]
    tracks = {name: rows for name, rows in present.items() if not set(rows) & set(take.matched.mix)}
    chained = _run_chains(take, present, groups, tracks)
    count = len(take.recording.tracks)
    # what is wrong is judged on what was recorded
    figures = replace(chained.figures, tracks=chained.figures.tracks[:count], gram=chained.figures.gram[:count, :count])
    before, after = _readings(take, present, groups, figures, chained)
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


def _chains(take: TakeInput, present: dict[str, tuple[int, ...]]) -> dict[str, Chain]:
    """Chains that are still to come where the recording was taken, by source."""
    chains = {}
    for source in take.house.source:
        tracks = present.get(source.name, ())
        blocks = take.desk.blocks(source)
        if blocks and len(tracks) == len(source.tracks):
            chains[source.name] = Chain(
                blocks,
                channels=len(tracks),
                sample_rate_hz=take.recording.sample_rate_hz,
                folder=take.folder,
                metered=True,
                source=source.name,
            )
    return chains


def _run_chains(
    take: TakeInput,
    present: dict[str, tuple[int, ...]],
    groups: list[tuple[str, str]],
    tracks_of: dict[str, tuple[int, ...]],
) -> _Chained:
    """Run the recording through the chains into the mix, and measure all of it in one pass."""
    pairs: list[tuple[int, int]] = [(tracks[0], tracks[1]) for tracks in present.values() if len(tracks) == 2]
    pairs += [(present[first][0], present[second][0]) for first, second in groups]
    origins = [
        present[source.name][0]
        for source in take.house.source
        if not ROLES[source.role].in_a_mix and source.name in present
    ]
    chains, count = _chains(take, present), len(take.recording.tracks)

    def mixed(rows: list[tuple[int, ...]], total: int) -> NDArray[np.float32] | None:
        mix_strips = strips(take.house, tracks_of | dict(zip(chains, rows, strict=True)))
        return gains(mix_strips, total) if mix_strips else None

    source = take.recording if take.meter is None else MeteredSource(take.recording, take.meter.take)
    audio = WithChains(source, count, [(present[name], chain) for name, chain in chains.items()], mix=mixed)
    rows = dict(zip(chains, audio.rows, strict=True))
    if audio.mix_rows is not None:
        pairs.append(audio.mix_rows)
    pairs += [(row[0], row[1]) for row in rows.values() if len(row) == 2]
    figures = measure_figures(
        audio,
        audio.tracks,
        pairs=pairs,
        origins=origins,
        targets=count,
        humming=frozenset(audio.mix_rows or ()),
        note_gains=None if take.line_check else note_gains(take.house, tracks_of, audio.tracks),
        threads=take.threads,
        progress=take.progress,
    )
    return _Chained(chains=chains, figures=figures, rows=rows, mix_rows=audio.mix_rows)


def _readings(
    take: TakeInput,
    present: dict[str, tuple[int, ...]],
    groups: list[tuple[str, str]],
    figures: Figures,
    chained: _Chained,
) -> tuple[dict[str, SourceReading], dict[str, SourceReading]]:
    """Readings of each source at the tap, and after its chain."""
    not_mix = {name: tracks for name, tracks in present.items() if set(tracks) - set(take.matched.mix)}
    by_cable = {source.name for source in take.house.source if source.by_cable}
    bleed_of = _bleed(figures, not_mix, groups, by_cable)
    listened_dba, mains_hz = listening_dba(take.house), take.house.house.mains_hz
    before, after = {}, {}
    for source in take.house.source:
        if source.name not in present:
            continue
        role = ROLES[source.role]
        before[source.name] = read_source(
            figures,
            present[source.name],
            strikes=role.strikes,
            mains_hz=mains_hz,
            by_cable=source.by_cable,
            parted=not role.hears_kit,
            bleed=None if role.hears_kit else bleed_of.get(source.name),
            level_dba=listened_dba,
        )
        if source.name in chained.rows:
            after[source.name] = read_source(
                chained.figures,
                chained.rows[source.name],
                strikes=role.strikes,
                mains_hz=mains_hz,
                level_dba=listened_dba,
                playing=before[source.name].activity,
            )
    return before, after


def _bleed(
    figures: Figures, present: dict[str, tuple[int, ...]], groups: list[tuple[str, str]], by_cable: set[str]
) -> dict[str, NDArray[np.float64]]:
    """Bleed of all others in each source's microphones, by name; sources that come by cable hear nobody."""
    position = {name: number for number, name in enumerate(present)}
    siblings = [
        (position[first], position[second]) for first, second in groups if first in position and second in position
    ]
    powers = bleed(
        [source_mean_square(figures, tracks) for tracks in present.values()],
        siblings=siblings,
        deaf={position[name] for name in by_cable if name in position},
    )
    return dict(zip(present, powers, strict=True))


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


def playing_of(readings: dict[str, SourceReading]) -> dict[str, Activity]:
    """Activity of each source that carries anything."""
    return {name: reading.activity for name, reading in readings.items() if reading.readings.level_dbfs is not None}


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
        )
    ]


def with_loud_moments(readings: TakeReadings, recording: Recording, level_dba: float, threads: int) -> TakeReadings:
    """Readings with the loudness of each source's loud moments, from a second look at a few seconds of it."""
    sources = list(readings.before.values())
    starts_s = [
        telling_start_s(readings.figures, reading.tracks, reading.activity, length_s=LENGTH_S) for reading in sources
    ]

    def with_loudness(excerpt: tuple[int, NDArray[np.float32]]) -> SourceReading:
        index, samples = excerpt
        loudness_sone = exceeded_loudness_sone(samples, sample_rate_hz=recording.sample_rate_hz, level_dba=level_dba)
        silent = sources[index].readings.level_dbfs is None
        return sources[index].with_loud_moments(None if silent else loudness_sone)

    measured: dict[int, SourceReading] = {}
    wanted = [(reading.tracks, start_s) for reading, start_s in zip(sources, starts_s, strict=True)]
    with ThreadPoolExecutor(threads) as pool:
        for batch in recording.excerpts(wanted, LENGTH_S):
            measured |= zip((index for index, _ in batch), pool.map(with_loudness, batch), strict=True)
    return replace(readings, before={name: measured[index] for index, name in enumerate(readings.before)})
