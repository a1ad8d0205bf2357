"""Keeping a show on the page: what it says of itself, and what a person wishes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.errors import UsageError
from deskhand.tasks.keep import KeepTerms
from deskhand.tasks.keep_terms import faults_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings import Finding
    from deskhand.result import CheckResult
    from deskhand.store import TakeRow


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepingState:
    """A show as far as it was kept."""

    kept: TakeRow | None
    """Its take in the reference; None where it is not kept."""
    taken_out: TakeRow | None
    """Its take that was taken out last; None where none was."""
    faults: Sequence[tuple[str, Finding]]
    """Sources, or the mix, with their serious findings: they are said before it is kept."""

    @property
    def sources(self) -> list[str]:
        """Sources, or the mix, at which something is wrong."""
        return list(dict.fromkeys(source for source, _ in self.faults))


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepWish:
    """What a person wishes of a show that is to be kept."""

    note: str
    by: str
    faults: str | None
    """Answer to what is wrong in it: "leave out" what is at fault, "keep" all of it, or None where nobody was asked."""
    listed: frozenset[str]
    """Ids of the findings that the person was shown."""

    def terms(self, result: CheckResult) -> KeepTerms:
        """Terms on which it is kept, now that it was measured once more.

        Parameters
        ----------
        result : CheckResult

        Raises
        ------
        UsageError
            Something is wrong in it that the person was not shown.
        """
        faults = faults_of(result)
        if self.faults == "keep" and any(finding.id not in self.listed for _, finding in faults):
            raise UsageError(
                result.show.name, "has other faults than the page listed", "read the page again: it lists them now"
            )
        without = tuple(dict.fromkeys(source for source, _ in faults)) if self.faults == "leave out" else ()
        return KeepTerms(note=self.note, by=self.by, without=without, with_faults=self.faults == "keep")
