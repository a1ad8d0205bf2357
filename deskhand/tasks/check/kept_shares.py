"""Shares of the kept takes in which a source plays, is mono or comes late: what is so most weeks is how it is here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings import KINDS
from deskhand.house import ROLES

if TYPE_CHECKING:
    from deskhand.baseline.kept import KeptTakes
    from deskhand.tasks.check.resolve import ShowSetup

LEAST_KEPT_DELAYS: Final = 3
"""Kept takes from which on a side that comes late is set against them. Common practice, no source."""


def shares_of_takes(setup: ShowSetup, takes: KeptTakes) -> dict[str, float]:
    """Source that may be silent to the share of the kept takes in which it plays."""
    played = {(take.id, part.source) for take, part in takes.rows}
    return {
        source.name: sum((take.id, source.name) in played for take in takes.takes) / len(takes.takes)
        for source in setup.house.source
        if ROLES[source.role].may_be_silent
    }


def _pair_readings(takes: KeptTakes, name: str) -> dict[str, list[float]]:
    """Pair to a reading of it in each kept take that holds it."""
    readings: dict[str, list[float]] = {}
    for _, part in takes.rows:
        if part.stage == "tap" and part.sound == 0 and name in part.values:
            readings.setdefault(part.source, []).append(part.values[name][0])
    return readings


def mono_shares(takes: KeptTakes) -> dict[str, float]:
    """Pair to the share of its kept takes in which both sides carried one signal; not of what plays finished recordings, mono or stereo."""
    finished = {part.source for _, part in takes.rows if part.role in ROLES and ROLES[part.role].finished}
    same = KINDS["duplicate"]["same"]
    return {
        source: sum(correlation > same for correlation in correlations) / len(correlations)
        for source, correlations in _pair_readings(takes, "correlation").items()
        if source not in finished
    }


def late_shares(takes: KeptTakes) -> dict[str, float]:
    """Pair to the share of its kept takes in which a side came late, where several tell."""
    least_ms = KINDS["delay"]["least_ms"]
    return {
        source: sum(abs(delay_ms) >= least_ms for delay_ms in delays_ms) / len(delays_ms)
        for source, delays_ms in _pair_readings(takes, "delay_ms").items()
        if len(delays_ms) >= LEAST_KEPT_DELAYS
    }
