"""Messages of a line check or soundcheck, for whoever reads lines instead of a screen."""

from __future__ import annotations

from dataclasses import dataclass

from deskhand.units import clock


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveMessage:
    """One event: when it happened, at which source, and in words."""

    time_s: float
    """Of audio since the beginning."""
    source: str | None
    text: str
    urgent: bool = False
    finding: str = ""
    """Kind and track of the finding that it tells, which may be taken back; empty where it tells none."""
    tone_hz: float | None = None
    """Frequency of the tone that builds up, where it tells of one."""

    def __str__(self) -> str:
        """Time, source and text in one line."""
        source = f"{self.source}: " if self.source else ""
        return f"{clock(self.time_s)}  {source}{self.text}"
