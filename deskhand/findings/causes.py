"""One cause, one finding: what follows from a fault that is said already is not said again."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from deskhand.findings.finding import Finding
    from deskhand.store import Dismissal

_JUDGEMENTS: Final = frozenset(
    {"tone", "dynamics", "tail", "articulation", "width", "mono-loss", "harsh", "sound-step", "drift"}
)
_EXPLAINS: Final[dict[str, frozenset[str]]] = {
    "silent": _JUDGEMENTS | {"level-low", "vocal-covered"},
    "missing": _JUDGEMENTS,
    "wrong-patch": _JUDGEMENTS | {"level-low", "level-high", "polarity", "vocal-covered", "silent"},
    "swapped": _JUDGEMENTS | {"level-low", "level-high", "polarity", "vocal-covered"},
    "duplicate": _JUDGEMENTS | {"level-low", "level-high", "wrong-patch", "swapped"},
    "one-sided": _JUDGEMENTS,
    "polarity": frozenset({"width", "mono-loss", "tone"}),
    "delay": frozenset({"width", "mono-loss", "tone"}),
    "clipped": _JUDGEMENTS - {"width"},
    "hum": frozenset({"tone", "tail", "articulation", "harsh"}),
    "noise": frozenset({"tone", "tail", "articulation", "harsh"}),
    "in-the-mix": frozenset({"articulation", "tone", "tail"}),
    "wireless-hit": frozenset({"articulation", "dynamics", "harsh"}),
    "howl": frozenset({"tone", "harsh", "tail", "dynamics"}),
    # a compressor sees another level than it was set for
    "level-high": frozenset({"dynamics", "drift"}),
    "level-low": frozenset({"dynamics", "drift"}),
    "tone": frozenset({"harsh", "drift"}),
    "tail": frozenset({"articulation", "drift"}),
    "width": frozenset({"mono-loss", "drift"}),
    "dynamics": frozenset({"drift"}),
    "articulation": frozenset({"drift"}),
}
"""Kind to the kinds that are its consequence. Common practice, no source."""
_WORSE: Final = {"dB": 3.0, "dBFS": 3.0, "dBTP": 3.0}
"""Further out than when it was dismissed by this much, or by half in other units, a finding is raised again. Common practice, no
source."""
_HALF_GONE_DB: Final = 6.0
"""A pair of which one side is dead reads 3 dB low, and up to 6 with the level's own spread."""


def silenced(
    by_source: Mapping[str, list[Finding]], dismissals: Iterable[Dismissal], *, show: tuple[str, str | None]
) -> None:
    """Turn findings that a person dismissed into notes that say so.

    Parameters
    ----------
    by_source : mapping
        Source to its findings; changed in place.
    dismissals : iterable of Dismissal
    show : (name, date)
        Of this show: a dismissal that is not for good holds in its own show only.
    """
    said: dict[str, Dismissal] = {}
    for dismissal in dismissals:
        if dismissal.for_good or (dismissal.show, dismissal.date) == show:
            said[f"{dismissal.source}/{dismissal.kind}"] = dismissal
    for found in by_source.values():
        for at, finding in enumerate(found):
            one = said.get(finding.id)
            if one is None or finding.severity == "note":
                continue
            if one.for_good and _worse(finding, one):
                continue
            by = f" by {one.said_by}" if one.said_by else ""
            how = f"as you like it, said{by}" if one.for_good else f"left alone for this show{by}"
            found[at] = replace(finding, severity="note", text=f"({how}) {finding.text}")


def _worse(finding: Finding, dismissed: Dismissal) -> bool:
    """Whether it is noticeably further out than when it was dismissed."""
    if finding.measured is None or dismissed.measured is None:
        return False
    middle = (
        finding.expected if finding.expected is not None else finding.high if finding.high is not None else finding.low
    )
    if middle is None:
        return False
    now, then = finding.measured - middle, dismissed.measured - middle
    return now * then < 0 or abs(now) > abs(then) + _WORSE.get(finding.unit or "", 0.5 * abs(then))


def causes_only(findings: list[Finding]) -> list[Finding]:
    """The findings of one source without those that another of them explains."""
    said = [finding for finding in findings if finding.severity != "note" or finding.kind in _JUDGEMENTS]
    explained: set[str] = set()
    for finding in said:
        explained |= {kind for kind in _EXPLAINS.get(finding.kind, frozenset()) if kind != finding.kind}
    half_gone = any(finding.kind == "one-sided" for finding in said)

    def follows(finding: Finding) -> bool:
        if finding.kind in explained:
            return True
        return (
            half_gone
            and finding.kind == "level-low"
            and finding.measured is not None
            and finding.expected is not None
            and finding.expected - finding.measured < _HALF_GONE_DB
        )

    return [finding for finding in findings if not follows(finding)]
