"""Moments: digital clicks, bursts of a radio link and dropouts in real recordings, clean and planted.

Real recordings from a folder of single files with `manifest.csv` and `split.csv` beside them, named as an argument or in the
environment variable `DESKHAND_AUDIO`; without it the study is skipped. Strengths are told against the level of the
sounding parts of each file. The verify half is counted only.
"""

from __future__ import annotations

import csv
import os
import sys
from collections import defaultdict
from math import gcd
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soundfile

from tests.support.feed import figures_of
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FOLDER: Final = "DESKHAND_AUDIO"
HALVES: Final = ("tune", "verify")
RATES_HZ: Final = (44100, 48000, 96000)
SEED: Final = 4712
VERIFY_RUNS: Final = "once"
"""How often the verify half was run; to be put right with each run that a limit follows from."""
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-moments.md"
BELOW_DB: Final = (0, 10, 20, 30, 40)
BURST_DB: Final = (6, 0, -6, -12, -20)
BURST_MS: Final = (20, 60, 120, 250)
DROPOUT_MS: Final = (1, 2, 5, 20, 100)
ON_RADIO: Final = ("speech", "voice", "guitar", "bass", "ukulele")
"""Words in the kinds of what comes over a radio link, as the roles say."""
NOT_PLAYED: Final = frozenset({"idle noise", "impulse response", "ambience", "audience"})


