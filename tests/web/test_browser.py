"""The page as a person uses it, in a real browser: check, hear, try, save, tell apart, print; by keyboard, and on a phone."""

from __future__ import annotations

import base64
import csv
import io
import json
import os
import re
import shutil
import subprocess
import urllib.request
from unittest import mock

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe

from deskhand.findings import short
from deskhand.house import read_house

PHONE = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
WAIT_MS = 60_000


@pytest.fixture(scope="module")
def show(served, browser, readings_once):
    """The newest show, checked by pressing the button of its recording."""
    page = browser.new_page()
    page.goto(f"{served.url}/recordings")
    form = page.locator("article", has_text="1 March 2026").locator("form")
    with mock.patch("deskhand.tasks.check._measured", readings_once):
        form.locator("button[type=submit]").click()
        page.locator("#job progress").wait_for(state="visible")
        page.wait_for_url("**/show/*", timeout=4 * WAIT_MS)
    url = page.url
    page.close()
    return url


def place_of(page, show, name):
    page.goto(show)
    page.get_by_role("link", name=name, exact=True).first.click()
    page.wait_for_selector("#bench[data-tried]", timeout=WAIT_MS)


def value_of(page, label):
    """The number in the second column of a row of the numbers."""
    row = page.locator("#both tr", has=page.locator("th", has_text=label))
    return float(row.locator("td").nth(1).inner_text().replace("−", "-"))


def settled(page, act):
    """Do something, and wait until what it changes was worked out."""
    before = page.get_attribute("#bench", "data-tried")
    act()
    page.wait_for_selector(f'#bench:not([data-tried="{before}"])', timeout=WAIT_MS)


