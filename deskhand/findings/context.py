"""A show as its findings are judged, and what several faults ask of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from deskhand.desk import DeskState
from deskhand.findings.finding import Finding
from deskhand.house import GainBlock
from deskhand.house.roles import ROLES
from deskhand.measure.readings import LEAST_ACTIVE_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.chain.nominal import NominalPoint
    from deskhand.findings.finding import Caution, Severity, Stage
    from deskhand.findings.kind import KindName
    from deskhand.house import HouseFile, Source
    from deskhand.house.roles import Role
    from deskhand.measure.figures import Event, Figures
    from deskhand.measure.readings import SourceReading
    from deskhand.recording import Track

MOST_SPANS: Final = 200
"""Moments of one finding that are listed in the data: a page draws no more. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """One show: house, figures, tracks and what was read of each source."""

    house: HouseFile
    figures: Figures
    tracks: Sequence[Track]
    offset_s: float
    """Where the stretch begins in the recording: times are told from the recording's start."""
    readings: Mapping[str, SourceReading]
    line_check: bool
    desk: DeskState = field(default_factory=lambda: DeskState(tap="preamp"))
    """Taps of the sources, and what was turned before them since the take was recorded."""

    @property
    def hop_s(self) -> float:
        """Length of a block, in s."""
        return self.figures.grid.hop_s

    def before_chain(self, source: Source) -> bool:
        """True where the recording was taken before the source's chain: what the chain reverses is not yet reversed in it."""
        return self.desk.tap_of(source) != "after-chain"

    def nominal(self, source: Source) -> NominalPoint:
        """Level, peaks and mono loss after the gain, trim and polarity that the house file holds."""
        return self.desk.nominal(source, self.readings[source.name], self.figures)

    def turned_at_preamp_db(self, source: Source) -> float:
        """Gain by which a source's preamp was turned since the take was recorded."""
        turned = self.desk.turned_since(source)
        return sum(block.gain_db for block in turned if isinstance(block, GainBlock) and block.on == "both")

    def others_play(self, name: str, block: int) -> bool:
        """True where others play for three seconds or more after a block: when all have stopped, the song has ended."""
        readings = [reading for source, reading in self.readings.items() if source != name]
        least_blocks = LEAST_ACTIVE_S / self.hop_s
        playing = sum(reading.activity.blocks[block:].sum() >= least_blocks for reading in readings)
        return not readings or playing * 2 >= len(readings)

    def side(self, reading: SourceReading, track: int) -> str | None:
        """Name of a track where it is one side of a pair."""
        return self.tracks[track].name if len(reading.tracks) > 1 else None


class Gathering:
    """Findings of one source while they are gathered, with ids that run on from the earlier ones."""

    def __init__(self, source: str, earlier: Sequence[Finding] = (), *, stage: Stage = "tap") -> None:
        self._source = source
        self._earlier = tuple(earlier)
        self._stage: Stage = stage
        self.new: list[Finding] = []
        """Those that came to the earlier ones."""

    def has(self, *kinds: KindName) -> bool:
        """True where one of these kinds was found already."""
        return any(finding.kind in kinds for finding in (*self._earlier, *self.new))

    def add(self, kind: KindName, severity: Severity, what: str, **fields: object) -> None:
        """Add a finding; `fields` are the others of Finding."""
        same = sum(1 for finding in (*self._earlier, *self.new) if finding.kind == kind)
        suffix = f"-{same + 1}" if same else ""
        finding = Finding(
            id=f"{self._source}/{kind}{suffix}",
            kind=kind,
            stage=self._stage,
            severity=severity,
            what=what,
            **fields,  # type: ignore[arg-type]
        )
        self.new.append(finding)


def spans_s(events: Iterable[Event], offset_s: float) -> tuple[tuple[float, float], ...]:
    """Begin and end of events in s from the recording's start."""
    return tuple(
        (round(float(event.start_s) + offset_s, 3), round(float(event.end_s) + offset_s, 3)) for event in events
    )


def role_of(source: Source) -> Role:
    """Facts about a source's role."""
    return ROLES[source.role]


def has_nominal(source: Source) -> bool:
    """True where the source's level is judged: always when it has a nominal of its own."""
    return source.nominal_dbfs is not None or role_of(source).own_level


def gain_cautions(source: Source, *, raises: bool) -> tuple[Caution, ...]:
    """Cautions of turning a source's gain: an open microphone that gets louder can feed back, and the players hear it."""
    if raises and role_of(source).open_microphone:
        return ("feedback", "tell-stage")
    return ("tell-stage",)
