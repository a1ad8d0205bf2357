"""The line check's page in two browsers, a laptop and a phone: the same on both, presses, keys, screen readers, how old what stands there
is, and a ring-out in the hands of two."""

from __future__ import annotations

import threading
import time

import pytest
from axe_playwright_python.sync_playwright import Axe

from deskhand.house import parse_house
from deskhand.live.board import Board
from deskhand.live.picture import picture_of
from deskhand.live.requests import Requests
from deskhand.live.ring import Ring
from deskhand.live.watch import Watch
from deskhand.web.live_page import LiveHost
from tests.support.page import Served
from tests.support.ring_out import RingOutHall, ringing
from tests.support.small_hall import small_hall

NAMES = [f"input {number}" for number in range(1, 33)]
HOUSE = '[house]\nname = "Tern Street Hall"\n' + "".join(
    f'[[source]]\nname = "{name}"\nrole = "keys"\ntracks = [{number}]\nchannel = {number}\n'
    for number, name in enumerate(NAMES, 1)
)
PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True, "color_scheme": "dark"}
LAPTOP = {"viewport": {"width": 1280, "height": 720}, "color_scheme": "light"}
READ_S = 0.6
"""Longer than a press is taken for one that was meant for what stood there before."""


class Stage:
    """Line check of 32 inputs that nobody plays, shown by a thread as a session does."""

    def __init__(self, folder):
        house = parse_house(HOUSE, folder / "house.toml")
        self.watch = Watch(
            house=house,
            inputs=[(source, (row,)) for row, source in enumerate(house.source)],
            ring=Ring.of(32, 48000),
            sample_rate_hz=48000,
            taps=dict.fromkeys(NAMES, "preamp"),
            players={},
        )
        self.board, self.notes = Board(), []
        self.hangs, self.ends = threading.Event(), threading.Event()
        self._requests = Requests(self.watch, self.notes)
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self):
        while not self.ends.wait(0.05):
            if not self.hangs.is_set():
                self.board.answer(self._requests.answer)
                self.board.publish(picture_of(self.watch, device="desk", state="running", notes=self.notes))

    @property
    def turn(self):
        return self.watch.line.turn


@pytest.fixture
def stage(tmp_path):
    made = Stage(tmp_path)
    yield made
    made.ends.set()


@pytest.fixture
def served(stage, tmp_path):
    made = Served(small_hall(tmp_path / "hall"), live=LiveHost(stage.board))
    yield made
    stage.board.end()
    made.stop()


@pytest.fixture
def pages(browser, served):
    """A laptop's page and a phone's; anything that goes wrong in them fails the test."""
    contexts = [browser.new_context(**how) for how in (LAPTOP, PHONE)]
    made, wrong = [], []
    for context in contexts:
        page = context.new_page()
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.goto(f"{served.url}/live")
        page.wait_for_selector("#heard:not([hidden])")
        made.append(page)
    yield made
    for context in contexts:
        context.close()
    assert not wrong


def shows(page, name):
    page.locator("#sentence", has_text=f"{name}: please play").wait_for(timeout=5000)


def test_either_may_press_and_both_see_it(stage, pages):
    laptop, phone = pages
    phone.tap("#heard")
    shows(laptop, "input 2")
    shows(phone, "input 2")
    time.sleep(READ_S)
    laptop.keyboard.press("n")
    shows(phone, "input 3")
    time.sleep(READ_S)
    laptop.keyboard.press("x")
    shows(phone, "input 4")
    assert "input 3" in phone.locator("#parts").inner_text().split("Not tonight")[1]
    time.sleep(READ_S)
    laptop.keyboard.press("b")
    shows(phone, "input 3")
    assert laptop.locator("#parts").inner_text() == phone.locator("#parts").inner_text()