class TestThisWeek:
    def test_a_check_from_the_page_says_what_to_do_first(self, page, show, served, hall):
        page.goto(served.url)
        assert page.locator("h1").inner_text() == "Three things before doors:"
        things = page.locator("ol.first > li")
        assert things.count() == 3
        for at in range(3):
            # with something to do it can be done or not, without it can be ignored
            assert things.nth(at).get_by_role("button", name=re.compile("^(Ignore|Not) tonight")).first.is_visible()
        truth = json.loads((hall / "show-2026-03-01" / "truth.json").read_text())
        planted = {one["source"] for one in truth["planted"]}
        rows = page.locator("table.inputs tr")
        assert rows.count() == 16
        assert {things.nth(at).locator("a").inner_text() for at in range(3)} <= planted

    def test_what_is_to_fix_next_is_the_one_list_and_moves_stand_under_their_finding(self, page, show, checked_show):
        """The season's newest show has more to fix than three things; each fix beyond them stands where it is said to be one."""
        result = checked_show("show-2026-03-01").result
        to_listen = {
            f"{source.name}: {finding.text}"
            for source in result.sources
            for finding in source.findings
            if finding.severity == "listen"
        }
        assert result.next
        page.goto(show)
        later = page.locator("section", has=page.get_by_role("heading", name="Next, if there is time"))
        to_hear = page.locator("section", has=page.get_by_role("heading", name="To listen to"))
        findings = {finding.id: finding for source in result.sources for finding in source.findings}
        turned = {move.finding for source in result.sources for move in source.moves if move.is_setting}
        # where something is to be turned, what was found stands alone, and its whole sentence with how to turn it
        beginnings = [
            f"{thing.source} ({thing.where}): {short(findings[thing.finding])}"
            if thing.finding in turned
            else thing.text
            for thing in result.next
        ]
        assert turned
        assert beginnings != [thing.text for thing in result.next]
        assert later.locator(".what-is").all_inner_texts() == beginnings
        wholes = "\n".join(later.locator("details").all_text_contents())
        assert all(thing.text in wholes for thing in result.next if thing.finding in turned)
        assert set(to_hear.locator(".what-is").all_inner_texts()) == to_listen
        # what to turn stands in the card of what it is turned for
        clipped = page.locator("ol.first > li", has_text="clipped")
        assert "preamp" in clipped.locator(".turn").first.inner_text()
        # nothing that waits to be turned is called well, and nothing says that it may wait until after the show
        for row in page.locator("table.inputs tr", has_text="to turn").all():
            assert row.locator(".status").inner_text() != "well"
        assert "before doors" not in to_hear.inner_text()

    def test_a_moment_can_be_heard(self, page, show):
        page.goto(show)
        with page.expect_response(re.compile(r"hear\.flac")) as found:
            page.locator("ol.first > li").first.get_by_role("button", name=re.compile("^Hear it")).click()
        assert found.value.status in (200, 206)
        with page.expect_response(re.compile(r"hear\.flac")) as found:
            line = page.locator("td.line svg").nth(3)
            line.click(position={"x": 0.5 * line.bounding_box()["width"], "y": 5})
        at_s = float(re.search(r"at=([\d.]+)", found.value.url)[1])
        assert at_s == pytest.approx(32.0, abs=1.0)

    def test_what_is_left_alone_tonight_is_heard_of_again(self, page, show):
        page.goto(show)
        ignored = page.locator("li", has=page.get_by_role("button", name=re.compile("^Ignore tonight"))).first
        said = ignored.locator(".what-is").inner_text()
        ignored.get_by_role("button", name=re.compile("^Ignore tonight")).click()
        page.wait_for_load_state()
        page.get_by_text("Ignored tonight").wait_for()
        assert said not in page.locator(".what-is").all_inner_texts()
        page.get_by_role("button", name="Show again").click()
        page.wait_for_load_state()
        page.locator(".what-is", has_text=said).first.wait_for()

    @pytest.mark.parametrize(("button", "remark"), [("Done", "done at"), ("Not tonight", "declined at")])
    def test_what_was_done_is_asked_no_more_until_it_is_taken_back(self, page, show, button, remark):
        page.goto(show)
        first = page.locator("ol.first > li").first
        said = first.locator(".what-is").inner_text()
        first.get_by_role("button", name=re.compile(f"^{button}")).first.click()
        earlier = page.locator("section", has=page.locator("#earlier"))
        earlier.locator("p", has_text=remark).wait_for()
        assert said not in page.locator("ol.first .what-is").all_inner_texts()
        earlier.get_by_role("button", name=re.compile("^Take back")).click()
        page.locator("#earlier").wait_for(state="detached")
        assert page.locator("ol.first .what-is").first.inner_text() == said

    @pytest.mark.parametrize("size", [{"width": 1280, "height": 720}, PHONE["viewport"]], ids=["laptop", "phone"])
    def test_what_to_do_first_is_seen_without_scrolling(self, browser, show, size):
        page = browser.new_page(viewport=size)
        page.goto(show)
        inside = [page.locator("h1"), *page.locator("ol.in-short li").all(), page.locator("ol.first .turn").first]
        bottoms = [box["y"] + box["height"] for one in inside if (box := one.bounding_box())]
        page.close()
        assert len(bottoms) == 5
        assert max(bottoms) <= size["height"]

    def test_what_is_ticked_before_leaving_stays_ticked(self, browser, show):
        page = browser.new_page()
        page.goto(show)
        page.get_by_label("Scene stored").check()
        page.reload()
        assert [box.is_checked() for box in page.locator("[data-leaving]").all()] == [False, True, False]
        page.get_by_label("Scene stored").uncheck()
        page.reload()
        assert not page.get_by_label("Scene stored").is_checked()
        page.close()


