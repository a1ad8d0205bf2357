"""What the page answers when something goes wrong: status, form and one line, by what was asked for."""

from __future__ import annotations

import errno
import json

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request

from deskhand.errors import UsageError
from deskhand.report.words import text
from deskhand.web.app import _failed
from deskhand.web.what_if import ConflictError


def asked(path: str) -> Request:
    return Request(
        {"type": "http", "method": "GET", "path": path, "headers": [], "query_string": b"", "server": ("localhost", 80)}
    )


@pytest.mark.source(
    "RFC 9110, 15.5.5 and 15.5.10: 404 where nothing is found, 409 where a change conflicts with another's"
)
@pytest.mark.parametrize(
    ("error", "status", "line"),
    [
        # the server's own word for an address that leads nowhere is no line for people
        (HTTPException(404), 404, text("error.nowhere")),
        (HTTPException(404, text("error.no_source")), 404, text("error.no_source")),
        (HTTPException(415, text("error.no_json")), 415, text("error.no_json")),
        (ConflictError({"fader": "-6 dB"}), 409, text("source.conflict")),
        (UsageError("the start", "'x' is no number", "read the page again"), 400, "the start: 'x' is no number; read the page again"),
        (OSError(errno.ENOSPC, "No space left on device", "/media/card/week.toml"), 400, "week.toml"),
        (ZeroDivisionError(), 500, text("error.broken", kind="ZeroDivisionError")),
    ],
)  # fmt: skip
def test_one_line_and_its_status(error: Exception, status: int, line: str) -> None:
    answer = _failed(asked("/api/try"), error)
    assert answer.status_code == status
    assert line in json.loads(answer.body)["problem"]
    assert "/media" not in json.loads(answer.body)["problem"]


def test_whoever_was_first_is_told() -> None:
    answer = _failed(asked("/api/save"), ConflictError({"fader": "-6 dB"}))
    assert json.loads(answer.body)["theirs"] == {"fader": "-6 dB"}


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/api/try", "application/json"),
        ("/audio/x.flac", "application/json"),
        ("/show/1/sheet.pdf", "text/plain"),
        ("/show/1", "text/html"),
    ],
)
def test_an_answer_is_of_the_kind_that_was_asked_for(path: str, kind: str) -> None:
    assert _failed(asked(path), HTTPException(404)).headers["content-type"].split(";")[0] == kind
