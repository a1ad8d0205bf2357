"""Sound of the local page: every sound after every other, with Back and reload in between, and the blind test, into docs/validation-sound.md.

python -m validations.sound
"""

from __future__ import annotations

import io
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile
from scipy.stats import binomtest, chisquare

from deskhand.report.volume import START_DB
from deskhand.units import number
from deskhand.web.blind import AbxTest
from tests.support.blind_tests import looped_lufs, rows, start
from tests.support.small_hall import Asker, small_hall
from tools.provenance import write_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from tests.support.sounding import Count

INTO: Final = Path(__file__).parents[1] / "docs" / "validation-sound.md"
SEED: Final = 1
ORDERS: Final = 6400
"""Tests of five trials whose orders are counted: 200 of each of the 32 orders."""
LOOPS: Final = 40
GUESSED: Final = 60
"""Tests of five trials that are answered by how long the hidden sound takes to come."""
HEAD: Final = """\
# Sound of the local page

`python -m validations.sound` starts every sound of every page that sounds after every other one, in headless Chromium, each while the
one before still sounds and with the slider at a level drawn anew; then every ordered pair again with the slider at -5 dB, and Back or a reload in between.
From page to page: each sound of each page, then each of every other page while it sounds, then Back and the first again.
Each audio file is a full-scale sine of its own frequency, and what goes to the loudspeaker is recorded: its peak against the level that the
slider shows, and whether two of the sines are there at once for more than 40 ms. `make test` takes a part of the orders.

| page | sounds | orders | never started | loudest output above the slider | two at once | wrong level after a load |
|---|---|---|---|---|---|---|
"""
AFTER: Final = """
A page that is loaded again or come back to starts at {start} dB; one that is gone on to takes the level along. The comparison's report is a page of its own.

## Blind tests

"""


def _row(name: str, count: Count) -> str:
    """Row of the table of pages."""
    print(name, *count.silent, *count.overlaps, *count.wrong_level, sep="\n", flush=True)
    return (
        f"| {name} | {count.sounds} | {count.orders} | {len(count.silent)} | {number(count.above_slider_db, 1)} dB "
        f"| {len(count.overlaps)} | {len(count.wrong_level)} |"
    )


def page_rows(folder: Path) -> list[str]:
    """Rows of all pages, those of the comparison's report, and from page to page."""
    from playwright.sync_api import sync_playwright

    from tests.support.needs import program
    from tests.support.page import ARGS, Served
    from tests.support.sounding import PAGES, between_pages, faulty_hall, walked

    hall = folder / "hall"
    show = faulty_hall(hall)
    served = Served(hall)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program("chromium"), args=ARGS)
        address = f"{served.url}/show/{show}"
        try:
            lines = [_row(page, walked(browser, address, page, start_db=START_DB, seed=SEED)) for page in PAGES]
            lines.append(_row("from page to page", between_pages(browser, address, start_db=START_DB, seed=SEED)))
            lines.append(_row("comparison's report", _compared(browser, folder)))
        finally:
            browser.close()
            served.stop()
    return lines


def _compared(browser: Browser, folder: Path) -> Count:
    """Walk through the report of a comparison, as a file with its audio beside it."""
    from tests.support.sounding import Ear, Walk, compared_report, compared_sounds, every_order

    report = compared_report(folder / "compared")
    ear = Ear(browser)
    try:
        ear.page.route(
            "**/page.html", lambda route: route.fulfill(body=report.read_text("utf-8"), content_type="text/html")
        )
        ear.page.route("**/words", lambda route: route.fulfill(body="<p>elsewhere", content_type="text/html"))
        sounds = compared_sounds()
        address = "http://localhost:9/show/page.html"
        walk = Walk(ear, address, sounds, lambda page: page.wait_for_load_state(), start_db=START_DB, seed=SEED)
        walk.count.sounds = len(sounds)
        walk.load()
        walk.through(every_order(len(sounds)))
        for how in ("Back", "reload"):
            walk.load()
            walk.through_loads([(one, other) for one in range(len(sounds)) for other in range(len(sounds))], how)
        return walk.count
    finally:
        ear.close()


