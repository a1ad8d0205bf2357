"""Live: when each planted fault of a line check is told; every sample of a long run; load and memory.

Line checks of the invented venue, listened to through the same code as a device. The runs with a device go through a JACK server on
its dummy driver, with a client that plays the desk: in real time for the load, faster for the length.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Final

import numpy as np

from deskhand.demo.line_check import make_line_check
from deskhand.demo.venue import house_text
from deskhand.recording import open_recording
from tests.support import desk
from tests.support.line_checks import data_of, times_s, watched
from tests.support.needs import program
from tools.provenance import write_page

CHECKS: Final = 6
SEED: Final = 6000
LONG_S: Final = 1200
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-live.md"


def line_checks() -> list[str]:
    """Some with faults, as many without."""
    after: dict[str, list[float]] = defaultdict(list)
    missed: dict[str, int] = defaultdict(int)
    arrived: list[float] = []
    false: list[str] = []
    inputs = 0
    for problems in (True, False):
        for seed in range(SEED, SEED + CHECKS):
            check = make_line_check(np.random.default_rng([seed, problems]), problems=problems)
            watch = watched(data_of(check))
            told = times_s(watch)
            for source, kind in check.planted:
                if (source, kind) in told:
                    after[kind].append(told[source, kind])
                else:
                    missed[kind] += 1
            for one in watch.line.inputs:
                if one.arrived_s is not None and one.began_s is not None:
                    arrived.append(one.arrived_s - one.began_s)
                inputs += 1
                kinds = {finding.kind for finding in one.findings if finding.severity != "note"}
                wanted = {kind for source, kind in check.planted if source == one.source.name}
                false += [f"{one.source.name}/{kind}" for kind in sorted(kinds - wanted)]
            print(seed, problems, dict(missed), false, flush=True)
    lines = [
        "## When a fault is told",
        "",
        f"{CHECKS} line checks with faults and {CHECKS} without, 16 sources each, seven seconds a player, seed {SEED}. Seconds from when the input",
        "first sounds; of an exchanged pair it is asked who played, once, at the first of the two.",
        "",
        "| planted | told | median, s | latest, s |",
        "|---|---|---|---|",
    ]
    for kind in sorted(after):
        values = after[kind]
        lines.append(
            f"| {kind} | {len(values)} of {len(values) + missed[kind]} | {np.median(values):.1f} | {max(values):.1f} |"
        )
    lines += [
        f"| arrived | {len(arrived)} of {inputs - 2 * CHECKS} | {np.median(arrived):.1f} | {max(arrived):.1f} |",
        "",
        f"Told of inputs with nothing wrong: {len(false)}{' (' + ', '.join(false) + ')' if false else ''}, of {inputs}. (The audience microphones are never",
        "played at and do not count as arrived.)",
        "",
    ]
    return lines


def _cpu_s(process: int) -> float:
    """Of a process and its children."""
    total = 0.0
    children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    for one in (str(process), *children):
        fields = Path(f"/proc/{one}/stat").read_text().rsplit(")", 1)[1].split()
        total += (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return total


def _memory_mib(process: int) -> float:
    """Resident, of both, what they share counted once."""
    total = 0.0
    children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    for one in (str(process), *children):
        for line in Path(f"/proc/{one}/smaps_rollup").read_text().splitlines():
            if line.startswith("Pss:"):
                total += int(line.split()[1]) / 1024
    return total


def run(channels: int, seconds: int, *, pace: float, record: bool) -> dict[str, float]:
    """Listen to a device for so long."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        check = make_line_check(np.random.default_rng(SEED), problems=True)
        data = data_of(check)[:, : 1024 * (48000 * 60 // 1024)]
        every = np.zeros((channels, data.shape[1]), np.float32)
        for row in range(channels):
            every[row] = np.roll(data[row % len(data)], 4800 * row)
        every = (np.round(every * (1 << 23)) / (1 << 23)).astype(np.float32)
        np.save(folder / "desk.npy", every)
        (folder / "house.toml").write_text(house_text(), "utf-8")
        loops = -(-seconds * 48000 // every.shape[1]) + 1
        server = f"dh-load-{channels}"
        with (
            desk.jack(server=server),
            desk.playing(folder / "desk.npy", pace=pace, loops=loops, server=server) as player,
        ):
            options = ["--record", "rec"] if record else []
            told = (folder / "told.txt").open("w+")
            process = subprocess.Popen(
                [sys.executable, "-m", "deskhand", "live", "--device", "desk", "--for", f"{seconds // 60}:{seconds % 60:02d}", *options],
                cwd=folder, env=desk.environment(server) | {"PYTHONUNBUFFERED": "1"}, stdout=told, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL,
            )  # fmt: skip
            while "runs." not in (folder / "told.txt").read_text() and process.poll() is None:
                time.sleep(0.1)
            assert player.stdin is not None
            player.stdin.write("go\n")
            player.stdin.flush()
            time.sleep(min(20.0, 0.2 * seconds / pace))
            begun, cpu = time.monotonic(), _cpu_s(process.pid)
            early = _memory_mib(process.pid)
            last, share = early, 0.0
            while process.poll() is None:
                try:
                    last = _memory_mib(process.pid)
                    share = (_cpu_s(process.pid) - cpu) / (time.monotonic() - begun) / pace
                except (OSError, ValueError, IndexError):
                    pass  # it has just ended
                time.sleep(0.5)
            told.close()
            text = (folder / "told.txt").read_text()
        out = {
            "share": share,
            "early": early,
            "late": last,
            "lost": float(any(word in text for word in ("the driver lost", "too slow", "came too fast"))),
        }
        if record:
            out |= _accounted(folder / "rec", every)
        return out


def _accounted(folder: Path, played: np.ndarray) -> dict[str, float]:
    """Every recorded frame against what was played."""
    recording = open_recording(folder)
    began: int | None = None
    wrong = 0
    seen = 0
    for block in recording.blocks(played.shape[1]):
        samples = block.samples
        if began is None:
            sounding = np.flatnonzero(samples.any(axis=0))
            first = int(sounding[0])
            began = first - int(np.flatnonzero(played.any(axis=0))[0])
        at = (block.start - began + np.arange(samples.shape[1])) % played.shape[1]
        there = block.start + np.arange(samples.shape[1]) >= began
        wrong += int((samples[:, there] != played[:, at[there]]).any(axis=0).sum())
        seen += int(there.sum())
    return {"frames": float(seen), "wrong": float(wrong)}


def main() -> None:
    """Run the study and write the page."""
    lines = [
        "# Validation: live",
        "",
        "Made by `make test-all` (`validations/live.py`). Invented venue; devices are a JACK server on its dummy driver with a client that plays the desk.",
        "",
        *line_checks(),
    ]
    if program("jackd") and program("portaudio"):
        loads = {channels: run(channels, 60, pace=1.0, record=False) for channels in (32, 64)}
        print(loads, flush=True)
        long = run(32, LONG_S, pace=8.0, record=True)
        print(long, flush=True)
        hour = run(32, 3600, pace=14.0, record=False)
        print(hour, flush=True)
        lines += [
            "## Load and length",
            "",
            "| | 32 channels | 64 channels |",
            "|---|---|---|",
            f"| share of one core, capture and all, in real time at 48 kHz | {100 * loads[32]['share']:.0f} % | {100 * loads[64]['share']:.0f} % |",
            f"| memory (the last 40 s of all inputs included) | {loads[32]['early']:.0f} MiB | {loads[64]['early']:.0f} MiB |",
            "",
            f"A run of {LONG_S // 60} minutes, 32 channels, recorded, eight times as fast as real time: {long['frames'] / 48000:.0f} s compared with what was",
            f"played, {long['wrong']:.0f} frames differ, {'something' if long['lost'] else 'nothing'} lost.",
            "",
            f"An hour, fourteen times as fast: {hour['early']:.0f} MiB at its beginning, {hour['late']:.0f} MiB at its end.",
            "",
        ]
    write_page(TARGET, "\n".join(lines), __file__)
    print(TARGET)


if __name__ == "__main__":
    main()
