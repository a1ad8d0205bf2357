"""Page of a hall, served by a thread, and how a browser is started to look at it."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import time
from pathlib import Path
from typing import Any

ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip


def linked(season: Path, into: Path, *, shows: tuple[str, ...]) -> Path:
    """A hall of its own whose audio takes no room: files are linked, not copied."""
    into.mkdir(parents=True)
    shutil.copy(season / "house.toml", into)
    for show in shows:
        shutil.copytree(season / show, into / show, copy_function=os.link)
    return into


class Served:
    """The page, served by a thread."""

    def __init__(self, folder: Path, **how: Any) -> None:
        import uvicorn

        from deskhand.web.app import make_app
        from deskhand.web.hall import Hall

        self.folder = folder
        self.app = make_app(Hall(folder), by="Mara", **how)
        self.socket = socket.socket()
        self.socket.bind(("127.0.0.1", 0))
        self.url = f"http://localhost:{self.socket.getsockname()[1]}"
        config = uvicorn.Config(self.app, log_level="critical", access_log=False, lifespan="on")
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.socket]}, daemon=True)
        self.thread.start()
        deadline = time.monotonic() + 20
        while not self.server.started and time.monotonic() < deadline:
            time.sleep(0.02)

    def stop(self) -> None:
        self.server.should_exit = True
        self.thread.join(10)
        self.socket.close()