class TestASource:
    def test_a_bell_moves_numbers_pictures_and_sound(self, page, show):
        place_of(page, show, "piano")
        level, picture = value_of(page, "Loudness"), page.locator("#pic-tone").inner_html()
        settled(page, lambda: page.get_by_label("Add a block").select_option("bell"))
        bell = page.locator("#chain > li").last
        settled(
            page,
            lambda: (
                bell.get_by_label("frequency").fill("500 Hz"),
                bell.get_by_label("gain").fill("12 dB"),
                bell.get_by_label("gain").blur(),
            ),
        )
        # the piano's notes lie around 500 Hz: nearly all of it is raised
        assert value_of(page, "Loudness") == pytest.approx(level + 10.0, abs=3.0)
        assert page.locator("#pic-tone").inner_html() != picture
        settled(page, lambda: page.get_by_role("button", name="Undo").click())
        settled(page, lambda: page.get_by_role("button", name="Undo").click())
        assert value_of(page, "Loudness") == level
        assert page.locator("#pic-tone").inner_html() == picture

    def test_what_cannot_be_is_said_and_nothing_is_lost(self, page, show):
        place_of(page, show, "piano")
        gain = page.locator("#chain > li").nth(1).get_by_label("gain")
        gain.fill("loud")
        gain.blur()
        page.locator("#problem", has_text="chain 2, bell").wait_for()
        assert gain.input_value() == "loud"
        settled(page, lambda: (gain.fill("-4 dB"), gain.blur()))
        assert page.locator("#problem").is_hidden()
        page.wrong.clear()  # the answer 400 is what was asked for

    def test_saved_settings_are_this_weeks_and_a_second_browser_is_told(self, page, show, hall, browser):
        place_of(page, show, "guitar a")
        other = browser.new_page()
        place_of(other, show, "guitar a")
        third = browser.new_page()
        place_of(third, show, "bass")
        standing = (hall / "house.toml").read_bytes()

        def change(where, label, at, text):
            field = where.locator("#chain > li").nth(at).get_by_label(label)
            settled(where, lambda: (field.fill(text), field.blur()))
            where.get_by_role("button", name="Save as this week's").click()

        change(page, "gain", 1, "-3 dB")
        page.get_by_text("Saved as week-2026-03-01.toml").wait_for()
        # another source in another browser: both are kept
        change(third, "threshold", 1, "-30 dBFS")
        third.get_by_text("Saved as week-2026-03-01.toml").wait_for()
        # the same source in another browser: it is told, and may look
        change(other, "gain", 1, "+2 dB")
        other.get_by_text("Somebody else changed these settings").wait_for()
        chains = {one.name: one.chain for one in read_house(hall / "week-2026-03-01.toml").source}
        assert chains["guitar a"][1].gain_db == -3.0
        assert chains["bass"][1].threshold_dbfs == -30.0
        settled(other, lambda: other.get_by_role("button", name="Show theirs").click())
        assert other.locator("#chain > li").nth(1).get_by_label("gain").input_value() == "-3 dB"
        assert (hall / "house.toml").read_bytes() == standing
        other.close(run_before_unload=False)
        third.close()
        (hall / "week-2026-03-01.toml").unlink()
        page.wrong.clear()


RECORD = """
async ([first, second, rate, firstDb, secondDb, switches, seconds, way]) => {
  const { Player } = await import("/static/player.js");
  const { fetched } = await import("/static/sound.js");
  const context = new OfflineAudioContext(2, rate * seconds, rate);
  const sounds = [await fetched(context, first), await fetched(context, second)];
  const player = new Player(context, sounds, [firstDb, secondDb]);
  if (way) player.listen(way, 0);
  player.play(0);
  switches.forEach((at, place) => player.choose(1 - place % 2, at));
  const made = await context.startRendering();
  // as base64: a million numbers as JSON take half a minute
  return [0, 1].map((one) => {
    const bytes = new Uint8Array(made.getChannelData(one).buffer);
    let text = "";
    for (let at = 0; at < bytes.length; at += 32768) text += String.fromCharCode(...bytes.subarray(at, at + 32768));
    return btoa(text);
  });
}
"""


@pytest.fixture
def pair(page, show):
    """Two chains' sound of the piano, as the page has them."""
    place_of(page, show, "piano")
    settled(page, lambda: page.get_by_label("Add a block").select_option("high-shelf"))
    shelf = page.locator("#chain > li").last
    with page.expect_response(re.compile("/api/try")) as found:
        settled(page, lambda: (shelf.get_by_label("gain").fill("9 dB"), shelf.get_by_label("gain").blur()))
    return found.value.json()["sound"]


def rendered(page, pair, switches=(), seconds=8, way=""):
    """What comes out of the page's own graph, (2, frames)."""
    made = page.evaluate(
        RECORD,
        [
            pair["first"]["url"], pair["second"]["url"], pair["sample_rate_hz"], pair["first"]["gain_db"],
            pair["second"]["gain_db"], list(switches), seconds, way,
        ],
    )  # fmt: skip
    return np.array([np.frombuffer(base64.b64decode(one), np.float32) for one in made], np.float64)


