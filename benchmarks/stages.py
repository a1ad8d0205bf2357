"""Time each stage of the measuring pass, of a chain and of clearance, as nanoseconds a sample and against libraries.

    python -m benchmarks.stages [--seconds 60]

Best of several runs of each, one thread unless said, warm. The peers: scipy.signal.sosfilt for filters, and pedalboard where it is
installed; ffmpeg's
`ebur128=peak=true` for loudness and true peak alone, on a stereo file, its decoding counted as ours is.
"""

from __future__ import annotations

import argparse
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import soundfile
from pydantic import TypeAdapter
from scipy import signal as ss

from deskhand.chain.bank import lane_groups
from deskhand.chain.run import Chain, WhatIf
from deskhand.dsp import decays, hearing, lanes, loudness, peak, scan, spectrum
from deskhand.dsp.intelligibility import BandEnergies, audible_over_time
from deskhand.house import ChainBlock
from deskhand.measure.figures import analysis_grid, measure_figures
from deskhand.measure.loudness import integrated_lufs
from deskhand.recording import open_recording
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.recording import Recording

RATE_HZ = 48000
REPEATS = 7
CHAIN = (
    {"block": "trim", "gain": "-1 dB"},
    {"block": "high-pass", "frequency": "80 Hz", "slope": "24 dB/oct"},
    {"block": "bell", "frequency": "250 Hz", "gain": "-3 dB", "q": 1.4},
    {"block": "bell", "frequency": "800 Hz", "gain": "-2 dB", "q": 2},
    {"block": "bell", "frequency": "2.5 kHz", "gain": "2 dB", "q": 1},
    {"block": "bell", "frequency": "5 kHz", "gain": "-1.5 dB", "q": 2},
    {"block": "low-shelf", "frequency": "120 Hz", "gain": "-2 dB"},
    {"block": "high-shelf", "frequency": "8 kHz", "gain": "3 dB"},
    {"block": "gate", "threshold": "-50 dBFS"},
    {"block": "compressor", "threshold": "-20 dBFS", "ratio": 3},
    {"block": "dynamic-bell", "frequency": "3 kHz", "threshold": "-30 dBFS", "gain": "-4 dB"},
    {"block": "mid-side", "mid": "-1 dB"},
)
"""Twelve blocks of a stereo source."""


def best_s(work: Callable[[], object]) -> float:
    """Shortest time of several runs after one to warm up."""
    work()
    times = []
    for _ in range(REPEATS):
        start_s = time.perf_counter()
        work()
        times.append(time.perf_counter() - start_s)
    return min(times)


