"""Recording to be measured, with its house, tap and tracks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from deskhand.desk import DeskState
    from deskhand.house import HouseFile, MatchedTracks
    from deskhand.mix.clearance import AudibilityLimits
    from deskhand.recording import Recording
    from deskhand.reuse import KeptMeasurements
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
    reuse: KeptMeasurements | None = None
    """Measurements of an earlier check, and where those of this one are kept."""

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
