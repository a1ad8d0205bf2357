"""An archive of short shows of real recordings: one by one, by one and two workers, and with workers, scheduler, server and disk failing.

    python -m validations.archive [SHOWS]          # 400 by default; DESKHAND_AUDIO names the folder of recordings with its manifest

Only recordings whose source is marked for tuning are used; nothing is tuned here.
"""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import soundfile

from deskhand.archive.order import ShowOrder
from deskhand.archive.run import ArchiveRequest, run_archive
from deskhand.archive.show_check import check_show
from deskhand.archive.shows import find_shows
from deskhand.result import to_json
from deskhand.tasks.check import CheckOptions, check
from tests.support.clusters import cluster
from tests.support.folders import opened
from tests.support.postgres import running
from tests.support.writers import write_wave
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from deskhand.archive.order import ShowOutcome
    from deskhand.archive.run import ArchiveCount
    from tests.support.clusters import Cluster
    from tests.support.postgres import Server

SHOWS: Final = 400
SEED: Final = 27
RATE_HZ: Final = 44100
LENGTH_S: Final = 15.0
"""Long enough that a check takes longer than handing it over, short enough for 400 on two cores in a quarter of an hour."""
LEAST_S: Final = 1.0
"""Shortest recording that is used."""
FAILING: Final = 100
"""Shows of the runs in which parts fail: they are measured again until all kills have fallen."""
KILLS: Final = 20
SERVER_STARTS: Final = 2
TRACKS: Final = {
    "01 gtr": ("guitar a", "guitar"),
    "02 pno": ("piano", "keys"),
    "03 vox": ("lead voice", "lead vocal"),
    "04 bass": ("bass", "bass"),
    "05 vox 2": ("voice 2", "backing vocal"),
    "06 perc": ("percussion", "percussion"),
}
"""Label of a track to its source and role: a small band's."""
HOUSE: Final = '[house]\nname = "Tern Street Hall"\n' + "".join(
    f'\n[[source]]\nname = "{source}"\nrole = "{role}"\ntracks = ["{label.partition(" ")[2]}"]\n'
    for label, (source, role) in TRACKS.items()
)
SPARE: Final = "spare"
"""Folder of two shows that are checked before the clock is started: libraries and kernels are loaded then."""
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-archive.md"
MEMORY_FILE: Final = "DESKHAND_ARCHIVE_MEMORY"
"""Variable that names what `validations.archive_memory` printed, where that was run before."""


def _recordings(folder: Path) -> list[Path]:
    """Mono recordings of the half to tune on, of one sample rate and long enough to play for a while."""
    with (folder / "split.csv").open(encoding="utf-8") as file:
        tuned = {row["source"] for row in csv.DictReader(file) if row["half"] == "tune"}
    with (folder / "manifest.csv").open(encoding="utf-8") as file:
        return [
            folder / row["file"]
            for row in csv.DictReader(file)
            if row["source_repository"] in tuned
            and (row["n_channels"], row["sample_rate_hz"]) == ("1", str(RATE_HZ))
            and float(row["seconds"]) > LEAST_S
        ]


