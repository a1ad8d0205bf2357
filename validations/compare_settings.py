"""Settings of compressors found again by `compare`: published ones on music, and what the test signal adds to music.

python -m validations.compare_settings --work FOLDER       # kept there for `python -m validations.compare_cases --page`
python -m validations.compare_settings --time              # seconds that three minutes of stereo take
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import scipy.signal as ss
import soundfile

from deskhand.compare.probe import RATE_HZ as PROBE_HZ
from deskhand.compare.probe import probe
from deskhand.compare.run import compare
from tests.support import material
from tests.support.blind_cases import RATE_HZ, SEED, SINE_DB, BlindCase, music, scratch, write_case
from tests.support.processors import ffmpeg, sox
from tests.support.published_compressor import PUBLISHED, TIMES_OF_A_CONSTANT, through_published

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from deskhand.compare.dynamics import Dynamics

    Array = NDArray[np.float64]

FILE: Final = "compare-settings.json"
NAMES: Final = ("threshold_dbfs", "ratio", "attack_ms", "release_ms", "range_db")


def _gain(before: Array, after: Array) -> Dynamics | None:
    """First moving gain that is told of two recordings."""
    with scratch() as folder:
        dynamics = compare(
            *write_case(BlindCase(kind="", material="", before=before, after=after), Path(folder))
        ).result.dynamics
    return dynamics[0] if dynamics else None


def published_rows(each: int) -> list[dict[str, Any]]:
    """Settings of the published five on music of the half to tune by, in that source's terms."""
    rows: list[dict[str, Any]] = []
    for name, truth in PUBLISHED.items():
        for number in range(each):
            material, signal = music("tune", np.random.default_rng([SEED, 77, number, ord(name)]), None, lively=True)
            signal = 0.9 * signal[:1] / np.abs(signal[:1]).max()
            gain = _gain(signal, through_published(signal, name, RATE_HZ))
            row: dict[str, Any] = {
                "name": name,
                "material": material,
                "truth": truth,
                "kind": None if gain is None else gain.kind,
            }
            if gain is not None:
                row["told"] = (
                    None if gain.threshold_dbfs is None else gain.threshold_dbfs - SINE_DB,
                    gain.ratio,
                    None if gain.attack_ms is None else TIMES_OF_A_CONSTANT * gain.attack_ms,
                    None if gain.release_ms is None else TIMES_OF_A_CONSTANT * gain.release_ms,
                )
                row["fit_db"] = gain.fit_db
            print(row, flush=True)
            rows.append(row)
    return rows


_PROCESSORS: Final[dict[str, Callable[[Array], Array]]] = {
    "compressor of peaks, 3:1 above -24": lambda x: ffmpeg(
        x, "acompressor=threshold=0.063096:ratio=3:attack=40:release=480:knee=1:detection=peak"
    ),
    "compressor of RMS, 2:1 above -27": lambda x: ffmpeg(
        x, "acompressor=threshold=0.031623:ratio=2:attack=20:release=320:knee=1:detection=rms"
    ),
    "compressor of peaks, 6:1 above -18, 2 ms": lambda x: sox(x, ["compand", "0.002,0.2", "-78,-78,-38,-38,0,-31.667"]),
    "gate, 1:4 below -36": lambda x: ffmpeg(
        x, "agate=threshold=0.015849:ratio=4:range=0.063096:attack=8:release=240:knee=1:detection=peak"
    ),
    "limiter at -14": lambda x: ffmpeg(x, "alimiter=limit=0.2:attack=5:release=60:level=0"),
}
"""Five processors; thresholds in dBFS."""
_TURNED: Final = {
    "compressor of peaks, 3:1 above -24": {
        "threshold_dbfs": -24.0,
        "ratio": 3.0,
        "attack_ms": 10.0,
        "release_ms": 120.0,
    },
    "compressor of RMS, 2:1 above -27": {"threshold_dbfs": -26.99, "ratio": 2.0, "attack_ms": 5.0, "release_ms": 80.0},
    "compressor of peaks, 6:1 above -18, 2 ms": {
        "threshold_dbfs": -18.0,
        "ratio": 6.0,
        "attack_ms": 2.0,
        "release_ms": 200.0,
    },
    "gate, 1:4 below -36": {
        "threshold_dbfs": -36.0,
        "ratio": 4.0,
        "attack_ms": 2.0,
        "release_ms": 60.0,
        "range_db": 23.98,
    },
    "limiter at -14": {"threshold_dbfs": -13.98},
}
"""Settings that were turned, times to 1 - 1/e."""


