"""Readings of a take before and after the house's chains."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.chain.meter import Stage
    from deskhand.findings import Finding
    from deskhand.house import ChainBlock
    from deskhand.measure.activity import Activity
    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import SourceReading
    from deskhand.mix.clearance import Clearance
    from deskhand.mix.recorded import RecordedMix
    from deskhand.mix.voice_ratio import VoiceRatio
    from deskhand.result import MixResult


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
    telling_s: dict[str, float] = field(default_factory=dict)
    """Source to the start of its most telling stretch; told with its loud moments."""

    @property
    def playing(self) -> dict[str, Activity]:
        """Activity of each source that carries anything."""
        return playing_of(self.before)


def playing_of(readings: dict[str, SourceReading]) -> dict[str, Activity]:
    """Activity of each source that carries anything."""
    return {name: reading.activity for name, reading in readings.items() if reading.readings.level_dbfs is not None}
