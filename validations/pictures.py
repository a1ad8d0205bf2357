"""Pictures of every page, wide, on a tablet and on a phone, light and dark: to be looked at, one by one.

python -m validations.pictures [--hall FOLDER] [--into FOLDER]     # of the demo's hall, which is made where none is named

Those that the docs show go into docs/pictures; all of them, whole pages and first screens, into the folder that is named.
What can be counted is printed: a page that is wider than its screen, and one whose first thing to do is below it.
"""

from __future__ import annotations

import argparse
import re
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from deskhand.tasks.demo import make_hall

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

INTO = Path(__file__).parents[1] / "docs" / "pictures"
SIZES = {"wide": (1280, 720), "tablet": (768, 1024), "phone": (390, 844)}
IN_DOCS = ("wide", "phone")
MOST_TALL = {"wide": 2400, "tablet": 2600, "phone": 2600}
"""Longer pages are cut there: what comes is more of the same."""
FIRST_THING = "#thing-1"
"""First thing to do before doors, on this week's page."""


def main() -> None:
    """Write them."""
    from playwright.sync_api import sync_playwright

    from tests.support.needs import program
    from tests.support.page import ARGS, Served

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--hall", type=Path, help="folder of a demo that is there")
    parser.add_argument("--into", type=Path, default=INTO, help="folder for all of them, in all sizes")
    options = parser.parse_args()
    options.into.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix="deskhand-pictures-"))
    empty = folder / "empty"
    empty.mkdir()
    if options.hall is None:
        make_hall(folder / "hall", seed=1)
    else:
        shutil.copytree(options.hall, folder / "hall")
    hall = folder / "hall"
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
                    viewport={"width": width, "height": height}, color_scheme=scheme, is_mobile=size != "wide"
                )
                page = context.new_page()
                for name, address in pages.items():
                    page.goto(address)
                    if name == "source":
                        page.wait_for_selector("#bench[data-tried]", timeout=60_000)
                        settled(page)
                    for defect in defects(page, height):
                        print(f"{name}, {size}, {scheme}: {defect}")
                    taken(page, options.into / f"{name}-{size}-{scheme}.png", size, whole=options.into == INTO)
                context.close()
        live_pictures(browser, hall, options.into)
        browser.close()
    served.stop()
    first.stop()
    shutil.rmtree(folder)


def defects(page: Page, height: int) -> list[str]:
    """What is wrong with a page by count: it is wider than its screen, or the first thing to do stands below it."""
    wider = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    found = [f"{wider} pixels wider than its screen"] if wider > 0 else []
    first = page.locator(FIRST_THING)
    if first.count():
        box = first.first.bounding_box()
        if box is None or box["y"] + 48 > height:
            found.append("what to do first is below the screen")
    return found


def live_pictures(browser: Browser, hall: Path, into: Path) -> None:
    """The line check and the soundcheck as they go on, with recordings that are played back, for practice."""
    from tests.support.page import Served

    for name, recording, phase, clock in (
        ("live", "line check", "line-check", "0:[345]"), ("soundcheck", "Sunday evening (Sunday, 1 March", "rehearsal", "0:2"),
    ):  # fmt: skip
        served = Served(hall)
        contexts = {
            (size, scheme): browser.new_context(
                viewport={"width": width, "height": height}, color_scheme=scheme, is_mobile=size != "wide"
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
            for defect in defects(page, SIZES[size][1]):
                print(f"{name}, {size}, {scheme}: {defect}")
            taken(page, into / f"{name}-{size}-{scheme}.png", size, whole=into == INTO)
            contexts[size, scheme].close()
        served.stop()


def settled(page: Page) -> None:
    """A bell changed, so that the picture shows something that is tried."""
    before = page.get_attribute("#bench", "data-tried")
    gain = page.locator("#chain > li").nth(1).get_by_label("gain")
    gain.fill("-6 dB")
    gain.blur()
    page.wait_for_selector(f'#bench:not([data-tried="{before}"])')


def taken(page: Page, path: Path, size: str, *, whole: bool) -> None:
    """Take a picture of a whole page, small: half its size, few colours; else of its first screen, as it is, for whoever looks."""
    import io

    from PIL import Image

    if not whole:
        page.screenshot(path=path)
        return
    if size not in IN_DOCS:
        return
    # what sticks to an edge of the screen would stand in the middle of a long picture
    page.evaluate(
        "document.querySelectorAll('.bar, .masthead nav').forEach((one) => one.style.setProperty('position', 'static', 'important'))"
    )
    made = Image.open(io.BytesIO(page.screenshot(full_page=True))).convert("RGB")
    made = made.crop((0, 0, made.width, min(made.height, MOST_TALL[size])))
    scale = 0.6 if size == "wide" else 0.8
    made = made.resize((round(made.width * scale), round(made.height * scale)), Image.Resampling.LANCZOS)
    made.quantize(32, dither=Image.Dither.NONE).save(path, optimize=True)


if __name__ == "__main__":
    main()
