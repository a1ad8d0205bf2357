"""Entry of the patch list: one input with its state, its newest playing and its findings."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from deskhand.findings import Finding, status_of
from deskhand.findings.first import urgency

if TYPE_CHECKING:
    from deskhand.findings.line_memory import LineMemory
    from deskhand.house import Source
    from deskhand.live.listen import InputStretch

State = Literal["waiting", "sounding", "arrived", "skipped", "not tonight"]
TURN: Final = "swapped/turn"
"""Key of the question who played, when an input came at another's turn: players out of order and crossed cables look alike."""


@dataclass(slots=True)
class PatchEntry:
    """Entry of the patch list: one source, and its state in the line check."""

    source: Source
    rows: tuple[int, ...]
    """Of the interface, from 0."""
    turn: int
    """Position in the patch order, from 0."""
    state: State = "waiting"
    bout: tuple[float, float] | None = None
    """From and to of the newest stretch in which it sounded, in seconds; it ends now while it sounds."""
    sounded_s: float = 0.0
    """Time within that stretch in which it really sounded."""
    before_s: float = -1e9
    """End of the stretch before that."""
    overhears: bool = False
    """True while it only hears whoever has the turn."""
    sounding: bool = False
    began_s: float | None = None
    """Time at which it first sounded."""
    arrived_s: float | None = None
    came_at: int | None = None
    """Turn at which it came."""
    question: Finding | None = None
    """Question who played, while the kept weeks may still answer it."""
    is_itself: bool = False
    """True once the kept weeks have told that it carries its own source."""
    is_settled: bool = False
    """True once a person has answered who was playing: the sound is not asked any more."""
    confirmed_by: str | None = None
    """Person who said that it was heard, before enough of it was measured; empty where nobody gave a name."""
    earlier: str = ""
    """Sentence about it from before deskhand was started again; empty where it was heard since."""
    state_before: State = "waiting"
    """State before it was left out for tonight, to take that back."""
    stretch: InputStretch | None = None
    """Newest stretch that was measured."""
    memory: LineMemory | None = None
    """Its turn against its turns in kept line checks, once it has played long enough."""
    looked_s: float = -1e9
    """Time of the last look."""
    looked_after_playing: bool = True
    """True when the last look came after its playing had ended."""
    seen: Counter[str] = field(default_factory=Counter)
    missed: Counter[str] = field(default_factory=Counter)
    reported: dict[str, Finding] = field(default_factory=dict)
    """Findings that were told and still stand, by kind and track."""
    reported_s: dict[str, float] = field(default_factory=dict)
    """Time at which each was first told."""

    @property
    def findings(self) -> list[Finding]:
        """Findings that stand, most urgent first; none of an input that nobody plays tonight."""
        return [] if self.state == "not tonight" else sorted(self.reported.values(), key=urgency)

    @property
    def verdict(self) -> str:
        """One word: waiting, sounding, skipped, not tonight, well, listen or fix."""
        return status_of(self.findings) if self.state == "arrived" else self.state
