"""From readings and figures to findings, before any show is kept: faults, levels and mono loss."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.findings.context import MOST_SPANS
from deskhand.findings.faults.leaks import leaks, leaks_in_mix
from deskhand.findings.faults.level import level
from deskhand.findings.faults.moments import moments
from deskhand.findings.faults.pair import duplicates, microphones, pair
from deskhand.findings.faults.peaks import peaks
from deskhand.findings.faults.presence import missing, silent
from deskhand.findings.faults.steady import steady
from deskhand.findings.kinds import ENTRIES, KINDS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.findings.context import Context
    from deskhand.findings.entry import Fault
    from deskhand.findings.finding import Finding

    Findings = dict[str, list[Finding]]

_FAULTS: Final[tuple[Fault, ...]] = (
    *(peaks, steady, level, moments, pair),
    *(entry.fault for entry in ENTRIES if entry.fault is not None),
)
"""Faults of an input that plays, in the order in which they are judged: later ones see what earlier ones found. Those of kinds with a file
of their own come last."""
_SAME_MOMENT_S: Final = 0.01
"""Moments of the two sides up to this far apart are one: ten milliseconds. Common practice, no source."""
__all__ = ["judge", "judge_mix"]


def judge(
    context: Context,
    *,
    absent: Mapping[str, Sequence[str]],
    similar: Mapping[str, Sequence[str]],
    groups: Sequence[tuple[str, str]] = (),
) -> Findings:
    """Findings of a show, by source.

    Faults are judged at the tap; level and mono loss at the nominal point, after the gain, trim and polarity that the house
    file holds already.

    Parameters
    ----------
    context : Context
        The show: house, figures, tracks, readings (sources that are missing are not in them).
    absent : mapping
        Source name to the tracks it should have and the recording has not.
    similar : mapping
        Source name to the recording's unclaimed names most like them.
    groups : sequence of (source, source)
        Sources that are microphones of one instrument.
    """
    by_source: Findings = {}
    for source in context.house.source:
        if not source.used:
            continue
        findings: list[Finding] = []
        if source.name in absent:
            findings += missing(source, absent[source.name], similar.get(source.name, ()))
        reading = context.readings.get(source.name)
        if reading is not None:
            findings += silent(source, reading, context, findings)
            if reading.activity.windows.any():
                for fault in _FAULTS:
                    findings += fault(source, reading, context, findings)
        by_source[source.name] = of_both_sides(findings)
    by_source = joined(by_source, duplicates(context, by_source))
    by_source = joined(by_source, microphones(groups, context, by_source))
    by_source = joined(by_source, leaks(context, by_source))
    return {name: _without_explained_cases(findings) for name, findings in by_source.items()}


def judge_mix(mix: Sequence[int], context: Context) -> list[Finding]:
    """Findings of the recorded mix, whose tracks are named."""
    return leaks_in_mix(mix, context)


def joined(first: Mapping[str, Sequence[Finding]], second: Mapping[str, Sequence[Finding]]) -> Findings:
    """Findings of both, by source, those of the first before those of the second."""
    return {name: [*first.get(name, ()), *second.get(name, ())] for name in dict.fromkeys([*first, *second])}


def of_both_sides(findings: Sequence[Finding]) -> list[Finding]:
    """Findings in which the same fault of both sides of a pair is one: the worse side's, at the moments of either, of no side."""
    merged: list[Finding] = []
    for finding in findings:
        twin = next(
            (
                number
                for number, earlier in enumerate(merged)
                if finding.track is not None
                and earlier.track not in (None, finding.track)
                and KINDS[finding.kind].one_for_both_sides
                and (earlier.kind, earlier.what) == (finding.kind, finding.what)
            ),
            None,
        )
        if twin is None:
            merged.append(finding)
        else:
            merged[twin] = _of_both(merged[twin], finding)
    return merged


def _of_both(first: Finding, second: Finding) -> Finding:
    """Finding of two sides."""
    worse = max(first, second, key=lambda finding: (finding.severity == "fix", finding.measured or 0.0))
    spans_s = sorted({*first.at_s, *second.at_s})
    at_s = [
        span for number, span in enumerate(spans_s) if not number or span[0] - spans_s[number - 1][0] > _SAME_MOMENT_S
    ][:MOST_SPANS]
    counts = {"count": len(at_s)} if "count" in worse.facts else {}
    return replace(
        worse,
        id=first.id,
        track=None,
        at_s=tuple(at_s),
        facts={**worse.facts, **counts},
        measured=len(at_s) if worse.unit == "count" else worse.measured,
    )


def _without_explained_cases(findings: Sequence[Finding]) -> list[Finding]:
    """Findings without those that a case of another is, such as digital clicks that are the players' click, heard."""
    explained = {
        kind for finding in findings for kind in KINDS[finding.kind].explains_in_case.get(finding.what, frozenset())
    }
    return [finding for finding in findings if finding.kind not in explained]
