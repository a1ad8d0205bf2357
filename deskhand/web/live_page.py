"""Page of the line check and soundcheck: one picture for everybody, sent as it changes, and requests from whoever holds the phone."""

from __future__ import annotations

import asyncio
import datetime as dt
import io
import json
import threading
import time
from typing import TYPE_CHECKING, Any, Final, get_args

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, StreamingResponse

from deskhand.errors import DeskhandError, UsageError
from deskhand.files import KEPT_IN
from deskhand.live.board import Act, Board, BoardRequest
from deskhand.live.disk import FILE_NAME
from deskhand.live.resume import FILE_NAME as COURSE_NAME
from deskhand.live.resume import broken_off
from deskhand.live.sharing import hand_over
from deskhand.recording.show import Phase
from deskhand.report.words import text, words
from deskhand.result import plain
from deskhand.web import render

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from deskhand.live.session import LiveOptions
    from deskhand.web.state import PageState

_LOOK_S: Final = 0.05
"""Time between two looks for a new picture: a sixth of the 0.3 s within which all see the same. Common practice, no source."""
_BEAT_S: Final = 1.0
"""Longest time without a word: a page that hears nothing for some of these has lost the way here. Common practice, no source."""
_END_S: Final = 5.0
"""Time that a session is given to measure the rest and close its recording. Common practice, no source."""
_LIST_S: Final = 3.0
"""Time for which a list of the audio inputs holds: each list starts a process. Common practice, no source."""
_MOST_LOOKING: Final = 40
"""Pages that may look on at once: a crew's phones, and a way out of pages that were never closed. Common practice, no source."""


