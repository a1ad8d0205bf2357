"""Plugin of a Dask scheduler that lets it forget what it would note of every order for ever. Loaded only where an archive has a cluster."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from dask.utils import key_split
from distributed import SchedulerPlugin

if TYPE_CHECKING:
    from distributed import Scheduler

_MOST_NOTES: Final = 1000
"""Notes that a span keeps: as many as Dask keeps in its other logs (its setting `distributed.admin.low-level-log-length`)."""


_MOST_NAMES: Final = 10_000
"""Names of orders that are remembered: far more than are out at a time. Common practice, no source."""


class BoundedNotes(SchedulerPlugin):  # type: ignore[misc]
    """Keeps bounded what is noted of orders that are done.

    Dask counts all orders to one span while any is at work, and writes down in it once for each that its result is a future; that
    list is never cut. And it remembers what kind of order each of the last 100,000 names stands for. Together they took 730 bytes
    an order (docs/sites.md).
    """

    name = "deskhand-bounded-notes"
    idempotent = True

    def update_graph(self, scheduler: Scheduler, **_: Any) -> None:
        """Cut the notes of the newest span, now that an order was added to it, and forget names."""
        if key_split.cache_info().currsize > _MOST_NAMES:
            key_split.cache_clear()
        spans = scheduler.extensions.get("spans")
        if spans is None or not spans.root_spans:
            return
        metadata = spans.root_spans[-1].metadata
        if metadata is not None and len(metadata["collections"]) > _MOST_NOTES:
            del metadata["collections"][: -_MOST_NOTES // 2]