def _samples(path: Path, rng: np.random.Generator) -> NDArray[np.float32]:
    """A stretch of a recording, repeated where it is short, near nominal level."""
    samples, _ = soundfile.read(path, dtype="float32")
    frames = int(LENGTH_S * RATE_HZ)
    samples = np.tile(samples, -(-2 * frames // len(samples)))
    begin = int(rng.integers(0, len(samples) - frames))
    stretch = samples[begin : begin + frames]
    gain = 10 ** (rng.normal(-20.0, 2.0) / 20) / max(float(np.sqrt(np.mean(stretch**2))), 1e-4)
    return np.clip(gain * stretch, -0.99, 0.99).astype(np.float32)


def make_shows(folder: Path, audio: Path, shows: int, *, seed: int = SEED) -> None:
    """Shows of some tracks each, drawn from the recordings."""
    rng = np.random.default_rng(seed)
    recordings = _recordings(audio)
    (folder / "house.toml").write_text(HOUSE, "utf-8")
    for number in range(shows):
        show = folder / f"{2000 + number // 50}" / f"show-{number:03d}"
        show.mkdir(parents=True)
        for track, index in zip(TRACKS, rng.choice(len(recordings), len(TRACKS), replace=False), strict=True):
            write_wave(show / f"{track}.wav", _samples(recordings[int(index)], rng)[None], rate_hz=RATE_HZ)


@dataclass(frozen=True, kw_only=True)
class Run:
    """One way through the archive."""

    name: str
    startup_s: float
    """Until its workers had each checked a spare show."""
    wall_s: float
    """From then on."""
    work_s: float
    differing: int
    """Results that differ in a byte from those that were made one by one."""
    rows: int
    """Shows that stand in the history exactly once."""


def _rows(url: str, shows: int) -> int:
    """Shows of which the history holds exactly one take; a negative number where it holds others."""
    with closing(opened(url)) as history:
        takes = [row for row in history.takes(forgotten=True) if row.replaced_by is None]
    names = [row.show for row in takes]
    return (
        sum(names.count(f"show-{number:03d}") == 1 for number in range(shows)) if len(takes) <= shows else -len(takes)
    )


def one_by_one(folder: Path, spare: Path, history: str) -> tuple[dict[str, bytes], Run]:
    """Result of each show from a check of its own, and the time that it took."""
    opened(history).close()
    begin_s = time.monotonic()
    for show in find_shows([str(spare)]):
        check(Path(show.path), options=CheckOptions(history=history), threads=1)
    startup_s = time.monotonic() - begin_s
    begin_s, begin_work_s = time.monotonic(), time.process_time()
    results = {
        show.name: to_json(check(Path(show.path), options=CheckOptions(history=history), threads=1).result).encode()
        for show in find_shows([str(folder)])
    }
    return results, Run(
        name="one by one, `check`",
        startup_s=startup_s,
        wall_s=time.monotonic() - begin_s,
        work_s=time.process_time() - begin_work_s,
        differing=0,
        rows=0,
    )


def warm_up(address: str, spare: Path, workers: int) -> None:
    """Have each worker of a cluster check a spare show, so that all it needs is loaded."""
    from distributed import Client

    show = next(find_shows([str(spare)]))
    with Client(address, set_as_default=False) as client, tempfile.TemporaryDirectory() as name:
        client.wait_for_workers(workers)
        history = f"sqlite:///{Path(name) / 'spare.sqlite'}"
        order = ShowOrder(path=show.path, name=show.name, history=history, results=name, keep="none", by="study")
        for outcome in client.run(check_show, order).values():
            assert outcome.progress in ("checked", "there"), outcome.line


def _differing(results: dict[str, bytes], target: Path) -> int:
    return sum(
        not (file := target / f"{name}-check.json").is_file() or file.read_bytes() != result
        for name, result in results.items()
    )


def _say_nothing(_outcome: ShowOutcome, _count: ArchiveCount) -> None:
    """Tell nobody."""


def archive(
    name: str,
    folder: Path,
    target: Path,
    history: str,
    results: dict[str, bytes],
    *,
    startup_s: float = 0.0,
    **how: Any,
) -> Run:
    """The archive run once, its workers ready."""
    request = ArchiveRequest(named=[str(folder)], results=target, history=history, keep="none", by="study", **how)
    begin_s = time.monotonic()
    count = run_archive(request, tell=_say_nothing)
    wall_s = time.monotonic() - begin_s
    for line in count.failures[:3]:
        print(line, flush=True)
    return Run(
        name=name,
        startup_s=startup_s,
        wall_s=wall_s,
        work_s=count.work_s,
        differing=_differing(results, target),
        rows=_rows(history, len(results)),
    )


def _run_program(*command: str) -> None:
    subprocess.run(command, check=True)


@contextmanager
def small_disk(folder: Path, megabytes: float) -> Iterator[Callable[[], None]]:
    """A disk of so much room, and a function that gives it more; needs Linux and its root."""
    _run_program("mount", "-t", "tmpfs", "-o", f"size={int(megabytes * 1e6)}", "tmpfs", str(folder))
    try:
        yield lambda: _run_program("mount", "-o", "remount,size=1g", str(folder))
    finally:
        _run_program("umount", str(folder))


def _strike(
    running_cluster: Cluster, server: Server, ended: threading.Event, every_s: float, struck: dict[str, int]
) -> None:
    """Kill a worker every so often; the server is started anew twice meanwhile, and the scheduler killed once."""
    rng = np.random.default_rng(SEED)
    while struck["worker"] < KILLS and not ended.wait(every_s * float(rng.uniform(0.5, 1.5))):
        running_cluster.kill_worker(int(rng.integers(0, len(running_cluster.workers))))
        struck["worker"] += 1
        if struck["worker"] in (5, 12) and struck["server"] < SERVER_STARTS:
            server.restart()
            struck["server"] += 1
        if struck["worker"] == 9:
            running_cluster.kill_scheduler()
            struck["scheduler"] += 1


def broken(folder: Path, target: Path, results: dict[str, bytes], server: Server) -> tuple[list[Run], dict[str, int]]:
    """The archive run while parts of it fail, then once more: the disk with the results is full in the first run."""
    history = server.new_database()
    opened(history).close()
    struck = {"worker": 0, "server": 0, "scheduler": 0, "disk": 0}
    sizes = sum(len(result) for result in results.values())
    runs = []
    with (
        tempfile.TemporaryDirectory() as name,
        cluster(Path(name), workers=2) as workers,
        small_disk(target, sizes / 2e6) as widen,
    ):
        ended = threading.Event()
        striking = threading.Thread(target=_strike, args=(workers, server, ended, 6.0, struck), daemon=True)
        striking.start()
        how: dict[str, Any] = {"scheduler": workers.address}
        runs.append(archive("two workers, all that fails, the disk full", folder, target, history, results, **how))
        struck["disk"] += 1
        widen()
        runs.append(archive("once more, with room on the disk", folder, target, history, results, **how))
        # an archive that is done too soon is given again until all kills have fallen
        while striking.is_alive() and struck["worker"] < KILLS:
            # what was left of the kills falls on runs that measure everything again
            for mark in target.rglob("archive-*.json"):
                mark.unlink()
            runs.append(archive("again, with the kills that were left", folder, target, history, results, **how))
        ended.set()
        striking.join()
        for mark in target.rglob("archive-*.json"):
            mark.unlink()
        runs.append(archive("all again, nothing failing", folder, target, history, results, **how))
    return runs, struck


def _table(runs: list[Run], base: Run, shows: int) -> str:
    lines = [
        "| run | start-up | then | processor time | times as fast, started | with start-up | results that differ | in the history once |"
    ]
    lines.append("|---|---|---|---|---|---|---|---|")
    for run in runs:
        started, whole = base.wall_s / run.wall_s, (base.startup_s + base.wall_s) / (run.startup_s + run.wall_s)
        lines.append(
            f"| {run.name} | {run.startup_s:.0f} s | {run.wall_s:.0f} s | {run.work_s:.0f} s | {started:.2f} | {whole:.2f} | "
            f"{run.differing} | {run.rows} of {shows} |"
        )
    return "\n".join(lines)


def _failing_table(runs: list[Run], shows: int) -> str:
    lines = ["| run | wall time | processor time of the checks | results that differ | in the history exactly once |"]
    lines.append("|---|---|---|---|---|")
    lines += [
        f"| {run.name} | {run.wall_s:.0f} s | {run.work_s:.0f} s | {run.differing} | {run.rows} of {shows} |"
        for run in runs
    ]
    return "\n".join(lines)


def main() -> None:
    """Run the archive in every way, and write the page."""
    shows = int(sys.argv[1]) if sys.argv[1:] else SHOWS
    audio = os.environ.get("DESKHAND_AUDIO")
    if audio is None:
        print("archive: DESKHAND_AUDIO names no folder of recordings; nothing is run")
        return
    with tempfile.TemporaryDirectory() as name, running() as server:
        root = Path(name)
        folder, spare, few = root / "shows", root / SPARE, root / "few"
        for made, count, seed in ((folder, shows, SEED), (spare, 2, SEED + 1)):
            made.mkdir()
            make_shows(made, Path(audio), count, seed=seed)
        results, single = one_by_one(folder, spare, f"sqlite:///{root / 'one.sqlite'}")
        runs = [single]
        print(runs[-1], flush=True)
        for workers in (1, 2):
            begin_s = time.monotonic()
            with cluster(root, workers=workers) as nodes:
                warm_up(nodes.address, spare, workers)
                how: dict[str, Any] = {"scheduler": nodes.address, "startup_s": time.monotonic() - begin_s}
                history = f"sqlite:///{root / f'dask-{workers}.sqlite'}"
                label = f"Dask, {workers} worker{'s' if workers > 1 else ''}"
                runs.append(archive(label, folder, root / f"dask-{workers}", history, results, **how))
            print(runs[-1], flush=True)
        runs.append(_local_run(folder, spare, root, results))
        print(runs[-1], flush=True)
        (root / "small").mkdir()
        few.mkdir()
        make_shows(few, Path(audio), min(FAILING, shows), seed=SEED)
        # the same seed: the first shows of the archive
        few_results = {name: result for name, result in results.items() if (few / name).is_dir()}
        failing, struck = broken(few, root / "small", few_results, server)
        for run in failing:
            print(run, flush=True)
    print(struck, flush=True)
    write_page(TARGET, _page(runs, failing, struck, shows), __file__)


def _local_run(folder: Path, spare: Path, root: Path, results: dict[str, bytes]) -> Run:
    """The archive by two processes of the command's own; their start-up is what two spare shows take, one for each."""
    two_spares = archive("spare", spare, root / "spares", f"sqlite:///{root / 'spare.sqlite'}", {}, workers=2)
    whole = archive("`--workers 2`", folder, root / "local", f"sqlite:///{root / 'local.sqlite'}", results, workers=2)
    return replace(whole, startup_s=two_spares.wall_s, wall_s=max(whole.wall_s - two_spares.wall_s, 0.1))


def _page(runs: list[Run], failing: list[Run], struck: dict[str, int], shows: int) -> str:
    pair, single = runs[2], runs[1]
    memory = os.environ.get(MEMORY_FILE)
    text = f"""\
# Validation: an archive, by one worker and by two, and broken on purpose

Made by `python -m validations.archive`. {shows} shows of {len(TRACKS)} tracks of {LENGTH_S:.0f} s, drawn from openly licensed recordings
of single instruments and voices. Wall times are of a computer with {os.cpu_count()} cores on which other work may have run; processor time
is what the checks themselves took.

{_table(runs, runs[0], shows)}

Once they are started, two workers of a cluster are {single.wall_s / pair.wall_s:.2f} times as fast as one (1.8 is wanted, on a computer
with nothing else to do); with their start-up {(single.startup_s + single.wall_s) / (pair.startup_s + pair.wall_s):.2f} times. The
start-up lasts until each worker has checked a spare show, so that libraries and kernels are loaded; that of `--workers 2`, which starts
its processes by itself, is what two spare shows take. One by one nothing is written to a history.

## What fails

The first {min(FAILING, shows)} of them, by a cluster of two workers with the history on a PostgreSQL server: {struck["worker"]} times a worker was killed (SIGKILL), {struck["scheduler"]}
time the scheduler, the server was started anew {struck["server"]} times, and in the first run the disk of the results held half of them.

{_failing_table(failing, min(FAILING, shows))}

In the first run shows are skipped, each with its line, where the disk is full; the next does those and no others.
"""
    if memory is not None and Path(memory).is_file():
        text += _memory_text(json.loads(Path(memory).read_text("utf-8").strip().splitlines()[-1]))
    return text


def _memory_text(numbers: dict[str, Any]) -> str:
    """Section on the memory over many made-up shows."""
    rows = "\n".join(
        f"| {done} | {scheduler:.0f} MB | {client:.0f} MB |" for done, scheduler, client in numbers["looks"]
    )
    return f"""
## Memory over {numbers["shows"]} made-up shows

A check that measures nothing and only writes {numbers["rows"] // max(numbers["stored"], 1)} readings (`python -m validations.archive_memory`);
{numbers["stored"]} shows stand in the store afterwards, after {numbers["taken_s"] / 60:.0f} min.

| shows done | scheduler | `deskhand archive` |
|---|---|---|
{rows}
"""


if __name__ == "__main__":
    main()
