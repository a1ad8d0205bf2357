"""How the page of the line check holds: two browsers on one line check of 32 inputs, reloads, a cut network, a killed program, a dead device.

    python -m benchmarks.live_page [--presses 32] [--cut 30]

A JACK server on its dummy driver and a client that plays the desk are what the tests use; `deskhand live --page` runs as its own process. A press on
one browser counts until the other shows what came of it, by the browsers' own clock (both run on this machine).
"""

from __future__ import annotations

import argparse
import atexit
import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.support import desk
from tests.support.page import ARGS

if TYPE_CHECKING:
    from playwright.sync_api import Page

CHANNELS = 32
RATE_HZ = 48000
SERVER = f"dh-page-{os.getpid()}"
ROLES = ("kick", "snare", "toms", "bass", "guitar", "keys", "lead vocal", "backing vocal")
WATCH = """() => {
  window.seen = [];
  new MutationObserver(() => window.seen.push([document.getElementById("sentence").textContent, Date.now()]))
    .observe(document.getElementById("sentence"), { childList: true, characterData: true, subtree: true });
}"""


def house_text() -> str:
    """32 inputs of an invented evening."""
    head = '[house]\nname = "Tern Street Hall"\n'
    return head + "".join(
        f'[[source]]\nname = "input {number}"\nrole = "{ROLES[number % len(ROLES)]}"\ntracks = [{number}]\nchannel = {number}\n'
        for number in range(1, CHANNELS + 1)
    )


class Program:
    """`deskhand live --page`, running."""

    def __init__(self, folder: Path, port: int, *, server: str = SERVER, **more: str) -> None:
        options = [part for name, value in more.items() for part in (f"--{name}", value)]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "deskhand", "live", "--device", "desk", "--page", "--port", str(port), *options],
            cwd=folder, env=desk.environment(server), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        self.lines: list[str] = []
        atexit.register(self.process.kill)

    def until(self, text: str) -> None:
        """Read on to a line that holds a text."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line)
            if text in line:
                return
        raise SystemExit("".join(self.lines))

    def processor_s(self) -> float:
        """Processor time of the program and of the driver's process."""
        ticks = 0
        for folder in Path("/proc").glob("[0-9]*"):
            with suppress(OSError, ValueError):
                fields = (folder / "stat").read_text().rsplit(")", 1)[1].split()
                if int(folder.name) == self.process.pid or int(fields[1]) == self.process.pid:
                    ticks += int(fields[11]) + int(fields[12])
        return ticks / os.sysconf("SC_CLK_TCK")


class Network:
    """Way from a phone to the program, that can be cut: what is sent meanwhile waits, as it does where packets are lost."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._open = threading.Event()
        self._open.set()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Nothing gets through from now on."""
        self._open.clear()

    def mend(self) -> None:
        """Everything gets through again."""
        self._open.set()

    def _accept(self) -> None:
        while True:
            near, _ = self._listening.accept()
            threading.Thread(target=self._join, args=(near,), daemon=True).start()

    def _join(self, near: socket.socket) -> None:
        self._open.wait()
        try:
            far = socket.create_connection(("127.0.0.1", self._to_port))
        except OSError:
            near.close()
            return
        threading.Thread(target=self._pump, args=(near, far), daemon=True).start()
        self._pump(far, near)

    def _pump(self, from_: socket.socket, to: socket.socket) -> None:
        with suppress(OSError):
            while data := from_.recv(65536):
                self._open.wait()
                to.sendall(data)
        for end in (from_, to):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


def until(page: Page, condition: str, most_s: float) -> None:
    """Wait until an expression holds; the page's policy allows nobody to evaluate text in it by itself."""
    end_s = time.monotonic() + most_s
    while not page.evaluate(condition):
        if time.monotonic() > end_s:
            raise SystemExit(f"not within {most_s} s: {condition}")
        time.sleep(0.02)


def state_of(page: Page) -> tuple[str, list[str]]:
    """What a page shows: its sentence, and all its lists."""
    return page.inner_text("#sentence"), page.locator("#parts li").all_inner_texts()


def until_same(pages: list[Page], most_s: float) -> float:
    """Time until all pages show the same, in seconds."""
    began_s = time.monotonic()
    while time.monotonic() - began_s < most_s:
        if len({json.dumps(state_of(page)) for page in pages}) == 1:
            return time.monotonic() - began_s
        time.sleep(0.02)
    raise SystemExit(f"not the same after {most_s} s: {[state_of(page)[0] for page in pages]}")


def pressed(from_: Page, to: Page, count: int) -> list[float]:
    """Milliseconds from a press on one page until another shows the next input."""
    to.evaluate(WATCH)
    delays_ms = []
    for _ in range(count):
        now = from_.inner_text("#sentence")
        seen = to.evaluate("window.seen.length")
        began_ms = from_.evaluate(
            "() => { const now = Date.now(); document.getElementById('heard').click(); return now; }"
        )
        until(to, f"window.seen.length > {seen}", 5.0)
        delays_ms.append(to.evaluate(f"window.seen[{seen}][1]") - began_ms)
        until(from_, f"document.getElementById('sentence').textContent !== {json.dumps(now)}", 5.0)
        # a page takes a press that comes sooner than anybody reads for one that was meant for the input before
        time.sleep(0.45)
    return delays_ms