class TestListening:
    @pytest.mark.source("ITU-R BS.1770-5, as pyebur128 (libebur128) has it")
    @pytest.mark.parametrize("against", ["house", "recorded"])
    def test_both_are_equally_loud(self, page, pair, against):
        import pyebur128

        def lufs(audio):
            meter = pyebur128.R128State(2, pair[against]["sample_rate_hz"], pyebur128.MeasurementMode.MODE_I)
            meter.add_frames(np.ascontiguousarray(audio.T).ravel().astype(np.float64), audio.shape[1])
            return pyebur128.get_loudness_global(meter)

        first = lufs(rendered(page, pair[against]))
        second = lufs(rendered(page, pair[against], switches=(0.0,)))
        assert first == pytest.approx(second, abs=0.1)
        # turned down, never up
        assert max(pair[against][one]["turned_db"] for one in ("first", "second")) <= 0.0

    def test_switching_has_no_gap_and_no_click(self, page, pair):
        """While it goes from one to the other, it is a sum of both with weights between 0 and 1 that change slowly."""
        both = pair["house"]
        rate = both["sample_rate_hz"]
        first, second = rendered(page, both), rendered(page, both, switches=(0.0,))
        mixed = rendered(page, both, switches=(4.0,))
        begin, end = 4 * rate, 4 * rate + rate // 20
        assert mixed[:, : begin - 8] == pytest.approx(first[:, : begin - 8], abs=1e-5)
        assert mixed[:, end:] == pytest.approx(second[:, end:], abs=1e-3)
        # the weight of the second in each half millisecond, by least squares
        step = rate // 2000
        weights = []
        for at in range(begin, end, step):
            a, b, m = (one[:, at : at + step].ravel() for one in (first, second, mixed))
            found, *_ = np.linalg.lstsq(np.stack([a, b], axis=1), m, rcond=None)
            weights.append(found)
            assert np.abs(np.stack([a, b], axis=1) @ found - m).max() < 0.02 * np.abs(first).max()
        total = np.sum(weights, axis=1)
        assert np.abs(total - 1.0).max() < 0.1  # no gap: what one loses the other gains
        assert np.abs(np.diff(np.array(weights)[:, 1])).max() < 0.35  # no click: never at once

    @pytest.mark.parametrize(
        ("way", "left", "right"),
        [
            ("mono", (0.5, 0.5), (0.5, 0.5)), ("left", (1, 0), (1, 0)), ("right", (0, 1), (0, 1)),
            ("mid", (0.5, 0.5), (0.5, 0.5)), ("side", (0.5, -0.5), (-0.5, 0.5)),
        ],
    )  # fmt: skip
    def test_ways_to_listen(self, page, pair, way, left, right):
        """Middle (L + R) / 2 and sides (L - R) / 2: common practice, no source."""
        plain, made = rendered(page, pair["house"], seconds=3), rendered(page, pair["house"], seconds=3, way=way)
        late = slice(24000, None)  # behind the fade into it
        for row, weights in zip(made, (left, right), strict=True):
            assert row[late] == pytest.approx((np.array(weights) @ plain)[late], abs=2e-4)

    def test_the_difference(self, page, pair):
        first, second = rendered(page, pair["house"], seconds=3), rendered(page, pair["house"], (0.0,), seconds=3)
        made = rendered(page, pair["house"], seconds=3, way="difference")
        # half of it, as the sides are: it is never louder than the louder of the two
        assert made[:, 24000:] == pytest.approx(0.5 * (first - second)[:, 24000:], abs=2e-4)

    def test_it_plays_starts_quiet_and_answers_keys(self, page, show):
        place_of(page, show, "piano")
        assert page.locator("#loud").input_value() == "-30"
        page.locator("#play").click()
        page.locator("#play", has_text="Pause").wait_for()
        page.locator("body").click(position={"x": 5, "y": 5})
        page.keyboard.press("s")
        page.locator("#choose-second[aria-pressed=true]").wait_for()
        page.keyboard.press("1")
        page.locator("#choose-first[aria-pressed=true]").wait_for()
        page.keyboard.press("Space")
        page.locator("#play", has_text="Play").wait_for()

    @pytest.mark.source("scipy.stats.binom: the upper tail of the binomial distribution")
    def test_a_blind_test_is_counted_and_kept(self, page, show, served):
        from scipy.stats import binom

        place_of(page, show, "piano")
        page.locator("#blind summary").click()
        page.locator("#trials").fill("5")
        page.get_by_role("button", name="Begin the blind test").click()
        page.get_by_text("sounds the same both ways").wait_for()
        gain = page.locator("#chain > li").nth(1).get_by_label("gain")
        settled(page, lambda: (gain.fill("-6 dB"), gain.blur()))
        page.wrong.clear()
        with page.expect_response(re.compile("/api/blind/start")) as found:
            page.get_by_role("button", name="Begin the blind test").click()
        told = found.value.json()
        hidden, answers = [], []
        for place in range(5):
            page.locator("#blind-at", has_text=f"Trial {place + 1} of 5").wait_for()
            sounds = {name: page.request.get(served.url + told[name]).body() for name in ("a", "b", "x")}
            hidden.append("a" if sounds["x"] == sounds["a"] else "b")
            answers.append("a")
            page.locator("#blind-x").click()
            with page.expect_response(re.compile("/api/blind/answer")) as found:
                page.get_by_role("button", name="It is the first").click()
            told = found.value.json()
        right = sum(one == other for one, other in zip(hidden, answers, strict=True))
        said = page.locator("#blind-said")
        said.get_by_text(f"{right} of 5 right").wait_for()
        chance = float(re.search(r"probability of ([\d.]+)", said.inner_text())[1])
        assert chance == pytest.approx(float(binom.sf(right - 1, 5, 0.5)), abs=0.0006)
        page.goto(f"{served.url}/weeks")
        page.get_by_text(f"{right} of 5 right").first.wait_for()


