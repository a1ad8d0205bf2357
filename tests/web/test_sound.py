"""Sound of the page and of the comparison's report: one level, which is the one that is shown, and one sound at a time."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.report.volume import START_DB
from tests.support.sounding import (
    PAGES,
    Walk,
    between_pages,
    compared_report,
    compared_sounds,
    every_order,
    faulty_hall,
    walked,
)

from .conftest import Served
from .test_edges import FEWEST_STEPS, Tape, edges

pytestmark = pytest.mark.source("a full-scale sine through a gain of x dB peaks at x dBFS")
EXACT_DB = 0.05
"""Of a sine's peak in 16 bits, on its way through gains that settle by e-fold in 3 ms."""


@pytest.fixture(scope="module")
def show(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sound") / "hall"
    id_ = faulty_hall(folder)
    served = Served(folder)
    yield f"{served.url}/show/{id_}"
    served.stop()


def peak_db(blocks: np.ndarray) -> float:
    return 20.0 * float(np.log10(max(np.abs(blocks).max(initial=0.0), 1e-9)))


@pytest.mark.parametrize("count", [1, 2, 3, 7])
def test_the_walk_takes_every_order_once(count):
    walk = every_order(count)
    steps = list(zip(walk, walk[1:], strict=False))
    assert sorted(steps) == [(one, other) for one in range(count) for other in range(count) if one != other]


@pytest.mark.parametrize("name", PAGES)
def test_one_sound_at_a_time_never_above_the_slider(browser, show, name):
    """A part of all orders, drawn with a seed; `python -m validations.sound` takes them all."""
    count = walked(browser, show, name, start_db=START_DB, seed=20260301, orders=8, loads=2)
    assert count.orders == 12
    assert not count.silent
    assert not count.overlaps
    assert count.above_slider_db <= EXACT_DB, count.loudest
    assert not count.wrong_level


def test_one_sound_at_a_time_from_page_to_page_and_back(browser, show):
    """A part of all orders, drawn with a seed: the level goes along, and starts low where one comes back."""
    count = between_pages(browser, show, start_db=START_DB, seed=20260308, orders=3)
    assert count.orders == 3
    assert not count.silent
    assert not count.overlaps
    assert count.above_slider_db <= EXACT_DB, count.loudest
    assert not count.wrong_level


@pytest.mark.parametrize("name", PAGES)
def test_what_is_shown_is_what_is_played(ear, show, name):
    below, sounds_of, ready = PAGES[name]
    ear.page.goto(show + below)
    ready(ear.page)
    walk = Walk(ear, show + below, sounds_of(ear.page), ready, start_db=START_DB, seed=1)
    walk.load()
    walk.start(0, "the first")
    for level_db in (-47.0, -12.0, -30.0):
        ear.turn(level_db)
        assert ear.shown_db() == level_db
        ear.page.wait_for_timeout(120)
        ear.blocks()
        ear.page.wait_for_timeout(120)
        # pairs are turned down to one loudness besides
        assert level_db - 12.0 < peak_db(ear.blocks()) <= level_db + EXACT_DB


@pytest.mark.parametrize("name", PAGES)
def test_stop_stops_whatever_sounds(ear, show, name):
    below, sounds_of, ready = PAGES[name]
    ear.page.goto(show + below)
    ready(ear.page)
    stop = ear.page.locator("#stop-sound")
    for place, _ in enumerate(sounds := sounds_of(ear.page)):
        walk = Walk(ear, show + below, sounds, ready, start_db=START_DB, seed=1)
        assert stop.is_disabled()
        walk.start(place, sounds[place].name)
        assert not walk.count.silent
        stop.click()
        ear.page.wait_for_timeout(80)
        ear.blocks()
        ear.page.wait_for_timeout(100)
        assert peak_db(ear.blocks()) < -100.0
        assert ear.page.locator(".playing").count() == 0


def leave_and_come_back(page):
    """The two events of a page that a browser keeps whole while another is shown (HTML standard, `persisted`)."""
    for name in ("pagehide", "pageshow"):
        page.evaluate(f"void dispatchEvent(new PageTransitionEvent('{name}', {{ persisted: true }}))")


def test_a_page_the_browser_kept_whole_starts_low_and_silent(ear, show):
    """Chromium does not keep our pages, which are sent with no-store; other browsers may."""
    below, sounds_of, ready = PAGES["week"]
    ear.page.goto(show + below)
    walk = Walk(ear, show + below, sounds_of(ear.page), ready, start_db=START_DB, seed=1)
    walk.slider_db = -5.0
    ear.turn(-5.0)
    walk.start(0, "before")
    leave_and_come_back(ear.page)
    assert ear.shown_db() == START_DB
    ear.page.wait_for_timeout(80)
    ear.blocks()
    ear.page.wait_for_timeout(150)
    assert peak_db(ear.blocks()) < -100.0
    count = walk.count = type(walk.count)()
    walk.slider_db = START_DB
    walk.start(1, "after")
    assert not count.silent
    assert count.above_slider_db <= EXACT_DB


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """The folder of a comparison's report and its audio."""
    return compared_report(tmp_path_factory.mktemp("compared")).parent


class TestTheComparison:
    ADDRESS = "http://localhost:9/show/page.html"

    @pytest.fixture
    def opened(self, ear, report):
        """The report, as a file of its own: nothing but itself and its audio answers."""
        ear.page.route("**/page.html", lambda route: route.fulfill(body=(report / "page.html").read_text(), content_type="text/html"))  # fmt: skip
        ear.page.route("**/words", lambda route: route.fulfill(body="<p>elsewhere", content_type="text/html"))
        walk = Walk(ear, self.ADDRESS, compared_sounds(), lambda page: page.wait_for_load_state(), start_db=START_DB, seed=2)  # fmt: skip
        walk.load()
        return walk

    def test_every_order(self, opened):
        opened.through(every_order(3))
        for how in ("Back", "reload"):
            opened.load()
            opened.through_loads([(0, 1), (2, 2)], how)
        count = opened.count
        assert count.orders == 10
        assert not count.silent
        assert not count.overlaps
        assert count.above_slider_db <= EXACT_DB, count.loudest
        assert not count.wrong_level

    def test_the_player_s_own_volume_is_the_level_that_is_shown(self, opened):
        page = opened.ear.page
        page.evaluate("document.querySelector('audio').volume = 0.1")
        page.get_by_text("-20 dB").wait_for()
        assert page.locator("#loud").input_value() == "-20"
        assert page.evaluate("document.querySelector('audio').volume") == pytest.approx(0.1, abs=1e-3)

    def test_the_next_goes_on_at_the_same_moment(self, opened):
        page = opened.ear.page
        opened.start(0, "before")
        page.wait_for_function("document.querySelector('audio').currentTime > 1")
        opened.start(1, "after")
        assert page.evaluate("document.querySelector('audio').currentTime") > 1.0
        assert page.locator("[aria-pressed=true]").inner_text() == "after"

    def test_what_starts_rises_and_what_is_paused_falls(self, opened):
        tape = Tape(opened.ear)
        for button in ("#play", "#play", "[data-file='audio/after.wav']", "#play"):
            opened.ear.page.locator(button).click()
            tape.run(400)
        steps = edges(tape.levels())
        assert [kind for kind, _ in steps] == ["rise", "fall"] * 2
        assert min(count for _, count in steps) >= FEWEST_STEPS, steps
        assert opened.ear.page.locator("#play").inner_text() == "Play"

    def test_a_moment_is_gone_to(self, opened):
        page = opened.ear.page
        opened.start(0, "before")
        page.locator("#moment").fill("0.75")
        page.wait_for_function(
            "document.querySelector('audio').currentTime > 2.9 && !document.querySelector('audio').paused"
        )
        assert page.locator("#moment + output").inner_text() in ("0:02", "0:03")

    def test_its_end_and_another_go(self, opened):
        page = opened.ear.page
        page.locator("#moment").fill("0.95")
        page.locator("#play").click()
        page.wait_for_function("document.querySelector('audio').ended")
        page.locator("#play", has_text="Play").click()
        page.locator("#play", has_text="Pause").wait_for()
        assert page.evaluate("document.querySelector('audio').currentTime") < 2.0

    def test_kept_whole_by_the_browser_it_starts_low_and_silent(self, opened):
        opened.ear.turn(-5.0)
        opened.slider_db = -5.0
        opened.start(0, "before")
        leave_and_come_back(opened.ear.page)
        assert opened.ear.shown_db() == START_DB
        assert opened.ear.page.evaluate("document.querySelector('audio').paused")

    def test_from_the_disk_it_starts_low(self, browser, report):
        page = browser.new_page()
        page.goto((report / "page.html").as_uri())
        assert page.evaluate("document.querySelector('audio').volume") == pytest.approx(10 ** (START_DB / 20), rel=1e-3)
        assert page.locator("#no-level").is_hidden()
        page.close()

    @pytest.mark.parametrize("how", ["no scripts", "no volume"])
    def test_nothing_is_offered_to_play_where_its_level_cannot_be_set(self, browser, report, how):
        context = browser.new_context(java_script_enabled=how != "no scripts")
        if how == "no volume":
            # as on telephones that leave the level to their buttons
            context.add_init_script("Object.defineProperty(HTMLMediaElement.prototype, 'volume', { get: () => 1, set: () => {} })")  # fmt: skip
        page = context.new_page()
        page.goto((report / "page.html").as_uri())
        assert not page.locator("audio").is_visible()
        assert not page.locator("[data-file]").first.is_visible()
        assert page.locator("#no-level").is_visible()
        # before, after and the difference, what is left, and the nearest blocks
        assert page.locator("#no-level a").count() == 5
        context.close()
