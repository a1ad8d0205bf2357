"""Time `deskhand check` on a big recording against the plain script, fresh processes in the same run.

    python benchmarks/run.py [--tracks 48] [--minutes 10] [--plain-tracks 4] [--repeats 3] [--lines] [--folder FOLDER]

Prints seconds, tracks x real time, the largest memory, and the ratio. Linux and macOS (it asks the system for
a child's memory with `wait4`). It imports nothing big itself: on Linux a child's peak memory is never told as
less than what its parent held when it was started.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

HERE: Final = Path(__file__).resolve().parent
WARM_UP: Final = {"tracks": 6, "minutes": 0.25}
"""Small, but with pairs and single tracks of several roles, so that it compiles what the big one needs."""


@dataclass(frozen=True, slots=True)
class Run:
    """One process: how long, how much of the processors, how much memory."""

    wall_s: float
    cpu_s: float
    peak_mib: float
    exit_status: int


def timed(*command: str | Path, env: dict[str, str], cwd: Path) -> Run:
    """Run a command to its end and say what it took; what it printed is shown when it failed."""
    with tempfile.TemporaryFile("w+") as said:
        start_s = time.perf_counter()
        process = subprocess.Popen(
            [str(word) for word in command],
            stdout=said,
            stderr=said,
            stdin=subprocess.DEVNULL,
            env=env,
            cwd=cwd,
        )
        _, status, usage = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - start_s
        # told, so that it does not wait for a process that is gone
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in (0, 1):
            said.seek(0)
            sys.exit(f"{' '.join(map(str, command))}: exit {process.returncode}\n{said.read()[-4000:]}")
    # kibibytes on Linux, bytes on macOS (getrusage(2) of each)
    per_mib = 1024**2 if sys.platform == "darwin" else 1024
    return Run(wall_s, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / per_mib, process.returncode)


def show(folder: Path, tracks: int, minutes: float) -> Path:
    """Give the folder of a show of this size, made in its own process when it is not there."""
    home = folder / f"show-{tracks}x{minutes:g}min"
    if not (home / "house.toml").exists() or not (home / "house-chains.toml").exists():
        frames = tracks * minutes * 60 * 48000
        if shutil.disk_usage(folder).free < 1.2 * 3 * frames:
            sys.exit(f"{folder}: not enough room for {3e-9 * frames:.1f} GB; choose another with --folder")
        words = ("--tracks", str(tracks), "--minutes", str(minutes))
        # the house file is written last: a show that was broken off is made again
        subprocess.run([sys.executable, HERE / "make_show.py", home, *words], check=True)
    return home


def check(home: Path, out: Path, env: dict[str, str], house: str = "house.toml", *, again: bool = False) -> Run:
    """Time the command on a show; nothing of an earlier check is used unless `again`."""
    if not again:
        shutil.rmtree(home / ".deskhand", ignore_errors=True)
    return timed(
        *(sys.executable, "-m", "deskhand", "check", home / "take", "--house", home / house),
        *("--json", out / "check.json", "--no-report"),
        env=env,
        cwd=HERE.parent,
    )


def changed_house(home: Path, number: int) -> str:
    """Name of a house file in which one threshold is another than in any before."""
    house = (home / "house-chains.toml").read_text("utf-8")
    name = "house-changed.toml"
    (home / name).write_text(house.replace('threshold = "-20 dBFS"', f'threshold = "-{21 + number} dBFS"', 1), "utf-8")
    return name


def again_after_a_change(home: Path, out: Path, env: dict[str, str], repeats: int) -> None:
    """Print what a further check takes after one changed setting, and after none; the check before it was timed already."""
    changed = [check(home, out, env, changed_house(home, number), again=True) for number in range(repeats)]
    same = [check(home, out, env, changed_house(home, repeats - 1), again=True) for _ in range(repeats)]
    for name, runs in (("again, one setting changed", changed), ("again, nothing changed", same)):
        wall_s, cpu_s = statistics.median(run.wall_s for run in runs), statistics.median(run.cpu_s for run in runs)
        print(f"{name + ':':27s}{wall_s:5.2f} s, {cpu_s:.1f} s of processor time", flush=True)
    kept_bytes = sum(path.stat().st_size for path in (home / ".deskhand").rglob("*") if path.is_file())
    print(f"kept beside the recording: {kept_bytes / 1e6:7.0f} MB", flush=True)


def straight_lines(folder: Path, scratch: Path, env: dict[str, str], tracks: int, minutes: float) -> None:
    """Print what another hour and another track cost, with chains: the slopes from half the length, and half the tracks."""
    whole = "house-chains.toml"
    full = check(show(folder, tracks, minutes), scratch, env, whole)
    shorter = check(show(folder, tracks, minutes / 2), scratch, env, whole)
    fewer = check(show(folder, tracks // 2, minutes), scratch, env, whole)
    hours, left_out = minutes / 120, tracks - tracks // 2
    for name, other, share in (("hour", shorter, hours), ("track", fewer, float(left_out))):
        print(
            f"another {name}:           {(full.cpu_s - other.cpu_s) / share:7.2f} s of processor time, "
            f"{(full.peak_mib - other.peak_mib) / share:+.1f} MiB",
            flush=True,
        )


def main() -> None:
    """Make the show, compile, time both, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tracks", type=int, default=48)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--plain-tracks", type=int, default=4, help="the script's time is scaled up from these")
    parser.add_argument("--repeats", type=int, default=3, help="of the command; the median is shown")
    parser.add_argument("--lines", action="store_true", help="also time half the length and half the tracks")
    parser.add_argument("--folder", type=Path, help="keeps the shows here; default: made, timed and removed")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="deskhand-benchmark-") as scratch_name:
        scratch = Path(scratch_name)
        folder: Path = options.folder or scratch
        folder.mkdir(parents=True, exist_ok=True)
        report(options, folder, scratch)


