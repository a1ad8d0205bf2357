"""Records what a page sends to the loudspeaker, while every sound of the page is a tone of its own.

Each audio file a page asks for is answered by a full-scale sine of a frequency that no other file has, so the recording itself tells
which sounds were there, how loud each was, and whether two were there at once. Nothing of the page's own bookkeeping is believed.
"""

from __future__ import annotations

import base64
import io
import itertools
import re
import time
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import soundfile

from tests.support.small_hall import HOUSE, Asker, pink, write_show

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from playwright.sync_api import Browser, Page, Route

RATE_HZ: Final = 48000
BLOCK_S: Final = 0.02
"""Length of an analysis block. All tones are multiples of its inverse, 50 Hz: in a whole block no tone reads as another."""
TONE_S: Final = 4.0
FIRST_HZ: Final = 400
STEP_HZ: Final = 100
AUDIBLE_DB: Final = -20.0
"""A tone counts as sounding within 20 dB of the slider: what is matched in loudness is turned down by less here."""
OVERLAP_BLOCKS: Final = 3
"""Two sounds at once for more than 40 ms: a tone that ends and one that begins smear over a block each."""
HEARD_BLOCKS: Final = 3
"""A sound is heard when its tone is the strongest of this many blocks: the smear of a beginning is in one."""
PATIENCE_S: Final = 20.0
"""Wait that long for a sound on a busy computer."""

TAP: Final = """
(() => {
  const module = URL.createObjectURL(new Blob([`
    registerProcessor("tap", class extends AudioWorkletProcessor {
      constructor() { super(); this.held = new Float32Array(1024); this.count = 0; }
      process([input]) {
        for (let at = 0; at < 128; at += 1) {
          const left = input[0]?.[at] ?? 0, right = input[1]?.[at] ?? left;
          this.held[this.count + at] = Math.abs(left) > Math.abs(right) ? left : right;
        }
        this.count += 128;
        if (this.count === 1024) { this.port.postMessage([currentFrame - 896, this.held]); this.count = 0; }
        return true;
      }
    })`], { type: "text/javascript" }));
  const tapped = [];
  const entries = new WeakMap();
  const connect = AudioNode.prototype.connect;
  // what goes to the loudspeaker goes to the tap as well
  function entry(context) {
    if (entries.has(context)) return entries.get(context);
    const gain = context.createGain();
    entries.set(context, gain);
    connect.call(gain, context.destination);
    const number = entry.count = (entry.count ?? 0) + 1;
    gain.tapReady = context.audioWorklet.addModule(module).then(() => {
      const node = new AudioWorkletNode(context, "tap", { numberOfOutputs: 1, channelCount: 2, channelCountMode: "explicit" });
      node.port.onmessage = ({ data: [frame, samples] }) => tapped.push([number, context.sampleRate, frame, performance.now(), samples]);
      connect.call(gain, node);
      connect.call(node, context.destination);
    });
    return gain;
  }
  AudioNode.prototype.connect = function (to, ...more) {
    return connect.call(this, to instanceof AudioDestinationNode && to.context instanceof AudioContext ? entry(to.context) : to, ...more);
  };
  // nothing begins before the tap is there, which on a busy computer takes seconds
  const resume = AudioContext.prototype.resume;
  AudioContext.prototype.resume = async function () { await entry(this).tapReady; return resume.call(this); };
  // an audio element has a loudspeaker of its own: its sound, behind its own volume, is led through the tap
  let elements = null;
  const play = HTMLMediaElement.prototype.play;
  const listened = new WeakSet();
  const listen = (element) => {
    if (listened.has(element)) return;
    listened.add(element);
    elements ??= new AudioContext({ sampleRate: 48000 });
    connect.call(elements.createMediaElementSource(element), entry(elements));
  };
  HTMLMediaElement.prototype.play = async function () { listen(this); await elements.resume(); return play.call(this); };
  Object.assign(window, { tapDrain: () => tapped.splice(0).map(([number, rate, frame, when, samples]) => {
    let text = "";
    const bytes = new Uint8Array(samples.buffer);
    for (let at = 0; at < bytes.length; at += 4096) text += String.fromCharCode(...bytes.subarray(at, at + 4096));
    return [number, rate, frame, when, btoa(text)];
  }) });
})();
"""


