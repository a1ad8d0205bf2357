"""Something that happened, for whoever reads lines instead of a screen."""

from __future__ import annotations

from dataclasses import dataclass

from deskhand.units import clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One thing."""

    at_s: float
    source: str | None
    text: str
    urgent: bool = False

    def __str__(self) -> str:
        """One line."""
        where = f"{self.source}: " if self.source else ""
        return f"{clock(self.at_s)}  {where}{self.text}"
