"""Findings of a source with the moves that answer each, as terminal, report and page show them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.findings import short
from deskhand.findings.first import urgency
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings import Finding
    from deskhand.moves.move import Move
    from deskhand.result import CheckResult, SourceResult


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveLine:
    """A setting to turn, under the finding that it answers."""

    source: str
    """Source at which it is turned; empty where that is the finding's own."""
    move: Move

    @property
    def text(self) -> str:
        """Words of what to turn, with the source where it is another."""
        return self.named(self.move.text)

    def named(self, words: str) -> str:
        """Words on the move, after the source where it is another's."""
        return f"{self.source}: {words}" if self.source else words


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingEntry:
    """A finding as it stands at a source, with what to turn for it."""

    finding: Finding | None
    """None where nothing is found and something is to be turned all the same."""
    text: str
    """Sentence; of another source's finding its beginning, with that source's name."""
    moves: tuple[MoveLine, ...]

    @property
    def severity(self) -> str:
        """Severity of the finding; a note where there is none."""
        return "note" if self.finding is None else self.finding.severity


def entries_at(source: SourceResult, result: CheckResult) -> list[FindingEntry]:
    """Findings of a source, most urgent first, each with its moves; then those of others for which it gives way."""
    entries = [
        FindingEntry(finding=finding, text=finding.text, moves=_moves_of(finding, source, result))
        for finding in sorted(source.findings, key=urgency)
    ]
    told = {finding.id for finding in source.findings}
    elsewhere = {finding.id: (owner, finding) for owner in result.sources for finding in owner.findings}
    for finding_id in dict.fromkeys(move.finding for move in source.moves if move.is_setting):
        if finding_id in told:
            continue
        moves = tuple(
            MoveLine(source="", move=move) for move in source.moves if move.is_setting and move.finding == finding_id
        )
        owner, finding = elsewhere.get(finding_id or "", (None, None))
        text = "" if owner is None or finding is None else f"{owner.name}: {short(finding)}"
        entries.append(FindingEntry(finding=finding, text=text, moves=moves))
    return entries


def _moves_of(finding: Finding, owner: SourceResult, result: CheckResult) -> tuple[MoveLine, ...]:
    """Settings that answer a finding, at whichever source they are turned, its own first."""
    sources: Sequence[SourceResult] = (owner, *(source for source in result.sources if source.name != owner.name))
    return tuple(
        MoveLine(source="" if source.name == owner.name else source.name, move=move)
        for source in sources
        for move in source.moves
        if move.is_setting and move.finding == finding.id
    )


def answered(result: CheckResult, sources: Sequence[SourceResult]) -> list[tuple[SourceResult, FindingEntry]]:
    """Everything to turn, each move once, under the finding that it answers.

    Parameters
    ----------
    result : CheckResult
    sources : sequence of SourceResult
        Its sources in the order in which they are told.
    """
    own = {finding.id for source in result.sources for finding in source.findings}
    return [
        (source, entry)
        for source in sources
        for entry in entries_at(source, result)
        if entry.moves and (entry.finding is None or entry.finding.id not in own or entry.finding in source.findings)
    ]


def memory_text(source: SourceResult) -> str:
    """Turn of a source against its kept turns, with the smallest changes that would be told; empty where none is kept."""
    memory = source.line_check
    if memory is None:
        return ""
    return memory.text + (phrase("; would be told: {told}", told=memory.told) if memory.told else "")
