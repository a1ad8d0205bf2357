"""Moves ticked on the page as done or declined, and taken back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from deskhand.errors import UsageError
from deskhand.store.desk_changes import desk_changes
from deskhand.tasks import keep as keeping
from deskhand.tasks.done import take_back, tick

if TYPE_CHECKING:
    from deskhand.web.state import PageState


class TickPages:
    """Answers to ticks.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state
        self._hall = state.hall

    def tick(self, data: dict[str, Any]) -> dict[str, Any]:
        """Write a move as done or declined; a second browser that ticks the same finds it written."""
        shelf, check = self._state.stored_check_of(data)
        with self._hall.lock:
            store = keeping.history_at(self._state.history, self._hall.house_file, create=True)
            try:
                tick(
                    check.result,
                    take=check.take,
                    house_file=self._hall.file_of(shelf),
                    house_text=check.house_text,
                    history=store,
                    wanted=[str(data.get("move"))],
                    done=data.get("declined") is not True,
                    by=self._state.by,
                    week=self._hall.week_file(shelf),
                )
            finally:
                store.close()
        return {"to": f"/show/{shelf.id}"}

    def take_back(self, data: dict[str, Any]) -> dict[str, Any]:
        """Take back what was ticked."""
        shelf, check = self._state.stored_check_of(data)
        show = check.result.show
        with self._hall.lock:
            store = keeping.history_at(self._state.history, self._hall.house_file)
            try:
                changes = desk_changes(store, house=check.result.house, show=show.name, date=show.date)
                chosen = [change for change in changes if change.id == data.get("number")]
                if not chosen:
                    raise UsageError("the move", "was taken back before", "read the page again")
                take_back(chosen, history=store, week=self._hall.week_file(shelf))
            finally:
                store.close()
        return {"to": f"/show/{shelf.id}"}
