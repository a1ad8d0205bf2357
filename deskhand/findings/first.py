"""The at most three things to do before doors, and the status of a source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from deskhand.findings.kinds import KINDS, NEVER
from deskhand.house.roles import ROLES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding
    from deskhand.findings.kinds import KindName

Status = Literal["well", "listen", "fix", "silent", "missing"]
MOST: Final = 3
"""Things before doors: what a tired person remembers on the way to the stage. Common practice, no source."""
_BEFORE_DOORS: Final = tuple(name for name, kind in KINDS.items() if kind.tier == "fault" and kind.urgency < NEVER)


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstThing:
    """One thing to do before doors."""

    source: str
    finding: str
    """The finding's id."""
    where: str = ""
    """Where the source is on the desk, in words."""
    text: str = ""
    """Sentence for people: the source, where it is, what is wrong and what to do. Made last."""


def _rank(role: str, finding: Finding) -> tuple[int, int, int]:
    """Sort key before doors: urgency of what is wrong and of whose it is; words go first at equal urgency."""
    facts = ROLES[role]
    # the words carry the evening; what nobody in the room hears goes last
    words_first = 0 if facts.leads else 1 if facts.speaks else 2 if facts.is_voice else 3
    return KINDS[finding.kind].urgency + facts.urgency, words_first, _order(finding)


def _order(finding: Finding) -> int:
    """Place of a finding's kind in the order of urgency; all that never waits at the doors comes last, alike."""
    return _BEFORE_DOORS.index(finding.kind) if finding.kind in _BEFORE_DOORS else len(_BEFORE_DOORS)


def urgency(finding: Finding) -> tuple[int, int]:
    """Sort key of the findings of one source: most urgent first."""
    return ("fix", "listen", "note").index(finding.severity), _order(finding)


def first_things(items: Sequence[tuple[str, str, str, Finding]]) -> tuple[FirstThing, ...]:
    """At most three findings to put right before doors, one a source, most urgent first.

    Parameters
    ----------
    items : sequence of (source, role, where, finding)
        All findings of the show; only those that say "fix" are taken.
    """
    chosen: dict[str, FirstThing] = {}
    partners: set[tuple[KindName, frozenset[str]]] = set()
    fixes = [item for item in items if item[3].severity == "fix"]
    for source, _, where, finding in sorted(fixes, key=lambda item: _rank(item[1], item[3])):
        # two inputs with one fault between them are one thing to do
        between = (finding.kind, frozenset({source, finding.other or source}))
        if source in chosen or (KINDS[finding.kind].of_two and between in partners):
            continue
        partners.add(between)
        chosen[source] = FirstThing(source=source, finding=finding.id, where=where)
        if len(chosen) == MOST:
            break
    return tuple(chosen.values())


def status_of(findings: Sequence[Finding]) -> Status:
    """One word for a source."""
    # what is silent from some time on was heard before
    gone = {KINDS[finding.kind].gone for finding in findings if finding.severity == "fix" and not finding.at_s}
    if "missing" in gone:
        return "missing"
    if "silent" in gone:
        return "silent"
    severities = {finding.severity for finding in findings}
    return "fix" if "fix" in severities else "listen" if "listen" in severities else "well"
