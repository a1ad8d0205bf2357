"""Conducts the main job: recording and house in, result out. No arithmetic of its own."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from deskhand.baseline.kept import MIX
from deskhand.baseline.songs import songs_result
from deskhand.desk import DeskState, earlier_moves
from deskhand.dsp.compiling import compile_beside
from deskhand.findings import KINDS, say
from deskhand.house import ROLES, match_tracks, read_house
from deskhand.mix.bus import Strip, listening_dba
from deskhand.mix.faders import find_faders
from deskhand.mix.voices import lead_of
from deskhand.moves.conduct import PlanningInput, plans, proved
from deskhand.moves.voice import VoiceFeed, make_way
from deskhand.moves.voice_limits import FeedLevels
from deskhand.recording import open_recording
from deskhand.reuse import KeptMeasurements
from deskhand.store.unknown_houses import unknown_house_text
from deskhand.tasks.check.again import known_again
from deskhand.tasks.check.assemble import ShowCheck, ShowFacts, assemble
from deskhand.tasks.check.compare import HEAR_S, BaselineComparison, compare, kept_takes, parts_of, with_dismissed
from deskhand.tasks.check.desk import judged_changes, with_answered, with_changes
from deskhand.tasks.check.feed import check_seats
from deskhand.tasks.check.measure import TakeInput, TakeReadings, measure
from deskhand.tasks.check.options import CheckOptions
from deskhand.tasks.check.resolve import ShowSetup, name_of, resolve, source_for, unclaimed_track_notes
from deskhand.tasks.check.seats import evening_meter, seat_results
from deskhand.tasks.check.source_readings import with_loud_moments
from deskhand.tasks.check.words import words_at_seats
from deskhand.tasks.role_by_sound import guess_by_sound
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from deskhand.baseline.kept import KeptTakes
    from deskhand.baseline.passages import Passage
    from deskhand.baseline.songs import SongsResult
    from deskhand.findings import Finding
    from deskhand.house import ChainBlock, HouseFile, MatchedTracks
    from deskhand.moves.state import Plan
    from deskhand.recording import Recording
    from deskhand.store import Dismissal, KeptPart
    from deskhand.tasks.check.desk import ShowChanges
    from deskhand.tasks.role_by_sound import SoundGuess
    from deskhand.tasks.seats import EveningMeter

__all__ = ["HEAR_S", "CheckOptions", "ShowCheck", "SourceImpression", "check", "listen", "name_of", "source_for"]


def check(
    path: Path,
    *,
    house_path: Path | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    options: CheckOptions | None = None,
    threads: int = 2,
    progress: Callable[[float], None] | None = None,
    recording: Recording | None = None,
    kept_in: Path | None = None,
) -> ShowCheck:
    """Measure a recording and say what is wrong with it.

    Parameters
    ----------
    path : Path
        A folder of audio files or one polyphonic file.
    house_path : Path, optional
        The house file; without it `house.toml` beside the recording or above it, or a guess from the track names.
    start_s, end_s : float, optional
        The stretch to check, in seconds.
    options : CheckOptions, optional
        Facts about the show that the caller knows.
    threads : int
        Threads to measure with; the result does not depend on it.
    progress : callable, optional
        Told the share done, 0 to 1.
    recording : Recording, optional
        The one to check where it is open already, or lies in memory; `path` then tells where its show and house are.
    kept_in : Path, optional
        Folder in which measurements are kept, so that a second check of the same files does again only what a change touches; the
        result is the same to the last bit. Nothing is kept without it.

    Raises
    ------
    RecordingError, HouseError, UsageError
        One line each: where, what, and what to do.
    """
    if recording is None:
        recording = _opened(path, start_s, end_s)
    setup, shown = _set_up(path, house_path, recording, options := options or CheckOptions())
    reuse = None if kept_in is None else KeptMeasurements(kept_in, recording, take=shown.take)
    takes = kept_takes(setup, options, shown.take)
    setup = _with_unknown_houses(setup, takes)
    sizes, meter = recording.sizes() if end_s is None else {}, evening_meter(setup, recording)
    readings = _measured(setup, recording, takes, threads, progress, meter, reuse)
    parts = parts_of(setup := _with_growth(setup, recording, sizes), readings)
    known, notes = known_again(readings, takes), unclaimed_track_notes(setup, recording)
    comparison = compare(setup, readings, readings.findings | notes, takes, parts, known.again)
    findings, dismissals = with_dismissed(comparison, takes, options, parts, setup.show)
    comparison = _with_findings(comparison, findings := with_answered(findings, shown))
    planning = _planning_input(setup, recording, readings, comparison, parts, threads, reuse)
    planned, readings = _planned(setup, readings, planning)
    earlier = earlier_moves(judged_changes(setup, readings, findings, shown))
    songs, seats = _songs(setup, readings, takes, known.passages), seat_results(setup, recording, meter, options)
    proof, speakers = proved(planning, planned), check_seats(setup, recording, readings.figures, options)
    facts = ShowFacts(setup, recording, readings, comparison, planned, proof, songs, earlier, seats, speakers)
    _prune(reuse)
    return replace(_show_check(facts, parts, dismissals, shown.take, takes), tone_courses=known.courses)


def _planned(setup: ShowSetup, readings: TakeReadings, planning: PlanningInput) -> tuple[dict[str, Plan], TakeReadings]:
    """Source to its moves, and the readings with the lead voice's clearance as they leave it."""
    planned = plans(planning)
    readings = _with_room_for_the_voice(setup, readings, planning, planned)
    for name, plan in planned.items():
        plan.moves = plan.with_ids(name)
    return planned, readings