def test_two_presses_at_once_pass_one_input(stage, pages):
    laptop, phone = pages
    for page in pages:
        # neither waits for the other
        page.evaluate("() => { document.getElementById('heard').click(); }")
    shows(laptop, "input 2")
    refused = [page.locator("#said").inner_text() for page in pages if page.locator("#said").is_visible()]
    assert refused == ["input 1 has had its turn: input 2 is at hand"]
    time.sleep(READ_S)
    # a thumb that taps twice, the second time when the page has gone on already
    phone.tap("#heard")
    shows(phone, "input 3")
    phone.tap("#heard")
    phone.locator("#said", has_text="input 2 has had its turn: input 3 is at hand").wait_for()
    assert stage.turn == 2


def test_notes_and_names_by_keyboard(stage, pages):
    laptop, phone = pages
    laptop.get_by_role("button", name="Leave a note").focus()
    laptop.keyboard.press("Enter")
    assert laptop.evaluate("document.activeElement.id") == "ask-text"
    laptop.keyboard.type("<img src=x onerror=alert(1)> nnn b x")
    laptop.keyboard.press("Enter")
    phone.locator("#parts li", has_text="input 1: <img src=x onerror=alert(1)> nnn b x").wait_for()
    # letters in a field are no keys
    assert stage.turn == 0
    assert phone.locator("#parts img").count() == 0
    assert laptop.evaluate("document.activeElement.dataset.ask") == "note"
    laptop.get_by_role("button", name="Who plays?").press("Enter")
    laptop.keyboard.press("Escape")
    assert laptop.locator("#ask").is_hidden()
    assert laptop.evaluate("document.activeElement.dataset.ask") == "player"
    phone.get_by_role("button", name="Who plays?").tap()
    phone.locator("#ask-text").fill("Ana")
    phone.get_by_role("button", name="Save").tap()
    phone.locator("#ask").wait_for(state="hidden")
    assert stage.watch.players == {"input 1": "Ana"}


def test_what_is_old_is_called_old(stage, pages, served):
    _, phone = pages
    assert phone.inner_text("#age") == "as it is now"
    # a phone that slept: the clock on the wall has gone on, whatever the browser counted
    told = phone.evaluate("""() => {
        const now = Date.now; Date.now = () => now() + 60000;
        document.dispatchEvent(new Event("visibilitychange"));
        return document.getElementById("age").textContent; }""")
    assert told.startswith("60 s old: no connection to the desk's computer")
    phone.locator("#age", has_text="as it is now").wait_for(timeout=5000)
    stage.hangs.set()
    phone.locator("#age", has_text="s old: the desk's computer is busy").wait_for(timeout=8000)
    stage.hangs.clear()
    phone.locator("#age", has_text="as it is now").wait_for(timeout=5000)
    phone.evaluate("""() => { window.told = []; new MutationObserver(() => window.told.push(document.getElementById("way").textContent))
        .observe(document.getElementById("way"), { childList: true, characterData: true, subtree: true }); }""")
    # pages that look on are let go of after a second, as `deskhand serve` lets go of them after two
    served.server.config.timeout_graceful_shutdown = 1
    served.stop()
    phone.locator("#age", has_text="no connection to the desk's computer").wait_for(timeout=10000)
    time.sleep(2.2)
    # read aloud once, while the seconds go on
    assert phone.evaluate("window.told") == ["No connection to the desk's computer: what stands here may have changed"]


def test_when_it_is_over_what_was_found_stays(stage, pages, served):
    laptop, phone = pages
    laptop.on("dialog", lambda dialog: dialog.accept())
    phone.tap("#heard")
    shows(laptop, "input 2")
    stage.board.end()
    phone.locator("#said", has_text="It is over").wait_for()
    assert "input 1" in phone.locator("#over-parts").inner_text()
    assert phone.locator("#heard").is_hidden()
    phone.reload()
    phone.locator("#over-parts li").first.wait_for()