def main() -> None:
    """Run it, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--presses", type=int, default=28)
    parser.add_argument("--cut", type=float, default=30.0, help="seconds without a network")
    parser.add_argument("--pictures", type=Path, help="folder for pictures of both pages")
    options = parser.parse_args()
    from playwright.sync_api import sync_playwright

    rows: list[tuple[str, str]] = []
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder, port = Path(name), 8461
        (folder / "house.toml").write_text(house_text(), "utf-8")
        rng = np.random.default_rng(1)
        np.save(folder / "desk.npy", (1e-5 * rng.standard_normal((CHANNELS, 60 * RATE_HZ))).astype(np.float32))
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGS)
        with desk.jack(server=SERVER) as server, desk.playing(folder / "desk.npy", loops=20, server=SERVER) as player:
            program = Program(folder, port, record="rec")
            program.until("runs.")
            player.stdin.write("go\n")
            player.stdin.flush()
            contexts = [
                browser.new_context(viewport={"width": 1280, "height": 720}, color_scheme="light"),
                browser.new_context(
                    viewport={"width": 390, "height": 844}, color_scheme="dark", has_touch=True, is_mobile=True
                ),
            ]
            laptop, phone = (context.new_page() for context in contexts)
            network = Network(port)
            for page, at in ((laptop, port), (phone, network.port)):
                page.goto(f"http://localhost:{at}/live")
                page.wait_for_selector("#heard:not([hidden])")
            delays_ms = pressed(phone, laptop, options.presses // 2) + pressed(laptop, phone, options.presses // 2)
            rows.append((f"a press until the other page shows it ({len(delays_ms)} presses): median / 95th percentile / longest",
                         f"{statistics.median(delays_ms):.0f} / {np.percentile(delays_ms, 95):.0f} / {max(delays_ms):.0f} ms"))  # fmt: skip
            if options.pictures:
                for page, kind in ((laptop, "wide"), (phone, "phone")):
                    page.screenshot(path=options.pictures / f"live-{kind}.png", full_page=True)
            again = []
            for count in range(20):
                page = (laptop, phone)[count % 2]
                began_s = time.monotonic()
                page.reload()
                page.wait_for_selector("#heard:not([hidden])")
                until_same([laptop, phone], 3.0)
                again.append(time.monotonic() - began_s)
            rows.append(("20 reloads: until both pages show the same again, median / longest",
                         f"{statistics.median(again) * 1000:.0f} / {max(again) * 1000:.0f} ms"))  # fmt: skip
            used_s, began_s = program.processor_s(), time.monotonic()
            network.cut()
            time.sleep(options.cut / 2)
            laptop.keyboard.press("n")
            time.sleep(options.cut / 2)
            share = (program.processor_s() - used_s) / (time.monotonic() - began_s)
            told = phone.inner_text("#age")
            network.mend()
            rows.append((f"after {options.cut:g} s without a network the phone said", told))
            rows.append(("and showed the same as the laptop after", f"{until_same([laptop, phone], 20.0):.1f} s"))
            rows.append(
                (
                    f"processor of {CHANNELS} inputs with two pages, the recording and the driver",
                    f"{100 * share:.1f} % of a core",
                )
            )
            before = state_of(laptop)
            os.kill(program.process.pid, signal.SIGKILL)
            program.process.wait()
            time.sleep(5.0)
            program = Program(folder, port, record="rec")
            began_s = time.monotonic()
            until(laptop, "document.getElementById('age').textContent === 'as it is now'", 60.0)
            same_s = until_same([laptop, phone], 30.0)
            rows.append(
                (
                    "killed and started again: pages go on after",
                    f"{time.monotonic() - began_s:.1f} s ({same_s:.1f} s of it until alike)",
                )
            )
            after = state_of(laptop)
            rows.append(
                (
                    "and stand at the same input",
                    f"{'yes' if after[0] == before[0] else f'no: {before[0]} / {after[0]}'}",
                )
            )
            program.until("goes on where it stopped")
            rows.append(
                ("recordings of the evening", ", ".join(sorted(path.name for path in (folder / "rec").glob("*.wav"))))
            )
            began_ms = phone.evaluate("Date.now()")
            phone.evaluate("""() => { window.gone = 0; new MutationObserver(() => {
              if (!window.gone && !document.getElementById("problem").hidden) window.gone = Date.now(); }
            ).observe(document.getElementById("problem"), { attributes: true, childList: true, subtree: true }); }""")
            server.kill()
            until(phone, "window.gone > 0", 20.0)
            rows.append(
                (
                    "a dead device is said on the phone after",
                    f"{(phone.evaluate('window.gone') - began_ms) / 1000:.1f} s",
                )
            )
            rows.append(("in the words", phone.inner_text("#problem")))
        with desk.jack(server=SERVER), desk.playing(folder / "desk.npy", loops=20, server=SERVER):
            until(phone, "document.getElementById('problem').hidden", 60.0)
            rows.append(("and it goes on when it is back", "yes"))
            laptop.on("dialog", lambda dialog: dialog.accept())
            laptop.click("#done")
            program.process.wait(30)
            rows.append(("ended from the page: status", str(program.process.returncode)))
        browser.close()
    print(table(rows))


def table(rows: list[tuple[str, Any]]) -> str:
    """Rows as Markdown."""
    return "\n".join(["| what | measured |", "|---|---|", *(f"| {name} | {value} |" for name, value in rows)])


if __name__ == "__main__":
    main()
