"""Runs the page: on this computer alone, or on the local network for those who are given the link."""

from __future__ import annotations

import os
import socket
import threading
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from deskhand.errors import UsageError
from deskhand.house import find_house
from deskhand.web.app import make_app
from deskhand.web.hall import Hall
from deskhand.web.link import kept_secret, new_secret
from deskhand.web.live_page import LiveHost

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import uvicorn
    from starlette.types import ASGIApp

    from deskhand.live.board import Board

PORT: Final = 8420
"""Port by default, above those that need rights (RFC 6335: 0 to 1023). Common practice, no source."""
_END_S: Final = 4.0
"""Time that pages are given to be told that it is over. Common practice, no source."""


def _addresses() -> list[str]:
    """This computer's addresses on the local network, likeliest first."""
    addresses: list[str] = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        # nothing is sent: it only asks which address would be used (192.0.2.1 is for documentation, RFC 5737)
        probe.connect(("192.0.2.1", 9))
        addresses.append(probe.getsockname()[0])
    with suppress(OSError):
        addresses += [str(entry[4][0]) for entry in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return [address for address in dict.fromkeys(addresses) if not address.startswith("127.")]


def _own_names() -> list[str]:
    """Names of this computer on the local network (RFC 6762: names that end in .local)."""
    name = socket.gethostname()
    return [name, f"{name.split('.')[0]}.local"]


def _bound(host: str, port: int) -> socket.socket:
    """The socket to listen at; the port is taken now, so that a taken one is said at once.

    Raises
    ------
    UsageError
        The port is taken.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name != "nt":  # there it would let two programs have the same port
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
        listening.listen(128)  # whoever follows the printed link at once waits a moment and is not turned away
    except OSError as error:
        listening.close()
        raise UsageError(
            f"--port {port}", f"cannot be used ({error.strerror})", "is deskhand running already? choose another port"
        ) from None
    return listening


def _usual_or_free(host: str) -> socket.socket:
    """The socket at the usual port, or at a free one where that is taken: another page may be open."""
    try:
        return _bound(host, PORT)
    except UsageError:
        return _bound(host, 0)


def _square(link: str) -> str:
    """A link as a square code (ISO/IEC 18004) of half blocks, for a terminal."""
    import io

    import segno

    drawing = io.StringIO()
    segno.make(link, error="m", micro=False).terminal(drawing, compact=True)
    return drawing.getvalue()


def _greeting(house: str, own_link: str, lan_links: Sequence[str], *, lan: bool) -> list[str]:
    """Lines that are printed when the page is there: its links, and who can use them."""
    lines = [f"The page of {house}: {own_link}"]
    if lan:
        lines += [f"On the local network: {link}" for link in lan_links]
        if lan_links:
            lines.append(_square(lan_links[0]))
        lines.append(
            "Whoever has this link can use the page, and what it sends is not encrypted: keep it on a network you trust."
        )
    return [*lines, "Stop it with Ctrl-C."]


def _server(app: ASGIApp, live: LiveHost) -> uvicorn.Server:
    """The server of an application; pages that look on are let go of before it ends, since their answer has no end of its own."""
    import uvicorn

    from deskhand.web.patience import PatientProtocol

    class Server(uvicorn.Server):
        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            live.is_closing = True
            await super().shutdown(sockets)

    config = uvicorn.Config(
        app, http=PatientProtocol, log_level="warning", access_log=False, server_header=False, date_header=False, lifespan="on",
        timeout_graceful_shutdown=2, h11_max_incomplete_event_size=64_000,
    )  # fmt: skip
    return Server(config)


def _open_beside(folder: Path, *, by: str | None) -> str:
    """Serve the page of another folder on a free port, for as long as this program runs; its address."""
    listening = _bound("127.0.0.1", 0)
    live = LiveHost()
    server = _server(make_app(Hall(folder), by=by, live=live), live)
    threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True).start()
    return f"http://localhost:{listening.getsockname()[1]}/"


def _run(app: ASGIApp, live: LiveHost, listening: socket.socket, browser_link: str | None) -> None:
    """Answer requests until Ctrl-C; open a link in the browser first, where one is given."""
    server = _server(app, live)
    if browser_link is not None:
        import webbrowser

        threading.Timer(1.0, webbrowser.open, [browser_link]).start()
    try:
        # Ctrl-C is how it is stopped, and no mistake
        with suppress(KeyboardInterrupt):
            server.run(sockets=[listening])
    finally:
        listening.close()


def usual_folder() -> Path:
    """Folder of the page where none is named: that of the house file here or above; else "deskhand" in the user's home, made if need be.

    Raises
    ------
    UsageError
        It cannot be made.
    """
    house = find_house(Path())
    if house is not None:
        return house.parent
    folder = Path.home() / "deskhand"
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise UsageError(str(folder), f"cannot be made ({error.strerror})", "name one: deskhand serve FOLDER") from None
    return folder


def serve(
    folder: Path,
    *,
    also: Sequence[Path] = (),
    port: int | None = PORT,
    lan: bool = False,
    history: str | None = None,
    by: str | None = None,
    say: Callable[[str], None],
    open_browser: bool = False,
) -> None:
    """Run the page until it is stopped.

    Parameters
    ----------
    folder : Path
        Of the house.
    also : sequence of Path
        Other folders in which recordings appear.
    port : int, optional
        0 for a free one; None for the usual one, or a free one where that is taken.
    lan : bool
        For the local network, by a link with a token.
    history : str, optional
    by : str, optional
        Who keeps and leaves things.
    say : callable
        Told the lines to print.
    open_browser : bool

    Raises
    ------
    UsageError
        No such folder, or a port that is taken.
    """
    door = _Door(folder, also=also, port=port, lan=lan, history=history, by=by)
    for line in door.greeting():
        say(line)
    _run(door.app, door.live, door.listening, door.own_link() if open_browser else None)


class _Door:
    """Page of a folder with its address: bound at once, so that a taken port is said before anything begins."""

    def __init__(
        self,
        folder: Path,
        *,
        also: Sequence[Path] = (),
        port: int | None,
        lan: bool,
        history: str | None,
        by: str | None,
        live: LiveHost | None = None,
        secret: str | None = None,
    ) -> None:
        self._hall = Hall(folder, also)
        self._lan = lan
        host = "0.0.0.0" if lan else "127.0.0.1"  # noqa: S104 - asked for, and guarded by the token
        self.listening = _usual_or_free(host) if port is None else _bound(host, port)
        self._port = self.listening.getsockname()[1]
        self._token = (secret or new_secret()) if lan else None
        self._addresses = _addresses() if lan else []
        self.live = live or LiveHost()
        self.app = make_app(
            self._hall,
            history=history,
            by=by,
            token=self._token,
            names=[*self._addresses, *_own_names()] if lan else (),
            # on a phone the address of this computer leads nowhere
            open_beside=None if lan else partial(_open_beside, by=by),
            live=self.live,
        )

    def own_link(self, path: str = "") -> str:
        """Link for this computer."""
        return self._link("localhost", path)

    def _link(self, name: str, path: str) -> str:
        return f"http://{name}:{self._port}/{path}" + (f"?token={self._token}" if self._token else "")

    def greeting(self, path: str = "") -> list[str]:
        """Lines that are printed when the page is there."""
        links = [self._link(name, path) for name in self._addresses]
        return _greeting(self._hall.root.name, self.own_link(path), links, lan=self._lan)


@contextmanager
def beside(
    folder: Path, board: Board, *, port: int | None, lan: bool, history: str | None, say: Callable[[str], None]
) -> Iterator[None]:
    """Serve the page of a line check or soundcheck while it goes on in this program.

    Parameters
    ----------
    folder : Path
        Of the house.
    board : Board
    port, lan, history, say
        As of `serve`.

    Raises
    ------
    UsageError
        No such folder, or a port that is taken.
    """
    secret, forget = kept_secret(folder) if lan else (None, lambda: None)
    door = _Door(folder, port=port, lan=lan, history=history, by=None, live=LiveHost(board), secret=secret)
    server = _server(door.app, door.live)
    # a thread may not take Ctrl-C from the one that listens
    server.install_signal_handlers = lambda: None  # type: ignore[attr-defined]
    thread = threading.Thread(target=server.run, kwargs={"sockets": [door.listening]}, daemon=True)
    thread.start()
    for line in door.greeting("live"):
        say(line)
    try:
        yield
    finally:
        board.end()
        server.should_exit = True
        thread.join(_END_S)
        door.listening.close()
        forget()