def _set_up(
    path: Path, house_path: Path | None, recording: Recording, options: CheckOptions
) -> tuple[ShowSetup, ShowChanges]:
    """House, show and tracks of a recording with what was turned since, and the changes of the show."""
    setup, shown = with_changes(resolve(path, house_path, recording, options), recording, options)
    return replace(setup, desk=replace(setup.desk, standing=_standing_whole_chains(setup))), shown


def _with_findings(comparison: BaselineComparison, findings: dict[str, list[Finding]]) -> BaselineComparison:
    """Comparison with these findings in the place of its own."""
    return replace(comparison, findings=findings, mix_findings=findings[MIX])


def _prune(reuse: KeptMeasurements | None) -> None:
    """Keep the bound of what is kept."""
    if reuse is not None:
        reuse.prune()


def _opened(path: Path, start_s: float | None, end_s: float | None) -> Recording:
    """Recording of a path; where the kernels have to be compiled first, half of them meanwhile."""
    recording = open_recording(path, start_s=start_s, end_s=end_s)
    compile_beside()
    return recording


def _with_unknown_houses(setup: ShowSetup, takes: KeptTakes | None) -> ShowSetup:
    """Setup with a note on the houses of the history that are not known."""
    if takes is None or not takes.unknown_houses:
        return setup
    note = unknown_house_text(takes.unknown_houses)
    return replace(setup, show=replace(setup.show, notes=(*setup.show.notes, note)))


def _with_growth(setup: ShowSetup, recording: Recording, sizes: Mapping[Path, int]) -> ShowSetup:
    """Setup with a note where a file became longer while it was read: what came later was not checked."""
    grown = [file.name for file, size in recording.sizes().items() if size > sizes.get(file, size)]
    if not grown:
        return setup
    names = grown[0] if len(grown) == 1 else f"{grown[0]} and {len(grown) - 1} more"
    end = clock(recording.start_s + recording.duration_s)
    verb = "is" if len(grown) == 1 else "are"
    note = f"{names} {verb} still being recorded; checked up to {end}. Check again when the recorder has stopped."
    return replace(setup, show=replace(setup.show, notes=(*setup.show.notes, note)))


