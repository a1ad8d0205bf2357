"""Conducts the main job: recording and house in, result out. No arithmetic of its own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand import __version__
from deskhand.chain.nominal import nominal_point
from deskhand.chain.run import Chain, still_to_come
from deskhand.chain.take import WithChains
from deskhand.errors import HouseError, UsageError
from deskhand.findings import (
    NOT_JUDGED,
    Finding,
    Judged,
    causes_only,
    first_things,
    has_nominal,
    judge,
    judge_chains,
    judge_drifts,
    judge_mistaken,
    judge_mix,
    judge_normals,
    judge_upside_down,
    judge_voices,
    silenced,
    status_of,
)
from deskhand.findings.judge import flip_of
from deskhand.house import (
    NEVER_IN_A_MIX,
    STRIKING,
    HouseFile,
    Matched,
    Source,
    find_house,
    match_tracks,
    read_house,
    standing_file,
    week_file,
)  # fmt: skip
from deskhand.measure.bleed import bleed
from deskhand.measure.excerpt import telling_start_s
from deskhand.measure.figures import measure_figures
from deskhand.measure.loud_moments import LENGTH_S, exceeded_loudness_sone
from deskhand.measure.readings import SourceReading, read_source, source_mean_square
from deskhand.measure.tone import harshest_s
from deskhand.mix.balance import shares_pct, shift_phon
from deskhand.mix.bus import gains, level_dba, level_offset_db, listening_dba, strips
from deskhand.mix.clearance import shifted
from deskhand.mix.faders import find_faders
from deskhand.mix.voices import feed_strips, lead_of, measure_voices, voices_of
from deskhand.moves.conduct import Taken, plans, proved
from deskhand.moves.voice import Feed, make_way
from deskhand.new import guess_house, microphones_of_one
from deskhand.recording import Recording, ShowNote, open_recording, read_show_note
from deskhand.recording.names import key, nearest
from deskhand.recording.show import checked_date
from deskhand.reference.identity import mistaken, upside_down
from deskhand.reference.keep import chain_digest, mix_part, source_parts, voice_part
from deskhand.reference.kept import MIX, Kept, against, drifts, reading_of
from deskhand.reference.kept import load as load_kept
from deskhand.report.pictures import Picture
from deskhand.report.result import SCHEMA, CheckResult, MixResult, ReferenceResult, ShowResult, SourceResult
from deskhand.store import Dismissal, history_url

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.chain.meter import Stage
    from deskhand.findings import FirstThing
    from deskhand.house import ChainBlock
    from deskhand.measure.activity import Activity
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import Readings
    from deskhand.measure.sounds import Sound
    from deskhand.mix.bus import Strip
    from deskhand.mix.clearance import Clearance, Words
    from deskhand.mix.faders import Fader
    from deskhand.moves.plan import Plan
    from deskhand.recording.show import Phase, Tap
    from deskhand.reference.normal import Normal, Reference
    from deskhand.store import KeptPart

HEAR_S: Final = 2.0
"""How long a stretch is to hear a judgement by."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Checked:
    """The result with what the page draws, and what is kept of it."""

    result: CheckResult
    pictures: dict[str, Picture]
    parts: list[KeptPart]
    house_file: Path | None
    """Where the house is described, this week's file where there is one; None when it was guessed."""
    standing_file: Path | None
    """The standing house file: the same, or beside this week's."""
    said: list[Dismissal]
    """What is to be left alone from now on, to be written to the history."""
    plans: dict[str, Plan]
    """Source to its moves, its chain with them, and the reasoning."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What the command line says of the show; None where it says nothing."""

    phase: Phase | None = None
    tap: Tap | None = None
    date: str | None = None
    players: tuple[tuple[str, str], ...] = ()
    history: str | None = None
    """URL or file of the history; the one beside the house file by default."""
    leave: tuple[tuple[str, bool], ...] = ()
    """Findings to leave alone, by their id, and whether for good."""
    by: str = ""
    """Who says so."""
    to_be_kept: bool = False
    """Refuse a show that is kept already."""


