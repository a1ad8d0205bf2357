"""Rises and falls of what a page plays, the level that a session keeps, and the blind test as it is pressed."""

from __future__ import annotations

import base64
import re

import numpy as np
import pytest

from deskhand.report.volume import START_DB
from tests.support.small_hall import RATE_HZ, small_hall
from tests.support.sounding import PAGES

from .conftest import Served

pytestmark = pytest.mark.source("definition: a click is a change of level within one period of the sound")
WINDOW_S = 0.0025
"""One period of the lowest tone of the tests, 400 Hz: the peak of a window is the level of the tone."""
FEWEST_STEPS = 4
"""Windows in which a sound rises or falls: 10 ms at least; one that is cut has one at most."""


@pytest.fixture(scope="module")
def show(tmp_path_factory):
    hall = small_hall(tmp_path_factory.mktemp("edges") / "hall")
    served = Served(hall)
    from deskhand.web.hall import Hall

    yield f"{served.url}/show/{Hall(hall).recordings()[0].id}"
    served.stop()


def opened(ear, show, name):
    """A page with its sounds, ready to be pressed."""
    below, sounds_of, ready = PAGES[name]
    ear.page.goto(show + below)
    ready(ear.page)
    return sounds_of(ear.page)


class Tape:
    """All that one output of a page has played, without a gap however often it is looked at."""

    def __init__(self, ear):
        self.ear = ear
        self.chunks = {}

    def run(self, milliseconds):
        """Go on recording; the loudest sample of it."""
        self.ear.page.wait_for_timeout(milliseconds)
        top = 0.0
        for number, _, frame, _, text in self.ear.page.evaluate("tapDrain()"):
            samples = np.frombuffer(base64.b64decode(text), np.float32)
            self.chunks[number, frame] = samples
            top = max(top, float(np.abs(samples).max()))
        return top

    def until_it_sounds(self):
        for _ in range(200):
            if self.run(50) > 1e-3:
                return
        raise AssertionError("nothing sounds")

    def levels(self):
        """Level in each window."""
        assert len({number for number, _ in self.chunks}) == 1
        samples = np.concatenate([self.chunks[place] for place in sorted(self.chunks)])
        window = round(WINDOW_S * RATE_HZ)
        return np.abs(samples[: samples.size // window * window]).reshape(-1, window).max(axis=1)


def edges(levels, silence=0.05):
    """Windows that each rise from silence, as a share of the loudest level, to that level takes, and each fall back."""
    top = levels.max()
    high, low = levels > 0.95 * top, levels < silence * top
    found = []
    state, since = "low", 0
    for place in range(levels.size):
        if high[place] and state == "low":
            found.append(("rise", place - since - 1))
        elif low[place] and state == "high":
            found.append(("fall", place - since - 1))
        if high[place] or low[place]:
            state, since = ("high" if high[place] else "low"), place
    return found


def test_a_cut_tone_has_no_edges_worth_the_name():
    times_s = np.arange(RATE_HZ) / RATE_HZ
    tone = np.where((times_s > 0.301) & (times_s < 0.6), np.sin(2 * np.pi * 400 * times_s), 0.0)
    window = round(WINDOW_S * RATE_HZ)
    steps = edges(np.abs(tone).reshape(-1, window).max(axis=1))
    assert [kind for kind, _ in steps] == ["rise", "fall"]
    assert max(count for _, count in steps) <= 1


WAYS = [("week", "line 1"), ("source", "player, as recorded"), ("source", "blind a"), ("voice", "moment 2")]


@pytest.mark.parametrize(("name", "which"), WAYS)
def test_what_starts_rises_and_what_is_stopped_falls(ear, show, name, which):
    sounds = opened(ear, show, name)
    next(sound for sound in sounds if sound.name == which).start(ear.page)
    tape = Tape(ear)
    tape.until_it_sounds()
    tape.run(150)
    ear.page.locator("#stop-sound").click()
    tape.run(200)
    steps = edges(tape.levels())
    assert [kind for kind, _ in steps] == ["rise", "fall"]
    assert min(count for _, count in steps) >= FEWEST_STEPS, steps


def test_a_clip_falls_at_its_end(ear, show):
    opened(ear, show, "week")[0].start(ear.page)
    tape = Tape(ear)
    tape.until_it_sounds()
    ear.page.wait_for_function("document.getElementById('stop-sound').disabled")
    tape.run(100)
    steps = edges(tape.levels())
    assert [kind for kind, _ in steps] == ["rise", "fall"]
    assert min(count for _, count in steps) >= FEWEST_STEPS, steps


def test_the_next_begins_when_the_one_before_has_ended(ear, show):
    """From the player to a trial of the blind test and to another sound of it, each ready to start at once."""
    sounds = {sound.name: sound for sound in opened(ear, show, "source")}
    tape = Tape(ear)
    order = ("player, as recorded", "blind a", "blind b", "blind x", "player, as recorded")
    for which in order:
        sounds[which].start(ear.page)
        tape.run(400)
    ear.page.locator("#stop-sound").click()
    tape.run(200)
    levels = tape.levels()
    # pairs are turned down to one loudness besides; of two windows about the moment of silence one is below an eighth of 20 ms
    steps = edges(np.minimum(levels, 0.4 * levels.max()), silence=0.13 / 0.4)
    assert [kind for kind, _ in steps] == ["rise", "fall"] * len(order)


class TestTheLevelOfASession:
    def level(self, ear):
        assert ear.page.locator("#loud").input_value() == f"{ear.shown_db():g}"
        return ear.shown_db()

    def played_db(self, ear, show, sounds):
        sounds[0].start(ear.page)
        ear.page.wait_for_timeout(50)
        top = 0.0
        for _ in range(100):
            ear.page.wait_for_timeout(60)
            top = max(top, float(np.abs(ear.blocks()).max(initial=0.0)))
            if top > 1e-4:
                break
        ear.page.wait_for_timeout(150)
        return 20.0 * float(np.log10(max(top, float(np.abs(ear.blocks()).max(initial=0.0)), 1e-9)))

    def test_it_goes_along_to_other_pages_and_is_what_plays(self, ear, show):
        opened(ear, show, "week")
        assert self.level(ear) == START_DB
        ear.turn(-17.0)
        ear.page.get_by_role("link", name="lead voice", exact=True).first.click()
        ear.page.wait_for_url("**/source/1")
        assert self.level(ear) == -17.0
        ear.page.goto(f"{show}/voice")
        assert self.level(ear) == -17.0
        sounds = opened(ear, show, "week")
        assert self.level(ear) == -17.0
        assert self.played_db(ear, show, sounds) == pytest.approx(-17.0, abs=0.1)

    @pytest.mark.parametrize("how", ["reload", "Back", "another tab"])
    def test_it_starts_low_where_a_page_is_loaded_again_or_come_back_to(self, ear, show, how):
        sounds = opened(ear, show, "week")
        ear.turn(-5.0)
        if how == "reload":
            ear.page.reload()
        elif how == "Back":
            ear.page.goto(f"{show}/voice")
            ear.page.go_back()
        else:
            page = ear.context.new_page()
            page.goto(show)
            assert page.locator("#loud").input_value() == str(START_DB)
            return
        assert self.level(ear) == START_DB
        assert self.played_db(ear, show, sounds) == pytest.approx(START_DB, abs=0.1)


class TestTheBlindTest:
    def test_an_answer_ends_the_sound_and_the_same_press_stops_it(self, ear, show):
        opened(ear, show, "source")
        page = ear.page
        for end in ("#blind-a", "#blind-stop", "#is-a"):
            page.locator("#blind-a").click()
            page.wait_for_timeout(250)
            assert np.abs(ear.blocks()).max() > 1e-3, end
            assert page.locator("#blind-a.playing").count() == 1
            page.locator(end).click()
            page.wait_for_timeout(120)
            ear.blocks()
            page.wait_for_timeout(120)
            assert np.abs(ear.blocks()).max(initial=0.0) < 1e-5, end
            assert page.locator("#blind-run .playing").count() == 0
        page.locator("#blind-at", has_text="Trial 2 of 10").wait_for()

    def test_the_slider_acts_at_once(self, ear, show):
        opened(ear, show, "source")
        ear.page.locator("#blind-x").click()
        for level_db in (-12.0, -40.0):
            ear.turn(level_db)
            ear.page.wait_for_timeout(120)
            ear.blocks()
            ear.page.wait_for_timeout(120)
            assert 20 * np.log10(np.abs(ear.blocks()).max()) == pytest.approx(level_db, abs=0.1)

    def test_many_presses_are_one_sound(self, ear, show):
        opened(ear, show, "source")
        page = ear.page
        page.evaluate("for (const which of ['a', 'b', 'x', 'a', 'b', 'x', 'a', 'b']) document.getElementById(`blind-${which}`).click()")  # fmt: skip
        page.wait_for_timeout(400)
        levels_db = ear.levels_db(ear.blocks()[-12:-3])
        assert ((levels_db > levels_db.max() - 30.0).sum(axis=1) == 1).all()
        assert page.locator("#blind-run .playing").inner_text() == "2"

    def test_broken_off_it_says_so_and_another_can_begin(self, ear, show):
        opened(ear, show, "source")
        page = ear.page
        with page.expect_response(re.compile("/api/blind/answer")):
            page.locator("#is-a").click()
        page.locator("#blind-at", has_text="Trial 2 of 10").wait_for()
        page.locator("#blind-quit").click()
        page.get_by_text("Broken off after 1 of 10 answers").wait_for()
        page.locator("#blind-begin").click()
        page.locator("#blind-at", has_text="Trial 1 of 10").wait_for()
