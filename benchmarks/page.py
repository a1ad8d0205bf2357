"""How fast the local page is: opening a long show, its weight, and from a changed number to new numbers on the screen.

    python -m benchmarks.page [--minutes 10] [--changes 50]

The demo's newest show is repeated to the wanted length; the page runs as its own process, and a headless Chromium uses it. The peer
is scipy.signal.sosfilt: the same 20 s of a pair through six second-order sections.
"""

from __future__ import annotations

import argparse
import json
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal as ss

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"


def long_hall(folder: Path, minutes: float) -> Path:
    """A house with one long show."""
    from tests.support.troubled_season import make_season

    newest = make_season(folder / "season", seed=1)
    hall = folder / "hall"
    (hall / newest.name).mkdir(parents=True)
    shutil.copy(folder / "season" / "house.toml", hall)
    shutil.copy(newest / "show.toml", hall / newest.name)
    for path in newest.glob("*.wav"):
        samples, rate_hz = soundfile.read(path, dtype="float32")
        times = int(np.ceil(60 * minutes * rate_hz / len(samples)))
        soundfile.write(
            hall / newest.name / path.name, np.tile(samples, times)[: round(60 * minutes * rate_hz)], rate_hz, "PCM_24"
        )
    return hall


def start(hall: Path) -> tuple[subprocess.Popen[str], str, float]:
    """The page as its own process: it, its address, and the seconds until it answered for the first time."""
    begin = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "deskhand", "serve", str(hall), "--port", "0"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    url = re.search(r"http://\S+", process.stdout.readline())[0].rstrip("/")
    while True:
        try:
            urllib.request.urlopen(url + "/words").read()
            return process, url, time.perf_counter() - begin
        except OSError:
            time.sleep(0.05)


def ask(url: str, data: dict | None = None) -> dict:
    """What the page answers."""
    made = urllib.request.Request(url, None if data is None else json.dumps(data).encode())
    if data is not None:
        made.add_header("content-type", "application/json")
        made.add_header("x-deskhand", "1")
    return json.loads(urllib.request.urlopen(made).read())


def checked(url: str) -> tuple[str, float]:
    """The address of the show, checked, and the seconds that took."""
    page = urllib.request.urlopen(url + "/recordings").read().decode()
    id_ = re.search(r'data-id="(\w+)"', page)[1]
    begin = time.perf_counter()
    job = ask(url + "/api/check", {"id": id_, "phase": "rehearsal"})["job"]
    while (now := ask(f"{url}/api/jobs/{job}"))["state"] == "running":
        time.sleep(0.2)
    assert now["state"] == "done", now
    return url + now["said"], time.perf_counter() - begin


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--changes", type=int, default=50)
    given = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="deskhand-bench-"))
    process = None
    try:
        hall = long_hall(folder, given.minutes)
        process, url, _ = start(hall)
        show, check_s = checked(url)
        process.send_signal(signal.SIGINT)
        process.wait(20)
        process, url, start_s = start(hall)
        show = url + show[show.index("/show/") :]
        rows = [(f"check of {given.minutes:g} min, from the page", f"{check_s:.1f} s")]
        rows += browse(url, show, given.changes)
        rows.insert(1, ("server started, first answer", f"{start_s:.2f} s"))
        noise = np.random.default_rng(1).standard_normal((2, 20 * 48000))
        sos = ss.butter(12, 0.1, output="sos")
        begin = time.perf_counter()
        ss.sosfilt(sos, noise)
        peer_s = time.perf_counter() - begin
        median_s = float(re.search(r"([\d.]+) ms", dict(rows)["a change, median"])[1]) / 1000
        rows.append(("scipy.signal.sosfilt, six sections, the same 20 s", f"{1000 * peer_s:.0f} ms"))
        rows.append(("a change against it", f"{median_s / peer_s:.1f} times"))
        for name, value in rows:
            print(f"{name:55} {value}")
    finally:
        if process is not None:
            process.kill()
        shutil.rmtree(folder)


def browse(url: str, show: str, changes: int) -> list[tuple[str, str]]:
    """What a person waits for."""
    from playwright.sync_api import sync_playwright

    rows = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_page()
        sizes: list[int] = []
        elsewhere: list[str] = []
        page.on("response", lambda answer: sizes.append(int(answer.headers.get("content-length", 0))))
        page.on("request", lambda asked: elsewhere.append(asked.url) if not asked.url.startswith(url) else None)
        for name, address in (
            ("this week", show),
            ("this week, again", show),
            ("a source", f"{show}/source/7"),
            ("the voice", f"{show}/voice"),
        ):
            sizes.clear()
            page.goto(address, wait_until="load")
            page.wait_for_timeout(500)
            painted = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
            rows.append((f"{name}: first content / weight", f"{painted / 1000:.2f} s / {sum(sizes) / 1000:.0f} kB"))
        page.goto(f"{show}/source/7")
        page.wait_for_selector("#bench[data-tried]", timeout=60000)
        draw = random.Random(1)
        took = []
        for _ in range(changes):
            before = page.get_attribute("#bench", "data-tried")
            field = page.locator("#chain > li").nth(1).get_by_label("gain")
            field.fill(f"{draw.uniform(-9, 9):.2f} dB")
            field.blur()
            page.wait_for_selector(f'#bench:not([data-tried="{before}"])')
            took.append(int(page.get_attribute("#bench", "data-took-ms")))
        rows.append(("a change, median", f"{np.median(took):.0f} ms"))
        rows.append(("a change, 95th percentile", f"{np.percentile(took, 95):.0f} ms"))
        page.goto(f"{show}/voice")
        tries = []
        for turn in range(12):
            field = page.locator("[data-fader]").nth(turn % 4)
            field.fill(str(-1 - turn % 5))
            field.blur()
            page.wait_for_selector(f'#room[data-tries="{turn + 1}"]', timeout=60000)
            tries.append(int(page.get_attribute("#room", "data-took-ms")))
        rows.append(
            ("a try at the voice: the first / median of the others", f"{tries[0]} ms / {np.median(tries[1:]):.0f} ms")
        )
        rows.append(("requests to another place", str(len(elsewhere))))
        browser.close()
    return rows


if __name__ == "__main__":
    main()