def _house_of(
    path: Path, given: Path | None, recording: Recording, note: ShowNote, asked: Asked
) -> tuple[HouseFile, Path | None, list[str]]:
    """The house, its file where there is one, and what is to be noted of it: unless one is given, this week's goes before the standing."""
    found = given if given is not None else find_house(path)
    if found is not None:
        week = (
            week_file(found.parent, date=asked.date or note.date, name=note.name or name_of(path))
            if given is None
            else None
        )
        if week is None or not week.is_file():
            return read_house(found), found, []
        return (
            read_house(week),
            week,
            [f"with this week's settings, {week.name}; --house {found.name} for the standing ones"],
        )
    house = guess_house([track.name for track in recording.tracks], name="this house")
    return (
        house,
        None,
        ["no house file found: sources and roles are guessed from track names; write one with: deskhand new"],
    )


def _with_unmatched(house: HouseFile, matched: Matched, recording: Recording) -> tuple[HouseFile, Matched, list[str]]:
    """The house with a source for each track that nobody claims, so that it is measured and said."""
    extra: list[Source] = []
    by_source = dict(matched.by_source)
    taken = {key(source.name) for source in house.source}
    for position in matched.unmatched:
        name = recording.tracks[position].name
        if key(name) in taken:
            name = f"{name} (track {position + 1})"
        taken.add(key(name))
        extra.append(Source(name=name, role="other", tracks=[position + 1]))
        by_source[name] = (position,)
    if matched.mix:
        name = next(word for word in ("mix", "recorded mix", "desk mix") if key(word) not in taken)
        extra.append(Source(name=name, role="other", tracks=[position + 1 for position in matched.mix[:2]]))
        by_source[name] = tuple(matched.mix[:2])
    return (
        replace(house, source=[*house.source, *extra]),
        replace(matched, by_source=by_source),
        [source.name for source in extra],
    )


def source_for(name: str, house: HouseFile, where: str) -> str:
    """The house's own name of a source that somebody wrote; `where` is told when there is none."""
    found = next((source.name for source in house.source if key(source.name) == key(name)), None)
    if found is None:
        near = nearest(name, [source.name for source in house.source], count=1)
        fix = f'did you mean "{near[0]}"?' if near else "name a source of the house file"
        raise HouseError(where, f'there is no source "{name}"', fix)
    return found


def name_of(path: Path) -> str:
    """What a recording is called: all of a folder's name ("2026.03.01"), a file's without its ending."""
    whole = path.resolve()
    return whole.name if whole.is_dir() else whole.stem


def _show_of(house: HouseFile, recording: Recording, note: ShowNote, asked: Asked, notes: list[str]) -> ShowResult:
    players = {source_for(name, house, "show.toml, players"): player for name, player in note.players.items()}
    players.update({source_for(name, house, f'--player "{name}={player}"'): player for name, player in asked.players})
    for name in note.taps:
        source_for(name, house, "show.toml, taps")
    path = recording.path
    return ShowResult(
        name=note.name or name_of(path),
        date=checked_date(asked.date, "--date") if asked.date else note.date,
        phase=asked.phase or note.phase or "rehearsal",
        tap=asked.tap or note.tap or house.house.tap,
        players=players,
        start_s=recording.start_s,
        duration_s=round(recording.duration_s, 3),
        sample_rate_hz=recording.sample_rate_hz,
        tracks=len(recording.tracks),
        notes=(*recording.notes, *notes),
    )


