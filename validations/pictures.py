"""Pictures of every page, wide and on a phone, light and dark, into docs/pictures: to be looked at, one by one.

python -m validations.pictures [--live-of FOLDER]     # of the line check only, with a season of the demo that is there
"""

from __future__ import annotations

import argparse
import re
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from deskhand.demo import make_season
from deskhand.tasks.check import CheckOptions, check
from deskhand.tasks.keep import KeepTerms, keep

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

INTO = Path(__file__).parents[1] / "docs" / "pictures"
SIZES = {"wide": (1180, 820), "phone": (390, 844)}
MOST_TALL = {"wide": 2400, "phone": 2600}
"""Longer pages are cut there: what comes is more of the same."""


def hall_with_weeks(folder: Path) -> Path:
    """The demo's venue with its earlier shows kept."""
    newest = make_season(folder / "hall", seed=1)
    for show in sorted(newest.parent.glob("show-*"))[:-1]:
        checked = check(show, options=CheckOptions(to_be_kept=True))
        keep(checked, show, history=None, terms=KeepTerms(note="good week", by="Mara", with_faults=True))
    return folder / "hall"


def main() -> None:
    """Write them."""
    from playwright.sync_api import sync_playwright

    from tests.support.needs import program
    from tests.support.page import ARGS, Served

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--live-of", type=Path, help="folder of a season of the demo")
    options = parser.parse_args()
    INTO.mkdir(exist_ok=True)
    if options.live_of is not None:
        with sync_playwright() as playwright:
            live_pictures(playwright.chromium.launch(executable_path=program("chromium"), args=ARGS), options.live_of)
        return
    folder = Path(tempfile.mkdtemp(prefix="deskhand-pictures-"))
    empty = folder / "empty"
    empty.mkdir()
    hall = hall_with_weeks(folder)
    shutil.copytree(hall / "show-2026-02-22", empty / "show-2026-02-22")
    served, first = Served(hall), Served(empty)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program("chromium"), args=ARGS)
        page = browser.new_page()
        page.goto(f"{served.url}/recordings")
        page.locator("article", has_text="1 March 2026").last.locator("button[type=submit]").click()
        page.wait_for_url("**/show/*", timeout=240_000)
        show = page.url
        page.goto(first.url)
        page.get_by_role("button", name="Listen to it").click()
        page.wait_for_selector("#sources", timeout=240_000)
        proposed = page.url
        pages = {
            "week": show, "source": f"{show}/source/7", "voice": f"{show}/voice", "sheet": f"{show}/sheet",
            "weeks": f"{served.url}/weeks", "weeks-of-a-source": f"{served.url}/weeks?of=guitar+a",
            "recordings": f"{served.url}/recordings", "words": f"{served.url}/words", "first-evening": proposed,
            "error": f"{served.url}/show/none",
        }  # fmt: skip
        for size, (width, height) in SIZES.items():
            for scheme in ("light", "dark"):
                context = browser.new_context(
                    viewport={"width": width, "height": height}, color_scheme=scheme, is_mobile=size == "phone"
                )
                page = context.new_page()
                for name, address in pages.items():
                    page.goto(address)
                    if name == "source":
                        page.wait_for_selector("#bench[data-tried]", timeout=60_000)
                        settled(page)
                    taken(page, INTO / f"{name}-{size}-{scheme}.png", MOST_TALL[size], size)
                context.close()
        live_pictures(browser, hall)
        browser.close()
    served.stop()
    first.stop()
    shutil.rmtree(folder)


def live_pictures(browser: Browser, hall: Path) -> None:
    """The line check and the soundcheck as they go on, with recordings that are played back, for practice."""
    from tests.support.page import Served

    for name, recording, phase, clock in (
        ("live", "line check", "line-check", "0:[345]"), ("soundcheck", "Sunday evening (Sunday, 1 March", "rehearsal", "0:[45]"),
    ):  # fmt: skip
        served = Served(hall)
        contexts = {
            (size, scheme): browser.new_context(
                viewport={"width": width, "height": height}, color_scheme=scheme, is_mobile=size == "phone"
            )
            for size, (width, height) in SIZES.items()
            for scheme in ("light", "dark")
        }
        pages = {key: context.new_page() for key, context in contexts.items()}
        for page in pages.values():
            page.goto(f"{served.url}/live")
        form = pages["wide", "light"].locator(".begin-form").last
        value = form.locator("option", has_text=recording).first.get_attribute("value")
        form.locator("select[name=id]").select_option(value)
        form.locator("select[name=phase]").select_option(phase)
        form.locator("button").click()
        pages["wide", "light"].locator("#live-title", has_text=re.compile(clock)).wait_for(timeout=240_000)
        for (size, scheme), page in pages.items():
            taken(page, INTO / f"{name}-{size}-{scheme}.png", MOST_TALL[size], size)
            contexts[size, scheme].close()
        served.stop()


def settled(page: Page) -> None:
    """A bell changed, so that the picture shows something that is tried."""
    before = page.get_attribute("#bench", "data-tried")
    gain = page.locator("#chain > li").nth(1).get_by_label("gain")
    gain.fill("-6 dB")
    gain.blur()
    page.wait_for_selector(f'#bench:not([data-tried="{before}"])')


def taken(page: Page, path: Path, most: int, size: str) -> None:
    """A picture of a page, small: half its size, few colours."""
    import io

    from PIL import Image

    # what sticks to an edge of the screen would stand in the middle of a long picture
    page.evaluate(
        "document.querySelectorAll('.bar, .masthead nav').forEach((one) => one.style.setProperty('position', 'static', 'important'))"
    )
    made = Image.open(io.BytesIO(page.screenshot(full_page=True))).convert("RGB")
    made = made.crop((0, 0, made.width, min(made.height, most)))
    scale = 0.6 if size == "wide" else 0.8
    made = made.resize((round(made.width * scale), round(made.height * scale)), Image.Resampling.LANCZOS)
    made.quantize(32, dither=Image.Dither.NONE).save(path, optimize=True)


if __name__ == "__main__":
    main()
