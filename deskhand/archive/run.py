"""Runs an archive: gives its shows to workers, counts what comes back, and brings what is to be kept into the reference at the end."""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from deskhand.archive.order import Progress, ShowOrder, ShowOutcome
from deskhand.archive.shows import find_shows
from deskhand.baseline.versions import reading_versions
from deskhand.errors import UsageError
from deskhand.house import names_at
from deskhand.store.archived import bring_in
from deskhand.tasks.keep import history_at

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from deskhand.archive.order import KeepRule

_MOST_LINES: Final = 1000
"""Shows whose failure is told by name at the end; each is told when it happens too. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveRequest:
    """Archive that is to be checked."""

    named: Sequence[str]
    """Folders, recordings, patterns, lists, URLs."""
    house: Path | None = None
    history: str | None = None
    results: Path | None = None
    keep: KeepRule = "marked"
    by: str
    measure_again: bool = False
    leave_older: bool = False
    """Bring takes measured again into the reference although some cannot be."""
    workers: int = 1
    scheduler: str | None = None


@dataclass(slots=True, kw_only=True)
class ArchiveCount:
    """Shows of an archive, counted by what became of them."""

    shows: int = 0
    """All that there are."""
    by_progress: dict[Progress, int] = field(default_factory=dict)
    failures: list[str] = field(default_factory=list)
    """Lines of the first shows that failed."""
    kept: int = 0
    refused: int = 0
    replaced: int = 0
    older: int = 0
    """Kept takes with readings of an earlier version that are not measured again yet."""
    work_s: float = 0.0
    size_bytes: int = 0
    began_s: float = field(default_factory=time.monotonic)

    @property
    def done(self) -> int:
        """Shows that are dealt with."""
        return sum(self.by_progress.values())

    @property
    def failed(self) -> int:
        """Shows that could not be checked."""
        return self.by_progress.get("failed", 0)

    def left_s(self) -> float | None:
        """Time that the others will take, in seconds, as those did that were checked; None before the first."""
        worked = self.by_progress.get("checked", 0) + self.by_progress.get("measured-again", 0)
        if not worked:
            return None
        return (time.monotonic() - self.began_s) / worked * (self.shows - self.done)

    def add(self, outcome: ShowOutcome) -> None:
        """Count an outcome."""
        self.by_progress[outcome.progress] = self.by_progress.get(outcome.progress, 0) + 1
        self.work_s += outcome.work_s
        self.size_bytes += outcome.size_bytes
        if outcome.line and len(self.failures) < _MOST_LINES:
            self.failures.append(outcome.line)


def run_archive(request: ArchiveRequest, *, tell: Callable[[ShowOutcome, ArchiveCount], None]) -> ArchiveCount:
    """Check every show once, and keep what is to be kept when all are checked.

    All are judged against what was kept before: the results do not depend on the order in which shows are checked.

    Parameters
    ----------
    request : ArchiveRequest
    tell : callable
        Told each outcome, and the count so far.

    Raises
    ------
    HistoryError, UsageError
        One line each.
    """
    if request.results is not None:
        request.results.mkdir(parents=True, exist_ok=True)
    # counted first, so that the time left can be told; no list of them is held
    count = ArchiveCount(shows=sum(1 for _ in find_shows(request.named)))
    if not count.shows:
        raise UsageError(", ".join(request.named), "holds no recording", "name a folder with folders of audio files")
    houses: dict[str, ShowOutcome] = {}
    for outcome in _outcomes(request):
        count.add(outcome)
        if outcome.house is not None and outcome.house not in houses:
            houses[outcome.house] = outcome
        tell(outcome, count)
    for house in sorted(houses):
        _bring_in(request, house, houses[house], count)
    return count


def _outcomes(request: ArchiveRequest) -> Iterator[ShowOutcome]:
    """Outcomes of all shows, from this computer or a cluster."""
    if request.scheduler is not None:
        from deskhand.archive.cluster import outcomes_of_cluster

        return outcomes_of_cluster(_orders(request), scheduler=request.scheduler)
    from deskhand.archive.local import outcomes_here

    return outcomes_here(_orders(request), workers=request.workers)


def _orders(request: ArchiveRequest) -> Iterator[ShowOrder]:
    for show in find_shows(request.named):
        yield ShowOrder(
            path=show.path,
            name=show.name,
            house=None if request.house is None else str(request.house.absolute()),
            history=request.history,
            results=None if request.results is None else str(request.results.absolute()),
            keep=request.keep,
            by=request.by,
            measure_again=request.measure_again,
        )


def _bring_in(request: ArchiveRequest, house: str, of_house: ShowOutcome, count: ArchiveCount) -> None:
    house_file = None if of_house.house_file is None else Path(of_house.house_file)
    names = names_at(house_file)
    if not of_house.shares_names:
        names = replace(names, sharing=replace(names.sharing, names=False))
    with closing(history_at(request.history, house_file, create=True, names=names)) as history:
        switch = bring_in(
            history, house=house, by=request.by, versions=reading_versions(), leave_older=request.leave_older
        )
    count.kept += switch.kept
    count.refused += switch.refused
    count.replaced += switch.replaced
    count.older += switch.older
