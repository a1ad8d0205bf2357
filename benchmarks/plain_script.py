"""The same figures the plain way: what a competent person writes with numpy, scipy, soundfile and pyloudnorm.

Whole files in memory, one library call per figure, one process; no trick, and nothing made slow on purpose:
tone is by Welch's method, which is far faster than a bank of filters. `run.py` times deskhand against it.

    python benchmarks/plain_script.py FOLDER [--tracks N] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import pyloudnorm
import soundfile
from scipy import signal

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array: TypeAlias = NDArray[Any]

WINDOW_S = 0.3
MAINS_HZ = 50.0


def db(power: ArrayLike) -> Array:
    """Give a power ratio in dB."""
    return np.asarray(10 * np.log10(np.maximum(power, 1e-20)))


def runs(mask: Array) -> tuple[Array, Array]:
    """Give (starts, lengths) of the stretches where the mask is true."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False]))))
    return edges[::2], edges[1::2] - edges[::2]


def measure(samples: Array, rate_hz: int) -> dict[str, Any]:
    """Measure one track; levels by AES17 (a full-scale sine reads 0 dBFS)."""
    window = round(WINDOW_S * rate_hz)
    count = len(samples) // window
    levels_dbfs = db(2 * np.mean(samples[: count * window].reshape(count, window) ** 2, axis=1))
    active = levels_dbfs > np.percentile(levels_dbfs, 95) - 25
    peak = np.max(np.abs(samples))
    true_peak = np.max(np.abs(signal.resample_poly(samples, 4, 1)))
    rms_dbfs = db(2 * np.mean(samples**2))

    # third octaves 25 Hz to 16 kHz (IEC 61260-1 base ten), from a power spectrum
    frequency_hz, spectrum = signal.welch(samples, rate_hz, window="hann", nperseg=8192)
    centres_hz = 1000 * 10 ** (np.arange(-16, 13) / 10)
    tone_db = {}
    for centre_hz in centres_hz:
        inside = (frequency_hz >= centre_hz * 10**-0.05) & (frequency_hz < centre_hz * 10**0.05)
        tone_db[round(centre_hz)] = db(spectrum[inside].sum() * frequency_hz[1])

    # lines at the mains and its harmonics against the median around them
    fine_hz, fine = signal.welch(samples, rate_hz, window="hann", nperseg=65536)
    hum_db = 0.0
    for harmonic in range(1, 9):
        at = round(harmonic * MAINS_HZ / fine_hz[1])
        around = np.concatenate((fine[at - 12 : at - 4], fine[at + 5 : at + 13]))
        hum_db = max(hum_db, float(db(fine[at - 1 : at + 2].max() / np.median(around))))

    _, flat = runs(np.abs(samples) >= 0.999 * peak)
    _, zeros = runs(samples == 0)
    return {
        "level_dbfs": np.median(levels_dbfs[active]),
        "loud_dbfs": np.percentile(levels_dbfs[active], 95),
        "active_fraction": np.mean(active),
        "noise_dbfs": np.percentile(levels_dbfs, 10),
        "peak_dbfs": db(peak**2),
        "true_peak_dbtp": db(true_peak**2),
        "crest_db": db(peak**2) - rms_dbfs,
        "tone_db": tone_db,
        "hum_db": hum_db,
        "dc_dbfs": db(np.mean(samples) ** 2),
        "clipped_runs": int(np.sum(flat >= 3)),
        "zero_runs": int(np.sum(zeros >= 0.005 * rate_hz)),
    }


def measure_pair(left: Array, right: Array) -> dict[str, Any]:
    """Measure the two sides together."""
    middle, side = left + right, left - right
    return {
        "correlation": np.corrcoef(left, right)[0, 1],
        "balance_db": db(np.mean(left**2)) - db(np.mean(right**2)),
        "width_db": db(np.mean(side**2)) - db(np.mean(middle**2)),
        "mono_loss_db": db(np.mean(left**2) + np.mean(right**2)) - db(np.mean(middle**2) / 2),
    }


def main() -> int:
    """Measure every file of a folder and print a line each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--tracks", type=int, help="only the first so many files")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()

    results: dict[str, Any] = {}
    left: Array | None = None
    for path in sorted(options.folder.glob("*.wav"))[: options.tracks]:
        samples, rate_hz = soundfile.read(path, always_2d=True)
        loudness_lufs = pyloudnorm.Meter(rate_hz).integrated_loudness(samples)
        tracks = [measure(track, rate_hz) for track in samples.T]
        result: dict[str, Any] = {"loudness_lufs": loudness_lufs, "tracks": tracks}
        if samples.shape[1] == 2:
            result["pair"] = measure_pair(*samples.T)
        # a pair of single files: "... L", then "... R"
        if left is not None and path.stem.endswith(" R"):
            result["pair"] = measure_pair(left, samples[:, 0])
        left = samples[:, 0] if path.stem.endswith(" L") else None
        results[path.stem] = result
        levels = " ".join(f"{track['level_dbfs']:.1f}" for track in tracks)
        print(f"{path.stem}: {levels} dBFS, {loudness_lufs:.1f} LUFS")
    if options.json:
        options.json.write_text(json.dumps(results, indent=1, default=float), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
