"""Lines that a sheet carries from one evening to the next: moves that were done today, and jobs that stay open for next week."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.kinds import KINDS
from deskhand.report.sheet.model import one_line
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.desk import Fate
    from deskhand.result import CheckResult, SourceResult

_TURNED: Final[frozenset[Fate]] = frozenset({"done", "confirmed", "unseen"})
"""Fates of a move that a person did, as far as anybody knows."""
_OPEN: Final[frozenset[Fate]] = frozenset({"declined", "contradicted"})
"""Fates of a move that stays open."""


def turned_today(result: CheckResult) -> tuple[str, ...]:
    """Moves that a person did at this show, a line each."""
    return tuple(
        one_line(f"{move.source}: {move.text} ({move.remark})")
        for source in result.sources
        for move in source.earlier_moves
        if move.fate in _TURNED
    )


def _jobs_of(source: SourceResult) -> list[str]:
    """Jobs that are open at one source: at the rig or the patch, beyond the desk, declined, and left alone tonight."""
    # in a few words: in whole it stands at the head of the sheet
    kinds = [KINDS[finding.kind] for finding in source.findings if finding.severity != "note"]
    jobs = [f"{phrase(kind.words)} ({phrase(kind.done_at)})" for kind in kinds if kind.done_at is not None]
    jobs += source.left_over
    still_open = [move for move in source.earlier_moves if move.fate in _OPEN]
    jobs += [f"{move.text} ({move.remark})" for move in still_open]
    if not still_open:
        # where a move was declined, its finding is left alone with it
        tonight = [finding for finding in source.findings if finding.dismissed == "tonight"]
        jobs += [phrase("{kind}, left alone tonight", kind=phrase(KINDS[finding.kind].words)) for finding in tonight]
    return list(dict.fromkeys(jobs))


def open_jobs(result: CheckResult) -> tuple[str, ...]:
    """Jobs that are open, for tonight or for next week, a line for each input."""
    jobs = {source.name: _jobs_of(source) for source in result.sources}
    return tuple(one_line(f"{name}: {'; '.join(several)}") for name, several in jobs.items() if several)
