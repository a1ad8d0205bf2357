"""The soundcheck: everybody plays, and the newest half minute is checked again and again, as a recording would be."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from deskhand.errors import LiveError
from deskhand.findings import KINDS, fix_texts, short, status_of, with_live_advice, with_text
from deskhand.live.messages import LiveMessage
from deskhand.live.ring import Follower
from deskhand.live.ringing import ringing_message
from deskhand.live.tones import ToneWatch
from deskhand.measure.readings import LEAST_ACTIVE_S
from deskhand.recording.held import held_recording
from deskhand.tasks.check import CheckOptions, check

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.findings import Finding
    from deskhand.house import HouseFile, Source
    from deskhand.live.ring import Ring
    from deskhand.result import CheckResult, SourceResult
    from deskhand.store import KeptPart
    from deskhand.tasks.check import ShowCheck

WINDOW_S: Final = 30.0
"""Newest stretch that is checked: some phrases of everybody who plays. Common practice, no source."""
EVERY_S: Final = 45.0
"""From one check to the next: more than a check of the window takes (docs/validation-live.md). Common practice, no source."""
_FIRST_S: Final = 20.0
"""Audio before the first check. Common practice, no source."""


@dataclass(slots=True)
class LastCheck:
    """Result of a source in the newest check in which it played."""

    result: SourceResult
    parts: list[KeptPart]
    checked_s: float
    """Audio up to which that check went, in seconds since the beginning."""
    kinds: frozenset[str] = frozenset()
    """Kinds of all its findings in the newest check, also of those that are not told yet."""


@dataclass(slots=True, kw_only=True)
class Soundcheck:
    """Check of the newest half minute, again and again.

    Parameters
    ----------
    house : HouseFile
    house_file : Path
    names : sequence of str
        Of all channels.
    ring : Ring
    sample_rate_hz : int
    request : CheckOptions
        Phase, tap, date, players, history.
    inputs : sequence of (source, rows)
        Inputs of the interface, searched for tones that build up.
    """

    house: HouseFile
    house_file: Path
    names: Sequence[str]
    ring: Ring
    sample_rate_hz: int
    request: CheckOptions
    inputs: Sequence[tuple[Source, tuple[int, ...]]] = ()
    follower: Follower = field(init=False)
    tones: ToneWatch = field(init=False)
    known: dict[str, LastCheck] = field(default_factory=dict)
    newest: CheckResult | None = None
    messages: list[LiveMessage] = field(default_factory=list)
    _pool: ThreadPoolExecutor = field(init=False)
    _running: Future[ShowCheck] | None = None
    _due_s: float = _FIRST_S
    _checked_s: float = 0.0
    _heard_from_s: float = 0.0

    def __post_init__(self) -> None:
        self.follower = Follower(self.ring, self.sample_rate_hz)
        self.tones = ToneWatch(inputs=self.inputs, sample_rate_hz=self.sample_rate_hz)
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="soundcheck")

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""
        return self.follower.now_s

    def advance(self) -> None:
        """Follow the audio that has come since, and take in a check that is done."""
        phase = self.request.phase or "rehearsal"
        for hop in self.follower.steps():
            self.messages += [ringing_message(tone, phase) for tone in self.tones.take(hop, self.now_s)]
        if self._running is not None and self._running.done():
            self._take_in()
        if self._running is None and self.now_s >= self._due_s:
            self._begin()

    def pass_over(self) -> None:
        """Go past the audio that has come since, unheard: something else is done with the inputs meanwhile."""
        self.follower.pass_over()
        self.tones.forget()
        self._heard_from_s = self.now_s
        self._due_s = self.now_s + _FIRST_S

    def command(self, key: str) -> None:
        """A key: c checks at once."""
        if key == "c" and self._running is None and self.now_s - self._heard_from_s >= LEAST_ACTIVE_S:
            self._begin()

    def _begin(self) -> None:
        self._due_s = self.now_s + EVERY_S
        heard = self.follower.position - round(self._heard_from_s * self.sample_rate_hz)
        frames = min(round(WINDOW_S * self.sample_rate_hz), heard)
        first = self.follower.position - frames
        try:
            samples = self.ring.read(first, frames)
        except LiveError:
            return
        self._checked_s = self.now_s
        recording = held_recording(samples, self.names, self.sample_rate_hz, start_s=first / self.sample_rate_hz)
        self._running = self._pool.submit(
            check,
            self.house_file.parent / "soundcheck",
            house_path=self.house_file,
            options=self.request,
            threads=1,
            recording=recording,
        )

    def finish(self) -> None:
        """Check the last stretch, and wait for it."""
        self._take_in()
        if self.now_s - max(self._checked_s, self._heard_from_s) > LEAST_ACTIVE_S:
            self._begin()
            self._take_in()
        self._pool.shutdown()

    def _take_in(self) -> None:
        """Take in the check that runs, as soon as it is done."""
        running, self._running = self._running, None
        if running is not None:
            self._take(running.result())

    def _take(self, checked: ShowCheck) -> None:
        result = checked.result
        self.newest = result
        for source in result.sources:
            if source.name not in {listed.name for listed in self.house.source}:
                continue  # a channel that nobody claims
            played_s = source.before.active_fraction * result.show.duration_s if source.before is not None else 0.0
            if played_s < LEAST_ACTIVE_S and source.name in self.known:
                continue  # its readings from when it played stand
            kinds = frozenset(finding.kind for finding in source.findings)
            earlier = self.known[source.name].kinds if source.name in self.known else frozenset()
            # a fault is said at once; what depends on what is played must be there twice
            settled = tuple(
                with_text(with_live_advice(finding, self.request.phase or "rehearsal"))
                for finding in source.findings
                if finding.severity != "listen" or finding.kind in earlier
            )
            unsettled = {finding.id for finding in source.findings} - {finding.id for finding in settled}
            moves = tuple(move for move in source.moves if move.finding not in unsettled)
            self._tell(source, settled)
            self.known[source.name] = LastCheck(
                result=replace(
                    source,
                    findings=settled,
                    moves=moves,
                    status=status_of(settled, to_turn=any(move.is_setting for move in moves)),
                ),
                parts=[part for part in checked.parts if part.source == source.name],
                checked_s=self._checked_s,
                kinds=kinds,
            )

    def _tell(self, source: SourceResult, findings: Sequence[Finding]) -> None:
        """Report the findings of a source that are new, and those that are over."""
        known = self.known.get(source.name)
        earlier: dict[str, Finding] = {}
        for finding in known.result.findings if known is not None else ():
            earlier.setdefault(finding.kind, finding)
        for finding in findings:
            is_told = bool(KINDS[finding.kind].live_advice) and self.tones.has_told(
                source.name
            )  # said while it built up
            if finding.kind not in earlier and finding.severity != "note" and not is_told:
                self._report(source.name, finding.text, urgent=finding.severity == "fix")
        for kind in sorted(earlier.keys() - {finding.kind for finding in findings}):
            self._report(source.name, f"no longer: {short(earlier[kind])}")

    def _report(self, source: str, text: str, *, urgent: bool = False) -> None:
        self.messages.append(LiveMessage(time_s=self.now_s, source=source, text=text, urgent=urgent))

    def result(self) -> CheckResult | None:
        """Newest check, each source as it was when it last played; None before the first."""
        if self.newest is None:
            return None
        sources = [source for source in self.house.source if source.name in self.known]
        everything = [
            (source.name, str(source.role), source.where, finding)
            for source in sources
            for finding in self.known[source.name].result.findings
        ]
        first, later = fix_texts(everything)
        return replace(
            self.newest,
            sources=tuple(self.known[source.name].result for source in sources),
            first=first,
            next=later,
            show=replace(self.newest.show, start_s=0.0, duration_s=round(self.now_s, 3)),
        )

    def parts(self) -> list[KeptPart]:
        """Readings of all sources, as the history keeps them."""
        return [part for state in self.known.values() for part in state.parts]

    @property
    def checking(self) -> bool:
        """True while a check runs."""
        return self._running is not None

    def age_s(self, source: str) -> float:
        """Time since the newest check in which a source played, in seconds."""
        return self.now_s - self.known[source].checked_s