@pytest.mark.source("axe-core: the rules of WCAG 2.2 that a program can check")
def test_nothing_serious_stands_in_the_way_of_anybody(pages):
    for page in pages:
        page.get_by_role("button", name="Who plays?").click()
        found = Axe().run(page).response["violations"]
        assert [rule["id"] for rule in found if rule["impact"] in ("serious", "critical")] == []
        # it fits, and every control takes a thumb (WCAG 2.2, 2.5.8: 24 px; ours are larger)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        heights = [button.bounding_box()["height"] for button in page.locator("#going button:visible").all()]
        assert min(heights) >= 44
        assert page.get_attribute("#sentence", "aria-live") == "polite"


def test_a_ring_out_in_the_hands_of_two(browser, tmp_path):
    """Begun on the laptop, answered on the phone, by keyboard, and after a reload; a ring comes between."""
    hall, board, ends = RingOutHall(), Board(), threading.Event()

    def listen():
        while not ends.wait(0.05):
            board.answer(hall.requests.answer)
            board.publish(picture_of(hall.listener, device="desk", state="running", ring_out=hall.ring_out.picture()))

    thread = threading.Thread(target=listen, daemon=True)
    thread.start()
    made = Served(small_hall(tmp_path / "hall"), live=LiveHost(board))
    contexts = [browser.new_context(**how) for how in (LAPTOP, PHONE)]
    try:
        laptop, phone = (context.new_page() for context in contexts)
        for page in (laptop, phone):
            page.goto(f"{made.url}/live")
        laptop.get_by_role("button", name="Ring out the wedges").click()
        phone.locator("#ring-cautions", has_text="hearing protection").wait_for()
        # every caution stands before the first question
        care, question = (phone.locator(name).bounding_box() for name in ("#ring-care", "#ring-question"))
        assert care["y"] + care["height"] <= question["y"]
        assert phone.locator("#hand").is_hidden()
        time.sleep(READ_S)
        phone.get_by_role("button", name="Yes, all of that is so").tap()
        laptop.get_by_role("button", name="At −6 dB").wait_for()
        phone.reload()
        phone.get_by_role("button", name="1 dB higher").tap()
        phone.get_by_role("button", name="It is that level").tap()
        laptop.get_by_role("button", name="Up: at −4 dB now").wait_for()
        time.sleep(READ_S)
        laptop.get_by_role("button", name="Up: at −4 dB now").press("Enter")
        phone.get_by_role("button", name="Up: at −3 dB now").wait_for()
        # the button that was pressed is gone: the sentence is next for whoever reads with a keyboard
        assert laptop.evaluate("document.activeElement.id") == "ring-sentence"
        # letters are no keys of the line check meanwhile
        laptop.keyboard.press("n")
        ends.set()
        thread.join()
        hall.hear(ringing(2500.0))
        ends.clear()
        threading.Thread(target=listen, daemon=True).start()
        phone.locator("#ring-sentence", has_text="Send down 6 dB now; mute lead voice").wait_for()
        assert phone.get_attribute("#ring-sentence", "aria-live") == "assertive"
        for page in (laptop, phone):
            found = Axe().run(page).response["violations"]
            assert [rule["id"] for rule in found if rule["impact"] in ("serious", "critical")] == []
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            heights = [button.bounding_box()["height"] for button in page.locator("#ring button:visible").all()]
            assert min(heights) >= 44
        time.sleep(READ_S)
        phone.get_by_role("button", name="Yes, and it is muted").tap()
        laptop.locator("#ring-cuts", has_text="Bell at 2.5 kHz, −3 dB, Q 5.6").wait_for()
        laptop.get_by_role("button", name="Leave it: back to the line check").click()
        phone.locator("#sentence", has_text="kick: please play").wait_for()
        phone.get_by_role("button", name="Go on with the ring-out: lead voice into wedge 1").wait_for()
    finally:
        for context in contexts:
            context.close()
        ends.set()
        board.end()
        made.stop()
