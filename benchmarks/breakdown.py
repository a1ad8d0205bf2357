"""Where the processor time of a whole check goes: ns a recorded sample for each stage, moves and proof included.

    python -m benchmarks.breakdown FOLDER [--house house-chains.toml] [--threads 2] [--profile FILE] [--kept-in FOLDER]

FOLDER is a show from `make_show.py`. Every stage is a function of the package whose calls are timed by the processor time of
their thread, what they call of other stages taken off: other work on the machine does not count. `--profile` keeps a cProfile of
the same check on one thread. `--kept-in` uses the measurements kept there and keeps new ones; without it nothing is kept.
"""

from __future__ import annotations

import argparse
import importlib
import threading
import time
from collections import defaultdict
from concurrent.futures import Executor, Future
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Callable

STAGES: Final = (
    ("read", "recording.samples:RawSamples.read"),
    ("unpack", "recording.samples:RawSamples._unpack"),
    ("held samples moved, Python of the group", "measure.track_group:TrackGroup.take"),
    ("decimating, long spectra, hum", "measure.spectra:LowSpectra.take"),
    ("filters of loudness, octaves, onsets", "measure.envelopes:Envelopes.take"),
    ("decays and onsets in the envelopes", "measure.envelopes:NoteEnvelopes.take"),
    ("levels, true peak, fault detectors", "measure.sample_scan:SampleScan.take"),
    ("short spectra, growing tones", "measure.spectra:ShortSpectra.take"),
    ("pairs, leaks", "measure.figures:add_pair"),
    ("pairs, leaks", "measure.track_group:add_pair"),
    ("pairs, leaks", "measure.figures:add_leaks"),
    ("pairs, leaks", "measure.figures:add_product"),
    ("twin tracks", "measure.figures:add_samples"),
    ("loudest moments", "measure.envelopes:LoudestSearch.take"),
    ("fingerprint", "measure.fingerprint:FingerprintReader.take"),
    ("chains and their meters, in lanes", "chain.bank:LaneGroup.run"),
    ("chains on their own", "chain.run:Chain.process"),
    ("meters behind the blocks", "chain.meter:Meters.take"),
    ("chains: mixing, joining rows", "chain.take:WithChains._joined"),
    ("readings of the sources", "tasks.check.measure:source_readings"),
    ("meters read", "chain.run:Chain.stages"),
    ("kept measurements read", "reuse.kept:KeptMeasurements.get"),
    ("kept measurements read", "reuse.sums:SumsReader.__init__"),
    ("kept measurements read", "reuse.sums:SumsReader.read"),
    ("kept measurements written", "reuse.kept:KeptMeasurements.put"),
    ("kept measurements written", "reuse.sums:SumsWriter.add"),
    ("faults", "tasks.check.measure:_findings"),
    ("voices: clearance", "tasks.check.measure:_voices"),
    ("loud moments", "tasks.check:with_loud_moments"),
    ("comparison with kept takes", "tasks.check:compare"),
    ("moves of the sources", "tasks.check:plans"),
    ("moves that make way for the voice", "tasks.check:make_way"),
    ("proof", "tasks.check:proved"),
    ("result put together", "tasks.check:_show_check"),
)
"""Stages and the functions that are theirs. Work that a pool does for a stage is counted where the function of the pool stands, or
as the rest."""


_ASKED: Final = 2000
"""Times that the clock is asked, to know what asking costs."""


class Stopwatch:
    """Processor time of each stage, what lies in other stages left out."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)
        self.calls: dict[str, int] = defaultdict(int)
        # asking for the time takes time, on some machines more than what is timed
        start_s = time.thread_time()
        for _ in range(_ASKED):
            time.thread_time()
        self.asking_s = (time.thread_time() - start_s) / _ASKED
        self._local = threading.local()
        self._lock = threading.Lock()

    def timed(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """Function whose calls are counted for a stage."""

        @wraps(function)
        def wrapper(*args: Any, **named: Any) -> Any:
            stack: list[float] = self._local.__dict__.setdefault("inner_s", [])
            stack.append(0.0)
            start_s = time.thread_time()
            try:
                return function(*args, **named)
            finally:
                took_s = time.thread_time() - start_s - self.asking_s
                inner_s = stack.pop()
                if stack:
                    stack[-1] += took_s + 2.0 * self.asking_s
                with self._lock:
                    self.seconds[stage] += took_s - inner_s
                    self.calls[stage] += 1

        return wrapper

    def watch(self) -> None:
        """Put every stage under the watch."""
        for stage, place in STAGES:
            module_name, attribute = place.split(":")
            owner = importlib.import_module(f"deskhand.{module_name}")
            *outer, name = attribute.split(".")
            for part in outer:
                owner = getattr(owner, part)
            setattr(owner, name, self.timed(stage, getattr(owner, name)))


class CallerThread(Executor):
    """Executor that does everything at once in the thread that asks, so that one profile sees all."""

    def __init__(self, *_args: object, **_named: object) -> None:
        """Take what a pool of threads takes."""

    def submit(self, work: Callable[..., Any], /, *args: Any, **named: Any) -> Future[Any]:
        """Result of the work, done already."""
        future: Future[Any] = Future()
        try:
            future.set_result(work(*args, **named))
        except Exception as error:  # noqa: BLE001 - told to whoever asks for the result, as a pool does
            future.set_exception(error)
        return future


def on_one_thread() -> None:
    """Put every pool of the package on the thread of its caller."""
    import sys

    for name, module in list(sys.modules.items()):
        if name.startswith("deskhand.") and hasattr(module, "ThreadPoolExecutor"):
            module.ThreadPoolExecutor = CallerThread  # type: ignore[attr-defined]


def main() -> None:
    """Check the show once and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--house", default="house-chains.toml")
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--profile", type=Path)
    parser.add_argument("--kept-in", type=Path)
    options = parser.parse_args()
    from deskhand.recording import open_recording
    from deskhand.tasks.check import check

    watch = Stopwatch()
    watch.watch()
    if options.threads == 1:
        on_one_thread()
    recording = open_recording(options.folder / "take")
    samples = recording.frames * len(recording.tracks)

    def run() -> None:
        check(
            options.folder / "take",
            house_path=options.folder / options.house,
            threads=options.threads,
            kept_in=options.kept_in,
        )

    start_s, start_cpu_s = time.perf_counter(), time.process_time()
    if options.profile:
        import cProfile

        profile = cProfile.Profile(time.thread_time)
        profile.runcall(run)
        profile.dump_stats(options.profile)
    else:
        run()
    cpu_s, wall_s = time.process_time() - start_cpu_s, time.perf_counter() - start_s
    cpu_s -= 2.0 * watch.asking_s * sum(watch.calls.values())
    print(f"{len(recording.tracks)} tracks x {recording.duration_s:.0f} s, {options.house}, {options.threads} threads")
    print(f"{'stage':45s} {'s':>8s} {'ns a sample':>12s} {'calls':>8s}")
    for stage in dict.fromkeys(stage for stage, _ in STAGES):
        seconds = watch.seconds[stage]
        print(f"{stage:45s} {seconds:8.2f} {seconds / samples * 1e9:12.2f} {watch.calls[stage]:8d}")
    rest_s = cpu_s - sum(watch.seconds.values())
    print(f"{'rest: opening, the pools, Python between':45s} {rest_s:8.2f} {rest_s / samples * 1e9:12.2f}")
    print(f"{'all of it':45s} {cpu_s:8.2f} {cpu_s / samples * 1e9:12.2f}          wall {wall_s:.1f} s")


if __name__ == "__main__":
    main()
