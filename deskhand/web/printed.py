"""The printed sheet: to look at, as PDF, and as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from deskhand.errors import UsageError
from deskhand.report.words import text
from deskhand.web import render
from deskhand.web.history_pages import csv_download

if TYPE_CHECKING:
    from starlette.requests import Request

    from deskhand.report.sheet import Sheet
    from deskhand.web.state import PageState

PAPERS: Final[tuple[Literal["a4", "letter"], ...]] = ("a4", "letter")
_NOTE_LETTERS: Final = 500
"""Most letters of a note on the sheet. Common practice, no source."""


class SheetPages:
    """Pages of the printed sheet.

    Parameters
    ----------
    state : PageState
    """

    def __init__(self, state: PageState) -> None:
        self._state = state

    def _sheet(self, request: Request) -> Sheet:
        from deskhand.tasks.handover import handed_over, line_of
        from deskhand.tasks.sheet import SheetOptions, show_sheet

        shelf, check = self._state.check_at(request)
        hall = self._state.hall
        wanted = request.query_params.get("paper", "a4")
        paper = next((size for size in PAPERS if size == wanted), None)
        if paper is None:
            raise UsageError("the paper", f"{wanted!r} is not known", "choose a4 or letter")
        note = request.query_params.get("note", "")[:_NOTE_LETTERS]
        jobs = request.query_params.get("jobs", "")[:_NOTE_LETTERS]
        open_jobs, standing = handed_over(
            house_file=hall.house_file, history=self._state.history, today=check.result.show.date
        )
        against_standing = request.query_params.get("since") == "standing"
        return show_sheet(
            check.result,
            house_file=hall.file_of(shelf),
            standing_file=hall.house_file,
            house_text=check.house_text,
            saved_text=hall.text_of(shelf),
            options=SheetOptions(
                since=hall.house_file if against_standing else None,
                paper=paper,
                notes=(note, *map(line_of, standing)),
                jobs=(*jobs.splitlines(), *map(line_of, open_jobs)),
            ),
        )

    def sheet(self, request: Request) -> Response:
        """Page with the sheet, to look at and to print."""
        _, check = self._state.check_at(request)
        from deskhand.report.sheet import sheet_png

        return HTMLResponse(
            render.page(
                "sheet",
                **render.page_head(self._state.hall, check.shelf, check),
                pages=len(sheet_png(self._sheet(request))),
                query=str(request.url.query),
                paper=request.query_params.get("paper", "a4"),
                note=request.query_params.get("note", ""),
                jobs=request.query_params.get("jobs", ""),
                since=request.query_params.get("since", ""),
            )
        )

    def pdf(self, request: Request) -> Response:
        """The sheet as PDF."""
        from deskhand.report.sheet import sheet_pdf

        return Response(sheet_pdf(self._sheet(request)), media_type="application/pdf")

    def picture(self, request: Request) -> Response:
        """One page of the sheet as a picture."""
        from deskhand.report.sheet import sheet_png

        pictures = sheet_png(self._sheet(request))
        index = int(request.path_params["at"])
        if index >= len(pictures):
            raise HTTPException(404, text("error.no_page"))
        return Response(pictures[index], media_type="image/png")

    def table(self, request: Request) -> Response:
        """The sheet as a table."""
        from deskhand.report.sheet import sheet_csv

        return csv_download(sheet_csv(self._sheet(request)), "sheet.csv")
