"""Pages of the history: the weeks so far, as pictures and as CSV, and the glossary of numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.responses import HTMLResponse, Response

from deskhand.baseline.versions import set_aside_text
from deskhand.errors import UsageError
from deskhand.report.words import text, words
from deskhand.store import history_url
from deskhand.tasks import keep as keeping
from deskhand.web import render
from deskhand.web.blind import result_line

if TYPE_CHECKING:
    from starlette.requests import Request

    from deskhand.web.jobs import Job
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
        problem, set_aside, cards, takes, blind = "", "", [], [], []
        try:
            store = keeping.history_at(self._state.history, self._hall.house_file)
        except UsageError:
            store = None
            problem = text("weeks.nothing")
        if store is not None:
            try:
                takes = store.takes(house=house.house.name, forgotten=True)
                blind = store.blind_tests(house=house.house.name)
                kept_weeks = keeping.weeks(store, house, source=name, phase=phase)
                cards = course_cards(kept_weeks.by_source, whole=name is not None)
                set_aside = set_aside_text(kept_weeks.other_version, command=False)
            except UsageError as error:
                problem = str(error)
            finally:
                store.close()
        return HTMLResponse(
            render.page(
                "weeks",
                **render.page_head(self._hall),
                problem=problem,
                set_aside=set_aside,
                cards=cards,
                takes=takes,
                blind=[(test, result_line(test)) for test in blind],
                phase=phase,
                phases=words()["phase"],
                name=name,
                house=house,
            )
        )

    def weeks_csv(self, request: Request) -> Response:
        """Every number of every week as CSV."""
        from deskhand.report.weeks import to_csv

        phase = request.query_params.get("phase", "rehearsal")
        store = keeping.history_at(self._state.history, self._hall.house_file)
        try:
            kept_weeks = keeping.weeks(store, self._hall.house(), source=None, phase=phase)
        finally:
            store.close()
        return csv_download(to_csv(kept_weeks.by_source), "weeks.csv")

    # --- work

    def forget(self, data: dict[str, Any]) -> dict[str, Any]:
        """Take a kept show out of the reference: it stays in the history, and can be put back."""
        store = keeping.history_at(self._state.history, self._hall.house_file)
        try:
            store.forget(_take_number(data), house=self._hall.house().house.name, by=self._state.by)
        finally:
            store.close()
        return {"to": self._back_to(data)}

    def restore(self, data: dict[str, Any]) -> dict[str, Any]:
        """Put a show back that was taken out."""
        from deskhand.store.kept_takes import restore_take

        store = keeping.history_at(self._state.history, self._hall.house_file)
        try:
            restore_take(store, _take_number(data), house=self._hall.house().house.name, by=self._state.by)
        finally:
            store.close()
        return {"to": self._back_to(data)}

    def _back_to(self, data: dict[str, Any]) -> str:
        """Address of the page on which something was done: a show's, or the history."""
        shelf = self._hall.recording(str(data.get("id")))
        return "/weeks" if shelf is None else f"/show/{shelf.id}#keeping"

    def measure_again(self, _: dict[str, Any]) -> dict[str, Any]:
        """Measure kept shows again that hold numbers by an earlier definition."""
        from deskhand.tasks.measure_again import measure_again

        def work(job: Job) -> str:
            measure_again(
                house_path=self._hall.house_file,
                history=self._state.history or history_url(None, self._hall.root),
                by=self._state.by,
                progress=job.progress,
            )
            return "/weeks"

        return {"job": self._state.jobs.start("measure again", work).id}


def _take_number(data: dict[str, Any]) -> str:
    """Number of a kept take that a request names.

    Raises
    ------
    UsageError
        It is none.
    """
    number = data.get("take")
    if not isinstance(number, int) or isinstance(number, bool):
        raise UsageError("the kept show", f"{str(number)[:60]!r} is no number", "read the page again")
    return str(number)


def csv_download(table: str, name: str) -> Response:
    """A table as a file to save."""
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(table.encode(), media_type="text/csv; charset=utf-8", headers=headers)