def check(
    path: Path,
    *,
    house_path: Path | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    asked: Asked | None = None,
    threads: int = 2,
    progress: Callable[[float], None] | None = None,
    recording: Recording | None = None,
) -> Checked:
    """Measure a recording and say what is wrong with it.

    Parameters
    ----------
    path : Path
        A folder of audio files or one polyphonic file.
    house_path : Path, optional
        The house file; without it `house.toml` beside the recording or above it, or a guess from the track names.
    start_s, end_s : float, optional
        The stretch to check, in seconds.
    asked : Asked, optional
        What the caller knows of the show.
    threads : int
        Threads to measure with; the result does not depend on it.
    progress : callable, optional
        Told the share done, 0 to 1.
    recording : Recording, optional
        The one to check where it is open already, or lies in memory; `path` then tells where its show and house are.

    Raises
    ------
    RecordingError, HouseError, UsageError
        One line each: where, what, and what to do.
    """
    if recording is None:
        recording = open_recording(path, start_s=start_s, end_s=end_s)
    asked = asked or Asked()
    note = read_show_note(path if path.is_dir() else path.parent)
    house, house_file, notes = _house_of(path, house_path, recording, note, asked)
    standing = standing_file(house_file) if house_file else None
    folder = house_file.parent if house_file else None
    show = _show_of(house, recording, note, asked, notes)
    url = history_url(asked.history, folder)
    kept = None
    if url is not None:
        this = (show.name, show.date)
        kept = load_kept(url, house=house.house.name, phase=show.phase, show=this, to_be_kept=asked.to_be_kept)
    matched = match_tracks(house, [track.name for track in recording.tracks])
    house, matched, extra = _with_unmatched(house, matched, recording)
    taps = {source_for(name, house, "show.toml, taps"): tap for name, tap in note.taps.items()}
    measured = _measure(
        house,
        recording,
        matched,
        tap=show.tap,
        taps=taps,
        folder=folder,
        threads=threads,
        progress=progress,
        line_check=show.phase == "line-check",
        words=kept.words() if kept else None,
    )
    # `new` does without: it is a second look at the audio
    measured = replace(
        measured, before=_loud_moments(recording, measured.figures, measured.before, listening_dba(house), threads)
    )
    judged = measured.judged
    named = [source.name for source in house.source if source.name not in extra]
    for position in matched.unmatched:
        name = next(name for name, tracks in matched.by_source.items() if tracks == (position,) and name in extra)
        like = nearest(name, named)
        hint = f" (nearest names: {', '.join(like)})" if like else ""
        judged.by_source[name] = [
            Finding(
                id=f"{name}/unmatched-track",
                kind="unmatched-track",
                stage="tap",
                severity="note",
                text=f"not in the house file{hint}; add it there, with used = false if it does not matter",
                track=recording.tracks[position].name,
            )
        ]
    used = {source.name: taps.get(source.name) or source.tap or show.tap for source in house.source}
    parts = _parts(house, show, measured, used)
    compared = _compared(house, measured, kept, parts, used, recording.start_s, show.date)
    for found in judged.by_source.values():
        found[:] = causes_only(found)
    everything = {**judged.by_source, MIX: compared.mix}
    said = _dismissed(asked, everything, parts, show)
    silenced(everything, [*(kept.dismissals if kept else ()), *said], show=(show.name, show.date))
    taken = Taken(
        house=house,
        recording=recording,
        folder=folder,
        figures=measured.figures,
        before=measured.before,
        after=measured.after,
        blocks={
            source.name: still_to_come(source.chain, used[source.name])
            for source in house.source
            # a track that the house file does not claim, or the desk's own mix, has no chain to be written into
            if source.used
            and source.name not in extra
            and used[source.name] != "after-chain"
            and source.name in measured.before
            and len(measured.before[source.name].tracks) == len(source.tracks)
        },
        standing={}
        if standing is None or standing == house_file
        else {
            source.name: still_to_come(source.chain, used.get(source.name, show.tap))
            for source in read_house(standing).source
        },
        findings=judged.by_source,
        reference=compared.used,
        parts=parts,
        line_check=show.phase == "line-check",
        level_dba=listening_dba(house),
        threads=threads,
    )
    planned = plans(taken)
    lead = lead_of(house)
    with_moves = make_way(
        taken,
        Feed(
            tracks=measured.own,
            blocks=measured.run,
            lead=next((one for one in measured.voices if one.source == lead), None),
            offset_db=measured.offset_db,
            playing=_playing(measured.before),
        ),
        planned,
    )
    measured = replace(
        measured,
        voices=[replace(one, with_moves=with_moves) if one.source == lead else one for one in measured.voices],
    )
    result, pictures = _result(house, recording, show, matched, measured, compared, planned, proved(taken, planned))
    return Checked(
        result=result,
        pictures=pictures,
        parts=parts,
        house_file=house_file,
        standing_file=standing,
        said=said,
        plans=planned,
    )