def tone_wav(frequency_hz: int) -> bytes:
    """Full-scale sine as a stereo file, 16 bit."""
    times_s = np.arange(round(TONE_S * RATE_HZ)) / RATE_HZ
    sine = np.sin(2.0 * np.pi * frequency_hz * times_s)
    file = io.BytesIO()
    soundfile.write(file, np.stack([sine, sine], axis=1) * (1.0 - 2.0**-15), RATE_HZ, "PCM_16", format="WAV")
    return file.getvalue()


@dataclass(frozen=True)
class Sound:
    """Something on a page that can be made to sound."""

    name: str
    start: Callable[[Page], None]


@dataclass
class Count:
    """Result of a walk through a page's sounds."""

    sounds: int = 0
    """Of the page."""
    orders: int = 0
    silent: list[str] = field(default_factory=list)
    """Orders whose second sound was never heard."""
    overlaps: list[str] = field(default_factory=list)
    above_slider_db: float = -np.inf
    """Largest peak of the output against the level the slider shows."""
    loudest: str = ""
    wrong_level: list[str] = field(default_factory=list)
    """Loads after which the slider did not show its starting level."""

    def add(self, other: Count) -> None:
        """Add the result of another page."""
        self.orders += other.orders
        self.silent += other.silent
        self.overlaps += other.overlaps
        self.wrong_level += other.wrong_level
        if other.above_slider_db > self.above_slider_db:
            self.above_slider_db, self.loudest = other.above_slider_db, other.loudest


