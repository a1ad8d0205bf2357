"""Findings that moves answer: the link from what is to be turned to what it is turned for, from the two tables of sentences and kinds."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from deskhand.findings import KINDS
from deskhand.moves.text import actions

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from deskhand.findings import Finding
    from deskhand.moves.move import Move


def with_answers(
    moves: Iterable[Move], findings: Sequence[Finding], voice_findings: Sequence[Finding] = ()
) -> tuple[Move, ...]:
    """Moves of one source, each with the id of the finding that it answers.

    Parameters
    ----------
    moves : iterable of Move
        In order. One that nothing asks for by itself, such as a threshold that follows a trim, answers what the one before it does.
    findings : sequence of Finding
        Findings of the source.
    voice_findings : sequence of Finding
        Findings of the lead voice, for which others give way.
    """
    linked: list[Move] = []
    for move in moves:
        finding_id = _finding_of(move, findings, voice_findings)
        if finding_id is None and linked:
            finding_id = linked[-1].finding
        linked.append(replace(move, finding=finding_id))
    return tuple(linked)


def puts_right(move: Move, finding: Finding) -> bool:
    """True where a move answers a finding by itself, and does not only follow another that does.

    Parameters
    ----------
    move : Move
    finding : Finding
        Of its source.
    """
    kind = KINDS[finding.kind]
    if kind.answered_by == "preamp":
        return move.where == "preamp"
    return "finding" in move.facts or actions()[move.action]["answers"] == kind.answered_by


def _finding_of(move: Move, findings: Sequence[Finding], voice_findings: Sequence[Finding]) -> str | None:
    """Id of the most severe finding that a setting of this action answers."""
    if "finding" in move.facts:
        return str(move.facts["finding"])
    answer = actions()[move.action]["answers"]
    answered = [
        finding
        for finding in (*findings, *voice_findings)
        if KINDS[finding.kind].answered_by == answer and KINDS[finding.kind].answered_metric in (None, finding.metric)
    ]
    severities = ("fix", "listen", "note")
    return min(answered, key=lambda finding: severities.index(finding.severity)).id if answered else None
