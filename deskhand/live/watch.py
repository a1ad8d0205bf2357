"""Watch over all inputs: levels ten times a second, a closer look at whoever plays, and the line check's course."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from deskhand.baseline.identity import mistaken
from deskhand.baseline.itself import is_itself
from deskhand.baseline.role_priors import TURN as TURN_STAGE
from deskhand.baseline.turns import compared_turn
from deskhand.errors import HouseError, LiveError
from deskhand.findings import KINDS, judge_mistaken, say, with_live_advice
from deskhand.findings.line_memory import line_check_finding, line_memory
from deskhand.house import match_tracks
from deskhand.live.answers import AnswerKeys
from deskhand.live.entry import TURN
from deskhand.live.levels import HOP_S, Levels
from deskhand.live.line import BOUT_GAP_S, FIRST_S, PatchList, finding_key
from deskhand.live.listen import listen
from deskhand.live.messages import LiveMessage
from deskhand.live.ring import Follower
from deskhand.live.ringing import ringing_message
from deskhand.live.tones import ToneWatch
from deskhand.mix.bus import listening_dba

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.baseline.normal import Baseline
    from deskhand.findings import Finding
    from deskhand.house import HouseFile, Source
    from deskhand.live.entry import PatchEntry
    from deskhand.live.ring import Ring
    from deskhand.recording.show import Tap
    from deskhand.store import KeptPart

KEPT_S: Final = 40.0
"""Length of the ring, for a closer look and for the recorder: twice the longest look. Common practice, no source."""
_BEFORE_S: Final = 9.0
"""A closer look begins this long before the playing: three of the windows of 2.7 s in which hum and noise are heard."""
_AFTER_S: Final = 0.7
"""A closer look goes on so long after the playing, into its tail. Common practice, no source."""
LONGEST_S: Final = 18.0
"""Longest closer look: more costs time and tells nothing new. Common practice, no source."""
_OFTEN_S, _SELDOM_S = 0.5, 2.0
"""From one look to the next, at first and once it has settled. Common practice, no source."""
_SETTLED_S: Final = 6.0
"""Playing for so long, an input is looked at less often. Common practice, no source."""
_TOGETHER_DB: Final = 1.0
"""Inputs this near in level may carry the same signal. Common practice, no source."""
_MOST_AT_ONCE: Final = 6
"""Inputs that are measured beside the one looked at, at most: more would not keep up. Common practice, no source."""
_LOOKS_AT_ONCE: Final = 2
"""Looks a hop, at most, for the same reason. Common practice, no source."""
_TOLD_APART_S: Final = 4.0
"""Playing for so long, an input is compared with the kept weeks of all inputs. Common practice, no source."""
_ANSWER_S: Final = _TOLD_APART_S + 2 * _OFTEN_S
"""Playing at another's turn within which the kept weeks have answered who played, or it is asked: two looks, since one may be late."""


def rows_of(house: HouseFile, names: Sequence[str] | None, channels: int) -> list[tuple[Source, tuple[int, ...]]]:
    """Inputs of an interface that belong to each used source, in the order of the house file.

    Parameters
    ----------
    house : HouseFile
    names : sequence of str or None
        Of the channels, where they have any: a recording's. An interface has numbers only.
    channels : int

    Raises
    ------
    HouseError
        A source has no channel, or one that is not there.
    """
    used = [source for source in house.source if source.used]
    if names is not None:
        matched = match_tracks(house, list(names)).by_source
        return [
            (source, tuple(row for row in matched[source.name] if row is not None))
            for source in used
            if None not in matched[source.name]
        ]
    inputs = []
    for source in used:
        numbers = [track for track in source.tracks if isinstance(track, int)]
        if len(numbers) != len(source.tracks):
            numbers = [int(digits) for digits in re.findall(r"\d+", str(source.channel or ""))]
        where = f'house file, source "{source.name}"'
        if len(numbers) != len(source.tracks):
            raise HouseError(
                where,
                "has no number for each input of the interface",
                f'write channel = "{"7/8" if len(source.tracks) == 2 else "7"}", or numbers as its tracks',
            )
        if max(numbers) > channels:
            raise HouseError(
                where,
                f"is on channel {max(numbers)}, the interface has {channels}",
                "correct it, or name another --device",
            )
        inputs.append((source, tuple(number - 1 for number in numbers)))
    if not inputs:
        raise HouseError("house file", "has no source in use", "write one with: deskhand new RECORDING")
    return inputs


def _track_name(track: str | int) -> str:
    return track if isinstance(track, str) else f"channel {track}"