def _show_check(
    facts: ShowFacts, parts: list[KeptPart], dismissals: list[Dismissal], take: str, takes: KeptTakes | None
) -> ShowCheck:
    """Result of a check, put together."""
    setup = facts.setup
    result, pictures = assemble(facts)
    words = words_at_seats(takes, facts.readings.voices, lead_of(setup.house))
    return ShowCheck(
        result=replace(result, words=words),
        pictures=pictures,
        parts=parts,
        house_file=setup.house_file,
        standing_file=setup.standing_file,
        house_text=setup.house_text,
        take=take,
        dismissals=dismissals,
        plans=facts.plans,
        fingerprint=facts.readings.figures.fingerprint,
        loudspeakers=facts.loudspeakers,
        song_names=setup.song_names,
    )


def _songs(
    setup: ShowSetup, readings: TakeReadings, takes: KeptTakes | None, passages: list[Passage]
) -> SongsResult | None:
    """Songs of the take that were played in kept ones; None where no fingerprint is there to compare with."""
    if takes is None or not takes.fingerprints or readings.figures.fingerprint is None:
        return None
    return songs_result(
        passages,
        takes.takes,
        takes.fingerprints,
        start_s=setup.show.start_s,
        names=setup.song_names,
    )


def _measured(
    setup: ShowSetup,
    recording: Recording,
    takes: KeptTakes | None,
    threads: int,
    progress: Callable[[float], None] | None,
    meter: EveningMeter | None = None,
    reuse: KeptMeasurements | None = None,
) -> TakeReadings:
    """Readings of the take, with the loudness of its loud moments."""
    take = TakeInput(
        house=setup.house,
        recording=recording,
        matched=setup.matched,
        desk=setup.desk,
        folder=setup.folder,
        line_check=setup.is_line_check,
        words=takes.words() if takes else None,
        threads=threads,
        progress=progress,
        meter=meter,
        reuse=reuse,
    )
    # `new` does without: it is a second look at the audio
    return with_loud_moments(measure(take), take, listening_dba(setup.house))


def _planning_input(
    setup: ShowSetup,
    recording: Recording,
    readings: TakeReadings,
    comparison: BaselineComparison,
    parts: list[KeptPart],
    threads: int,
    reuse: KeptMeasurements | None,
) -> PlanningInput:
    """Everything that moves are planned from."""
    return PlanningInput(
        house=setup.house,
        recording=recording,
        folder=setup.folder,
        figures=readings.figures,
        before=readings.before,
        after=readings.after,
        blocks=_whole_chains(setup, readings),
        turned={source.name: setup.desk.turned_since(source) for source in setup.house.source},
        standing=_standing_chains(setup),
        standing_faders_db=_standing_faders_db(setup),
        findings=comparison.findings,
        baseline=comparison.baseline,
        parts=parts,
        line_check=setup.is_line_check,
        level_dba=listening_dba(setup.house),
        threads=threads,
        reuse=reuse,
        telling_s=readings.telling_s,
    )


def _whole_chains(setup: ShowSetup, readings: TakeReadings) -> dict[str, list[ChainBlock]]:
    """Source to the blocks after its tap, for sources whose tracks are all there and not recorded after the chain."""
    taps = setup.source_taps
    return {
        source.name: setup.desk.blocks(source)
        for source in setup.house.source
        # a track that the house file does not claim, or the desk's own mix, has no chain to be written into
        if source.used
        and source.name not in setup.unclaimed
        and taps[source.name] != "after-chain"
        and source.name in readings.before
        and len(readings.before[source.name].tracks) == len(source.tracks)
    }


def _standing_chains(setup: ShowSetup) -> dict[str, list[ChainBlock]]:
    """Source to its blocks after the tap in the standing house file; none where this week has no file of its own."""
    if setup.standing_file is None or setup.standing_file == setup.house_file:
        return {}
    return {source.name: setup.desk.blocks(source) for source in read_house(setup.standing_file).source}


def _standing_whole_chains(setup: ShowSetup) -> dict[str, list[ChainBlock]]:
    """Source to its chain in the standing house file; none where this week has no file of its own."""
    if setup.standing_file is None or setup.standing_file == setup.house_file:
        return {}
    return {source.name: source.chain for source in read_house(setup.standing_file).source}


