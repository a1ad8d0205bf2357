"""One cause, one finding: what follows from a fault that is said already is not said again; and what a person does not want to hear of."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.findings.kinds import KINDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.findings.finding import Finding
    from deskhand.store import Dismissal

_WORSE: Final = {"dB": 3.0, "dBFS": 3.0, "dBTP": 3.0}
"""Further out than when it was dismissed by this much, or by half in other units, a finding is raised again. Common practice, no
source."""


def with_dismissals(
    by_source: Mapping[str, Sequence[Finding]], dismissals: Iterable[Dismissal], *, show: tuple[str, str | None]
) -> dict[str, list[Finding]]:
    """Findings by source, of which those that a person dismissed are notes that say so.

    Parameters
    ----------
    by_source : mapping
        Source to its findings.
    dismissals : iterable of Dismissal
    show : (name, date)
        Of this show: a dismissal that is not for good holds in its own show only.
    """
    standing = {
        f"{dismissal.source}/{dismissal.kind}": dismissal
        for dismissal in dismissals
        if dismissal.for_good or (dismissal.show, dismissal.date) == show
    }
    return {
        source: [_dismissed(finding, standing.get(finding.id)) for finding in findings]
        for source, findings in by_source.items()
    }


def _dismissed(finding: Finding, dismissal: Dismissal | None) -> Finding:
    """The finding as a note, where it was dismissed and is not worse than then."""
    if dismissal is None or finding.severity == "note":
        return finding
    if dismissal.for_good and _worse(finding, dismissal):
        return finding
    return replace(
        finding,
        severity="note",
        dismissed="for-good" if dismissal.for_good else "tonight",
        dismissed_by=dismissal.said_by or None,
    )


def _worse(finding: Finding, dismissal: Dismissal) -> bool:
    """True where it is noticeably further out than when it was dismissed."""
    if finding.measured is None or dismissal.measured is None:
        return False
    middle = (
        finding.expected if finding.expected is not None else finding.high if finding.high is not None else finding.low
    )
    if middle is None:
        return False
    off, off_then = finding.measured - middle, dismissal.measured - middle
    return off * off_then < 0 or abs(off) > abs(off_then) + _WORSE.get(finding.unit or "", 0.5 * abs(off_then))


def drift_number(finding: Finding) -> str | None:
    """Name of the number that a finding tells of over the weeks, "tone" for its slope and every octave; None for other findings."""
    if not KINDS[finding.kind].of_a_number:
        return None
    name = finding.id.rpartition(f"/{finding.kind}-")[2]
    return "tone" if name == "tilt" or name.startswith("tone-") else name


def causes_only(findings: Sequence[Finding]) -> list[Finding]:
    """Findings of one source without those that another of them explains."""
    causes = [finding for finding in findings if finding.severity != "note" or KINDS[finding.kind].tier == "judgement"]
    explained = {kind for cause in causes for kind in KINDS[cause.kind].explains if kind != cause.kind}
    explained_drifts = {number for cause in causes for number in KINDS[cause.kind].explains_drifts}
    limits_db = {
        kind: KINDS[cause.kind][limit] for cause in causes for kind, limit in KINDS[cause.kind].explains_up_to.items()
    }

    def follows(finding: Finding) -> bool:
        if finding.kind in explained or drift_number(finding) in explained_drifts:
            return True
        return (
            finding.kind in limits_db
            and finding.measured is not None
            and finding.expected is not None
            and finding.expected - finding.measured < limits_db[finding.kind]
        )

    return [finding for finding in findings if not follows(finding)]
