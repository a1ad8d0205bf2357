"""Notes and jobs for the next evening, left and ticked on the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException

from deskhand.errors import UsageError
from deskhand.report.words import text
from deskhand.store import HandoverNote
from deskhand.store.handover import finish_job, take_back_note
from deskhand.tasks.handover import history_of, leave_notes, one_line

if TYPE_CHECKING:
    from deskhand.web.state import PageState


class HandoverPages:
    """Answers about the handover.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state

    def change(self, data: dict[str, Any]) -> dict[str, Any]:
        """Leave a note or a job; tick a job, open it again, or take something back.

        Raises
        ------
        UsageError
            There is no such note, or it is empty or too long.
        """
        act, number = data.get("act"), data.get("number")
        if act == "leave":
            self._leave(data)
            return {}
        if act not in ("done", "open", "take-back") or not isinstance(number, int) or isinstance(number, bool):
            raise HTTPException(400, text("error.no_json"))
        hall = self._state.hall
        with hall.lock:
            store, house = history_of(self._state.history, hall.house_file, create=False)
            if store is None:
                raise UsageError("the note", "is not there any more", "read the page again")
            try:
                if act == "take-back":
                    take_back_note(store, number, house=house)
                else:
                    finish_job(store, number, house=house, by=self._state.by if act == "done" else None)
            finally:
                store.close()
        return {}

    def _leave(self, data: dict[str, Any]) -> None:
        values = [data.get(name) or "" for name in ("text", "source", "by")]
        if any(not isinstance(value, str) for value in values):
            raise HTTPException(400, text("error.no_json"))
        left, source, by = values
        _, check = self._state.stored_check_of(data)
        note = HandoverNote(
            date=check.result.show.date,
            source=source,
            text=one_line(left),
            is_job=data.get("job") is True,
            said_by=one_line(by) if by.strip() else self._state.by,
        )
        hall = self._state.hall
        with hall.lock:
            names = [one.name for one in check.result.sources]
            leave_notes([note], house_file=hall.house_file, history=self._state.history, sources=names)
