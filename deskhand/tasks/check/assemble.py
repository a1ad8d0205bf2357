"""Puts the result together, with what the page draws."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from deskhand import __version__
from deskhand.baseline.kept import MIX
from deskhand.desk.text import with_remark
from deskhand.findings import KINDS, Finding, fix_texts, has_nominal, status_of, with_text
from deskhand.mix.voices import lead_of
from deskhand.moves.answers import with_answers
from deskhand.moves.level import agreed
from deskhand.moves.monitors import Listeners, monitor_tellings, with_mixes
from deskhand.moves.text import remark_text, with_sentences
from deskhand.report.pictures import Picture
from deskhand.result import SCHEMA, CheckResult, SourceResult

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.baseline.songs import SongsResult
    from deskhand.desk import EarlierMove
    from deskhand.house import HouseFile, Source
    from deskhand.measure.fingerprint import Fingerprint
    from deskhand.measure.readings import Readings, SourceReading
    from deskhand.measure.sounds import Sound
    from deskhand.moves.move import Move
    from deskhand.moves.state import Plan
    from deskhand.recording import Recording
    from deskhand.result import SeatResult
    from deskhand.store import Dismissal, KeptPart
    from deskhand.tasks.check.compare import BaselineComparison
    from deskhand.tasks.check.feed import SeatCheck
    from deskhand.tasks.check.measure import TakeReadings
    from deskhand.tasks.check.resolve import ShowSetup

_STEP_S: Final = 0.1
"""Step of the level over time: the momentary windows of measure/activity begin 100 ms apart."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShowCheck:
    """Result of a check, with what the page draws and what can be kept of it."""

    result: CheckResult
    pictures: dict[str, Picture]
    parts: list[KeptPart]
    house_file: Path | None
    """Where the house is described, this week's file where there is one; None when it was guessed."""
    standing_file: Path | None
    """The standing house file: the same, or beside this week's."""
    house_text: str
    """Text of the house file that was read; empty where it was guessed."""
    take: str
    """Digest of the take."""
    dismissals: list[Dismissal]
    """New ones, to be written to the history."""
    plans: dict[str, Plan]
    """Source to its moves, its chain with them, and the reasoning."""
    fingerprint: Fingerprint | None = None
    """Of its band and voices; None for a line check."""
    tone_courses: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    """Source to the course of its tone; none of a line check."""
    loudspeakers: tuple[SeatCheck, ...] = ()
    """Seats against the recorded main mix, with what would be kept of them."""
    song_names: tuple[tuple[str, float], ...] = ()
    """Songs that the show's note names, in seconds from the start of the recording."""


@dataclass(frozen=True, slots=True, eq=False)
class ShowFacts:
    """All facts that a result is put together from."""

    setup: ShowSetup
    recording: Recording
    readings: TakeReadings
    comparison: BaselineComparison
    plans: dict[str, Plan]
    with_moves: dict[str, Readings]
    """Source to its readings after the chain as the moves leave it."""
    songs: SongsResult | None
    earlier: dict[str, tuple[EarlierMove, ...]]
    """Source to its moves of this show that were done or declined before."""
    seats: tuple[SeatResult, ...] = ()
    """Sound in the house."""
    loudspeakers: tuple[SeatCheck, ...] = ()
    """Recorded main mix against each seat."""

    @property
    def listeners(self) -> Listeners:
        """People who hear each mix on the stage at this show."""
        return Listeners(self.setup.house, self.setup.show.players)

    @property
    def voice_findings(self) -> list[Finding]:
        """Findings of the lead voice, for which other sources may give way."""
        return list(self.comparison.findings.get(lead_of(self.setup.house) or "", ()))

    def findings_of(self, source: Source) -> list[Finding]:
        """Findings of a source, or of the desk's own mix, with their sentences."""
        mix_tracks = set(self.setup.matched.mix)
        tracks = self.setup.matched.by_source[source.name]
        is_mix = bool(mix_tracks) and set(tracks) <= mix_tracks
        findings = self.comparison.findings.get(source.name, ())
        if is_mix:
            # as a track of its own it is no input: only what is heard in it, and what differs from the kept mixes
            against_kept = [finding for finding in findings if KINDS[finding.kind].tier == "judgement"]
            findings = [*self.readings.mix_track_findings, *against_kept]
        plan = self.plans.get(source.name)
        return [with_text(agreed(finding, plan)) for finding in findings]


