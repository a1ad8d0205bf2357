"""Sound of the local page: every sound after every other, with Back and reload in between, into docs/validation-sound.md.

python -m validations.sound
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from deskhand.report.volume import START_DB
from deskhand.units import number
from tools.prose import wrapped

INTO = Path(__file__).parents[1] / "docs" / "validation-sound.md"
HEAD = """\
# Sound of the local page

`python -m validations.sound` starts every sound of every page that sounds after every other one, in headless Chromium, each while the
one before still sounds and with the slider at a level drawn anew; then every ordered pair again with the slider at -5 dB, and Back or a reload in between.
Each audio file is a full-scale sine of its own frequency, and what goes to the loudspeaker is recorded: its peak against the level that the
slider shows, and whether two of the sines are there at once for more than 40 ms. `make test` takes a part of the orders.

| page | sounds | orders | never started | loudest output above the slider | two at once | loads that did not start at {start} dB |
|---|---|---|---|---|---|---|
"""


def main() -> None:
    """Write the table."""
    from playwright.sync_api import sync_playwright

    from tests.support.needs import program
    from tests.support.page import ARGS, Served
    from tests.support.sounding import PAGES, faulty_hall, walked

    with tempfile.TemporaryDirectory(prefix="deskhand-sound-") as folder, sync_playwright() as playwright:
        hall = Path(folder) / "hall"
        show = faulty_hall(hall)
        served = Served(hall)
        browser = playwright.chromium.launch(executable_path=program("chromium"), args=ARGS)
        lines = []
        try:
            for page in PAGES:
                count = walked(browser, f"{served.url}/show/{show}", page, start_db=START_DB, seed=1)
                lines.append(
                    f"| {page} | {count.sounds} | {count.orders} | {len(count.silent)} | {number(count.above_slider_db, 1)} dB "
                    f"| {len(count.overlaps)} | {len(count.wrong_level)} |"
                )
                print(lines[-1], *count.silent, *count.overlaps, sep="\n", flush=True)
        finally:
            browser.close()
            served.stop()
    INTO.write_text(wrapped(HEAD.format(start=number(START_DB, 0)) + "\n".join(lines) + "\n"), "utf-8")


if __name__ == "__main__":
    main()
