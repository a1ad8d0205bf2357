"""The soundcheck: everybody plays, and the newest half minute is checked again and again, as a recording would be."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from deskhand.errors import LiveError
from deskhand.findings import first_texts, first_things, status_of
from deskhand.live.ring import Follower
from deskhand.live.said import Said
from deskhand.measure.readings import LEAST_ACTIVE_S
from deskhand.recording.held import held_recording
from deskhand.tasks.check import CheckOptions, check

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.console import RenderableType

    from deskhand.findings import Finding
    from deskhand.house import HouseFile
    from deskhand.live.ring import Ring
    from deskhand.result import CheckResult, SourceResult
    from deskhand.store import KeptPart
    from deskhand.tasks.check import ShowCheck

WINDOW_S: Final = 30.0
EVERY_S: Final = 45.0
_FIRST_S: Final = 20.0


@dataclass(slots=True)
class _Known:
    """What is known of a source, from the newest check in which it played."""

    result: SourceResult
    parts: list[KeptPart]
    at_s: float
    before: frozenset[str] = frozenset()
    """Kinds that were found the time before."""


@dataclass(slots=True, kw_only=True)
class Soundcheck:
    """Checks the newest of what comes in, again and again.

    Parameters
    ----------
    house : HouseFile
    house_file : Path
    names : sequence of str
        Of all channels.
    ring : Ring
    sample_rate_hz : int
    asked : CheckOptions
        Phase, tap, date, players, history.
    """

    house: HouseFile
    house_file: Path
    names: Sequence[str]
    ring: Ring
    sample_rate_hz: int
    asked: CheckOptions
    follower: Follower = field(init=False)
    known: dict[str, _Known] = field(default_factory=dict)
    newest: CheckResult | None = None
    said: list[Said] = field(default_factory=list)
    _pool: ThreadPoolExecutor = field(init=False)
    _running: Future[ShowCheck] | None = None
    _due_s: float = _FIRST_S
    _asked_at_s: float = 0.0

    def __post_init__(self) -> None:
        self.follower = Follower(self.ring, self.sample_rate_hz)
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="soundcheck")

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""
        return self.follower.now_s

    def advance(self) -> None:
        """Look at what has come since, and take in what was checked meanwhile."""
        for _ in self.follower.steps():
            pass  # only how far it is, and what was lost
        if self._running is not None and self._running.done():
            self._take_in()
        if self._running is None and self.now_s >= self._due_s:
            self._begin()

    def command(self, key: str) -> None:
        """A key: c checks at once."""
        if key == "c" and self._running is None and self.now_s >= LEAST_ACTIVE_S:
            self._begin()

    def _begin(self) -> None:
        self._due_s = self.now_s + EVERY_S
        at = self.follower.at
        frames = min(round(WINDOW_S * self.sample_rate_hz), at)
        first = at - frames
        try:
            samples = self.ring.read(first, frames)
        except LiveError:
            return
        self._asked_at_s = self.now_s
        recording = held_recording(samples, self.names, self.sample_rate_hz, start_s=first / self.sample_rate_hz)
        self._running = self._pool.submit(
            check,
            self.house_file.parent / "soundcheck",
            house_path=self.house_file,
            options=self.asked,
            threads=1,
            recording=recording,
        )

    def finish(self) -> None:
        """Check what came last, and wait for it."""
        self._take_in()
        if self.now_s - self._asked_at_s > LEAST_ACTIVE_S:
            self._begin()
            self._take_in()
        self._pool.shutdown()

    def _take_in(self) -> None:
        """Take in what is being checked, as soon as it is done."""
        running, self._running = self._running, None
        if running is not None:
            self._take(running.result())

    def _take(self, checked: ShowCheck) -> None:
        result = checked.result
        self.newest = result
        for source in result.sources:
            if source.name not in {one.name for one in self.house.source}:
                continue  # a channel that nobody claims
            played_s = source.before.active_fraction * result.show.duration_s if source.before is not None else 0.0
            if played_s < LEAST_ACTIVE_S and source.name in self.known:
                continue  # what was heard when it played stands
            kinds = frozenset(finding.kind for finding in source.findings)
            before = self.known[source.name].before if source.name in self.known else frozenset()
            # a fault is said at once; what depends on what is played must be there twice
            told = tuple(one for one in source.findings if one.severity != "listen" or one.kind in before)
            self._tell(source, told)
            self.known[source.name] = _Known(
                result=replace(source, findings=told, status=status_of(told)),
                parts=[part for part in checked.parts if part.source == source.name],
                at_s=self._asked_at_s,
                before=kinds,
            )

    def _tell(self, source: SourceResult, found: Sequence[Finding]) -> None:
        was = {one.kind for one in self.known[source.name].result.findings} if source.name in self.known else set()
        for finding in found:
            if finding.kind not in was and finding.severity != "note":
                self._say(source.name, finding.text, urgent=finding.severity == "fix")
        for kind in sorted(was - {one.kind for one in found}):
            self._say(source.name, f"{kind}: is over")

    def _say(self, source: str, text: str, *, urgent: bool = False) -> None:
        self.said.append(Said(at_s=self.now_s, source=source, text=text, urgent=urgent))

    def result(self) -> CheckResult | None:
        """The newest check, each source as it was when it last played; None before the first."""
        if self.newest is None:
            return None
        here = [source for source in self.house.source if source.name in self.known]
        everything = [
            (source.name, str(source.role), source.where, finding)
            for source in here
            for finding in self.known[source.name].result.findings
        ]
        return replace(
            self.newest,
            sources=tuple(self.known[source.name].result for source in here),
            first=first_texts(first_things(everything), everything),
            show=replace(self.newest.show, start_s=0.0, duration_s=round(self.now_s, 3)),
        )

    def parts(self) -> list[KeptPart]:
        """What is kept of it."""
        return [part for one in self.known.values() for part in one.parts]

    def view(self, *, note: str, height: int, problem: str = "") -> RenderableType:
        """One screen."""
        from deskhand.live.screen import soundcheck_view

        return soundcheck_view(self, note=note, height=height, problem=problem)

    @property
    def checking(self) -> bool:
        """Whether a check runs just now."""
        return self._running is not None

    def age_s(self, source: str) -> float:
        """How long ago what is known of a source was heard."""
        return self.now_s - self.known[source].at_s
