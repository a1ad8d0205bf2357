"""A house's folder with the demo's shows in it, the page served from it, and a browser."""

from __future__ import annotations

import pytest

from tests.support.needs import program, require
from tests.support.page import ARGS, Served, linked
from tests.support.sounding import Ear


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
def ear(browser):
    """A page whose sound is recorded."""
    made = Ear(browser)
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
