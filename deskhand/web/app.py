"""The page's addresses: each leads to the class that answers it; what goes wrong is said in one line."""

from __future__ import annotations

import json
from contextlib import asynccontextmanager
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from deskhand.errors import DeskhandError
from deskhand.report.page import environment
from deskhand.report.words import text
from deskhand.result import plain
from deskhand.web import render
from deskhand.web.blind_pages import BlindPages
from deskhand.web.guard import Guard
from deskhand.web.handover import HandoverPages
from deskhand.web.history_pages import HistoryPages
from deskhand.web.invented import InventedHall
from deskhand.web.live_page import LiveHost, LivePages
from deskhand.web.mixes import MixPages
from deskhand.web.printed import SheetPages
from deskhand.web.setup import SetupPages
from deskhand.web.shows import ShowPages
from deskhand.web.state import PageState
from deskhand.web.ticks import TickPages
from deskhand.web.what_if import ConflictError, SourcePages

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Collection

    from starlette.requests import Request

    from deskhand.web.hall import Hall
    from deskhand.web.invented import OpenBeside

    Handler = Callable[[dict[str, Any]], dict[str, Any]]


def _shared_style(_: Request) -> Response:
    """Style that the page shares with the report."""
    return Response(environment()[1], media_type="text/css", headers={"cache-control": "no-cache"})


def _posted(handle: Handler) -> Callable[[Request], Awaitable[Response]]:
    """Endpoint that hands JSON to a function, and sends back what it returns."""

    async def endpoint(request: Request) -> Response:
        if not request.headers.get("content-type", "").startswith("application/json"):
            raise HTTPException(415, text("error.no_json"))
        body = await request.body()
        try:
            # as they come out, so they go in: signs that are no text and numbers that are not finite stay outside
            data = plain(json.loads(body))
        except (ValueError, RecursionError):
            raise HTTPException(400, text("error.no_json")) from None
        if not isinstance(data, dict):
            raise HTTPException(400, text("error.no_json"))
        return JSONResponse(plain(await run_in_threadpool(handle, data)))

    return endpoint


def _failed(request: Request, error: Exception) -> Response:
    """One line on what went wrong, as data, as text or as a page."""
    status, message = 400, str(error)
    details: dict[str, Any] = {}
    if isinstance(error, HTTPException):
        status, message = error.status_code, str(error.detail)
        if message == HTTPStatus(404).phrase:
            # nobody's line: the address led nowhere
            message = text("error.nowhere")
    elif isinstance(error, ConflictError):
        status, message, details = 409, text("source.conflict"), {"theirs": error.theirs}
    elif isinstance(error, OSError):
        # a disk that is full, or was taken out: no mistake of ours, and one that can be put right
        where = Path(str(error.filename)).name if error.filename is not None else text("error.disk_of_house")
        message = text("error.disk", where=where, reason=error.strerror or type(error).__name__)
    elif not isinstance(error, DeskhandError):
        status, message = 500, text("error.broken", kind=type(error).__name__)
    message = plain(message)
    if request.url.path.startswith(("/api/", "/upload/", "/audio/")):
        return JSONResponse({"problem": message, **details}, status)
    if request.url.path.endswith((".pdf", ".csv", ".png", ".flac")):
        return PlainTextResponse(message, status)
    return HTMLResponse(render.page("error", said=message), status)


def _disconnected(_: Request, __: Exception) -> Response:
    """Answer to a request that nobody waits for any more."""
    return Response(status_code=400)


def _routes(state: PageState, live: LiveHost, open_beside: OpenBeside | None) -> list[BaseRoute]:
    """Every address of the page."""
    shows, sources, setup = (
        ShowPages(state),
        SourcePages(state),
        SetupPages(state, can_look_around=open_beside is not None),
    )
    history, sheet, blind = HistoryPages(state), SheetPages(state), BlindPages(state)
    mixes = MixPages(state)
    ticks, invented, listening = TickPages(state), InventedHall(state, open_beside), LivePages(state, live)
    posts: dict[str, Handler] = {
        "check": shows.start_check, "keep": shows.start_keep, "stop": shows.stop, "leave": shows.ignore,
        "raise": shows.show_again, "try": sources.try_chain, "save": sources.save, "setup": sources.save_setup,
        "voice": sources.try_mix, "forget": history.forget, "restore": history.restore,
        "measure-again": history.measure_again,
        "blind/start": blind.start, "blind/answer": blind.answer, "listen": setup.listen, "house": setup.write_house, "rename": setup.rename,
        "mixes": mixes.save, "mixes/undo": mixes.undo,
        "tick": ticks.tick, "untick": ticks.take_back, "invented-hall": invented.start,
        "live": listening.request, "handover": HandoverPages(state).change, "live/begin": listening.begin,
    }  # fmt: skip
    return [
        Route("/", shows.home),
        Route("/first", setup.first),
        Route("/recordings", shows.recordings),
        Route("/words", history.glossary),
        Route("/live", listening.page),
        Route("/live/events", listening.events),
        Route("/weeks", history.weeks),
        Route("/weeks.csv", history.weeks_csv),
        Route("/show/{id}", shows.week),
        Route("/show/{id}/source/{at:int}", sources.source),
        Route("/show/{id}/source/{at:int}/hear.flac", sources.hear),
        Route("/show/{id}/voice", sources.voice),
        Route("/show/{id}/mixes", mixes.page),
        Route("/show/{id}/sheet", sheet.sheet),
        Route("/show/{id}/sheet.pdf", sheet.pdf),
        Route("/show/{id}/sheet-{at:int}.png", sheet.picture),
        Route("/show/{id}/sheet.csv", sheet.table),
        Route("/api/jobs/{id}", shows.job),
        Route("/api/news", shows.news),
        Route("/api/written", sources.written),
        *(Route(f"/api/{name}", _posted(handle), methods=["POST"]) for name, handle in posts.items()),
        Route("/upload/{folder}/{name}", setup.upload, methods=["PUT"]),
        Route("/audio/{name}.flac", sources.audio),
        Route("/blind/{id}/{which}.wav", blind.sound),
        Route("/static/shared.css", _shared_style),
        Mount("/static", StaticFiles(packages=[("deskhand.web", "static")])),
    ]


def make_app(
    hall: Hall,
    *,
    history: str | None = None,
    by: str | None = None,
    token: str | None = None,
    names: Collection[str] = (),
    open_beside: OpenBeside | None = None,
    live: LiveHost | None = None,
) -> Guard:
    """The application.

    Parameters
    ----------
    hall : Hall
    history : str, optional
        URL or file of the history.
    by : str, optional
        Name of the person who keeps and leaves things; whoever is logged in by default.
    token : str, optional
        Secret that everybody is asked for.
    names : collection of str
        Names under which it may be asked for, beside this computer's own.
    open_beside : callable, optional
        Opens another folder's page and returns its address; None where nobody could reach it.
    live : LiveHost, optional
        Line check or soundcheck that was begun elsewhere in this program; one that may be begun on the page by default.
    """
    state = PageState(hall, history=history, by=by)
    host = live or LiveHost()

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        yield
        await run_in_threadpool(host.close)
        state.sounds.close()

    app = Starlette(
        routes=_routes(state, host, open_beside),
        lifespan=life,
        exception_handlers={
            HTTPException: _failed,
            DeskhandError: _failed,
            ConflictError: _failed,
            ClientDisconnect: _disconnected,
            Exception: _failed,
        },
    )
    app.state.page = state
    return Guard(app, token=token, names=names)
