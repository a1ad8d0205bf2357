"""The invented hall, made and opened beside a house that is still empty: to look around before there is anything of one's own."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from deskhand.errors import UsageError
from deskhand.leftovers import unfinished_prefix
from deskhand.web.hall import Hall
from deskhand.web.shows import ShowPages
from deskhand.web.state import PageState

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.web.jobs import Job

    OpenBeside = Callable[[Path], str]

FOLDER_NAME: Final = "tern-street-hall"
_MAKING: Final = 0.9
"""Share of the work that is making and keeping the weeks, the remainder checking the newest show: about what it takes on two cores. Common
practice, no source."""
_SEED: Final = 1
"""The hall of `deskhand demo`, so that page and terminal tell one story."""


class InventedHall:
    """Work that makes the invented hall and opens its page.

    Parameters
    ----------
    state : PageState
        Of the house from whose page it is asked for.
    open_beside : callable, optional
        Opens a folder's page beside this one and returns its address; None where nobody could reach it.
    """

    def __init__(self, state: PageState, open_beside: OpenBeside | None) -> None:
        self._state = state
        self._open_beside = open_beside
        self._address: str | None = None

    def start(self, _: dict[str, Any]) -> dict[str, Any]:
        """Begin to make it, or open what was made before.

        Raises
        ------
        UsageError
            This page is open to the local network, where a second one could not be reached.
        """
        if self._open_beside is None:
            raise UsageError(
                "the invented hall", "opens on the computer itself only", "start deskhand there without --lan"
            )
        return {"job": self._state.jobs.start("invented hall", self._make).id}

    def _make(self, job: Job) -> str:
        """Make the hall where it is not there, check its newest show, and open its page."""
        from deskhand.tasks.demo import make_hall

        if self._address is not None:
            return self._address
        folder = self._state.hall.own_folder() / FOLDER_NAME
        if not folder.is_dir():
            # made under a name that is cleared away: one that was broken off is not taken for the whole hall
            part = Path(tempfile.mkdtemp(prefix=unfinished_prefix(), dir=folder.parent))
            try:
                make_hall(part, seed=_SEED, progress=lambda share: job.progress(_MAKING * share))
                part.rename(folder)
            except BaseException:
                shutil.rmtree(part, ignore_errors=True)
                raise
        hall = Hall(folder)
        shows = ShowPages(PageState(hall, by=self._state.by))
        newest = hall.recordings()[0]
        if not hall.is_checked(newest):
            shows.check_now(newest.id, lambda share: job.progress(_MAKING + (1.0 - _MAKING) * share))
        assert self._open_beside is not None
        self._address = self._open_beside(folder)
        return self._address
