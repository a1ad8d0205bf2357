"""The at most three things to do before doors, and the status of a source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from deskhand.findings.kinds import KINDS, NEVER, KindName
from deskhand.house.roles import ROLES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding

Fault = tuple[KindName, frozenset[str]]
Status = Literal["well", "listen", "adjust", "fix", "silent", "missing"]
"""One word for a source; "adjust" is one that only a setting waits for, "well" one that nothing waits for."""
MOST: Final = 3
"""Things before doors: what a tired person remembers on the way to the stage. Common practice, no source."""
_UNHEARD: Final = 3
"""Urgency of a role from which on nobody in the room hears it (house/roles.py)."""
_BEFORE_DOORS: Final = tuple(name for name, kind in KINDS.items() if kind.tier == "fault" and kind.urgency < NEVER)


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstThing:
    """One thing to put right: before doors, or next."""

    source: str
    finding: str
    """The finding's id."""
    partners: tuple[str, ...] = ()
    """Ids of the findings that are put right with it: the same fault, at the other of its two inputs."""
    where: str = ""
    """Where the source is on the desk, in words."""
    text: str = ""
    """Sentence for people: the source, where it is, what is wrong and what to do. Made last."""


def _rank(role: str, finding: Finding) -> tuple[bool, int, int, int]:
    """Sort key: what is missing or hurts in the room before what costs quality; then urgency; words first where two are alike."""
    facts, kind = ROLES[role], KINDS[finding.kind]
    # the words carry the evening; what nobody in the room hears goes last
    words_first = 0 if facts.leads else 1 if facts.speaks else 2 if facts.is_voice else 3
    harms_room = kind.harms_sound and facts.urgency < _UNHEARD
    return not harms_room, kind.urgency + facts.urgency, words_first, _order(finding)


def _order(finding: Finding) -> int:
    """Place of a finding's kind in the order of urgency; all that never waits at the doors comes last, alike."""
    return _BEFORE_DOORS.index(finding.kind) if finding.kind in _BEFORE_DOORS else len(_BEFORE_DOORS)


def urgency(finding: Finding) -> tuple[int, int]:
    """Sort key of the findings of one source: most urgent first."""
    return ("fix", "listen", "note").index(finding.severity), _order(finding)


def things_to_fix(
    items: Sequence[tuple[str, str, str, Finding]],
) -> tuple[tuple[FirstThing, ...], tuple[FirstThing, ...]]:
    """Everything to put right: at most three things before doors, one a source, and all others, both most urgent first.

    Parameters
    ----------
    items : sequence of (source, role, where, finding)
        All findings of the show; only those that say "fix" are taken.

    Returns
    -------
    (first, next) : two tuples of FirstThing
        Every finding that says "fix" is in one of them, once, by itself or among the partners of another.
    """
    fixes = sorted((item for item in items if item[3].severity == "fix"), key=lambda item: _rank(item[1], item[3]))
    faults = {finding.id: _fault(source, finding) for source, _, _, finding in fixes}
    first: dict[str, FirstThing] = {}
    later: list[FirstThing] = []
    listed: set[Fault] = set()
    # the three are chosen before the others are gone through: a fault of two inputs may be said at either
    for only_first in (True, False):
        for source, _, where, finding in fixes:
            fault = faults[finding.id]
            if fault in listed or (only_first and (source in first or len(first) == MOST)):
                continue
            partners = tuple(name for name, same in faults.items() if same == fault and name != finding.id)
            thing = FirstThing(source=source, finding=finding.id, partners=partners, where=where)
            listed.add(fault)
            if only_first:
                first[source] = thing
            else:
                later.append(thing)
    return tuple(first.values()), tuple(later)


def _fault(source: str, finding: Finding) -> Fault:
    """Identity of a fault: two inputs that have one between them have the same."""
    if KINDS[finding.kind].of_two and finding.other:
        return finding.kind, frozenset({source, finding.other})
    return finding.kind, frozenset({finding.id})


def first_things(items: Sequence[tuple[str, str, str, Finding]]) -> tuple[FirstThing, ...]:
    """At most three findings to put right before doors, one a source, most urgent first; see `things_to_fix`."""
    return things_to_fix(items)[0]


def status_of(findings: Sequence[Finding], *, to_turn: bool = False) -> Status:
    """One word for a source, from what is found at it, and whether a setting of the desk waits for it."""
    # what is silent from some time on was heard before
    gone = {
        KINDS[finding.kind].gone
        for finding in findings
        # a spare input that is silent is a note, and silent all the same
        if not finding.at_s and (finding.severity == "fix" or (finding.severity == "note" and not finding.dismissed))
    }
    if "missing" in gone:
        return "missing"
    if "silent" in gone:
        return "silent"
    severities = {finding.severity for finding in findings}
    return "fix" if "fix" in severities else "listen" if "listen" in severities else "adjust" if to_turn else "well"