def order_row() -> str:
    """Row on how fair the orders are."""
    orders = Counter(
        "".join(AbxTest(source="x", compared="x", show=("x", None), trials=5, names={}).hidden) for _ in range(ORDERS)
    )
    counts = [orders[format(place, "05b").replace("0", "a").replace("1", "b")] for place in range(32)]
    return (
        f"| orders of five trials in {ORDERS} tests: least and most often of {ORDERS // 32} expected; chi-square, 31 degrees of freedom "
        f"| {min(counts)} and {max(counts)}; p = {chisquare(counts).pvalue:.2f} |"
    )


def level_row(asker: Asker) -> str:
    """Row on the loudness of both sounds over their loop, by libebur128."""
    rng = np.random.default_rng(SEED)
    off_db = []
    for _ in range(LOOPS):
        begin_s = float(rng.uniform(0.0, 8.0))
        told = start(asker, loop_from_s=begin_s, loop_to_s=begin_s + float(rng.uniform(1.0, 4.0)))
        first, second = (soundfile.read(io.BytesIO(asker.get(told[which]).content))[0].T for which in "ab")
        off_db.append(abs(looped_lufs(first) - looped_lufs(second)))
    return f"| loudness of both over loops of 1 to 4 s, {LOOPS} loops: largest difference (libebur128) | {max(off_db):.2f} LU |"


def tell_rows(asker: Asker) -> list[str]:
    """Rows on what a file could tell: its length, its headers, and how long it takes to come."""
    right, trials, lengths, headers = 0, 0, 0, 0
    for _ in range(GUESSED):
        told = start(asker)
        while not told["done"]:
            took_s, answers = {}, {}
            for which in "abx":
                times_s = []
                for _ in range(3):
                    began_s = time.perf_counter()
                    answers[which] = asker.get(told[which])
                    times_s.append(time.perf_counter() - began_s)
                took_s[which] = min(times_s)
            lengths += len({len(answer.content) for answer in answers.values()}) > 1
            headers += (
                len(
                    {
                        str(sorted((n, v) for n, v in answer.headers.items() if n != "date"))
                        for answer in answers.values()
                    }
                )
                > 1
            )
            guess = min("ab", key=lambda which: abs(took_s[which] - took_s["x"]))
            # the answer is right where the bytes are the same
            right += answers["x"].content == answers[guess].content
            trials += 1
            told = asker.told("blind/answer", blind=told["blind"], answer="a")
    p = binomtest(right, trials, 0.5).pvalue
    return [
        f"| trials in which the three files differ in length, or in what is sent with them | {lengths} and {headers} of {trials} |",
        f"| answered by which of the two takes as long to come as the hidden one: right | {right} of {trials}; p = {p:.2f} |",
    ]


def broken_off_row(asker: Asker) -> str:
    """Row on tests that are broken off."""
    before, rng = len(rows(asker)), np.random.default_rng(SEED)
    answers = [int(rng.integers(1, 8)) for _ in range(20)]
    for count in answers:
        told = start(asker, trials=8)
        for _ in range(count):
            asker.told("blind/answer", blind=told["blind"], answer="b")
    kept = list(rows(asker))[before:]
    right = sum(row.answered == count and row.trials == 8 for row, count in zip(kept, answers, strict=False))
    counted = kept[-1].earlier if kept else 0
    return (
        f"| tests broken off after 1 to 7 of 8 answers: kept as far as they went; counted in the verdict of the last "
        f"| {right} of {len(answers)}; {counted} earlier ones |"
    )


def main() -> None:
    """Write the page."""
    with tempfile.TemporaryDirectory(prefix="deskhand-sound-") as name:
        folder = Path(name)
        with Asker(small_hall(folder / "small")) as asker:
            blind = ["| | |", "|---|---|", order_row(), level_row(asker), *tell_rows(asker), broken_off_row(asker)]
        print(*blind, sep="\n", flush=True)
        pages = page_rows(folder)
    start_text = number(START_DB, 0)
    page = HEAD + "\n".join(pages) + "\n" + AFTER.format(start=start_text) + "\n".join(blind) + "\n"
    write_page(INTO, page, __file__)


if __name__ == "__main__":
    main()