def _dismissed(
    asked: Asked, by_source: dict[str, list[Finding]], parts: list[KeptPart], show: ShowResult
) -> list[Dismissal]:
    """What the caller does not want to hear of, as the history keeps it."""
    found = {finding.id: (source, finding) for source, several in by_source.items() for finding in several}
    out = []
    for name, for_good in asked.leave:
        if name not in found:
            near = nearest(name, list(found), count=3)
            fix = f"this take has {', '.join(near)}" if near else "this take has no findings to leave alone"
            raise UsageError(f'"{name}"', "is no finding of this take", fix)
        source, finding = found[name]
        kind = name.removeprefix(f"{source}/")
        values = reading_of(parts, source, kind)
        out.append(
            Dismissal(
                source=source,
                kind=kind,
                metric=kind if values else None,
                show=show.name,
                date=show.date,
                for_good=for_good,
                measured=finding.measured,
                values=values if for_good else {},
                said_by=asked.by,
            )
        )
    return out


def _is_flipped_back(measured: _Measured, source: Source, tap: Tap) -> bool:
    """Whether the chain reverses the polarity of one side, and mono loses less for it."""
    reading = measured.before[source.name]
    point = nominal_point(still_to_come(source.chain, tap), reading, measured.figures)
    before_db, after_db = reading.readings.mono_loss_db, point.mono_loss_db
    return point.reversed_side and (before_db is None or (after_db is not None and after_db > before_db))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Compared:
    """What the take was set against, and what came of it."""

    reference: ReferenceResult | None
    used: Reference | None
    normals: dict[str, list[Normal]]
    mix: list[Finding]


def _parts(house: HouseFile, show: ShowResult, measured: _Measured, taps: dict[str, Tap]) -> list[KeptPart]:
    """What would be kept of the take."""
    parts: list[KeptPart] = []
    for source in house.source:
        reading = measured.before.get(source.name)
        if reading is None or reading.readings.level_dbfs is None:
            continue
        after = measured.after.get(source.name)
        parts += source_parts(
            source.name,
            role=source.role,
            player=show.players.get(source.name),
            tap=taps[source.name],
            chain=measured.digests.get(source.name),
            duration_s=show.duration_s,
            before=reading.readings,
            after=after.readings if after else None,
            sounds=reading.sounds,
        )
    roles = {source.name: source.role for source in house.source}
    parts += [
        voice_part(voice, role=roles[voice.source], player=show.players.get(voice.source), tap=taps[voice.source])
        for voice in measured.voices
    ]
    if measured.mix_reading is not None and measured.mix_reading.readings.level_dbfs is not None:
        parts.append(mix_part(measured.mix_reading.readings, duration_s=show.duration_s, tap=show.tap))
    return parts