def report(options: argparse.Namespace, folder: Path, scratch: Path) -> None:
    """Time everything and print it as it comes."""
    # numba keeps what it compiled in the place this names: empty at first, so the compile time is seen
    env = {**os.environ, "NUMBA_CACHE_DIR": str(scratch / "compiled")}
    # an installed program has its modules translated already: half a second of each start where it may not write them down
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    tracks, minutes, plain_tracks = options.tracks, options.minutes, min(options.plain_tracks, options.tracks)

    small = show(folder, int(WARM_UP["tracks"]), WARM_UP["minutes"])
    whole = "house-chains.toml"
    first, second = check(small, scratch, env, whole), check(small, scratch, env, whole)
    print(f"first run, compiling:    {first.wall_s - second.wall_s:7.2f} s more than the next", flush=True)
    print(
        f"a {WARM_UP['minutes'] * 60:.0f} s show:             {second.wall_s:7.2f} s, all start-up",
        flush=True,
    )

    big = show(folder, tracks, minutes)
    runs = [check(big, scratch, env) for _ in range(options.repeats)]
    wall_s = statistics.median(run.wall_s for run in runs)
    cpu_s = statistics.median(run.cpu_s for run in runs)
    track_s = tracks * minutes * 60
    print(f"\n{tracks} tracks x {minutes:g} min, 24-bit 48 kHz, page cache warm, {os.cpu_count()} processors")
    print(f"deskhand check:          {wall_s:7.2f} s (runs: {', '.join(f'{run.wall_s:.2f}' for run in runs)})")
    print(f"                         {cpu_s:7.2f} s of processor time")
    print(f"                         {track_s / wall_s:7.0f} x real time, over all tracks")
    print(f"                         {max(run.peak_mib for run in runs):7.0f} MiB at most", flush=True)
    chained_runs = [check(big, scratch, env, whole) for _ in range(options.repeats)]
    chained_s = statistics.median(run.wall_s for run in chained_runs)
    chained_cpu_s = statistics.median(run.cpu_s for run in chained_runs)
    print(
        f"with chains, mix, voices:{chained_s:8.2f} s, five blocks on every source, {chained_cpu_s:.1f} s of processor time"
    )
    print(f"                         {max(run.peak_mib for run in chained_runs):7.0f} MiB at most", flush=True)
    again_after_a_change(big, scratch, env, options.repeats)
    if options.lines:
        straight_lines(folder, scratch, env, tracks, minutes)

    if not plain_tracks:
        return
    script = (sys.executable, HERE / "plain_script.py", big / "take", "--tracks")
    idle = timed(*script, "0", env=env, cwd=HERE)
    plain = timed(*script, str(plain_tracks), env=env, cwd=HERE)
    whole_s = idle.wall_s + (plain.wall_s - idle.wall_s) * tracks / plain_tracks
    scaled = "" if plain_tracks == tracks else f", scaled from {plain_tracks} tracks in {plain.wall_s:.2f} s"
    print(f"the plain script:        {whole_s:7.2f} s, one process{scaled}")
    print(f"                         {idle.wall_s:7.2f} s of it start-up, counted once")
    print(f"                         {track_s / whole_s:7.0f} x real time, over all tracks")
    print(f"                         {plain.peak_mib:7.0f} MiB at most")
    print(f"ratio:                   {whole_s / wall_s:7.1f} (start-up of both included)")


if __name__ == "__main__":
    main()
