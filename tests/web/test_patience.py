"""Connections on which a request does not arrive are closed; slow ones that go on are not."""

from __future__ import annotations

import contextlib
import socket
import threading
import time

import pytest
import uvicorn

from deskhand.web import patience

PATIENCE_S = 1.5
"""Short for a test, and long beside what a busy machine takes to answer."""


async def counting(scope, receive, send):
    """Answers with how many bytes were sent."""
    if scope["type"] != "http":
        return
    size, more = 0, True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            return
        size += len(message.get("body", b""))
        more = message.get("more_body", False)
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"%d" % len(str(size)))]})
    await send({"type": "http.response.body", "body": str(size).encode()})


@pytest.fixture(scope="module")
def port():
    """A server whose patience is a second and a half."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(patience, "REQUEST_S", PATIENCE_S)
        patch.setattr(patience, "BODY_S", PATIENCE_S)
        patch.setattr(patience, "LOOK_S", 0.1)
        listening = socket.create_server(("127.0.0.1", 0))
        server = uvicorn.Server(
            uvicorn.Config(counting, http=patience.PatientProtocol, log_level="critical", lifespan="off")
        )
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        yield listening.getsockname()[1]
        server.should_exit = True
        thread.join(5.0)
        listening.close()


@pytest.fixture
def link(port):
    with contextlib.closing(socket.create_connection(("127.0.0.1", port))) as made:
        made.settimeout(5.0)
        yield made


def body_of_answer(link: socket.socket) -> bytes:
    """Body of one answer, in however many pieces it comes."""
    came = b""
    while True:
        piece = link.recv(1000)
        assert piece, "closed before the answer was whole"
        came += piece
        head, blank, body = came.partition(b"\r\n\r\n")
        if blank and len(body) == int(head.lower().split(b"content-length: ")[1].split(b"\r\n")[0]):
            return body


def held_s(link: socket.socket, trickle: bytes = b"") -> float:
    """Time until the server closes, while bytes trickle in."""
    start_s = time.monotonic()
    link.settimeout(0.1)
    while time.monotonic() - start_s < 10.0:
        with contextlib.suppress(TimeoutError):
            try:
                if not link.recv(100):
                    break
            except ConnectionResetError:
                break
        if trickle:
            with contextlib.suppress(OSError):
                link.sendall(trickle)
    return time.monotonic() - start_s


@pytest.mark.parametrize(
    ("first", "trickle"),
    [
        pytest.param(b"", b"", id="nothing"),
        pytest.param(b"GET / HTTP/1.1\r\nHost: localhost\r\n", b"", id="half-a-head"),
        pytest.param(b"GET / HTTP/1.1\r\nHost: localhost\r\n", b"x", id="a-head-that-trickles"),
        pytest.param(b"PUT / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99\r\n\r\nabc", b"", id="half-a-body"),
    ],
)
def test_what_does_not_come_is_not_waited_for(link, first, trickle):
    link.sendall(first)
    assert 0.5 * PATIENCE_S < held_s(link, trickle) < 6.0


def test_an_upload_that_goes_on_is_waited_for(link):
    link.sendall(b"PUT / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 10\r\n\r\n")
    for _ in range(10):
        time.sleep(0.25)
        link.sendall(b"x")
    assert body_of_answer(link) == b"10"


def test_a_second_request_has_its_own_time(link):
    for _ in range(5):
        link.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert body_of_answer(link) == b"0"
        time.sleep(0.6)