class LiveHost:
    """Line check or soundcheck that the page shows: one that was begun elsewhere in this program, or that is begun on the page.

    Parameters
    ----------
    board : Board, optional
        Of one that was begun already.
    """

    def __init__(self, board: Board | None = None) -> None:
        self._board = board
        self._is_lent = board is not None
        self._lock = threading.Lock()
        self.by = ""
        """Who left the notes that have no name."""
        self._thread: threading.Thread | None = None
        self.problem = ""
        """Why the last one ended before its time."""
        self.looking = 0
        """Pages that look on."""
        self.is_closing = False
        """True once the server is about to end."""

    @property
    def board(self) -> Board | None:
        """Board of what is listened to; None when nothing is."""
        board = self._board
        return None if board is None or board.over else board

    @property
    def last(self) -> dict[str, Any] | None:
        """Picture of the last one as it stood at its end; None while one goes on, or where there was none."""
        board = self._board
        return board.newest()[1] or None if board is not None and board.over else None

    def begin(self, options: LiveOptions) -> None:
        """Begin to listen, in a thread of its own.

        Raises
        ------
        UsageError
            Something is listened to already, or was by a command that is about to end.
        """
        with self._lock:
            if self.board is not None or self._is_lent:
                raise UsageError(text("live.title"), text("live.runs_already"), text("live.end_it_first"))
            self._board, self.problem = Board(), ""
            self._thread = threading.Thread(target=self._run, args=(options, self._board), name="live", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """End what was begun on the page, its recording whole, before the program ends."""
        board, thread = self.board, self._thread
        if board is not None and thread is not None:
            board.ask(BoardRequest(act="done"))
            thread.join(_END_S)

    def _run(self, options: LiveOptions, board: Board) -> None:
        from rich.console import Console

        from deskhand.live.keeping import keep_turns
        from deskhand.live.session import listen_live

        try:
            outcome = listen_live(options, Console(file=io.StringIO()), board=board, keyboard=False)
            self.problem = outcome.problem or ""
            if options.replay is None:
                hand_over(
                    outcome.notes,
                    date=outcome.result.show.date,
                    house_file=outcome.house_file,
                    history=options.history,
                    by=self.by,
                )
            keep_turns(outcome, options)
        except DeskhandError as error:
            self.problem = str(error)
        except BaseException as error:  # noqa: BLE001 - whatever it was, the page must not wait for ever
            self.problem = text("job.broken", kind=type(error).__name__, said=str(error)[:200])
        finally:
            board.end()


class LivePages:
    """Addresses of the line check and soundcheck.

    Parameters
    ----------
    state : PageState
    host : LiveHost
    """

    def __init__(self, state: PageState, host: LiveHost) -> None:
        self._state = state
        self._host = host
        host.by = state.by
        self._devices = _Devices()

    def page(self, _: Request) -> Response:
        """Page that shows what is listened to, or how to begin."""
        hall = self._state.hall
        recordings = [(shelf.id, render.shelf_line(shelf)) for shelf in hall.recordings()] if hall.has_house else []
        is_free = self._host.board is None and hall.has_house
        devices, problem = self._devices.listed() if is_free else ([], "")
        return HTMLResponse(
            render.page(
                "live",
                **render.page_head(hall),
                has_house=hall.has_house,
                running=self._host.board is not None,
                said=words()["live"],
                status=words()["status"],
                recordings=recordings,
                devices=devices,
                problem=self._host.problem or problem,
                phases=words()["phase"],
                broken_off=broken_off(hall.root / KEPT_IN, dt.date.today().isoformat()) if is_free else "",  # noqa: DTZ011 - the evening's own date
            )
        )

    async def events(self, request: Request) -> Response:
        """Pictures as they change (server-sent events, WHATWG HTML, 9.2); each holds everything, so that none is missed."""
        # a page elsewhere could not read them, but would take the places of those who look on (Fetch Metadata, 2.4)
        if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            raise HTTPException(403, text("guard.elsewhere"))
        if self._host.looking >= _MOST_LOOKING:
            raise HTTPException(503, text("live.too_many"))
        return StreamingResponse(
            self._stream(),
            media_type="text/event-stream",
            headers={"cache-control": "no-store", "x-accel-buffering": "no"},
        )

    async def _stream(self) -> AsyncIterator[bytes]:
        self._host.looking += 1
        shown, waited_s = "", 0.0
        try:
            # how soon a browser asks again when the way here is lost
            yield b"retry: 1000\n\n"
            while True:
                board = self._host.board
                if board is None:
                    mark = f"none {self._host.problem}"
                    if shown != mark:
                        shown = mark
                        yield _event({"kind": "none", "problem": self._host.problem, "last": self._host.last})
                else:
                    number, picture, age_s = board.newest()
                    mark = f"{board.session}-{number}"
                    if picture and mark != shown:
                        shown, waited_s = mark, 0.0
                        yield _event(
                            {**picture, "session": board.session, "number": number, "age_s": round(age_s, 2)}, mark
                        )
                if self._host.is_closing:
                    return
                if waited_s >= _BEAT_S:
                    waited_s = 0.0
                    age_s = 0.0 if board is None else board.newest()[2]
                    yield _event({"kind": "beat", "age_s": round(age_s, 1)})
                await asyncio.sleep(_LOOK_S)
                waited_s += _LOOK_S
        finally:
            self._host.looking -= 1

    def request(self, data: dict[str, Any]) -> dict[str, Any]:
        """Hand a request to whoever listens.

        Raises
        ------
        UsageError
            It is no request, or nothing is listened to.
        """
        values = {name: data.get(name, "") for name in ("act", "source", "by", "text")}
        if any(not isinstance(value, str) for value in values.values()) or values["act"] not in get_args(Act):
            raise HTTPException(400, text("error.no_json"))
        board = self._host.board
        if board is None:
            return {"accepted": False, "said": text("live.no_session")}
        answer = board.ask(BoardRequest(**values))
        return {"accepted": answer.accepted, "said": answer.text}

    def begin(self, data: dict[str, Any]) -> dict[str, Any]:
        """Begin to listen to the desk, or to a recording for practice.

        Raises
        ------
        UsageError
            Something is listened to already, or there is no such recording.
        """
        from deskhand.live.session import LiveOptions

        phase = data.get("phase", "line-check")
        if phase not in get_args(Phase) or not isinstance(data.get("device", ""), str):
            raise HTTPException(400, text("error.no_json"))
        hall = self._state.hall
        replay = self._state.shelf_of(data).path if data.get("id") else None
        record = None
        if replay is None and data.get("record"):
            record = _new_folder(hall.root, phase)
        self._host.begin(
            LiveOptions(
                folder=hall.root,
                device=data.get("device") or None,
                replay=replay,
                history=self._state.history,
                record=record,
                phase=phase,
                ring_out=data.get("ring_out") is True,
            )
        )
        return {"to": "/live"}


def _event(data: dict[str, Any], mark: str = "") -> bytes:
    """One event; JSON has no line breaks of its own."""
    line = f"id: {mark}\n" if mark else ""
    return f"{line}data: {json.dumps(plain(data), ensure_ascii=True)}\n\n".encode()


class _Devices:
    """Audio inputs of this computer, listed once for all who ask within some seconds."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._listed_s = -_LIST_S
        self._listed: tuple[list[tuple[str, str]], str] = ([], "")

    def listed(self) -> tuple[list[tuple[str, str]], str]:
        """Number and words of each, and why there are none."""
        from deskhand.live.device import list_devices

        with self._lock:
            if time.monotonic() - self._listed_s >= _LIST_S:
                try:
                    rows = [
                        (str(device.number), text("live.device", name=device.name, channels=device.channels))
                        for device in list_devices()
                    ]
                    self._listed = (rows, "")
                except DeskhandError as error:
                    self._listed = ([], str(error))
                self._listed_s = time.monotonic()
            return self._listed


def _new_folder(root: Path, phase: str) -> Path:
    """Folder of a recording of this evening: a new one, but where an evening that was broken off goes on."""
    name = f"{phase}-{dt.date.today().isoformat()}"  # noqa: DTZ011 - the evening's own date
    folder, number = root / name, 2
    while (folder / FILE_NAME).exists() and not (root / KEPT_IN / COURSE_NAME).exists():
        folder, number = root / f"{name}-{number}", number + 1
    return folder
