"""Faults weighed by the kept weeks: silence of what may be silent, one signal on both sides, and a side that comes late."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.findings.kinds import KINDS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.findings.finding import Finding

_SILENT: Final = KINDS["silent"]
_DUPLICATE: Final = KINDS["duplicate"]
_DELAY: Final = KINDS["delay"]
_USUALLY: Final = 0.5
"""Share of the kept weeks above which something is usual. Common practice, no source."""


def as_usual(findings: Mapping[str, Sequence[Finding]], plays: Mapping[str, float]) -> dict[str, list[Finding]]:
    """Findings in which silence all along of what may be silent is weighed by the kept weeks: it is worth a look where the input usually plays.

    Parameters
    ----------
    findings : mapping
        Source to its findings.
    plays : mapping
        Source to the share of the kept takes in which it plays, for sources that may be silent.
    """
    return {
        source: [
            replace(finding, severity="listen" if plays[source] > _USUALLY else "note")
            if source in plays and KINDS[finding.kind] is _SILENT and not finding.at_s and finding.severity != "fix"
            else finding
            for finding in several
        ]
        for source, several in findings.items()
    }


def pairs_as_usual(
    findings: Mapping[str, Sequence[Finding]], *, mono: Mapping[str, float], late: Mapping[str, float]
) -> dict[str, list[Finding]]:
    """Findings in which a pair that carries one signal, or of which a side comes late, is weighed by the kept weeks.

    One signal is worth a look where the pair usually is stereo; a late side where it never was late before.

    Parameters
    ----------
    findings : mapping
        Source to its findings.
    mono : mapping
        Source to the share of the kept takes in which both its sides carried one signal, for pairs that were kept.
    late : mapping
        Source to the share of the kept takes in which a side came late, for pairs whose sides had one clear delay in several.
    """

    def weighed(source: str, finding: Finding) -> Finding:
        if KINDS[finding.kind] is _DUPLICATE and finding.what == "sides" and source in mono:
            return replace(finding, severity="note" if mono[source] > _USUALLY else "listen")
        if KINDS[finding.kind] is _DELAY and finding.what == "late" and source in late:
            return replace(finding, severity="note" if late[source] > 0.0 else "listen")
        return finding

    return {source: [weighed(source, finding) for finding in several] for source, several in findings.items()}