def recordings(folder: Path, half: str) -> Iterator[tuple[str, Array, int]]:
    """Kind, samples (channels, frames) and rate of each file of a half; low rates are brought to 48 kHz, edges faded."""
    with (folder / "split.csv").open(encoding="utf-8", newline="") as file:
        halves = {row["source"]: row["half"] for row in csv.DictReader(file)}
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if halves.get(row["source_repository"]) == half]
    for row in rows:
        samples, rate_hz = soundfile.read(folder / row["file"], always_2d=True)
        if rate_hz not in RATES_HZ:
            common = gcd(rate_hz, 48000)
            samples, rate_hz = ss.resample_poly(samples, 48000 // common, rate_hz // common, axis=0), 48000
        edge = np.linspace(0.0, 1.0, rate_hz // 200)[:, None] ** 2
        samples[: edge.size] *= edge
        samples[-edge.size :] *= edge[::-1]
        yield row["kind"], samples.T.copy(), rate_hz


def planted(
    sound: Array, rate_hz: int, rng: np.random.Generator, *, on_radio: bool
) -> Iterator[tuple[str, float, Array, float, float]]:
    """Kind of event, its strength, the sound with it, and its begin and end in s."""
    frame = rate_hz // 20
    power = (sound[: sound.size // frame * frame] ** 2).reshape(-1, frame).mean(axis=1)
    sounding = np.flatnonzero(power > 1e-3 * power.max())
    inside = sounding[(sounding > 3) & (sounding < power.size - 3)]
    if inside.size < 2:
        return
    level, peak = np.sqrt(power[sounding].mean()), np.abs(sound).max()

    def begin() -> int:
        return int((rng.choice(inside) + rng.random()) * frame)

    for below_db in BELOW_DB:
        for name, size in (
            ("sample, against the level", level),
            ("sample, against the peak", peak),
            ("jump, against the peak", peak),
        ):
            first, wave = begin(), sound.copy()
            height = size * 10.0 ** (-below_db / 20) * rng.choice([-1, 1])
            if name.startswith("sample"):
                wave[first] += height
            else:
                wave[first:] += height * np.exp(-np.arange(sound.size - first) / (0.01 * rate_hz))
            yield f"click: {name}", -below_db, wave, first / rate_hz, first / rate_hz
    for length_ms in DROPOUT_MS:
        first, wave = begin(), sound.copy()
        last = first + length_ms * rate_hz // 1000
        if last < sound.size - rate_hz // 10:
            wave[first:last] = 0.0
            yield "dropout, ms", length_ms, wave, first / rate_hz, last / rate_hz
    for level_db in BURST_DB if on_radio else ():
        for length_ms in BURST_MS:
            first = begin()
            count = min(length_ms * rate_hz // 1000, sound.size - first)
            edge = int(rng.choice([0, 1, 2, 4])) * rate_hz // 1000
            shape = np.minimum(1.0, (1.0 + np.minimum(np.arange(count), np.arange(count)[::-1])) / (edge + 1))
            wave = sound.copy()
            wave[first : first + count] *= 1.0 - shape * rng.choice([0, 1])
            wave[first : first + count] += shape * rng.standard_normal(count) * level * 10.0 ** (level_db / 20)
            yield "burst, dB", level_db, wave, first / rate_hz, (first + count) / rate_hz
            if level_db == 0:
                yield "burst at 0 dB, ms", length_ms, wave, first / rate_hz, (first + count) / rate_hz


def half_of(folder: Path, half: str) -> tuple[dict[str, int], dict[tuple[str, float], list[bool]]]:
    """Events told of the clean files, and whether each planted one was found."""
    rng = np.random.default_rng(SEED)
    false: dict[str, int] = defaultdict(int)
    found: dict[tuple[str, float], list[bool]] = defaultdict(list)
    for kind, samples, rate_hz in recordings(folder, half):
        on_radio = any(word in kind for word in ON_RADIO)
        silence = np.zeros((samples.shape[0], rate_hz))
        false["files"] += 1
        for track in figures_of(np.hstack([0.5 * silence, samples, silence]), sample_rate_hz=rate_hz).tracks:
            false["clicks"] += len(track.clicks)
            false["dropouts"] += len(track.dropouts)
            false["bursts of what comes over radio"] += len(track.bursts) * on_radio
        cases = list(planted(samples[0], rate_hz, rng, on_radio=on_radio)) if kind not in NOT_PLAYED else []
        if not cases:
            continue
        waves = [np.concatenate([np.clip(case[2], -1.0, 1.0), np.zeros(rate_hz)]) for case in cases]
        tracks = figures_of(np.array(waves), sample_rate_hz=rate_hz).tracks
        for (name, strength, _, begin_s, end_s), track in zip(cases, tracks, strict=True):
            events = track.clicks if "click" in name else track.dropouts if "dropout" in name else track.bursts
            near_s = 0.03 if "burst" in name else 0.001
            found[name, strength].append(
                any(abs(event.start_s - begin_s) < near_s and abs(event.end_s - end_s) < near_s for event in events)
            )
    return false, found


def main() -> None:
    """Run both halves and write the page."""
    given = sys.argv[1] if __name__ == "__main__" and len(sys.argv) > 1 else os.environ.get(FOLDER)
    if not given:
        print(f"moments: skipped, no folder of recordings named in {FOLDER}")
        return
    results = {half: half_of(Path(given), half) for half in HALVES}
    lines = [
        "# Moments: clicks, bursts and dropouts in real recordings",
        "",
        "Written by `validations/moments.py`.",
        "",
    ]
    lines += ["Told of the clean files, where nothing is planted:", "", "| | tune | verify |", "|---|---|---|"]
    lines += [
        f"| {name} | " + " | ".join(str(results[half][0][name]) for half in HALVES) + " |"
        for name in results["tune"][0]
    ]
    lines += [
        "",
        "Found of those planted (share of how many), by strength in dB or length in ms. A click is as sharp as it is loud: what",
        "hides it is the sound's own top octave, such as breath, strings and cymbals.",
        "",
    ]
    lines += ["| planted | strength | tune | verify |", "|---|---|---|---|"]
    for name, strength in sorted(results["tune"][1]):
        cells = [results[half][1][name, strength] for half in HALVES]
        shares = (f"{100 * np.mean(cell):.1f} % of {len(cell)}" if cell else "none" for cell in cells)
        lines.append(f"| {name} | {strength:g} | " + " | ".join(shares) + " |")
    lines += ["", f"The limits were set on the tune half; the verify half was run {VERIFY_RUNS}.", ""]
    write_page(TARGET, "\n".join(lines), __file__)


if __name__ == "__main__":
    main()