def assemble(facts: ShowFacts) -> tuple[CheckResult, dict[str, Picture]]:
    """Result and pictures, sources in the order of the house."""
    setup, readings, comparison = facts.setup, facts.readings, facts.comparison
    sources: list[SourceResult] = []
    pictures: dict[str, Picture] = {}
    items: list[tuple[str, str, str, Finding]] = []
    for source in setup.house.source:
        if not source.used:
            continue
        findings = facts.findings_of(source)
        items += [(source.name, source.role, source.where, finding) for finding in findings]
        sources.append(_source_result(facts, source, findings))
        reading = readings.before.get(source.name)
        if reading is not None and reading.activity.level_dbfs.size:
            pictures[source.name] = _picture(facts, source, reading)
    lead = lead_of(setup.house)
    mix = readings.mix
    if mix is not None:
        mix = replace(
            mix,
            normal=tuple(comparison.normals.get(MIX, ())),
            findings=tuple(map(with_text, comparison.mix_findings)),
        )
    items += [(seat.name, "seat", "", finding) for seat in facts.loudspeakers for finding in seat.result.findings]
    first, later = fix_texts(items)
    result = CheckResult(
        schema=SCHEMA,
        deskhand=__version__,
        house=setup.house.house.name,
        show=setup.show,
        sources=tuple(sources),
        vocal=next((voice for voice in readings.voices if voice.source == lead), None),
        voices=tuple(voice for voice in readings.voices if voice.source != lead),
        mix=mix,
        reference=comparison.result,
        songs=facts.songs,
        recorded_mix=readings.recorded_mix,
        seats=facts.seats,
        loudspeakers=tuple(seat.result for seat in facts.loudspeakers),
        monitors=monitor_tellings(_moves_of(setup.house, sources), facts.listeners),
        first=first,
        next=later,
    )
    return result, pictures


def _moves_of(house: HouseFile, sources: Sequence[SourceResult]) -> list[tuple[Source, Sequence[Move]]]:
    """Sources of the house file, each with its moves."""
    by_name = {source.name: source for source in house.source}
    return [(by_name[source.name], source.moves) for source in sources]


def _source_result(facts: ShowFacts, source: Source, findings: list[Finding]) -> SourceResult:
    """Result of one source."""
    recording, readings = facts.recording, facts.readings
    reading, plan = readings.before.get(source.name), facts.plans.get(source.name)
    tracks = facts.setup.matched.by_source[source.name]
    moves = with_answers(plan.moves, findings, facts.voice_findings) if plan else ()
    moves = with_mixes(source, moves, facts.listeners)
    return SourceResult(
        name=source.name,
        role=source.role,
        tracks=tuple(recording.tracks[track].name for track in tracks if track is not None),
        channel=None if source.channel is None else str(source.channel),
        status=status_of(findings, to_turn=any(move.is_setting for move in moves)),
        before=reading.readings if reading else None,
        after=readings.after[source.name].readings if source.name in readings.after else None,
        stages=readings.stages.get(source.name, ()),
        findings=tuple(findings),
        sounds=_from_start(reading.sounds, recording.start_s) if reading else (),
        moves=tuple(with_sentences(move, findings) for move in moves),
        earlier_moves=tuple(map(with_remark, facts.earlier.get(source.name, ()))),
        with_moves=facts.with_moves.get(source.name),
        left_over=tuple(map(remark_text, plan.left_over)) if plan else (),
        normal=tuple(facts.comparison.normals.get(source.name, ())),
        step_db=reading.step_lu if reading else None,
        line_check=facts.comparison.line_memories.get(source.name),
    )


def _picture(facts: ShowFacts, source: Source, reading: SourceReading) -> Picture:
    """Level of a source over time, for the page."""
    start_s = facts.recording.start_s
    return Picture(
        level_dbfs=reading.activity.level_dbfs,
        active=reading.activity.windows,
        step_s=_STEP_S,
        start_s=start_s,
        nominal_dbfs=facts.setup.house.nominal_dbfs(source) if has_nominal(source) else None,
        taken_db=facts.readings.traces_db.get(source.name, {}),
        telling_s=start_s + facts.readings.telling_s[source.name],
    )


def _from_start(sounds: tuple[Sound, ...], start_s: float) -> tuple[Sound, ...]:
    """Sounds with their times from the start of the recording."""
    return tuple(
        replace(
            sound,
            stretches_s=tuple((round(begin + start_s, 1), round(end + start_s, 1)) for begin, end in sound.stretches_s),
        )
        for sound in sounds
    )
