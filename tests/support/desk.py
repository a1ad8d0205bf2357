"""A pretend desk: a JACK server on its dummy driver, and a client that plays an array into it. Run by the tests as programs.

`python desk.py ARRAY.npy RATE PACE LOOPS` plays; a PACE above 1 runs the server without its clock, that many times faster. The array
is played LOOPS times over; its length is a multiple of the period.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

SERVER = f"deskhand-test-{os.getpid()}"


def environment(server: str = SERVER) -> dict[str, str]:
    """Without a session bus or a server that is started behind our back."""
    return {
        **os.environ,
        "JACK_NO_AUDIO_RESERVATION": "1",
        "JACK_NO_START_SERVER": "1",
        "JACK_DEFAULT_SERVER": server,
    }


@contextmanager
def jack(*, rate_hz: int = 48000, server: str = SERVER) -> Iterator[subprocess.Popen[bytes]]:
    """A server without a sound card."""
    process = subprocess.Popen(
        [
            "jackd",
            "--no-realtime",
            "-S",
            "--name",
            server,
            "-d",
            "dummy",
            "-r",
            str(rate_hz),
            "-p",
            "1024",
            "-C",
            "2",
            "-P",
            "2",
        ],
        env=environment(server),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        time.sleep(1.0)
        yield process
    finally:
        process.kill()
        process.wait()


@contextmanager
def playing(
    array: Path, *, rate_hz: int = 48000, pace: float = 1.0, loops: int = 1, server: str = SERVER
) -> Iterator[subprocess.Popen[str]]:
    """A desk that is there, and plays when a line is written to it."""
    process = subprocess.Popen(
        [sys.executable, __file__, str(array), str(rate_hz), str(pace), str(loops)],
        env=environment(server),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "ready"
        yield process
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with suppress(BrokenPipeError):
                    pipe.close()


def main() -> None:
    """Play the desk."""
    import jack as jack_client
    import numpy as np

    samples = np.load(sys.argv[1], mmap_mode="r")
    rate_hz, pace, loops = int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
    length = samples.shape[1] * loops
    client = jack_client.Client("desk", servername=os.environ["JACK_DEFAULT_SERVER"], no_start_server=True)
    ports = [client.outports.register(f"out_{place}") for place in range(1, len(samples) + 1)]
    at = {"frame": -1}
    began = [0.0]

    @client.set_process_callback  # type: ignore[untyped-decorator]  # the client has no types
    def process(frames: int) -> None:
        first = at["frame"]
        for port, row in zip(ports, samples, strict=True):
            out = port.get_array()
            out[:] = 0.0
            if 0 <= first < length:
                piece = row[first % row.size : first % row.size + frames]
                out[: piece.size] = piece
        if first >= 0:
            at["frame"] = first + frames
            if pace > 1.0:
                began[0] = began[0] or time.monotonic()
                time.sleep(max(0.0, began[0] + (first + frames) / rate_hz / pace - time.monotonic()))

    with client:
        print("ready", flush=True)
        sys.stdin.readline()
        if pace > 1.0:
            client.set_freewheel(True)
        at["frame"] = 0
        while at["frame"] < length:
            time.sleep(0.02)
        if pace > 1.0:
            client.set_freewheel(False)
        print("played", flush=True)
        time.sleep(600)


if __name__ == "__main__":
    main()