class Ear:
    """Listens to a page: its sounds as tones, its output recorded."""

    def __init__(self, browser: Browser, **how: Any) -> None:
        # the recorder is a script that the page's own policy would not let in
        self.context = browser.new_context(bypass_csp=True, viewport={"width": 1280, "height": 900}, **how)
        self.context.add_init_script(TAP)
        self.page = self.context.new_page()
        self.page.on("dialog", lambda dialog: dialog.accept())
        self.tones_hz: dict[str, int] = {}
        self.page.route(lambda url: ".flac" in url or url.endswith(".wav"), self._answer)

    def _answer(self, route: Route) -> None:
        # one file per address, whatever the blind test and its trial
        url = re.sub(r"/blind/\w+/x\d+|/blind/\w+", "/blind", route.request.url)
        frequency_hz = self.tones_hz.setdefault(url, FIRST_HZ + STEP_HZ * len(self.tones_hz))
        body, headers = tone_wav(frequency_hz), {"content-type": "audio/wav", "cache-control": "no-store"}
        part = re.fullmatch(r"bytes=(\d+)-(\d*)", route.request.headers.get("range", ""))
        if part is None:
            route.fulfill(body=body, headers=headers)
            return
        # an audio element asks for parts, and cannot go to a moment without them (RFC 9110, 14.2)
        first, last = int(part[1]), int(part[2] or len(body) - 1)
        headers["content-range"] = f"bytes {first}-{last}/{len(body)}"
        route.fulfill(status=206, body=body[first : last + 1], headers=headers)

    def close(self) -> None:
        """Close the page."""
        self.context.close()

    def blocks(self) -> np.ndarray:
        """Output since the last call, added up over its outputs: (blocks, frames)."""
        frames = round(BLOCK_S * RATE_HZ)
        outputs: dict[int, list[tuple[int, float, np.ndarray]]] = {}
        for number, rate_hz, frame, when_ms, text in self.page.evaluate("tapDrain()"):
            assert rate_hz == RATE_HZ
            outputs.setdefault(number, []).append((frame, when_ms, np.frombuffer(base64.b64decode(text), np.float32)))
        if not outputs:
            return np.zeros((0, frames))
        # each output has a clock of its own: the message that was least late tells where its zero lies
        zeros_s = {
            number: min(when_ms / 1000.0 - frame / RATE_HZ for frame, when_ms, _ in chunks)
            for number, chunks in outputs.items()
        }
        begin_s = min(zeros_s[number] + chunks[0][0] / RATE_HZ for number, chunks in outputs.items())
        end_s = max(zeros_s[number] + (chunks[-1][0] + 1024) / RATE_HZ for number, chunks in outputs.items())
        total = np.zeros(round((end_s - begin_s) * RATE_HZ) + 2 * frames)
        for number, chunks in outputs.items():
            for frame, _, samples in chunks:
                at = round((zeros_s[number] - begin_s) * RATE_HZ) + frame
                total[at : at + samples.size] += samples
        return total[: total.size // frames * frames].reshape(-1, frames)

    def levels_db(self, blocks: np.ndarray) -> np.ndarray:
        """Level of each tone in each block, peak against full scale: (blocks, tones)."""
        places = [round(hz * BLOCK_S) for hz in self.tones_hz.values()]
        lines = np.abs(np.fft.rfft(blocks, axis=1))[:, places] * (2.0 / blocks.shape[1])
        return 20.0 * np.log10(np.maximum(lines, 1e-9))

    def shown_db(self) -> float | None:
        """Level that the slider shows in words; None where there is none."""
        text = self.page.evaluate("document.querySelector('#loud + output')?.textContent ?? null")
        return None if text is None else float(text.removesuffix(" dB").replace("−", "-"))

    def turn(self, level_db: float) -> None:
        """Set the slider."""
        self.page.evaluate(
            "level => { const slider = document.getElementById('loud'); if (!slider) return; slider.value = level; "
            "slider.dispatchEvent(new Event('input', { bubbles: true })); }",
            level_db,
        )


def every_order(count: int) -> list[int]:
    """Walk over `count` places that goes from each to each other exactly once, and ends where it began."""
    if count < 2:
        return [0]
    # Hierholzer's way to an Eulerian circuit of the complete directed graph
    left = {place: [other for other in range(count) if other != place] for place in range(count)}
    path, walk = [0], []
    while path:
        if left[path[-1]]:
            path.append(left[path[-1]].pop())
        else:
            walk.append(path.pop())
    return walk[::-1]


class Walk:
    """Starts one sound of a page after the other, and judges what is recorded."""

    def __init__(self, ear: Ear, address: str, sounds: Sequence[Sound], ready: Callable[[Page], object], *, start_db: float, seed: int) -> None:  # fmt: skip
        self.ear, self.address, self.sounds, self.ready = ear, address, sounds, ready
        self.start_db = start_db
        self.rng = np.random.default_rng(seed)
        self.count = Count()
        self.slider_db = start_db
        self._run: dict[tuple[int, int], int] = {}

    def load(self) -> None:
        """Open the page."""
        self.ear.page.goto(self.address)
        self._loaded("load")

    def _loaded(self, how: str) -> None:
        self.ready(self.ear.page)
        shown_db = self.ear.shown_db()
        if shown_db is not None and shown_db != self.start_db:
            self.count.wrong_level.append(f"{self.address} after {how}: {shown_db}")
        self.slider_db = self.start_db if shown_db is None else shown_db
        self._run.clear()

    def _judge(self, name: str) -> Counter[int]:
        """Judge what was recorded since the last time; in how many blocks each tone was the strongest."""
        blocks = self.ear.blocks()
        if not len(blocks):
            return Counter()
        top = float(np.abs(blocks).max())
        above_db = 20.0 * np.log10(max(top, 1e-9)) - self.slider_db
        if above_db > self.count.above_slider_db:
            self.count.above_slider_db, self.count.loudest = above_db, name
        if not self.ear.tones_hz:
            return Counter()
        levels_db = self.ear.levels_db(blocks)
        for row in levels_db >= self.slider_db + AUDIBLE_DB:
            tones = np.flatnonzero(row)
            pairs = set(itertools.combinations(tones.tolist(), 2))
            self._run = {pair: self._run.get(pair, 0) + 1 for pair in pairs}
            if name not in self.count.overlaps and any(length >= OVERLAP_BLOCKS for length in self._run.values()):
                self.count.overlaps.append(name)
        strongest = levels_db.argmax(axis=1)[levels_db.max(axis=1) >= self.slider_db + AUDIBLE_DB]
        return Counter(strongest.tolist())

    def start(self, place: int, name: str, before: int | None = None) -> int | None:
        """Start a sound and wait until another tone is heard than before; that tone."""
        page = self.ear.page
        self.sounds[place].start(page)
        strongest: Counter[int] = Counter()
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            page.wait_for_timeout(40)
            strongest += self._judge(name)
            tone = next((tone for tone, blocks in strongest.items() if tone != before and blocks >= HEARD_BLOCKS), None)
            if tone is not None:
                # long enough for what should have stopped to be heard beside it
                page.wait_for_timeout(100)
                self._judge(name)
                return tone
        self.count.silent.append(name)
        return None

    def turned(self) -> None:
        """Set the slider to a level drawn anew, and wait until it holds."""
        if self.ear.shown_db() is None:
            return
        level_db = float(self.rng.integers(-50, 1))
        lower_db, self.slider_db = level_db, max(level_db, self.slider_db)
        self.ear.turn(level_db)
        self.ear.page.wait_for_timeout(80)
        self._judge(f"slider to {level_db}")
        self.slider_db = lower_db

    def back(self) -> None:
        """Go to another page and come back."""
        page = self.ear.page
        page.goto(f"{self.address.split('/show/')[0]}/words")
        page.go_back()
        self._loaded("Back")

    def reload(self) -> None:
        """Load the page again."""
        self.ear.page.reload()
        self._loaded("reload")

    def through(self, walk: Sequence[int]) -> None:
        """Start the sounds in this order, each while the one before still sounds."""
        tone = self.start(walk[0], self.sounds[walk[0]].name)
        for before, place in itertools.pairwise(walk):
            self.turned()
            tone = self.start(place, f"{self.sounds[before].name}, then {self.sounds[place].name}", tone)
            self.count.orders += 1

    def through_loads(self, pairs: Iterator[tuple[int, int]] | Sequence[tuple[int, int]], how: str) -> None:
        """Start the first of each pair with the slider up, leave or load the page, and start the second."""
        sounding = None
        for first, second in pairs:
            if first == sounding:
                # pressed again it would stop
                self.reload()
            sounding = second
            name = f"{self.sounds[first].name}, {how}, {self.sounds[second].name}"
            self.slider_db = max(self.slider_db, -5.0)
            self.ear.turn(-5.0)
            if self.ear.shown_db() is None:
                self.slider_db = self.start_db
            self.start(first, name)
            (self.back if how == "Back" else self.reload)()
            self.start(second, name)
            self.count.orders += 1


# a hall to walk through, and the sounds of each of its pages


def faulty_hall(folder: Path) -> str:
    """Make a hall whose inputs clip and drop out, so that every page has moments to hear; the id of its show, checked."""
    folder.mkdir(parents=True)
    show = write_show(folder / "show-2026-03-01")
    (folder / "house.toml").write_text(HOUSE)
    for name in ("pno l", "vox"):
        samples, _ = soundfile.read(show / f"{name}.wav")
        loud = slice(2 * RATE_HZ, 3 * RATE_HZ)
        samples[loud] = np.clip(6.0 * samples[loud], -1.0, 1.0 - 2.0**-23)
        samples[round(6.2 * RATE_HZ) : round(6.5 * RATE_HZ)] = 0.0
        soundfile.write(show / f"{name}.wav", samples, RATE_HZ, subtype="PCM_24")
    with Asker(folder) as asker:
        done = asker.checked(asker.id)
        assert done["state"] == "done", done
        return asker.id


def clips(page: Page) -> list[Sound]:
    """Each "hear it" and each moment of a page, and each line of time that can be pressed."""

    def press(selector: str, place: int, where: tuple[float, float] | None = None) -> Callable[[Page], None]:
        def pressed(page: Page) -> None:
            found = page.locator(selector).nth(place)
            if where is None:
                found.click()
                return
            box = found.bounding_box()
            assert box is not None
            found.click(position={"x": where[0] * box["width"], "y": where[1] * box["height"]})

        return pressed

    addresses = page.evaluate("[...document.querySelectorAll('[data-hear]')].map((button) => button.dataset.hear)")
    # two buttons of one moment play one file: the second would stop it
    sounds = [
        Sound(f"clip {place + 1}", press("[data-hear]", place))
        for place, address in enumerate(addresses)
        if address not in addresses[:place]
    ]
    sounds += [
        Sound(f"line {place + 1}", press("td.line svg", place, (0.5, 0.5)))
        for place in range(page.locator("td.line svg").count())
    ]
    return sounds


def play_pair(against: str) -> Callable[[Page], None]:
    """Choose a pair on a source's page and play it."""

    def pressed(page: Page) -> None:
        page.locator(f"input[name=against][value={against}]").check()
        if page.locator("#play").inner_text() == "Play":
            page.locator("#play").click()

    return pressed


def source_sounds(page: Page) -> list[Sound]:
    """Sounds of a source's page: its clips, both pairs of the player, and the blind test."""

    def blind(which: str) -> Callable[[Page], None]:
        return lambda page: page.locator(f"#blind-{which}").click()

    return [
        *clips(page),
        Sound("player, the house's", play_pair("house")),
        Sound("player, as recorded", play_pair("recorded")),
        *(Sound(f"blind {which}", blind(which)) for which in "abx"),
    ]


def source_ready(page: Page) -> None:
    """Wait for a source's page, and begin a blind test."""
    page.wait_for_selector("#bench[data-tried]")
    page.locator("input[name=against][value=recorded]").check()
    page.evaluate("document.getElementById('blind').open = true")
    page.locator("#blind-begin").click()
    page.locator("#blind-a").wait_for()


def voice_sounds(page: Page) -> list[Sound]:
    """Sounds of the voice's page: moments of its lines, and the player."""

    def moment(share: float) -> Callable[[Page], None]:
        def pressed(page: Page) -> None:
            line = page.locator("#pic-mono svg")
            box = line.bounding_box()
            assert box is not None
            line.click(position={"x": share * box["width"], "y": 0.5 * box["height"]})

        return pressed

    return [Sound(f"moment {place}", moment(share)) for place, share in enumerate((0.2, 0.4, 0.6, 0.8), 1)]


def compared_report(folder: Path) -> Path:
    """Make the report of a comparison and its audio in a folder; the report's page."""
    from click.testing import CliRunner

    from deskhand.cli import main

    folder.mkdir(exist_ok=True)
    sound = np.stack([pink(4.0, 1), pink(4.0, 2)])
    soundfile.write(folder / "one.wav", sound.T, RATE_HZ, subtype="PCM_24")
    soundfile.write(folder / "two.wav", 0.5 * sound.T, RATE_HZ, subtype="PCM_24")
    words = ["compare", *(str(folder / name) for name in ("one.wav", "two.wav"))]
    made = CliRunner().invoke(main, [*words, "--report", str(folder / "page.html"), "--audio", str(folder / "audio")])
    assert made.exit_code == 0, made.output
    return folder / "page.html"


def compared_sounds() -> list[Sound]:
    """Sounds of a comparison's report: each of its files."""

    def chosen(place: int) -> Sound:
        return Sound(f"button {place}", lambda page: page.locator("[data-file]").nth(place).click())

    return [chosen(place) for place in range(3)]


PAGES: Final[dict[str, tuple[str, Callable[[Page], list[Sound]], Callable[[Page], object]]]] = {
    "week": ("", clips, lambda page: page.wait_for_load_state()),
    "source": ("/source/0", source_sounds, source_ready),
    "voice": ("/voice", voice_sounds, lambda page: page.wait_for_selector("#pic-mono svg")),
}
"""Pages that sound: address below the show, sounds, and what to wait for."""


def between_pages(browser: Browser, show: str, *, start_db: float, seed: int, orders: int | None = None) -> Count:
    """Start each sound of each page, go on to every other page while it sounds, start each sound there, and come back.

    Parameters
    ----------
    browser : Browser
    show : str
        Address of a checked show.
    start_db : float
        Level a page is to start at that is come back to; one that is gone on to takes the level along.
    seed : int
    orders : int, optional
        How many of the orders; all when not given.
    """
    ear = Ear(browser)
    rng = np.random.default_rng(seed)
    try:
        sounds_of = {}
        for name, (below, of_page, ready) in PAGES.items():
            ear.page.goto(show + below)
            ready(ear.page)
            sounds_of[name] = of_page(ear.page)
        walk = Walk(ear, show, [], lambda _: None, start_db=start_db, seed=seed)
        walk.count.sounds = sum(map(len, sounds_of.values()))
        steps = [
            (name, first, other, second)
            for name, other in itertools.permutations(PAGES, 2)
            for first in sounds_of[name]
            for second in sounds_of[other]
        ]
        for place in rng.permutation(len(steps))[:orders]:
            _from_page_to_page(walk, show, steps[place], float(rng.integers(-40, -4)))
        return walk.count
    finally:
        ear.close()


def _from_page_to_page(walk: Walk, show: str, step: tuple[str, Sound, str, Sound], level_db: float) -> None:
    """Sound of a page, one of another page after it, and back."""
    page_name, first, other_name, second = step
    words = f"{page_name} {first.name}, {other_name} {second.name}"
    page = walk.ear.page

    def arrived(name: str, expected_db: float) -> None:
        PAGES[name][2](page)
        walk.ear.blocks()
        walk._run.clear()
        if walk.ear.shown_db() != expected_db:
            walk.count.wrong_level.append(f"{words}: {walk.ear.shown_db()} at {name}, {expected_db} was expected")
        walk.slider_db = expected_db

    page.goto(show + PAGES[page_name][0])
    shown_db = walk.ear.shown_db()
    arrived(page_name, walk.start_db if shown_db is None else shown_db)
    walk.slider_db = max(walk.slider_db, level_db)
    walk.ear.turn(level_db)
    page.wait_for_timeout(80)
    walk._judge(words)
    walk.slider_db = level_db
    walk.sounds = [first, second]
    walk.start(0, words)
    page.goto(show + PAGES[other_name][0])
    arrived(other_name, level_db)
    walk.start(1, words)
    page.go_back()
    arrived(page_name, walk.start_db)
    walk.start(0, words)
    walk.count.orders += 1


def walked(browser: Browser, show: str, page: str, *, start_db: float, seed: int, orders: int | None = None, loads: int | None = None) -> Count:  # fmt: skip
    """Walk through the sounds of a page in every order, then with Back and with a reload in between.

    Parameters
    ----------
    browser : Browser
    show : str
        Address of a checked show.
    page : str
        Key of `PAGES`.
    start_db : float
        Level the page is to start at.
    seed : int
        Draws the levels of the slider, and which orders are left out.
    orders, loads : int, optional
        How many of the orders, and how many with each kind of load in between; all when not given.
    """
    below, sounds_of, ready = PAGES[page]
    ear = Ear(browser)
    try:
        ear.page.goto(show + below)
        ready(ear.page)
        sounds = sounds_of(ear.page)
        walk = Walk(ear, show + below, sounds, ready, start_db=start_db, seed=seed)
        walk.count.sounds = len(sounds)
        walk.load()
        order = every_order(len(sounds))
        first = int(walk.rng.integers(len(order) - 1))
        order = (order[first:-1] + order[: first + 1])[: None if orders is None else orders + 1]
        walk.through(order)
        pairs = [(one, other) for one in range(len(sounds)) for other in range(len(sounds))]
        for how in ("Back", "reload"):
            some = walk.rng.permutation(len(pairs))[:loads]
            walk.load()
            walk.through_loads([pairs[place] for place in some], how)
        return walk.count
    finally:
        ear.close()
