"""The at most three things to do before doors, and the status of a source."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding

Status = Literal["well", "listen", "fix", "silent", "missing"]
MOST: Final = 3

# In tiers: what stops a source from being heard, what harms the sound, what costs quality.
_TIERS: Final = (
    ("missing", "silent", "howl", "one-sided"),
    ("clipped", "in-the-mix", "dropout", "wireless-hit", "polarity", "duplicate", "wrong-patch", "swapped"),
    ("hum", "level-high", "level-low", "headroom", "clicks", "noise", "delay", "dc"),
)
_ORDER: Final = tuple(kind for tier in _TIERS for kind in tier)
# The words carry the evening: at equal urgency they go first. What nobody in the room hears goes last.
_ROLES: Final = ("lead vocal", "speech", "backing vocal")
_BEHIND: Final = ("click", "talkback", "other", "audience")


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstThing:
    """One thing to do before doors."""

    source: str
    finding: str
    """The finding's id."""
    text: str
    """The source, where it is, what is wrong and what to do."""


def _rank(role: str, finding: Finding) -> tuple[int, int, int]:
    tier = next((place for place, kinds in enumerate(_TIERS) if finding.kind in kinds), len(_TIERS))
    weight = 0 if role in _ROLES else 3 if role in _BEHIND else 1
    order = _ORDER.index(finding.kind) if finding.kind in _ORDER else len(_ORDER)
    return tier + weight, _ROLES.index(role) if role in _ROLES else len(_ROLES), order


def urgency(finding: Finding) -> tuple[int, int]:
    """Sort key of the findings of one source: most urgent first."""
    return ("fix", "listen", "note").index(finding.severity), _rank("", finding)[2]


def first_things(items: Sequence[tuple[str, str, str, Finding]]) -> tuple[FirstThing, ...]:
    """At most three findings to put right before doors, one a source, most urgent first.

    Parameters
    ----------
    items : sequence of (source, role, where, finding)
        All findings of the show; only those that say "fix" are taken.
    """
    chosen: list[FirstThing] = []
    seen: set[str] = set()
    twice: set[str] = set()
    for source, _, where, finding in sorted(
        (item for item in items if item[3].severity == "fix"), key=lambda item: _rank(item[1], item[3])
    ):
        # two inputs with one fault between them are one thing to do
        if source in seen or (finding.kind == "duplicate" and finding.text in twice):
            continue
        if finding.kind == "swapped" and any(
            one.finding == f"{one.source}/swapped" and re.search(rf"(?<!\w){re.escape(one.source)}(?!\w)", finding.text)
            for one in chosen
        ):
            continue
        seen.add(source)
        twice.add(finding.text)
        place = f" ({where})" if where else ""
        chosen.append(FirstThing(source=source, finding=finding.id, text=f"{source}{place}: {finding.text}"))
        if len(chosen) == MOST:
            break
    return tuple(chosen)


def status_of(findings: Sequence[Finding]) -> Status:
    """One word for a source."""
    kinds = {finding.kind for finding in findings if finding.severity == "fix"}
    if "missing" in kinds:
        return "missing"
    if any(finding.kind == "silent" and finding.severity == "fix" and not finding.at_s for finding in findings):
        return "silent"
    severities = {finding.severity for finding in findings}
    return "fix" if "fix" in severities else "listen" if "listen" in severities else "well"