@dataclass(slots=True, kw_only=True)
class Watch:
    """Line check of all inputs, read from a ring.

    Parameters
    ----------
    house : HouseFile
    inputs : sequence of (source, rows)
    ring : Ring
    sample_rate_hz : int
    taps, players : mapping
        By source.
    baseline : Baseline or None
        Kept weeks of the house, to tell inputs apart by.
    """

    house: HouseFile
    inputs: Sequence[tuple[Source, tuple[int, ...]]]
    ring: Ring
    sample_rate_hz: int
    taps: Mapping[str, Tap]
    players: Mapping[str, str]
    baseline: Baseline | None = None
    line: PatchList = field(init=False)
    levels: Levels = field(init=False)
    follower: Follower = field(init=False)
    tones: ToneWatch = field(init=False)
    parts: dict[str, tuple[KeptPart, ...]] = field(default_factory=dict)
    messages: list[LiveMessage] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.line = PatchList(self.inputs) if self.baseline is None else PatchList(self.inputs, ask_after_s=_ANSWER_S)
        self.levels = Levels(self.ring.channels)
        self.follower = Follower(self.ring, self.sample_rate_hz)
        self.tones = ToneWatch(inputs=self.inputs, sample_rate_hz=self.sample_rate_hz)
        self._level_dba = listening_dba(self.house)
        self.answers = AnswerKeys(self)

    _level_dba: float = field(init=False)
    answers: AnswerKeys = field(init=False)
    _late_told: int = 0
    _heard_from_s: float = 0.0

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""
        return self.follower.now_s

    def advance(self) -> None:
        """Go through the audio that has come since."""
        for hop in self.follower.steps():
            self._tell_late()
            # each by itself, however many come at once: a beep is shorter than a batch
            self.levels.take(hop)
            self.messages += [ringing_message(tone, "line-check") for tone in self.tones.take(hop, self.now_s)]
            self._step()
            self._look()
        self._tell_late()

    def pass_over(self) -> None:
        """Go past the audio that has come since, unheard: something else is done with the inputs meanwhile."""
        self.follower.pass_over()
        self.tones.forget()
        self._heard_from_s = self.now_s

    def _tell_late(self) -> None:
        """Report audio that was passed over since it was last reported."""
        gone_s = (self.follower.late - self._late_told) / self.sample_rate_hz
        self._late_told = self.follower.late
        if gone_s:
            self._report(None, f"{gone_s:.1f} s came too fast for this computer and were not looked at", urgent=True)

    def _step(self) -> None:
        """Go on with the line check by one hop, and report who begins to sound."""
        newest, floor = self.levels.newest_dbfs(), self.levels.floor_dbfs()
        before = {entry.source.name: entry.state for entry in self.line.inputs}
        self.line.sound(
            self.now_s,
            [max(float(newest[row]) for row in entry.rows) for entry in self.line.inputs],
            [max(float(floor[row]) for row in entry.rows) for entry in self.line.inputs],
            step_s=HOP_S,
        )
        for entry in self.line.inputs:
            question = entry.reported.get(TURN)
            if question is not None and entry.reported_s[TURN] == self.now_s:
                self._report(entry.source.name, say(question), urgent=question.severity == "fix")
            if before[entry.source.name] == "waiting" and entry.state == "sounding":
                self._report(entry.source.name, "sounds")

    def _due(self, entry: PatchEntry) -> bool:
        """True where an input is worth a closer look at this moment."""
        playing_s = self.line.playing_s(entry)
        if entry.state not in ("sounding", "arrived") or playing_s < FIRST_S or entry.bout is None:
            return False
        if entry.overhears:
            return False
        if entry.looked_after_playing:
            return False
        if self.now_s - entry.bout[1] > BOUT_GAP_S:
            # once more when it has stopped
            return True
        often = _OFTEN_S if playing_s < _SETTLED_S else _SELDOM_S
        return self.now_s - entry.looked_s >= often - 1e-6

    def _look(self) -> None:
        """Look at the inputs that are due."""
        due = [entry for entry in self.line.inputs if self._due(entry)]
        # whoever has waited longest
        for entry in sorted(due, key=lambda entry: entry.looked_s)[:_LOOKS_AT_ONCE]:
            self._look_at(entry)

    def _look_at(self, entry: PatchEntry) -> None:
        """Measure and judge the newest stretch of an input, with the inputs that are as loud beside it."""
        assert entry.bout is not None
        end_s = min(self.now_s, entry.bout[1] + _AFTER_S)
        oldest_s = self.ring.oldest / self.sample_rate_hz + 1.0 if self.ring.oldest else 0.0
        start_s = max(entry.bout[0] - _BEFORE_S, entry.before_s + 0.3, end_s - LONGEST_S, oldest_s, self._heard_from_s)
        # whole steps, as levels have them
        hop = self.follower.hop
        first = -(-round(start_s * self.sample_rate_hz) // hop) * hop
        frames = round(end_s * self.sample_rate_hz) // hop * hop - first
        entry.looked_s = self.now_s
        entry.looked_after_playing = self.now_s - entry.bout[1] > BOUT_GAP_S
        if frames < 2 * self.sample_rate_hz:
            return
        together = [entry, *self._as_loud(entry)]
        try:
            samples = self.ring.read(first, frames, [row for member in together for row in member.rows])
        except LiveError:
            return
        stretch = listen(
            self.house,
            [member.source for member in together],
            samples,
            [_track_name(track) for member in together for track in member.source.tracks],
            self.sample_rate_hz,
            start_s=first / self.sample_rate_hz,
            taps=self.taps,
            players=self.players,
            level_dba=self._level_dba,
        )[entry.source.name]
        findings = tuple(with_live_advice(finding, "line-check") for finding in stretch.findings)
        stretch = replace(stretch, findings=findings)
        arrived = entry.state == "arrived"
        if stretch.parts:
            self.parts[entry.source.name] = stretch.parts
        with_pause = start_s < entry.bout[0] - 0.5 * _BEFORE_S
        judged = [*self._mistaken(entry), *self._unlike_before(entry)]
        new = self.line.look(entry, stretch, judged, self.now_s, with_pause=with_pause)
        if self._sounds_like_itself(entry):
            self.line.answer(entry)
        if not arrived and entry.state == "arrived":
            self._report(entry.source.name, "arrived")
        for finding in new:
            if KINDS[finding.kind].live_advice and self.tones.has_told(entry.source.name):
                continue  # said while it built up
            self._report(
                entry.source.name, say(finding), urgent=finding.severity == "fix", finding=finding_key(finding)
            )

    def _sounds_like_itself(self, entry: PatchEntry) -> bool:
        """True where kept weeks tell an input from all that it is asked about."""
        rivals = self.line.rivals(entry)
        if self.baseline is None or not rivals or self.line.playing_s(entry) < _TOLD_APART_S:
            return False
        part = next(
            (part for part in self.parts.get(entry.source.name, ()) if part.stage == "tap" and not part.sound), None
        )
        return part is not None and all(is_itself(self.baseline, part, rival, self.players) for rival in rivals)

    def _as_loud(self, entry: PatchEntry) -> list[PatchEntry]:
        """Inputs that are as loud at the same moment: they may carry the same signal."""
        newest = self.levels.newest_dbfs(10)
        level_dbfs = max(float(newest[row]) for row in entry.rows)
        return [
            candidate
            for candidate in self.line.inputs
            if candidate is not entry
            and candidate.sounding
            and any(abs(float(newest[row]) - level_dbfs) < _TOGETHER_DB for row in candidate.rows)
        ][:_MOST_AT_ONCE]

    def _mistaken(self, entry: PatchEntry) -> list[Finding]:
        """Judgement of the kept weeks that an input sounds like another; empty where they say nothing."""
        if self.baseline is None or entry.is_settled or self.line.playing_s(entry) < _TOLD_APART_S:
            return []
        parts = [part for of_source in self.parts.values() for part in of_source]
        by_source = judge_mistaken(mistaken(self.baseline, parts))
        # whoever plays while another was asked sounds like that other: at a line check it stays a question
        return [
            replace(finding, severity="listen") for source, finding in by_source.items() if source == entry.source.name
        ]

    def _unlike_before(self, entry: PatchEntry) -> list[Finding]:
        """Finding of an input that is not as in its kept line checks; its memory is brought up to this look."""
        if self.baseline is None or self.line.playing_s(entry) < _TOLD_APART_S:
            return []
        return self._remembered(entry)

    def _remembered(self, entry: PatchEntry) -> list[Finding]:
        """Finding of the newest turn of an input against its kept ones, by whoever plays it tonight."""
        if self.baseline is None:
            return []
        part = next((part for part in self.parts.get(entry.source.name, ()) if part.stage == TURN_STAGE), None)
        comparison = None if part is None else compared_turn(self.baseline, part)
        if comparison is None:
            return []
        source = entry.source
        entry.memory = line_memory(comparison, player=self.players.get(source.name))
        finding = line_check_finding(source.name, source.role, entry.memory, by_cable=source.by_cable)
        return [] if finding is None else [finding]

    def name_player(self, source: str, player: str) -> None:
        """Say who plays a source tonight; empty: its usual player again. What was heard of it is compared again."""
        players = {name: who for name, who in self.players.items() if name != source}
        self.players = players | ({source: player} if player else {})
        if source not in self.parts:
            return
        self.parts[source] = tuple(replace(part, player=player or None) for part in self.parts[source])
        entry = self.line.by_name[source]
        findings, before = self._remembered(entry), f"{source}/line-check"
        entry.reported = {name: finding for name, finding in entry.reported.items() if finding.id != before}
        entry.reported |= {f"{finding.kind}/{finding.track or ''}": finding for finding in findings}
        if entry.memory is not None:
            self._report(source, entry.memory.text)

    def command(self, key: str) -> None:
        """Obey a key: n next, b back, x not tonight."""
        {"n": self.line.skip, "b": self.line.back, "x": self.line.not_tonight}.get(key, lambda: None)()

    def finish(self) -> None:
        """End of listening; does nothing, since a line check has no last stretch to check."""

    def _report(self, source: str | None, text: str, *, urgent: bool = False, finding: str = "") -> None:
        self.messages.append(LiveMessage(time_s=self.now_s, source=source, text=text, urgent=urgent, finding=finding))