def probe_rows() -> list[dict[str, Any]]:
    """Widths of intervals with music alone and with the test signal, for each setting of five processors."""
    _, song = music("tune", np.random.default_rng([SEED, 78]), None, lively=True)
    signals = {"music": song, "probe": np.asarray(ss.resample_poly(probe(), 147, 160))[None]}
    assert PROBE_HZ * 147 == RATE_HZ * 160
    rows = []
    for name, process in _PROCESSORS.items():
        row: dict[str, Any] = {"name": name}
        for source, signal in signals.items():
            gain = _gain(signal, process(signal))
            row[source] = {} if gain is None else {
                setting: (getattr(gain, setting), gain.intervals[setting].low, gain.intervals[setting].high)
                for setting in NAMES
                if getattr(gain, setting) is not None and setting in gain.intervals
            }  # fmt: skip
            row[f"{source} kind"] = None if gain is None else gain.kind
        print(row, flush=True)
        rows.append(row)
    return rows


def _width_text(row: dict[str, Any], source: str, setting: str, truth: float) -> str:
    """Setting with half of its interval, and whether that misses what was turned."""
    if setting not in row[source]:
        return "cannot be told" if row[f"{source} kind"] else "nothing is told"
    value, low, high = row[source][setting]
    half = 0.5 * (high - low)
    width = f"{half:.2f} dB" if setting.endswith(("dbfs", "db")) else f"{100 * half / value:.0f} %"
    return f"{value:.1f} ± {width}" + ("" if low <= truth <= high else ", off")


def tables(work: Path) -> list[str]:
    """Lines of the page from what is kept; none where nothing is."""
    if not (work / FILE).exists():
        return []
    kept = json.loads((work / FILE).read_text())
    lines = [
        "", "## Published settings", "",
        ("Sun, Fourer & Maaref (arXiv 2411.04337) estimate a compressor's settings by neural networks, from AFTER alone, and compare with the model of"
        " Gorlow & Reiss (IEEE Trans. Audio Speech Lang. Process. 21 (2013) 1434). Only the beginning of the paper could be had here, not its"
        " tables of errors: no number of theirs stands beside these. What could be had are its five settings and the definitions, in the code"
        " published with it; the model was written anew from the formulae. It smooths twice, the level and the gain, where each of ours smooths"
        " once. Threshold in dB of the RMS, times from 10 to 90 %."), "",
        "| setting | cases | told as compressor | threshold off, dB | ratio off, % | attack off, ms | release off, ms |", "|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    rows = kept["published"]
    for name in [*PUBLISHED, "all, mean"]:
        of_it = [row for row in rows if row["name"] == name or name == "all, mean"]
        cells = []
        for index in range(4):
            off = [
                abs(row["told"][index] - row["truth"][index]) / (row["truth"][index] / 100.0 if index == 1 else 1.0)
                for row in of_it
                if row.get("told") and row["told"][index] is not None
            ]
            cells.append(f"{np.mean(off):.1f} ({len(off)})" if off else "not told")
        right = sum(row["kind"] == "compressor" for row in of_it)
        lines.append(f"| {name} | {len(of_it)} | {right} | " + " | ".join(cells) + " |")
    lines += [
        "", "Mean of what is off where it is told, and in how many cases that is.", "", "## What the test signal adds", "",
        "Width of each setting's interval (its half as a share of the setting; thresholds and ranges in dB), from 24 s of music alone and from the test signal through the same processor.", "",
        "| processor | setting | turned | music | test signal |", "|---|---|---|---|---|",
    ]  # fmt: skip
    for row in kept["probe"]:
        for setting, truth in _TURNED[row["name"]].items():
            cells = [_width_text(row, source, setting, truth) for source in ("music", "probe")]
            lines.append(f"| {row['name']} | {setting} | {truth:g} | " + " | ".join(cells) + " |")
    return lines


def time_it() -> None:
    """Print the seconds that three minutes of stereo take, through a tone, a compressor, and both."""
    path = material.guitar_song("Feelings") / "song.wav"
    signal = soundfile.read(path, frames=180 * RATE_HZ)[0].T
    squeeze = "acompressor=threshold=0.063096:ratio=3:attack=40:release=480:knee=1:detection=peak"
    tone = sox(signal, ["equalizer", "1200", "1q", "5"])
    processed = {"tone": tone, "compressor": ffmpeg(signal, squeeze), "both": ffmpeg(tone, squeeze)}
    for name, after in processed.items():
        with scratch() as folder:
            paths = write_case(BlindCase(kind="", material="", before=signal, after=after), Path(folder))
            clock, processor = time.perf_counter(), time.process_time()
            result = compare(*paths).result
        print(
            f"{name}: {time.perf_counter() - clock:.1f} s on the clock, {time.process_time() - processor:.1f} s of processor: "
            f"{', '.join(result.behaviours)}"
        )


def main() -> None:
    """Count and keep."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--work", type=Path, help="folder in which counts are kept")
    parser.add_argument("--time", action="store_true", help="only the seconds that three minutes take")
    parser.add_argument("--each", type=int, default=2, help="pieces of music for each published setting")
    options = parser.parse_args()
    if options.time:
        time_it()
        return
    if options.work is None:
        parser.error("--work FOLDER says where counts are kept")
    options.work.mkdir(exist_ok=True)
    (options.work / FILE).write_text(json.dumps({"probe": probe_rows(), "published": published_rows(options.each)}))


if __name__ == "__main__":
    main()
