"""Goes through what comes in: levels ten times a second, a closer look at whoever plays, and the line check's course."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from deskhand.errors import HouseError, LiveError
from deskhand.findings import judge_mistaken, say
from deskhand.house import match_tracks
from deskhand.live.levels import HOP_S, Levels
from deskhand.live.line import BOUT_GAP_S, FIRST_S, TURN, Line
from deskhand.live.listen import listen
from deskhand.live.ring import Follower
from deskhand.live.said import Said
from deskhand.mix.bus import listening_dba
from deskhand.reference.identity import mistaken

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from rich.console import RenderableType

    from deskhand.findings import Finding
    from deskhand.house import HouseFile, Source
    from deskhand.live.line import Input
    from deskhand.live.ring import Ring
    from deskhand.recording.show import Tap
    from deskhand.reference.normal import Reference
    from deskhand.store import KeptPart

KEPT_S: Final = 40.0
"""Of all inputs, for a closer look and for whoever writes them to disk."""
_BEFORE_S: Final = 9.0
"""A closer look begins this long before the playing: hum and noise are heard in the pause, in windows of 2.7 s."""
_AFTER_S: Final = 0.7
LONGEST_S: Final = 18.0
_OFTEN_S, _SELDOM_S = 0.5, 2.0
_SETTLED_S: Final = 6.0
_TOGETHER_DB: Final = 1.0
_MOST_AT_ONCE: Final = 6
_LOOKS_AT_ONCE: Final = 2
_TOLD_APART_S: Final = 4.0
"""What an input is, is asked of the kept weeks when it has played for so long."""


def rows_of(house: HouseFile, names: Sequence[str] | None, channels: int) -> list[tuple[Source, tuple[int, ...]]]:
    """Which inputs of an interface belong to each used source, in the order of the house file.

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
        found = match_tracks(house, list(names)).by_source
        return [
            (source, tuple(row for row in found[source.name] if row is not None))
            for source in used
            if None not in found[source.name]
        ]
    out = []
    for source in used:
        numbers = [track for track in source.tracks if isinstance(track, int)]
        if len(numbers) != len(source.tracks):
            numbers = [int(one) for one in re.findall(r"\d+", str(source.channel or ""))]
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
        out.append((source, tuple(number - 1 for number in numbers)))
    if not out:
        raise HouseError("house file", "has no source in use", "write one with: deskhand new RECORDING")
    return out