def _compared(
    house: HouseFile,
    measured: _Measured,
    kept: Kept | None,
    parts: list[KeptPart],
    taps: dict[str, Tap],
    start_s: float,
    date: str | None,
) -> _Compared:
    """Set the take against what the house kept, and add what comes of it to the findings."""
    judged, figures = measured.judged, measured.figures
    roles: dict[str, str] = {source.name: source.role for source in house.source}
    roles[MIX] = MIX
    mix = judge_mix(measured.mix_reading.readings) if measured.mix_reading is not None else []
    if kept is None or not kept.takes:
        return _Compared(reference=None, used=None, normals={}, mix=mix)
    reference, normals = against(kept, parts, taps=taps, chains={name: measured.digests.get(name) for name in taps})

    def moment(source: str) -> tuple[float, float]:
        reading = measured.before[source]
        begin_s = start_s + telling_start_s(figures, reading.tracks, reading.activity, length_s=HEAR_S)
        return begin_s, begin_s + HEAR_S

    def harsh(source: str) -> tuple[tuple[float, float], ...]:
        rows = measured.rows.get(source) or measured.before[source].tracks
        reading = measured.mix_reading if source == MIX else measured.before[source]
        assert reading is not None
        tone = np.mean([measured.everything.tracks[row].tone for row in rows], axis=0)
        return tuple((a + start_s, b + start_s) for a, b in harshest_s(tone, reading.activity.blocks))

    found = judge_normals(normals, roles, learned=reference.learned, hear_s=moment, harsh_s=harsh)
    for name, one in judge_mistaken(mistaken(reference, parts)).items():
        judged.by_source[name].insert(0, one)
    by_name = {source.name: source for source in house.source}
    turned = {
        name: nats
        for name, nats in upside_down(reference, parts).items()
        if not _is_flipped_back(measured, by_name[name], taps[name])
    }
    readings = {name: measured.before[name] for name in turned}
    flips = {name: flip_of(figures, own.tracks, own.activity.blocks) for name, own in readings.items()}
    for name, one in judge_upside_down(turned, flips).items():
        if all(finding.kind != "polarity" for finding in judged.by_source[name]):
            judged.by_source[name].insert(0, one)
    for name, several in found.items():
        if name == MIX:
            mix = [*mix, *(one for one in several if one.kind not in {other.kind for other in mix})]
        else:
            judged.by_source[name] += several
    for name, several in judge_drifts(drifts(reference, parts, date=date, left_out=NOT_JUDGED)).items():
        judged.by_source[name] += several
    dates = sorted(take.date for take in kept.takes if take.date)
    return _Compared(
        reference=ReferenceResult(
            kept=len(kept.takes),
            first_date=dates[0] if dates else None,
            last_date=dates[-1] if dates else None,
            learned=reference.learned,
            set_aside=dict(reference.set_aside),
            other_tap=dict(reference.other_tap),
        ),
        used=reference,
        normals=normals,
        mix=mix,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measured:
    """What was read before and after the house's chains, and what is said of it."""

    figures: Figures
    """Of what was recorded."""
    everything: Figures
    """The same with what comes out of the chains, and the mix."""
    rows: dict[str, tuple[int, ...]]
    """Source, or the mix, to the rows of `everything` that hold it behind its chain."""
    digests: dict[str, str | None]
    """Source to the digest of the blocks that were run."""
    before: dict[str, SourceReading]
    after: dict[str, SourceReading]
    stages: dict[str, tuple[Stage, ...]]
    traces: dict[str, dict[str, NDArray[np.float64]]]
    judged: Judged
    mix: MixResult | None
    mix_reading: SourceReading | None
    voices: list[Clearance]
    own: dict[str, tuple[int, ...]]
    """Source to its tracks, without the desk's own mix."""
    run: dict[str, Sequence[ChainBlock]]
    """Source to the blocks of its chain that were run."""
    offset_db: float
    """DB SPL of a feed with a mean square of 1."""


def _chains(
    house: HouseFile,
    present: dict[str, tuple[int, ...]],
    taps: dict[str, Tap],
    tap: Tap,
    rate_hz: int,
    folder: Path | None,
) -> dict[str, Chain]:
    """The chains that are still to come where the recording was taken, by source."""
    found = {}
    for source in house.source:
        tracks = present.get(source.name, ())
        blocks = still_to_come(source.chain, taps.get(source.name) or source.tap or tap)
        if blocks and len(tracks) == len(source.tracks):
            found[source.name] = Chain(
                blocks, channels=len(tracks), sample_rate_hz=rate_hz, folder=folder, metered=True, source=source.name
            )
    return found


def _measure(
    house: HouseFile,
    recording: Recording,
    matched: Matched,
    *,
    tap: Tap,
    taps: dict[str, Tap],
    folder: Path | None,
    threads: int,
    progress: Callable[[float], None] | None,
    line_check: bool = True,
    words: dict[str, Words] | None = None,
) -> _Measured:
    present = {
        source.name: tuple(track for track in matched.by_source[source.name] if track is not None)
        for source in house.source
        if source.used
    }
    present = {name: tracks for name, tracks in present.items() if tracks}
    groups = [pair for pair in microphones_of_one(house) if pair[0] in present and pair[1] in present]
    pairs: list[tuple[int, int]] = [(tracks[0], tracks[1]) for tracks in present.values() if len(tracks) == 2]
    pairs += [(present[one][0], present[other][0]) for one, other in groups]
    origins = [
        present[source.name][0] for source in house.source if source.role in NEVER_IN_A_MIX and source.name in present
    ]
    chains = _chains(house, present, taps, tap, recording.sample_rate_hz, folder)
    count = len(recording.tracks)
    own = {name: tracks for name, tracks in present.items() if not set(tracks) & set(matched.mix)}

    def mixed(rows: list[tuple[int, ...]], total: int) -> NDArray[np.float32] | None:
        found = strips(house, own | dict(zip(chains, rows, strict=True)))
        return gains(found, total) if found else None

    take = WithChains(recording, count, [(present[name], chain) for name, chain in chains.items()], mix=mixed)
    rows = dict(zip(chains, take.rows, strict=True))
    if take.mix_rows is not None:
        pairs.append(take.mix_rows)
    pairs += [(row[0], row[1]) for row in rows.values() if len(row) == 2]
    everything = measure_figures(
        take, take.tracks, pairs=pairs, origins=origins, targets=count, threads=threads, progress=progress
    )
    # what is wrong is judged on what was recorded
    figures = replace(everything, tracks=everything.tracks[:count], gram=everything.gram[:count, :count])
    heard = _bleed(
        figures, {name: tracks for name, tracks in present.items() if set(tracks) - set(matched.mix)}, groups
    )
    listened_dba = listening_dba(house)
    readings = {}
    after = {}
    for source in house.source:
        if source.name not in present:
            continue
        strikes = source.role in STRIKING
        readings[source.name] = read_source(
            figures,
            present[source.name],
            strikes=strikes,
            mains_hz=house.house.mains_hz,
            bleed=heard.get(source.name),
            level_dba=listened_dba,
        )
        if source.name in rows:
            after[source.name] = read_source(
                everything,
                rows[source.name],
                strikes=strikes,
                mains_hz=house.house.mains_hz,
                level_dba=listened_dba,
                playing=readings[source.name].activity,
            )
    stages = {name: chain.stages(readings[name].activity) for name, chain in chains.items()}
    traces = {name: chain.traces_db() for name, chain in chains.items()}
    missing = {
        source.name: [
            str(track)
            for track, found in zip(source.tracks, matched.by_source[source.name], strict=True)
            if found is None
        ]
        for source in house.source
        if source.used and None in matched.by_source[source.name]
    }
    free = [recording.tracks[position].name for position in matched.unmatched]
    near = {name: nearest(wanted[0], free) for name, wanted in missing.items()}
    judged = judge(
        house,
        figures,
        recording.tracks,
        readings,
        missing=missing,
        near=near,
        groups=groups,
        mix=matched.mix,
        offset_s=recording.start_s,
        tap=tap,
        line_check=line_check,
        taps=taps,
    )
    judge_chains(house, readings, after, stages, judged)
    mix = mix_reading = None
    if take.mix_rows is not None:
        found = strips(house, own | rows)
        faders = find_faders(everything, found, matched.mix) if matched.mix else []
        mix_reading = read_source(
            everything, take.mix_rows, strikes=False, mains_hz=house.house.mains_hz, level_dba=listened_dba
        )
        mix = _mix(house, everything, mix_reading.readings, found, take.mix_rows, faders)
    run: dict[str, Sequence[ChainBlock]] = {name: chain.house_blocks for name, chain in chains.items()}
    offset_db = level_offset_db(house.room, mix.loudness_lufs) if mix and mix.loudness_lufs is not None else 0.0
    voices = (
        _voices(house, recording, own, run, readings, offset_db, folder, threads, words)
        if mix is not None and mix.loudness_lufs is not None
        else []
    )
    vocal = house.vocal
    asked = {vocal.source: vocal.clearance_pct} if vocal and vocal.clearance_pct is not None else {}
    judge_voices(voices, judged, learned=words or (), wanted_pct=asked)
    return _Measured(
        figures=figures,
        everything=everything,
        rows=rows if take.mix_rows is None else rows | {MIX: take.mix_rows},
        digests={name: chain_digest(chain.house_blocks) for name, chain in chains.items()},
        before=readings,
        after=after,
        stages=stages,
        traces=traces,
        judged=judged,
        mix=mix,
        mix_reading=mix_reading,
        voices=voices,
        own=own,
        run=run,
        offset_db=offset_db,
    )


def _playing(readings: dict[str, SourceReading]) -> dict[str, Activity]:
    """When each source plays that carries anything."""
    return {name: reading.activity for name, reading in readings.items() if reading.readings.level_dbfs is not None}


def _voices(
    house: HouseFile,
    recording: Recording,
    own: dict[str, tuple[int, ...]],
    run: dict[str, Sequence[ChainBlock]],
    readings: dict[str, SourceReading],
    offset_db: float,
    folder: Path | None,
    threads: int,
    words: dict[str, Words] | None,
) -> list[Clearance]:
    """Whether the voices can be heard."""
    found = measure_voices(
        recording,
        feed_strips(house, own, run),
        _playing(readings),
        voices_of(house),
        offset_db=offset_db,
        words=words,
        folder=folder,
        threads=threads,
    )
    return [shifted(one, recording.start_s) for one in found]


def _loud_moments(
    recording: Recording, figures: Figures, readings: dict[str, SourceReading], level_dba: float, threads: int
) -> dict[str, SourceReading]:
    """The readings with the loudness of each source's loud moments, from a second look at a few seconds of it."""
    from concurrent.futures import ThreadPoolExecutor

    def one(reading: SourceReading) -> SourceReading:
        start_s = telling_start_s(figures, reading.tracks, reading.activity, length_s=LENGTH_S)
        samples = recording.excerpt(reading.tracks, start_s, LENGTH_S)
        found = exceeded_loudness_sone(samples, sample_rate_hz=recording.sample_rate_hz, level_dba=level_dba)
        return reading.with_loud_moments(found if reading.readings.level_dbfs is not None else None)

    with ThreadPoolExecutor(threads) as pool:
        return dict(zip(readings, pool.map(one, readings.values()), strict=True))


def _mix(
    house: HouseFile,
    figures: Figures,
    read: Readings,
    found: list[Strip],
    rows: tuple[int, int],
    faders: list[Fader],
) -> MixResult:
    room, loudness = house.room, read.loudness_lufs
    return MixResult(
        loudness_lufs=loudness,
        true_peak_dbtp=read.true_peak_dbtp,
        loudness_range_lu=read.loudness_range_lu,
        width_db=read.width_db,
        mono_loss_db=read.mono_loss_db,
        level_dba=None if room is None or loudness is None else level_dba(room, loudness),
        share_pct=shares_pct(figures, found),
        balance_shift_phon=None
        if room is None or loudness is None
        else shift_phon(
            figures,
            rows,
            offset_db=level_offset_db(room, loudness),
            change_db=room.level_dba - level_dba(room, loudness),
        ),
        normal=(),
        findings=(),
        faders=tuple(faders),
    )


def _bleed(
    figures: Figures, present: dict[str, tuple[int, ...]], groups: list[tuple[str, str]]
) -> dict[str, NDArray[np.float64]]:
    """What each source's microphones hear of the others, by name."""
    place = {name: at for at, name in enumerate(present)}
    siblings = [(place[one], place[other]) for one, other in groups if one in place and other in place]
    found = bleed([source_mean_square(figures, tracks) for tracks in present.values()], siblings=siblings)
    return dict(zip(present, found, strict=True))


def _shifted(sounds: tuple[Sound, ...], start_s: float) -> tuple[Sound, ...]:
    """Sounds with their times from the start of the recording."""
    return tuple(
        replace(sound, stretches_s=tuple((round(a + start_s, 1), round(b + start_s, 1)) for a, b in sound.stretches_s))
        for sound in sounds
    )


def _result(
    house: HouseFile,
    recording: Recording,
    show: ShowResult,
    matched: Matched,
    measured: _Measured,
    compared: _Compared,
    planned: dict[str, Plan],
    with_moves: dict[str, Readings],
) -> tuple[CheckResult, dict[str, Picture]]:
    readings, judged = measured.before, measured.judged
    sources: list[SourceResult] = []
    pictures: dict[str, Picture] = {}
    everything: list[tuple[str, str, str, Finding]] = []
    mix_tracks = set(matched.mix)
    for source in house.source:
        if not source.used:
            continue
        found: list[Finding] = list(judged.by_source.get(source.name, []))
        tracks = matched.by_source[source.name]
        if mix_tracks and set(tracks) <= mix_tracks:
            found = judged.mix
        everything += [(source.name, source.role, source.where, finding) for finding in found]
        reading, plan = readings.get(source.name), planned.get(source.name)
        sources.append(
            SourceResult(
                name=source.name,
                role=source.role,
                tracks=tuple(recording.tracks[track].name for track in tracks if track is not None),
                channel=None if source.channel is None else str(source.channel),
                status=status_of(found),
                before=reading.readings if reading else None,
                after=measured.after[source.name].readings if source.name in measured.after else None,
                stages=measured.stages.get(source.name, ()),
                findings=tuple(found),
                sounds=_shifted(reading.sounds, recording.start_s) if reading else (),
                moves=tuple(plan.moves) if plan else (),
                with_moves=with_moves.get(source.name),
                left_over=tuple(plan.left_over) if plan else (),
                normal=tuple(compared.normals.get(source.name, ())),
                step_db=reading.step_lu if reading else None,
            )
        )
        if reading is not None and reading.activity.level_dbfs.size:
            pictures[source.name] = Picture(
                level_dbfs=reading.activity.level_dbfs,
                active=reading.activity.windows,
                step_s=0.1,
                start_s=recording.start_s,
                nominal_dbfs=house.nominal_dbfs(source) if has_nominal(source) else None,
                taken_db=measured.traces.get(source.name, {}),
                telling_s=recording.start_s + telling_start_s(measured.figures, reading.tracks, reading.activity),
            )
    first: tuple[FirstThing, ...] = first_things(everything)
    lead = lead_of(house)
    result = CheckResult(
        schema=SCHEMA,
        deskhand=__version__,
        house=house.house.name,
        show=show,
        sources=tuple(sources),
        vocal=next((one for one in measured.voices if one.source == lead), None),
        voices=tuple(one for one in measured.voices if one.source != lead),
        mix=replace(measured.mix, normal=tuple(compared.normals.get(MIX, ())), findings=tuple(compared.mix))
        if measured.mix
        else None,
        reference=compared.reference,
        first=first,
    )
    return result, pictures


def listen(
    recording: Recording, house: HouseFile, *, progress: Callable[[float], None] | None = None
) -> dict[str, str]:
    """What is heard of each source, in a few words, for the comments of a new house file."""
    from deskhand.units import number

    matched = match_tracks(house, [track.name for track in recording.tracks])
    measured = _measure(
        house, recording, matched, tap=house.house.tap, taps={}, folder=None, threads=2, progress=progress
    )
    judged = measured.judged
    heard = {}
    for name, reading in measured.before.items():
        level = reading.readings.level_dbfs
        text = "silent" if level is None else f"{number(level, 1)} dBFS while playing"
        same = next((finding for finding in judged.by_source.get(name, []) if finding.kind == "duplicate"), None)
        heard[name] = f"{text}; {same.text}" if same else text
    return heard