def _standing_faders_db(setup: ShowSetup) -> dict[str, float]:
    """Source to its fader in the standing house file, where that says it and this week has a file of its own."""
    if setup.standing_file is None or setup.standing_file == setup.house_file:
        return {}
    sources = read_house(setup.standing_file).source
    return {source.name: source.fader_db for source in sources if source.fader_db is not None}


def _with_room_for_the_voice(
    setup: ShowSetup, readings: TakeReadings, planning: PlanningInput, planned: dict[str, Plan]
) -> TakeReadings:
    """Readings with the lead voice's clearance as the moves leave it; the plans gain moves that make way for it."""
    lead = lead_of(setup.house)
    with_moves = make_way(
        planning,
        VoiceFeed(
            tracks=readings.tracks,
            blocks=readings.blocks,
            lead=next((voice for voice in readings.voices if voice.source == lead), None),
            offset_db=readings.offset_db,
            playing=readings.playing,
            levels=FeedLevels(
                true_peak_dbtp=readings.mix.true_peak_dbtp if readings.mix else None,
                level_dba=readings.mix.level_dba if readings.mix else None,
            ),
        ),
        planned,
    )
    voices = [replace(voice, with_moves=with_moves) if voice.source == lead else voice for voice in readings.voices]
    return replace(readings, voices=voices)


_SURE_FADER_DB: Final = 2.0
"""Half the width of a fader's 95 % interval up to which it is written down: what is worth listening to in a level. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceImpression:
    """Sound of a source as a new house file tells it."""

    comment: str
    """Level in a few words, and a twin track."""
    level_dbfs: float | None
    """While it plays; None for one that is silent."""
    fader_db: float | None = None
    """Fader in the recorded mix, against the others; None where there is no mix or it cannot be told."""
    sound_guess: SoundGuess | None = None
    """Role that it sounds like, where the house tells none; None where that is not sure enough to be asked."""


def listen(
    recording: Recording, house: HouseFile, *, progress: Callable[[float], None] | None = None
) -> dict[str, SourceImpression]:
    """Level of each source, its fader in a recorded mix, a twin track and a role that it sounds like, for a new house file."""
    matched = match_tracks(house, [track.name for track in recording.tracks])
    readings = measure(
        TakeInput(
            house=house,
            recording=recording,
            matched=matched,
            desk=DeskState(tap=house.house.tap),
            folder=None,
            progress=progress,
        )
    )
    faders_db = _faders_db(house, readings, matched)
    unclear = {source.name for source in house.source if ROLES[source.role].unclear}
    impressions = {}
    for name, reading in readings.before.items():
        level = reading.readings.level_dbfs
        text = "silent" if level is None else f"{number(level, 1)} dBFS while playing"
        twin = next((finding for finding in readings.findings.get(name, []) if KINDS[finding.kind].is_twin), None)
        impressions[name] = SourceImpression(
            comment=f"{text}; {say(twin)}" if twin else text,
            level_dbfs=level,
            fader_db=faders_db.get(name),
            sound_guess=guess_by_sound(reading) if name in unclear else None,
        )
    return impressions


def _faders_db(house: HouseFile, readings: TakeReadings, matched: MatchedTracks) -> dict[str, float]:
    """Source to its fader in the recorded mix, against the others, where it is sure enough to be written down."""
    strips = [
        Strip(source=source.name, rows=readings.tracks[source.name], fader_db=0.0)
        for source in house.source
        if source.name in readings.before and ROLES[source.role].in_a_mix
    ]
    if not 1 <= len(matched.mix) <= 2:
        return {}
    return {
        fader.source: round(fader.measured_db, 0) + 0.0  # never "-0"
        for fader in find_faders(readings.figures, strips, matched.mix)
        if fader.measured_db is not None and (fader.measured_db_pm or 0.0) <= _SURE_FADER_DB
    }