def music(seconds: float, channels: int) -> np.ndarray:
    """Noise with the rise and fall of music, (channels, frames) float32."""
    rng = np.random.default_rng(1)
    frames = round(seconds * RATE_HZ)
    steps = 10.0 ** (rng.uniform(-20, 0, frames // 4800 + 1) / 20)
    shape = np.repeat(steps, 4800)[:frames]
    return (0.1 * rng.standard_normal((channels, frames)) * shape).astype(np.float32)


def line(name: str, seconds: float, samples: int, note: str = "") -> None:
    """Print one row."""
    print(f"{name:44s} {seconds / samples * 1e9:8.2f} ns a sample  {note}")


def passes(seconds: float) -> None:
    """The kernels of the measuring pass, on four tracks for one second each."""
    lengths = analysis_grid(RATE_HZ)
    held = music((lengths.carry + lengths.chunk) / RATE_HZ + 0.01, 8)[:, : lengths.carry + lengths.chunk].copy()
    chunk = 8 * lengths.chunk
    print("the measuring pass, stage by stage:")
    bank = lengths.filters
    state, sums = bank.state(), np.empty((bank.rows, 100, 8))
    line(
        "K-weighting and five band-passes, eight lanes",
        best_s(lambda: lanes.energies(held, lengths.carry, 480, bank.weighting, bank.poles, bank.scales, state, sums)),
        chunk,
    )
    row = held[0].copy()
    plain = lengths.chunk
    sos = loudness.k_weighting_sos(RATE_HZ)
    line(
        "K-weighting alone, scalar reference",
        best_s(lambda: loudness.weighted_energy(row[lengths.carry :], 480, np.zeros(4), sos, np.empty(100))),
        plain,
    )
    line("the same by scipy.signal.sosfilt", best_s(lambda: ss.sosfilt(sos, row[lengths.carry :])), plain)
    phases = peak.interpolator(4)
    line(
        "true peak, nothing skipped",
        best_s(lambda: peak.true_peak(row, 240, phases, np.float32(0.0))),
        row.size,
        "first second of a track",
    )
    found = (
        np.empty(scan.MOST_FLATS, np.int64), np.empty(scan.MOST_FLATS, np.float32), np.empty(scan.MOST_FLATS, np.int64),
        np.empty((50, 2)), np.empty(50, np.int64), np.empty((50, 4)),
    )  # fmt: skip
    numbers = np.zeros(4)
    fine = np.zeros((3, 220), np.float32)
    line(
        "levels and all fault detectors",
        best_s(
            lambda: scan.scan(
                row, lengths.carry, 480, 1, lengths.context, 48000, 240, 60, phases, 5.0, numbers,
                np.empty(100, np.float32), np.empty(100, np.float32), fine, np.zeros(4), *found, np.zeros(4, np.int64),
            )
        ),
        plain,
    )  # fmt: skip
    import scipy.fft

    work = np.zeros((40, lengths.transform), np.float32)
    line(
        "spectra (8192, every 100 ms; scipy.fft, four tracks)", best_s(lambda: scipy.fft.rfft(work, axis=1)), 4 * plain
    )
    work = work[:10]
    spectra = scipy.fft.rfft(np.random.default_rng(0).standard_normal(work.shape).astype(np.float32), axis=1)
    power = np.empty(spectra.shape, np.float32)
    line("powers of the spectra", best_s(lambda: spectrum.squared(spectra, power)), plain)
    tails = np.random.default_rng(0).gamma(2.0, 1.0, (1, 8, 700))
    line(
        "free decays",
        best_s(
            lambda: decays.free_decays_of_all(
                tails, 0, 250, 450, 0, np.zeros((1, 8), np.int64), np.empty((1, 160, 4)), np.zeros(1, np.int64)
            )
        ),
        4 * plain,
    )
    samples = music(seconds, 16)

    class Held:
        sample_rate_hz = RATE_HZ
        frames = samples.shape[1]

        def blocks(self, frames: int, *, pool: object = None) -> object:  # noqa: ARG002
            for first in range(0, samples.shape[1], frames):
                yield type("Piece", (), {"samples": np.ascontiguousarray(samples[:, first : first + frames])})

    for threads in (1, 2):
        took = best_s(lambda: measure_figures(Held(), 16, pairs=[(0, 1), (2, 3)], threads=threads))  # noqa: B023
        line(
            f"the whole pass, 16 tracks in memory, {threads} thread{'s' if threads > 1 else ''}",
            took,
            samples.size,
            f"{samples.size / RATE_HZ / took:.0f} x real time",
        )


def chains(seconds: float) -> None:
    """A stereo chain of twelve blocks, block by block and whole, with and without meters."""
    adapter: TypeAdapter[ChainBlock] = TypeAdapter(ChainBlock)
    blocks = [adapter.validate_python(one) for one in CHAIN]
    samples = music(seconds, 2).astype(np.float64)

    def run(some: list[ChainBlock], *, metered: bool = False) -> None:
        chain = Chain(some, channels=2, sample_rate_hz=RATE_HZ, metered=metered)
        for first in range(0, samples.shape[1], 1 << 14):
            chain.process(np.ascontiguousarray(samples[:, first : first + (1 << 14)]))

    print("\na stereo chain:")
    for block in blocks:
        line(block.block, best_s(lambda: run([block])), samples.size)  # noqa: B023
    for extra in ({"block": "saturation"}, {"block": "limiter"}, {"block": "delay", "time": "3.21 ms"}):
        line(
            f"{extra['block']} (not in the chain)", best_s(partial(run, [adapter.validate_python(extra)])), samples.size
        )
    for metered in (False, True):
        took = best_s(lambda: run(blocks, metered=metered))  # noqa: B023
        word = "with a meter behind every block" if metered else "without meters"
        line(f"all twelve, {word}", took, samples.size, f"{seconds / took:.0f} x real time")
    sections = np.vstack([ss.butter(2, 1000, fs=RATE_HZ, output="sos")] * 8)
    peer = best_s(lambda: ss.sosfilt(sections, samples))
    line("eight sections alone by scipy.signal.sosfilt", peer, samples.size)
    bells = [
        adapter.validate_python({"block": "bell", "frequency": f"{300 + 100 * k} Hz", "gain": "2 dB"}) for k in range(8)
    ]
    ours = best_s(lambda: run(bells))
    line("eight bells by ours", ours, samples.size, f"{peer / ours:.1f} x as fast")
    excerpt = music(20.0, 2)
    what_if = WhatIf(excerpt, blocks, sample_rate_hz=RATE_HZ)
    for place in (0, 5, 9):
        changed = list(blocks)
        changed[place] = adapter.validate_python({"block": "trim", "gain": "-2 dB"})

        def both(changed: list[ChainBlock] = changed) -> None:
            what_if.run(changed)
            what_if.run(blocks)

        print(f"what-if on 20 s, from block {place + 1} on: {500 * best_s(both):.0f} ms")
    noise = np.random.default_rng(0).gamma(2.0, 1e3, (400, 18))
    speech = np.full(18, 55.0)
    took = best_s(lambda: audible_over_time(speech, noise))
    print(f"audible share: {took / 400 * 1e6:.1f} us a frame")
    bands = BandEnergies(8, RATE_HZ)
    octet = music(4.0, 8)
    line("18 speech bands, eight lanes", best_s(lambda: bands.take(octet, 0)), octet.size)
    mono = 0.02 * music(4.0, 1)[0].astype(np.float64)
    took = best_s(lambda: hearing.loudness_over_time(mono))
    line("time-varying loudness (ISO 532-1)", took, mono.size, f"{4.0 / took:.0f} x real time")


def effects_library() -> Any:
    """The general-purpose audio library pedalboard; None, and a line that says so, where it is not installed."""
    try:
        import pedalboard
    except ImportError:
        print("pedalboard is not here: not compared (pip install --target FOLDER pedalboard, and FOLDER on PYTHONPATH)")
        return None
    return pedalboard


def through_effects(board: Any, samples: np.ndarray) -> None:
    """Run channels through effects two at a time, as the library takes them."""
    for first in range(0, len(samples), 2):
        board(samples[first : first + 2], RATE_HZ)


def in_lanes(seconds: float) -> None:
    """Eight channels side by side: five filters, a compressor and all of it with meters, beside scipy on the same filters."""
    adapter: TypeAdapter[ChainBlock] = TypeAdapter(ChainBlock)
    filters = [
        adapter.validate_python({"block": "bell", "frequency": f"{200 * 2**k} Hz", "gain": "2 dB"}) for k in range(5)
    ]
    compressor = adapter.validate_python({"block": "compressor", "threshold": "-20 dBFS", "ratio": 3})
    samples = music(seconds, 8)
    pieces = [
        np.ascontiguousarray(samples[:, first : first + RATE_HZ]) for first in range(0, samples.shape[1], RATE_HZ)
    ]
    results = np.empty((8, RATE_HZ), np.float32)
    rows = [(track,) for track in range(8)]

    def run(blocks: list[ChainBlock], *, metered: bool = False) -> None:
        chains = [Chain(blocks, channels=1, sample_rate_hz=RATE_HZ, metered=metered) for _ in rows]
        groups, _ = lane_groups(chains, RATE_HZ)
        for piece in pieces:
            groups[0].run(piece, rows, results, rows)

    print("\neight channels in lanes:")
    board = effects_library()
    five = best_s(lambda: run(filters))
    line("five biquads", five, samples.size)
    sections = np.vstack([ss.butter(2, 1000, fs=RATE_HZ, output="sos")] * 5)
    doubles = samples.astype(np.float64)
    peer = best_s(lambda: ss.sosfilt(sections, doubles))
    line("the same number by scipy.signal.sosfilt", peer, samples.size, f"{peer / five:.1f} x as long")
    alone = best_s(lambda: run([compressor]))
    line("compressor", alone, samples.size)
    if board is not None:
        bells = [board.PeakFilter(cutoff_frequency_hz=200.0 * 2**k, gain_db=2.0, q=1.0) for k in range(5)]
        leveller = board.Compressor(threshold_db=-20.0, ratio=3.0)
        for name, effects, ours in (("five biquads", bells, five), ("compressor", [leveller], alone)):
            took = best_s(partial(through_effects, board.Pedalboard(effects), samples))
            line(f"{name} by a general-purpose effects library", took, samples.size, f"{took / ours:.1f} x as long")
    line(
        "five biquads and a compressor, six meters",
        best_s(lambda: run([*filters, compressor], metered=True)),
        samples.size,
    )


def against_ffmpeg(seconds: float) -> None:
    """Loudness and true peak of a stereo file: ffmpeg's filter, and our whole pass on the same file."""
    if shutil.which("ffmpeg") is None:
        print("\nffmpeg is not here: not compared.")
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pair.wav"
        soundfile.write(path, music(10 * seconds, 2).T, RATE_HZ, "PCM_24")
        command = ["ffmpeg", "-nostdin", "-hide_banner", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"]
        told = subprocess.run(command, check=True, capture_output=True, text=True).stderr
        command[2:2] = ["-v", "quiet"]
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        peer = best_s(lambda: subprocess.run(command, check=True, capture_output=True))
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        peer_cpu_s = (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) / (REPEATS + 1)
        recording = open_recording(path)
        ours = best_s(lambda: measure_figures(recording, 2, pairs=[(0, 1)]))
        alone = best_s(lambda: loudness_and_true_peak(recording))
        start_s = time.process_time()
        lufs, dbtp = loudness_and_true_peak(recording)
        alone_cpu_s = time.process_time() - start_s
    peer_lufs, peer_dbtp = (float(re.findall(rf"{name}:\s+(-?[\d.]+)", told)[-1]) for name in ("I", "Peak"))
    print(
        f"\n{10 * seconds:.0f} s stereo: ffmpeg ebur128=peak=true {peer:.2f} s, our whole pass {ours:.2f} s, {peer / ours:.1f} x as fast"
    )
    print(
        f"loudness and true peak alone, one thread: {alone:.2f} s, {peer / alone:.1f} x as fast (of processor time "
        f"{alone_cpu_s:.2f} and {peer_cpu_s:.2f} s, {peer_cpu_s / alone_cpu_s:.1f} x); {lufs:.1f} LUFS and {dbtp:.1f} dBTP, ffmpeg {peer_lufs} and {peer_dbtp}"
    )


def loudness_and_true_peak(recording: Recording) -> tuple[float, float]:
    """Loudness in LUFS and true peak in dBTP of a stereo recording, by the kernels of the pass, its decoding counted."""
    sos, phases = loudness.k_weighting_sos(RATE_HZ), peak.interpolator(4)
    back, hop = 2 * peak.TAPS_A_SIDE, RATE_HZ // 10
    states, held, top = np.zeros((2, 4)), np.zeros((2, back + RATE_HZ), np.float32), np.float32(0.0)
    powers = []
    for block in recording.blocks(RATE_HZ):
        frames = block.samples.shape[1]
        held[:, :back] = held[:, -back:]
        held[:, back : back + frames] = block.samples
        energies = np.empty((2, frames // hop))
        for row in range(2):
            loudness.weighted_energy(block.samples[row], hop, states[row], sos, energies[row])
            top = peak.true_peak(held[row, : back + frames], 240, phases, top)
        powers.append(energies.sum(axis=0) / hop)
    return integrated_lufs(np.concatenate(powers)), db_from_amplitude(float(top))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0)
    asked = parser.parse_args()
    passes(asked.seconds)
    chains(asked.seconds)
    in_lanes(asked.seconds)
    against_ffmpeg(asked.seconds)
    sys.stdout.flush()


if __name__ == "__main__":
    main()