class TestTheVoice:
    def test_a_mute_is_seen_and_a_moment_is_heard(self, page, show):
        page.goto(f"{show}/voice")
        before = float(re.search(r"(\d+) %", page.locator("#share-mono").inner_text())[1])
        for row in range(3):
            page.locator("table.tries tbody tr", has=page.locator("[data-mute]")).nth(row).locator(
                "[data-mute]"
            ).check()
            # one at a time: a question that is overtaken by the next is dropped, and not counted
            page.wait_for_selector(f'#room[data-tries="{row + 1}"]', timeout=WAIT_MS)
        after = float(re.search(r"(\d+) %", page.locator("#share-mono").inner_text())[1])
        assert after > before + 2
        line = page.locator("#pic-mono svg")
        with page.expect_response(re.compile(r"/audio/.*flac"), timeout=WAIT_MS):
            line.click(position={"x": 0.5 * line.bounding_box()["width"], "y": 40})
        page.locator("#play", has_text="Pause").wait_for(timeout=WAIT_MS)

    def test_play_needs_no_moment_to_be_pressed_first(self, page, show):
        page.goto(f"{show}/voice")
        with page.expect_response(re.compile(r"/audio/.*flac"), timeout=WAIT_MS):
            page.locator("#play").click()
        page.locator("#play", has_text="Pause").wait_for(timeout=WAIT_MS)

    def test_on_a_phone_the_result_stays_beside_what_is_tried(self, browser, show):
        context = browser.new_context(**PHONE)
        page = context.new_page()
        page.goto(f"{show}/voice")
        before = page.locator("#near").inner_text()
        row = page.locator("table.tries tbody tr").nth(8)
        row.locator("[data-fader]").fill("-20")
        row.locator("[data-fader]").press("Enter")
        page.wait_for_selector('#room[data-tries="1"]', timeout=WAIT_MS)
        row.evaluate("row => row.scrollIntoView({ block: 'center', behavior: 'instant' })")
        near, field = page.locator("#near").bounding_box(), row.locator("[data-fader]").bounding_box()
        assert 0 <= near["y"] < field["y"] < PHONE["viewport"]["height"]
        page.locator("table.tries tbody tr").first.locator("[data-fader]").fill("12")
        page.locator("table.tries tbody tr").first.locator("[data-fader]").press("Enter")
        page.wait_for_selector('#room[data-tries="2"]', timeout=WAIT_MS)
        assert page.locator("#near").inner_text() != before
        context.close()


class TestPaper:
    def test_the_sheet_is_shown_and_printed(self, page, show):
        page.goto(f"{show}/sheet")
        assert page.locator(".paper img").first.evaluate("image => image.complete && image.naturalWidth > 500")
        link = page.get_by_role("link", name=re.compile("^Print")).get_attribute("href")
        base = show[: show.index("/show/")]
        pdf = urllib.request.urlopen(base + link).read()
        assert pdf.startswith(b"%PDF-")
        table = urllib.request.urlopen(f"{show}/sheet.csv").read().decode("utf-8-sig")
        names = {row["input"] for row in csv.DictReader(io.StringIO(table))}
        assert {"lead voice", "piano", "kick"} <= names


