"""A house's folder with the demo's shows in it, the page served from it, and a browser."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import time
from pathlib import Path

import pytest

from tests.support.needs import program, require

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

    def __init__(self, folder: Path, **how) -> None:
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


@pytest.fixture(scope="module")
def hall(season, tmp_path_factory):
    return linked(season, tmp_path_factory.mktemp("web") / "hall", shows=("show-2026-03-01", "show-2026-02-22"))


@pytest.fixture(scope="module")
def served(hall):
    made = Served(hall)
    yield made
    made.stop()


@pytest.fixture(scope="module")
def browser():
    """Let go of with the module: while it runs, nothing else in this process can run an event loop of its own."""
    require("chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        made = playwright.chromium.launch(executable_path=program("chromium"), args=ARGS)
        yield made
        made.close()


@pytest.fixture
def page(browser, request):
    """A page that fails its test when anything goes wrong in it, or anything is asked of another place."""
    how = getattr(request, "param", {})
    context = browser.new_context(**({"viewport": {"width": 1280, "height": 900}} | how))
    made = context.new_page()
    wrong: list[str] = []
    made.on("pageerror", lambda error: wrong.append(f"error: {error}"))
    made.on("console", lambda said: wrong.append(f"console: {said.text}") if said.type == "error" else None)
    made.on(
        "request",
        lambda asked: (
            wrong.append(f"elsewhere: {asked.url}")
            if not asked.url.startswith(("http://localhost:", "data:", "blob:"))
            else None
        ),
    )
    made.wrong = wrong
    yield made
    context.close()
    assert not wrong
