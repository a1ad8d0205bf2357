"""Pages of the history: the weeks so far, as pictures and as CSV, and the glossary of numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.responses import HTMLResponse, Response

from deskhand.errors import UsageError
from deskhand.report.words import text, words
from deskhand.tasks import keep as keeping
from deskhand.web import render

if TYPE_CHECKING:
    from starlette.requests import Request

    from deskhand.web.state import PageState


class HistoryPages:
    """Pages of the weeks so far.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state
        self._hall = state.hall

    def glossary(self, _: Request) -> Response:
        """Page that says what each number is."""
        readings = words()["reading"]
        return HTMLResponse(
            render.page(
                "words",
                **render.page_head(self._hall),
                rows=[(label, words()["explain"].get(name, "")) for name, label in readings.items()],
                terms=list(words()["term"].items()),
            )
        )

    def weeks(self, request: Request) -> Response:
        """Page of the kept weeks: normal ranges, and numbers that creep."""
        from deskhand.report.weeks import course_cards

        phase = request.query_params.get("phase", "rehearsal")
        name = request.query_params.get("of")
        house = self._hall.house()
        problem, cards, takes, blind = "", [], [], []
        try:
            store = keeping.history_at(self._state.history, self._hall.house_file)
        except UsageError:
            store = None
            problem = text("weeks.nothing")
        if store is not None:
            try:
                takes = store.takes(house=house.house.name, forgotten=True)
                blind = store.blind_tests(house=house.house.name)
                by_source = keeping.weeks(store, house, source=name, phase=phase)
                cards = course_cards(by_source, whole=name is not None)
            except UsageError as error:
                problem = str(error)
            finally:
                store.close()
        return HTMLResponse(
            render.page(
                "weeks",
                **render.page_head(self._hall),
                problem=problem,
                cards=cards,
                takes=takes,
                blind=blind,
                phase=phase,
                phases=words()["phase"],
                name=name,
            )
        )

    def weeks_csv(self, request: Request) -> Response:
        """Every number of every week as CSV."""
        from deskhand.report.weeks import to_csv

        phase = request.query_params.get("phase", "rehearsal")
        store = keeping.history_at(self._state.history, self._hall.house_file)
        try:
            by_source = keeping.weeks(store, self._hall.house(), source=None, phase=phase)
        finally:
            store.close()
        return csv_download(to_csv(by_source), "weeks.csv")


def csv_download(table: str, name: str) -> Response:
    """A table as a file to save."""
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(table.encode(), media_type="text/csv; charset=utf-8", headers=headers)
