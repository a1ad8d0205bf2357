"""Memory and processor of the line check's page over hours: 64 inputs, two pages that look on, somebody who presses.

    python -m benchmarks.live_hours --minutes 20      # as it is at a desk: a JACK server on its dummy driver, the clock's own pace
    python -m benchmarks.live_hours --hours 3         # the same session with made audio, as fast as the computer can

Three hours by the clock are three hours of a computer; made audio tells whether memory grows with what was heard, the clock's own pace what it costs.
"""

from __future__ import annotations

import argparse
import http.client
import io
import json
import os
import resource
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import numpy as np

from benchmarks.live_page import ROLES, Program, table
from tests.support import desk

if TYPE_CHECKING:
    from collections.abc import Iterator

CHANNELS = 64
RATE_HZ = 48000
SERVER = f"dh-hours-{os.getpid()}"
TURN_S = 4
"""Each input plays for so long: long enough to arrive (2.5 s)."""
PRESS_S = 10.0


def house_text() -> str:
    """64 inputs of an invented evening."""
    return '[house]\nname = "Tern Street Hall"\n' + "".join(
        f'[[source]]\nname = "input {number}"\nrole = "{ROLES[number % len(ROLES)]}"\ntracks = [{number}]\nchannel = {number}\n'
        for number in range(1, CHANNELS + 1)
    )


class Onlooker:
    """Page that looks on: reads events, and keeps the newest picture."""

    def __init__(self, url: str) -> None:
        self.newest: dict[str, Any] = {}
        self.count = 0
        self.bytes = 0
        self._place = urlsplit(url)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        connection = http.client.HTTPConnection(str(self._place.hostname), self._place.port, timeout=60)
        connection.request("GET", "/live/events")
        with suppress(OSError, http.client.HTTPException):
            answer = connection.getresponse()
            while line := answer.readline():
                self.bytes += len(line)
                if line.startswith(b"data: "):
                    data = json.loads(line[6:])
                    self.count += 1
                    if "hand" in data:
                        self.newest = data

    def press(self, act: str) -> None:
        """Ask for something about the input at hand."""
        connection = http.client.HTTPConnection(str(self._place.hostname), self._place.port, timeout=60)
        body = json.dumps({"act": act, "source": self.newest.get("hand", {}).get("source", ""), "by": "Ana"})
        with suppress(OSError, http.client.HTTPException):
            connection.request("POST", "/api/live", body, {"x-deskhand": "1", "content-type": "application/json"})
            connection.getresponse().read()
        connection.close()


def memory_mb(process: int) -> float:
    """Memory of a process that is its own, in MB (proc(5), RssAnon)."""
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("RssAnon"):
            return int(line.split()[1]) / 1024
    return 0.0


def growth(samples: list[tuple[float, float]]) -> list[tuple[str, str]]:
    """Memory at some moments, and its slope over the second half."""
    times_s, memories_mb = np.array(samples).T
    late = times_s >= times_s[-1] / 2
    slope = np.polyfit(times_s[late] / 3600, memories_mb[late], 1)[0]
    rows = [
        (f"memory after {share:.0%} of it", f"{memories_mb[np.searchsorted(times_s, share * times_s[-1])]:.0f} MB")
        for share in (0.1, 0.5, 1.0)
    ]
    return [*rows, ("growth over the second half", f"{slope:+.1f} MB an hour")]


def at_a_desk(minutes: float) -> list[tuple[str, str]]:
    """Session by the clock, with a device."""
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), 8471
        (folder / "house.toml").write_text(house_text(), "utf-8")
        rng = np.random.default_rng(1)
        played = (1e-5 * rng.standard_normal((CHANNELS, 4 * TURN_S * RATE_HZ))).astype(np.float32)
        for turn in range(4):
            part = slice(turn * TURN_S * RATE_HZ, (turn * TURN_S + TURN_S - 1) * RATE_HZ)
            played[turn, part] = 0.1 * rng.standard_normal((TURN_S - 1) * RATE_HZ)
        np.save(folder / "desk.npy", played)
        with desk.jack(server=SERVER), desk.playing(folder / "desk.npy", loops=2000, server=SERVER) as player:
            program = Program(folder, port, server=SERVER)
            program.until("runs.")
            assert player.stdin is not None
            player.stdin.write("go\n")
            player.stdin.flush()
            pages = [Onlooker(f"http://localhost:{port}") for _ in range(2)]
            time.sleep(20.0)
            used_s, began_s, samples = program.processor_s(), time.monotonic(), []
            count = 0
            while (now_s := time.monotonic() - began_s) < 60 * minutes:
                samples.append((now_s, memory_mb(program.process.pid)))
                time.sleep(PRESS_S)
                pages[count % 2].press(("heard", "heard", "back")[count % 3])
                count += 1
            share = (program.processor_s() - used_s) / (time.monotonic() - began_s)
            heard = pages[0]
            program.process.kill()
    return [
        (f"{CHANNELS} inputs, two pages, {minutes:g} min by the clock: processor, the driver's process included", f"{100 * share:.1f} % of a core"),
        ("sent to each page", f"{heard.bytes / (60 * minutes + 20) / 1000:.1f} kB/s, {heard.count / (60 * minutes + 20):.1f} events a second"),
        *growth(samples),
    ]  # fmt: skip


