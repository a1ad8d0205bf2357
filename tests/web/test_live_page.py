"""The page of the line check: pictures as they change, requests, beginning a practice, and who may do so."""

from __future__ import annotations

import http.client
import json
import re
import time
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any
from unittest import mock
from urllib.parse import urlsplit

import pytest

from deskhand.house import read_house
from deskhand.live.board import Board, BoardAnswer
from deskhand.web.live_page import LiveHost
from deskhand.web.serve import beside
from tests.support.page import Served
from tests.support.small_hall import small_hall

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def asked(served: Served, method: str, path: str, data: Any = None, **headers: str) -> tuple[int, Any]:
    place = urlsplit(served.url)
    connection = http.client.HTTPConnection(str(place.hostname), place.port, timeout=20)
    own = {"x-deskhand": "1", "content-type": "application/json"} if data is not None else {}
    connection.request(method, path, None if data is None else json.dumps(data), own | headers)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    kind = answer.headers.get("content-type", "")
    return answer.status, json.loads(body) if kind.startswith("application/json") else body.decode()


class Events:
    """Server-sent events, read as a browser does (WHATWG HTML, 9.2.6)."""

    def __init__(self, served: Served | SimpleNamespace) -> None:
        place = urlsplit(served.url)
        self._connection = http.client.HTTPConnection(str(place.hostname), place.port, timeout=20)
        self._connection.request("GET", "/live/events")
        self._answer = self._connection.getresponse()
        assert self._answer.headers["content-type"].startswith("text/event-stream")

    def next(self, kind: str | None = None) -> dict[str, Any]:
        while True:
            line = self._answer.readline().decode().rstrip("\n")
            if line.startswith("data: "):
                data: dict[str, Any] = json.loads(line[6:])
                if kind is None or data["kind"] == kind:
                    return data

    def close(self) -> None:
        self._connection.close()


@pytest.fixture
def board() -> Board:
    return Board()


@pytest.fixture
def served(tmp_path: Path, board: Board) -> Iterator[Served]:
    made = Served(small_hall(tmp_path / "hall"), live=LiveHost(board))
    yield made
    board.end()
    made.stop()


def test_all_see_the_newest_picture_at_once(served: Served, board: Board) -> None:
    board.publish({"kind": "line-check", "clock": "0:01"})
    first, second = Events(served), Events(served)
    assert first.next("line-check")["clock"] == second.next("line-check")["clock"] == "0:01"
    board.publish({"kind": "line-check", "clock": "0:02"})
    began_s = time.monotonic()
    news = [events.next("line-check") for events in (first, second)]
    assert [entry["clock"] for entry in news] == ["0:02", "0:02"]
    assert {(entry["session"], entry["number"]) for entry in news} == {(board.session, 2)}
    assert time.monotonic() - began_s < 5.0
    # whoever comes later sees the same, from one picture alone
    third = Events(served)
    assert third.next("line-check")["number"] == 2
    for events in (first, second, third):
        events.close()


def test_a_picture_that_gets_old_says_so(served: Served, board: Board) -> None:
    board.publish({"kind": "line-check"})
    events = Events(served)
    events.next("line-check")
    assert events.next("beat")["age_s"] >= 0.9
    events.close()


def test_the_end_is_told(served: Served, board: Board) -> None:
    board.publish({"kind": "line-check"})
    events = Events(served)
    events.next("line-check")
    board.end()
    # what was found stays, also for whoever comes later
    assert events.next("none") == {"kind": "none", "problem": "", "last": {"kind": "line-check"}}
    events.close()
    assert asked(served, "POST", "/api/live", {"act": "heard", "source": "kick"})[1] == {
        "accepted": False,
        "said": "Nothing is listened to at the moment.",
    }


def test_requests_reach_whoever_listens(served: Served, board: Board) -> None:
    import threading

    done = threading.Event()
    seen: list[Any] = []

    def listen() -> None:
        while not done.wait(0.01):
            board.answer(lambda request: (seen.append(request), BoardAnswer(accepted=False, text="bass is at hand"))[1])

    thread = threading.Thread(target=listen)
    thread.start()
    status, answer = asked(served, "POST", "/api/live", {"act": "heard", "source": "kick", "by": "Ana <b>"})
    done.set()
    thread.join()
    assert (status, answer) == (200, {"accepted": False, "said": "bass is at hand"})
    assert [(request.act, request.source, request.by) for request in seen] == [("heard", "kick", "Ana <b>")]


@pytest.mark.parametrize(
    "data", [{}, {"act": "shut-down"}, {"act": "heard", "source": 3}, {"act": ["heard"]}, {"act": "note", "text": None}]
)
def test_what_is_no_request_is_refused(served: Served, data: dict[str, Any]) -> None:
    assert asked(served, "POST", "/api/live", data)[0] == 400


def test_another_page_may_ask_for_nothing(served: Served) -> None:
    for path in ("/api/live", "/api/live/begin"):
        assert asked(served, "POST", path, {"act": "done"}, origin="http://elsewhere.example")[0] == 403


@pytest.mark.parametrize(("site", "status"), [("cross-site", 403), ("same-site", 403)])
@pytest.mark.source("W3C Fetch Metadata Request Headers, 2.4: where a request comes from")
def test_another_page_takes_no_place_of_those_who_look_on(served: Served, site: str, status: int) -> None:
    assert asked(served, "GET", "/live/events", **{"sec-fetch-site": site})[0] == status