class TestWithoutAMouse:
    def test_every_control_is_reached_and_seen(self, page, show):
        """Tab by tab through a source: each control once, each with something to see that it is the one."""
        place_of(page, show, "piano")
        wanted = page.evaluate(
            "[...document.querySelectorAll('a, button, input, select, summary')].filter((one) => !one.disabled && one.type !== 'radio' && "
            # what lies behind a closed fold is reached when it is opened
            "one.getClientRects().length && one.offsetParent !== null && one.checkVisibility()).length"
        )
        page.keyboard.press("Tab")
        seen = 0
        first = page.evaluate("document.activeElement.textContent")
        assert first == "To the content"
        for _ in range(wanted + 6):
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline != "none"
            seen += 1
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement === document.body || document.activeElement.textContent") in (
                True,
                first,
            ):
                break
        assert seen >= wanted - 1

    def test_from_the_front_to_a_saved_setting(self, page, show, hall):
        page.goto(show)
        page.get_by_role("link", name="guitar a", exact=True).focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("#bench[data-tried]", timeout=WAIT_MS)
        field = page.locator("#chain > li").nth(1).get_by_label("gain")
        field.focus()
        page.keyboard.press("Control+A")
        page.keyboard.type("-5 dB")
        settled(page, lambda: page.keyboard.press("Tab"))
        page.locator("#save").focus()
        page.keyboard.press("Enter")
        page.get_by_text("Saved as week-2026-03-01.toml").wait_for()
        chains = {one.name: one.chain for one in read_house(hall / "week-2026-03-01.toml").source}
        assert chains["guitar a"][1].gain_db == -5.0
        (hall / "week-2026-03-01.toml").unlink()


@pytest.mark.parametrize("page", [PHONE], indirect=True)
class TestOnAPhone:
    def test_every_page_fits_and_every_control_takes_a_thumb(self, page, show, served):
        for url in (
            show,
            f"{show}/source/7",
            f"{show}/voice",
            f"{show}/sheet",
            f"{served.url}/weeks",
            f"{served.url}/recordings",
        ):
            page.goto(url)
            if url.endswith("/source/7"):
                page.wait_for_selector("#bench[data-tried]", timeout=WAIT_MS)
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth + 1"), url
            small = page.evaluate(
                "[...document.querySelectorAll('button:not(.what), .button, select, nav a')].filter((one) => one.offsetParent !== null && "
                "one.getBoundingClientRect().height < 35).map((one) => one.textContent)"
            )
            assert not small, url

    def test_a_change_made_with_a_thumb(self, page, show):
        page.goto(show)
        page.get_by_role("link", name="piano", exact=True).first.tap()
        page.wait_for_selector("#bench[data-tried]", timeout=WAIT_MS)
        gain = page.locator("#chain > li").nth(1).get_by_label("gain")
        settled(page, lambda: (gain.tap(), gain.fill("-6 dB"), gain.blur()))
        page.get_by_role("button", name="Undo").tap()
        assert gain.input_value() == "-1.5 dB"


