"""Clicks and seconds of ten things that people do on the page, counted by a browser that does them.

    python -m benchmarks.ten_tasks

The demo's hall with its kept weeks, headless Chromium at 1280 x 720. Clicks are presses of a button, a link or a key that acts; a field that is filled
counts as one. Seconds are from the first of them until what was wanted stands on the screen; the time that a person needs to read is not in them.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from playwright.sync_api import Locator, Page

WAIT_MS = 120_000


@dataclass(slots=True)
class Hand:
    """Hand of a person at a page: counts what it does."""

    page: Page
    clicks: int = 0
    began_s: float = field(default_factory=time.monotonic)

    def click(self, what: Locator | str) -> None:
        """Press something."""
        target = self.page.locator(what).first if isinstance(what, str) else what.first
        self.clicks += 1
        target.click(timeout=WAIT_MS)

    def fill(self, what: str, text: str) -> None:
        """Write into a field."""
        self.clicks += 1
        self.page.locator(what).first.fill(text)

    def link(self, name: str) -> None:
        """Press a link."""
        self.click(self.page.get_by_role("link", name=name, exact=True))

    def button(self, name: str) -> None:
        """Press a button."""
        self.click(self.page.get_by_role("button", name=name, exact=True))

    def sees(self, what: str) -> None:
        """Wait until something is there to be seen."""
        self.page.locator(what).first.wait_for(state="visible", timeout=WAIT_MS)


def why_red(hand: Hand) -> None:
    """See why an input is red."""
    hand.sees("ol.first > li .what-is, ol.first > li")


def hear(hand: Hand) -> None:
    """Hear it."""
    hand.click("ol.first > li [data-hear]")
    hand.sees("[data-hear].playing")


def tick(hand: Hand) -> None:
    """Tick it as done."""
    hand.click("ol.first > li [data-tick]")
    hand.sees("[data-untick]")


def fader(hand: Hand) -> None:
    """Change a fader, and see the words."""
    hand.link("The voice")
    before = hand.page.locator("table.tries input[type=number], table.tries input").first
    before.wait_for(timeout=WAIT_MS)
    hand.fill("table.tries input", "-12")
    hand.page.keyboard.press("Enter")
    hand.page.wait_for_timeout(400)


def print_sheet(hand: Hand) -> None:
    """Print the sheet."""
    hand.link("The sheet")
    with hand.page.expect_response(lambda answer: answer.url.split("?")[0].endswith(".pdf"), timeout=WAIT_MS):
        hand.clicks += 1
        hand.page.evaluate("fetch(document.querySelector('a[href*=\".pdf\"]').href)")


def keep(hand: Hand) -> None:
    """Keep this week."""
    buttons = hand.page.locator("#keep button[type=submit]")
    hand.click(buttons)
    hand.sees("[data-forget]")


def undo(hand: Hand) -> None:
    """Undo it."""
    hand.click("[data-forget]")
    hand.sees("#keep button[type=submit], [data-restore]")


def last_month(hand: Hand) -> None:
    """Find a source's level of last month."""
    hand.link("History")
    hand.sees("svg")


def explain(hand: Hand) -> None:
    """Have a word explained."""
    hand.click("button.what")
    hand.sees("span.says")


def set_up(hand: Hand) -> None:
    """Set up a house from a recording."""
    hand.button("Listen to it")
    hand.sees("#sources")
    hand.fill("#sources [name=house]", "Tern Street Hall")
    hand.button("Write the house file")
    hand.page.wait_for_function("() => !location.pathname.startsWith('/first')", timeout=WAIT_MS)


TASKS: tuple[tuple[str, Callable[[Hand], None]], ...] = (
    ("see why an input is red", why_red),
    ("hear it", hear),
    ("tick it as done", tick),
    ("change a fader and see the words", fader),
    ("print the sheet", print_sheet),
    ("keep this week", keep),
    ("undo that", undo),
    ("find last month's level of a source", last_month),
    ("have a word explained", explain),
)


def main() -> None:
    """Do them, and print the table."""
    from playwright.sync_api import sync_playwright

    from tests.support.needs import program
    from tests.support.page import ARGS, Served
    from validations.pictures import hall_with_weeks

    folder = Path(tempfile.mkdtemp(prefix="deskhand-tasks-"))
    hall = hall_with_weeks(folder)
    newest = max(hall.glob("show-*"), key=lambda path: path.name)
    empty = folder / "empty"
    shutil.copytree(newest, empty / newest.name, ignore=shutil.ignore_patterns("*.json"))
    served, first = Served(hall), Served(empty)
    print("| task | clicks | seconds |\n|---|---|---|")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program("chromium"), args=ARGS)
        context = browser.new_context(viewport={"width": 1280, "height": 720}, bypass_csp=True)
        page = context.new_page()
        page.goto(f"{served.url}/recordings")
        page.locator("article").first.locator("button[type=submit]").click()
        page.wait_for_url("**/show/*", timeout=4 * WAIT_MS)
        show = page.url
        for name, task in TASKS:
            page.goto(show)
            hand = Hand(page)
            task(hand)
            print(f"| {name} | {hand.clicks} | {time.monotonic() - hand.began_s:.1f} |", flush=True)
        page.goto(f"{first.url}/first")
        hand = Hand(page)
        set_up(hand)
        print(
            f"| set up a house of 16 inputs from a recording | {hand.clicks} | {time.monotonic() - hand.began_s:.1f} |"
        )
        browser.close()
    for one in (served, first):
        one.stop()
    shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