def test_a_picture_that_shows_nothing_new_is_not_sent_again(served: Served, board: Board) -> None:
    board.publish({"kind": "line-check", "clock": "0:01"})
    events = Events(served)
    events.next("line-check")
    deadline_s = time.monotonic() + 1.3
    while time.monotonic() < deadline_s:
        board.publish({"kind": "line-check", "clock": "0:01"})
        time.sleep(0.1)
    # the beat says how fresh it is all the same
    beat = events.next()
    assert beat["kind"] == "beat"
    assert beat["age_s"] < 0.5
    assert board.number == 1
    events.close()


def test_pages_that_look_on_do_not_hold_up_the_end(
    tmp_path: Path, board: Board, capfd: pytest.CaptureFixture[str]
) -> None:
    lines: list[str] = []
    board.publish({"kind": "line-check"})
    with beside(small_hall(tmp_path / "hall"), board, port=0, lan=False, history=None, say=lines.append):
        (url,) = re.findall(r"http://localhost:\d+", lines[0])
        events = Events(SimpleNamespace(url=url))
        events.next("line-check")
        began_s = time.monotonic()
    # before the two seconds after which requests are cut off, and a traceback of each stands in the terminal
    assert time.monotonic() - began_s < 1.8
    assert events.next("none")["last"] == {"kind": "line-check"}
    events.close()
    assert "Traceback" not in "".join(capfd.readouterr())


def test_nothing_is_begun_beside_a_command_that_ends(served: Served, board: Board) -> None:
    board.end()
    status, answer = asked(served, "POST", "/api/live/begin", {"phase": "line-check"})
    assert (status, answer["problem"]) == (400, "Line check: is going on already; end it first")


def test_the_end_of_the_program_ends_what_was_begun_on_the_page(tmp_path: Path) -> None:
    folder = small_hall(tmp_path / "hall")
    host = LiveHost()
    made = Served(folder, live=host)
    (shelf, *_) = made.app._app.state.page.hall.recordings()
    assert asked(made, "POST", "/api/live/begin", {"id": shelf.id, "phase": "line-check"})[0] == 200
    assert host.board is not None
    made.stop()
    assert host.board is None
    assert host.problem == ""
    assert host.last is not None


def test_what_is_begun_follows_this_week_s_settings(tmp_path: Path) -> None:
    folder = small_hall(tmp_path / "hall")
    host = LiveHost()
    made = Served(folder, live=host)
    try:
        hall = made.app._app.state.page.hall
        (shelf, *_) = hall.recordings()
        standing = hall.house_file.read_text("utf-8")
        hall.week_file(shelf).write_text(standing, "utf-8")
        with mock.patch("deskhand.live.session.read_house", wraps=read_house) as read:
            assert asked(made, "POST", "/api/live/begin", {"id": shelf.id, "phase": "line-check"})[0] == 200
            events = Events(made)
            events.next("line-check")
        assert [call.args[0] for call in read.call_args_list] == [hall.week_file(shelf)]
        events.close()
        assert asked(made, "POST", "/api/live", {"act": "done"})[1]["accepted"]
    finally:
        made.stop()


def test_pages_beyond_a_crew_are_turned_away(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("deskhand.web.live_page._MOST_LOOKING", 0)
    assert asked(served, "GET", "/live/events")[0] == 503


def test_practice_is_begun_on_the_page(tmp_path: Path) -> None:
    made = Served(small_hall(tmp_path / "hall"))
    try:
        status, text = asked(made, "GET", "/live")
        assert status == 200
        assert "Practise with a recording" in text
        (shelf, *_) = made.app._app.state.page.hall.recordings()
        assert asked(made, "POST", "/api/live/begin", {"id": shelf.id, "phase": "line-check"}) == (200, {"to": "/live"})
        status, answer = asked(made, "POST", "/api/live/begin", {"id": shelf.id, "phase": "line-check"})
        assert (status, answer["problem"]) == (400, "Line check: is going on already; end it first")
        events = Events(made)
        shown = events.next("line-check")
        assert shown["practice"]
        at_hand = shown["hand"]["source"]
        assert asked(made, "POST", "/api/live", {"act": "heard", "source": at_hand, "by": "Ana"})[1]["accepted"]
        while shown["hand"]["source"] == at_hand:
            shown = events.next("line-check")
        assert asked(made, "POST", "/api/live", {"act": "done"})[1]["accepted"]
        assert events.next("none")["problem"] == ""
        events.close()
    finally:
        made.stop()


def test_what_cannot_be_begun_is_one_line(tmp_path: Path) -> None:
    made = Served(small_hall(tmp_path / "hall"))
    try:
        said = asked(made, "POST", "/api/live/begin", {"id": "0" * 12})[1]["problem"]
        assert said.startswith("the recording: is not there")
        assert asked(made, "POST", "/api/live/begin", {"phase": "party"})[0] == 400
        events = Events(made)
        assert events.next("none")["problem"] == ""
        # whatever stands in its way, a device that is not there or no driver at all, is told to all who look on
        assert asked(made, "POST", "/api/live/begin", {"device": "no such desk"})[0] == 200
        problem = ""
        while not problem:
            problem = events.next("none")["problem"]
        assert "\n" not in problem
        assert "no such desk" in problem or "audio input" in problem
        events.close()
    finally:
        made.stop()
