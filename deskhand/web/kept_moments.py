"""Moments of kept weeks in which a source plays as it usually does, to hear beside this week's at one loudness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from urllib.parse import urlencode

from deskhand.errors import DeskhandError
from deskhand.web.render import spoken_date

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from deskhand.result import SourceResult
    from deskhand.store import TakeRow
    from deskhand.web.hall import Shelf, StoredCheck
    from deskhand.web.state import PageState

MOST: Final = 3
"""Kept weeks that are offered, the newest first. Common practice, no source."""
MOMENT_S: Final = 2.0
"""Length of a moment: two seconds tell a tone. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """Two seconds of a source in one recording."""

    show: str
    """Name of the recording in addresses."""
    index: int
    """Place of the source among those of its check."""
    at_s: float
    """Begin, in seconds of the show."""

    def address(self, beside: Moment) -> str:
        """Address of the sound, at one loudness with another moment."""
        query = urlencode(
            {
                "at": f"{self.at_s:.2f}",
                "for": f"{MOMENT_S:g}",
                "beside": beside.show,
                "beside_source": beside.index,
                "beside_at": f"{beside.at_s:.2f}",
            }
        )
        return f"/show/{self.show}/source/{self.index}/hear.flac?{query}"


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptMoment:
    """Moment of a kept week beside this week's."""

    label: str
    """Date of the week, or its name where it has none."""
    now_address: str
    kept_address: str


def kept_moments(state: PageState, shelf: Shelf, check: StoredCheck, index: int) -> list[KeptMoment]:
    """Moments of the newest kept weeks whose recordings are at hand and were checked on the page, each beside this week's.

    Parameters
    ----------
    state : PageState
    shelf : Shelf
        Recording of this week.
    check : StoredCheck
        Its check.
    index : int
        Place of the source among those of the check.
    """
    source = check.result.sources[index]
    now = _moment_of(shelf, check, source.name)
    if now is None:
        return []
    pairs = []
    for row in _kept_rows(state, check, shelf):
        kept_shelf = _shelf_of(state, row)
        kept_check = state.stored_check(kept_shelf) if kept_shelf is not None else None
        kept = _moment_of(kept_shelf, kept_check, source.name) if kept_shelf and kept_check else None
        if kept is not None:
            label = spoken_date(row.date) if row.date else row.show
            pairs.append(KeptMoment(label=label, now_address=now.address(kept), kept_address=kept.address(now)))
        if len(pairs) == MOST:
            break
    return pairs


def _moment_of(shelf: Shelf, check: StoredCheck, name: str) -> Moment | None:
    """Moment in which a source plays as it usually does in one recording; None where it does not play."""
    names = [source.name for source in check.result.sources]
    picture = check.pictures.get(name)
    if name not in names or picture is None or not _plays(check.result.sources[names.index(name)]):
        return None
    return Moment(show=shelf.id, index=names.index(name), at_s=picture.telling_s)


def _plays(source: SourceResult) -> bool:
    return source.before is not None and source.before.level_dbfs is not None


def _kept_rows(state: PageState, check: StoredCheck, shelf: Shelf) -> Iterator[TakeRow]:
    """Kept takes of this phase, the newest first, without this show; none where the history cannot be read."""
    try:
        with state.open_history() as store:
            rows = [] if store is None else store.takes(house=check.result.house)
    except DeskhandError:
        # the page of the weeks says what is wrong with it
        return
    for row in reversed(rows):
        if row.phase == check.result.show.phase and _path_in(state, row) != shelf.path.resolve():
            yield row


def _path_in(state: PageState, row: TakeRow) -> Path:
    return (state.hall.root / row.recording).resolve()


def _shelf_of(state: PageState, row: TakeRow) -> Shelf | None:
    path = _path_in(state, row)
    return next((shelf for shelf in state.hall.recordings() if shelf.path.resolve() == path), None)
