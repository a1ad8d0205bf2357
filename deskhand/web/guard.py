"""The guard of every request: who may ask, how much may be sent, and what the browser may do with the answer."""

from __future__ import annotations

import hmac
from typing import TYPE_CHECKING, Final
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse

from deskhand.report.words import text

if TYPE_CHECKING:
    from collections.abc import Collection

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE: Final = "deskhand"
OWN_HEADER: Final = "x-deskhand"
MOST_JSON_BYTES: Final = 1_000_000
"""Most bytes of settings that are sent at once. Common practice, no source."""
MOST_UPLOAD_BYTES: Final = 64_000_000_000
"""Most bytes of one file: 3.8 hours of 32 tracks in 24 bits at 48 kHz (arithmetic). Common practice, no source."""
_LONGEST_PATH: Final = 2000
"""Most letters of an address: far more than the page asks for. Common practice, no source."""
_LOOPBACK: Final = frozenset({"localhost", "127.0.0.1", "::1"})
_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self' blob:; connect-src 'self'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
HEADERS: Final = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
"""Headers of every answer."""


def host_of(value: str) -> str:
    """The name in a Host header, without its port and brackets."""
    try:
        return (urlsplit(f"//{value}").hostname or "").rstrip(".")
    except ValueError:
        return ""


class TooLargeError(HTTPException):
    """A request that goes on beyond what it may hold."""

    def __init__(self) -> None:
        super().__init__(413, text("guard.too_large"))


class Guard:
    """Lets through what the page itself asks, from this computer, or from one that was given the link.

    Parameters
    ----------
    app : ASGI application
    token : str, optional
        CheckOptions of everybody when the page is shown beyond this computer.
    names : collection of str
        Names and addresses under which it may be asked for, beside this computer's own.
    """

    def __init__(self, app: ASGIApp, *, token: str | None = None, names: Collection[str] = ()) -> None:
        self._app = app
        self._token = token
        self._names = _LOOPBACK | {name.casefold() for name in names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                have = {name for name, _ in message.get("headers", ())}
                added = HEADERS | ({} if b"cache-control" in have else {"cache-control": "no-store"})
                message["headers"] = [
                    *message.get("headers", ()),
                    *((name.encode(), value.encode()) for name, value in added.items()),
                ]
            await send(message)

        answer = self._refused(scope)
        if answer is not None:
            await answer(scope, receive, with_headers)
            return
        limit_bytes = _limit_bytes(scope)
        received_bytes = 0

        async def counted() -> Message:
            nonlocal received_bytes
            message = await receive()
            received_bytes += len(message.get("body", b""))
            if received_bytes > limit_bytes:
                raise TooLargeError
            return message

        await self._app(scope, counted, with_headers)

    def _refused(self, scope: Scope) -> PlainTextResponse | RedirectResponse | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        # a page elsewhere whose name was made to point here would bring its own name (DNS rebinding)
        if host_of(host).casefold() not in self._names:
            return PlainTextResponse(text("guard.host"), 421)
        if len(scope["path"]) > _LONGEST_PATH:
            return PlainTextResponse(text("guard.too_large"), 414)
        method = scope["method"]
        if self._token is not None:
            given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
            if given:
                if method != "GET" or not hmac.compare_digest(given.encode(), self._token.encode()):
                    return PlainTextResponse(text("guard.token"), 403)
                # to where the link led, without the secret in the address
                answer = RedirectResponse(scope["path"] if scope["path"] == "/live" else "/", 303)
                answer.set_cookie(COOKIE, self._token, httponly=True, samesite="lax", path="/")
                return answer
            if not hmac.compare_digest(_cookie(headers.get("cookie", "")).encode(), self._token.encode()):
                return PlainTextResponse(text("guard.token"), 403)
        if method not in ("GET", "HEAD"):
            origin = headers.get("origin")
            if (origin is not None and origin.casefold() != f"{scope['scheme']}://{host}".casefold()) or headers.get(
                "sec-fetch-site", "same-origin"
            ) not in ("same-origin", "none"):
                return PlainTextResponse(text("guard.elsewhere"), 403)
            # a form of another page cannot set a header of its own
            if headers.get(OWN_HEADER) != "1":
                return PlainTextResponse(text("guard.elsewhere"), 403)
        length = headers.get("content-length")
        if length is not None and (not length.isdecimal() or len(length) > 15 or int(length) > _limit_bytes(scope)):
            return PlainTextResponse(text("guard.too_large"), 413)
        return None


def _limit_bytes(scope: Scope) -> int:
    return MOST_UPLOAD_BYTES if scope["method"] == "PUT" and scope["path"].startswith("/upload/") else MOST_JSON_BYTES


def _cookie(header: str) -> str:
    # what other pages of this computer left there, however odd, does not hide ours
    return cookie_parser(header).get(COOKIE, "")