@dataclass(slots=True, kw_only=True)
class Watch:
    """Listens to all inputs through a ring.

    Parameters
    ----------
    house : HouseFile
    inputs : sequence of (source, rows)
    ring : Ring
    sample_rate_hz : int
    taps, players : mapping
        By source.
    reference : Reference or None
        What the house kept, to tell inputs apart by.
    """

    house: HouseFile
    inputs: Sequence[tuple[Source, tuple[int, ...]]]
    ring: Ring
    sample_rate_hz: int
    taps: Mapping[str, Tap]
    players: Mapping[str, str]
    reference: Reference | None = None
    line: Line = field(init=False)
    levels: Levels = field(init=False)
    follower: Follower = field(init=False)
    parts: dict[str, tuple[KeptPart, ...]] = field(default_factory=dict)
    said: list[Said] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.line = Line(self.inputs)
        self.levels = Levels(self.ring.channels)
        self.follower = Follower(self.ring, self.sample_rate_hz)
        self._level_dba = listening_dba(self.house)

    _level_dba: float = field(init=False)
    _late_told: int = 0

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""
        return self.follower.now_s

    def advance(self) -> None:
        """Look at what has come since."""
        for hop in self.follower.steps():
            self._tell_late()
            # each by itself, however many come at once: a beep is shorter than a batch
            self.levels.take(hop)
            self._step()
            self._look()
        self._tell_late()

    def _tell_late(self) -> None:
        """Say what was passed over since it was last said."""
        gone_s = (self.follower.late - self._late_told) / self.sample_rate_hz
        self._late_told = self.follower.late
        if gone_s:
            self._say(None, f"{gone_s:.1f} s came too fast for this computer and were not looked at", urgent=True)

    def _step(self) -> None:
        newest, floor = self.levels.newest_dbfs(), self.levels.floor_dbfs()
        before = {one.source.name: one.state for one in self.line.inputs}
        self.line.sound(
            self.now_s,
            [max(float(newest[row]) for row in one.rows) for one in self.line.inputs],
            [max(float(floor[row]) for row in one.rows) for one in self.line.inputs],
            step_s=HOP_S,
        )
        for one in self.line.inputs:
            told = one.told.get(TURN)
            if told is not None and one.told_s[TURN] == self.now_s:
                self._say(one.source.name, say(told), urgent=told.severity == "fix")
            if before[one.source.name] == "waiting" and one.state == "sounding":
                self._say(one.source.name, "sounds")

    def _due(self, one: Input) -> bool:
        """Whether an input is worth a closer look now."""
        playing_s = self.line.playing_s(one)
        if one.state not in ("sounding", "arrived") or playing_s < FIRST_S or one.bout is None:
            return False
        if one.overhears:
            return False
        if one.looked_after:
            return False
        if self.now_s - one.bout[1] > BOUT_GAP_S:
            # once more when it has stopped
            return True
        often = _OFTEN_S if playing_s < _SETTLED_S else _SELDOM_S
        return self.now_s - one.looked_s >= often - 1e-6

    def _look(self) -> None:
        due = [one for one in self.line.inputs if self._due(one)]
        # whoever has waited longest
        for one in sorted(due, key=lambda one: one.looked_s)[:_LOOKS_AT_ONCE]:
            self._look_at(one)

    def _look_at(self, one: Input) -> None:
        assert one.bout is not None
        end_s = min(self.now_s, one.bout[1] + _AFTER_S)
        oldest_s = self.ring.oldest / self.sample_rate_hz + 1.0 if self.ring.oldest else 0.0
        start_s = max(one.bout[0] - _BEFORE_S, one.before_s + 0.3, end_s - LONGEST_S, oldest_s, 0.0)
        # whole steps, as levels have them
        hop = self.follower.hop
        first = -(-round(start_s * self.sample_rate_hz) // hop) * hop
        frames = round(end_s * self.sample_rate_hz) // hop * hop - first
        one.looked_s = self.now_s
        one.looked_after = self.now_s - one.bout[1] > BOUT_GAP_S
        if frames < 2 * self.sample_rate_hz:
            return
        together = [one, *self._alike(one)]
        rows = [row for other in together for row in other.rows]
        names = [
            str(track) if isinstance(track, str) else f"channel {track}"
            for other in together
            for track in other.source.tracks
        ]
        try:
            samples = self.ring.read(first, frames, rows)
        except LiveError:
            return
        heard = listen(
            self.house,
            [other.source for other in together],
            samples,
            names,
            self.sample_rate_hz,
            start_s=first / self.sample_rate_hz,
            taps=self.taps,
            players=self.players,
            level_dba=self._level_dba,
        )[one.source.name]
        arrived = one.state == "arrived"
        if heard.parts:
            self.parts[one.source.name] = heard.parts
        with_pause = start_s < one.bout[0] - 0.5 * _BEFORE_S
        new = self.line.look(one, heard, self._unlike(one), self.now_s, with_pause=with_pause)
        if not arrived and one.state == "arrived":
            self._say(one.source.name, "arrived")
        for finding in new:
            self._say(one.source.name, say(finding), urgent=finding.severity == "fix")

    def _alike(self, one: Input) -> list[Input]:
        """Inputs that are as loud at the same moment: they may carry the same signal."""
        newest = self.levels.newest_dbfs(10)
        mine = max(float(newest[row]) for row in one.rows)
        return [
            other
            for other in self.line.inputs
            if other is not one
            and other.sounding
            and any(abs(float(newest[row]) - mine) < _TOGETHER_DB for row in other.rows)
        ][:_MOST_AT_ONCE]

    def _unlike(self, one: Input) -> list[Finding]:
        """What the kept weeks say of what an input is."""
        if self.reference is None or self.line.playing_s(one) < _TOLD_APART_S:
            return []
        every = [part for parts in self.parts.values() for part in parts]
        found = judge_mistaken(mistaken(self.reference, every))
        return [finding for source, finding in found.items() if source == one.source.name]

    def command(self, key: str) -> None:
        """A key: n next, b back, x not tonight."""
        {"n": self.line.skip, "b": self.line.back, "x": self.line.not_tonight}.get(key, lambda: None)()

    def finish(self) -> None:
        """Nothing is left to be done."""

    def view(self, *, note: str, height: int, problem: str = "") -> RenderableType:
        """One screen."""
        from deskhand.live.screen import view

        return view(self, note=note, height=height, problem=problem)

    def _say(self, source: str | None, text: str, *, urgent: bool = False) -> None:
        self.said.append(Said(at_s=self.now_s, source=source, text=text, urgent=urgent))