class MadeAudio:
    """Recording of a line check that is made while it is heard: one input after the other, over and over, above their noise.

    Parameters
    ----------
    hours : float
    """

    sample_rate_hz = RATE_HZ

    def __init__(self, hours: float) -> None:
        from types import SimpleNamespace

        self.tracks = [SimpleNamespace(name=f"track {number}") for number in range(1, CHANNELS + 1)]
        self._blocks = round(hours * 36000)
        rng = np.random.default_rng(1)
        step = RATE_HZ // 10
        self._floor = (1e-5 * rng.standard_normal((CHANNELS, 2 * step))).astype(np.float32)
        self._playing = (0.1 * rng.standard_normal(2 * step)).astype(np.float32)

    def blocks(self, step: int) -> Iterator[Any]:
        """Blocks of a tenth of a second."""
        from types import SimpleNamespace

        for number in range(self._blocks):
            first = number % 7 * step // 7
            samples = self._floor[:, first : first + step].copy()
            turn, within = divmod(number, 10 * TURN_S)
            if within < 10 * (TURN_S - 1):
                samples[turn % CHANNELS] = self._playing[first : first + step]
            yield SimpleNamespace(samples=samples)


def made(hours: float) -> list[tuple[str, str]]:
    """Session with made audio, as fast as the computer can."""
    from rich.console import Console

    from deskhand.live import session
    from deskhand.live.board import Board
    from deskhand.live.display import AudioFeed
    from deskhand.live.replay import Replay
    from deskhand.live.watch import KEPT_S
    from deskhand.web.serve import beside

    with tempfile.TemporaryDirectory() as name:
        folder, board = Path(name), Board()
        (folder / "house.toml").write_text(house_text(), "utf-8")
        audio = Replay(MadeAudio(hours), kept_s=KEPT_S, fast=True)  # type: ignore[arg-type]
        # the one thing that is put in its place: where the audio comes from
        session.open_feed = lambda _: AudioFeed(audio=audio, track_names=None, label="desk")  # type: ignore[assignment]
        options = session.LiveOptions(house=folder / "house.toml", fast=True, replay=folder)
        thread = threading.Thread(
            target=lambda: session.listen_live(options, Console(file=io.StringIO()), board=board, keyboard=False),
            daemon=True,
        )
        with beside(folder, board, port=8472, lan=False, history=None, say=lambda _: None):
            pages = [Onlooker("http://localhost:8472") for _ in range(2)]
            thread.start()
            samples, count = [], 0
            began_s, used = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF)
            while thread.is_alive():
                samples.append((audio.ring.written / RATE_HZ, memory_mb(os.getpid())))
                time.sleep(1.0)
                pages[count % 2].press(("heard", "heard", "back")[count % 3])
                count += 1
            spent = resource.getrusage(resource.RUSAGE_SELF)
    used_s = spent.ru_utime + spent.ru_stime - used.ru_utime - used.ru_stime
    heard_s = audio.ring.written / RATE_HZ
    return [
        (f"{CHANNELS} inputs, two pages, made audio: heard, in", f"{heard_s / 3600:.2f} h, {time.monotonic() - began_s:.0f} s"),
        ("processor for each second of audio", f"{1000 * used_s / heard_s:.0f} ms"),
        *growth(samples),
    ]  # fmt: skip


def main() -> None:
    """Run it, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=0.0)
    parser.add_argument("--hours", type=float, default=0.0)
    options = parser.parse_args()
    rows = []
    if options.minutes:
        rows += at_a_desk(options.minutes)
    if options.hours:
        rows += made(options.hours)
    print(table(rows))


if __name__ == "__main__":
    main()