@pytest.mark.source("axe-core: the rules of WCAG 2.2 that a program can check")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_serious_stands_in_the_way_of_anybody(browser, show, served, scheme):
    context = browser.new_context(color_scheme=scheme, bypass_csp=True, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    found = {}
    for url in (
        show,
        f"{show}/source/7",
        f"{show}/voice",
        f"{show}/sheet",
        f"{served.url}/weeks",
        f"{served.url}/recordings",
        f"{served.url}/words",
    ):
        page.goto(url)
        if url.endswith("/source/7"):
            page.wait_for_selector("#bench[data-tried]", timeout=WAIT_MS)
            page.locator("#blind summary").click()
        for one in Axe().run(page).response["violations"]:
            if one["impact"] in ("serious", "critical"):
                found[f"{url} {one['id']}"] = [node["html"][:160] for node in one["nodes"][:3]]
    context.close()
    assert not found


class TestRecordings:
    def test_a_folder_that_is_chosen_is_copied_in(self, page, show, served, hall, season, tmp_path):
        chosen = tmp_path / "Thursday rehearsal"
        chosen.mkdir()
        for name in ("05 bass.wav", "13 lead vox.wav"):
            shutil.copy(season / "show-2026-02-22" / name, chosen)
        (chosen / "notes.txt").write_text("not audio")
        page.goto(f"{served.url}/recordings")
        page.locator("#pick").set_input_files(chosen)
        page.locator("article h2", has_text="Thursday rehearsal").wait_for()
        made = hall / "Thursday rehearsal"
        assert {one.name for one in made.iterdir()} == {"05 bass.wav", "13 lead vox.wav"}
        for one in made.iterdir():
            assert one.read_bytes() == (chosen / one.name).read_bytes()
        assert "2 tracks" in page.locator("article", has_text="Thursday rehearsal").inner_text()
        shutil.rmtree(made)

    def test_one_file_of_all_tracks_is_copied_in_under_its_name(self, page, show, served, hall, season, tmp_path):
        chosen = tmp_path / "Friday.wav"
        shutil.copy(season / "show-2026-02-22" / "05 bass.wav", chosen)
        page.goto(f"{served.url}/recordings")
        page.locator("#pick-files").set_input_files(chosen)
        page.locator("article h2", has_text="Friday").wait_for()
        assert (hall / "Friday" / "Friday.wav").read_bytes() == chosen.read_bytes()
        shutil.rmtree(hall / "Friday")

    def test_a_recording_that_appears_is_asked_about(self, page, show, hall, season):
        page.goto(show)
        assert page.locator("#news").is_hidden()
        shutil.copytree(season / "show-2026-02-22", hall / "show-2026-02-15")
        for one in (hall / "show-2026-02-15").iterdir():
            os.utime(one)
        question = page.locator("#news", has_text="22 tracks: is that the show to look at?")
        question.wait_for(timeout=15_000)
        question.get_by_role("link").click()
        page.wait_for_url("**/recordings#*")
        shutil.rmtree(hall / "show-2026-02-15")


def test_the_first_evening(season, tmp_path_factory, browser):
    """No house yet: a recording is chosen, its sources are put right, and the house file is written and used."""
    from tests.support.page import Served, linked

    hall = linked(season, tmp_path_factory.mktemp("first") / "hall", shows=("show-2026-02-22",))
    (hall / "house.toml").unlink()
    for file in (hall / "show-2026-02-22").glob("*.wav"):
        if file.stem[3:] not in ("kick", "bass", "pno l", "pno r", "lead vox"):
            file.unlink()  # it is linked; five tracks show the way as well as all
    served = Served(hall)
    try:
        page = browser.new_page()
        page.goto(served.url)
        page.get_by_role("button", name="Listen to it").click()
        page.wait_for_selector("#sources", timeout=4 * WAIT_MS)
        names = [one.input_value() for one in page.locator("[name=name]").all()]
        roles = dict(zip(names, [one.input_value() for one in page.locator("[name=role]").all()], strict=True))
        assert roles["kick"] == "kick"
        assert roles["lead vox"] == "lead vocal"
        page.get_by_label("Name of the house").fill("Another Hall")
        row = page.locator("fieldset", has=page.locator('[name=name][value="kick"]'))
        row.locator("[name=name]").fill("bass drum")
        row.locator("[name=channel]").fill("1")
        page.get_by_role("button", name="Write the house file").click()
        page.wait_for_url("**/recordings*")
        house = read_house(hall / "house.toml")
        assert house.house.name == "Another Hall"
        assert house.source[0].name == "bass drum"
        assert house.source[0].channel == "1"
        assert house.vocal.source == "lead vox"
        page.close()
    finally:
        served.stop()


def test_the_list_of_blind_tests_is_not_cut_at_1280_pixels(page, served, hall):
    from deskhand.store import BlindTest, history_url
    from deskhand.store.history import open_history

    history = open_history(history_url(None, hall), create=True)
    history.add_blind_test(
        BlindTest(
            source="lead voice of the second band", show="Sunday evening", date="2026-03-01", trials=20, right=14, p_value=0.058,
            compared="its chain as the house has it against the chain as it was tried, both at one loudness, over the second verse",
            said_by="Marit and the volunteers of the evening",
        ),
        house=read_house(hall / "house.toml").house.name,
    )  # fmt: skip
    history.close()
    for width in (1280, 900):
        page.set_viewport_size({"width": width, "height": 800})
        page.goto(f"{served.url}/weeks")
        page.get_by_text("14 of 20 right").first.wait_for()
        cut = page.evaluate(
            "[...document.querySelectorAll('.scroll')].filter((one) => one.scrollWidth > one.clientWidth + 1).map((one) => one.textContent)"
        )
        assert cut == []


@pytest.mark.needs("node")
def test_the_scripts_are_of_one_piece():
    """Every module parses: node's own check."""
    from importlib import resources

    for path in resources.files("deskhand.web").joinpath("static").iterdir():
        if path.name.endswith(".js"):
            made = subprocess.run(
                ["node", "--check", "--input-type=module"],
                input=path.read_text(),
                text=True,
                capture_output=True,
                check=False,
            )
            assert made.returncode == 0, made.stderr
