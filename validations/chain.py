"""How near the chain's blocks come to what they are: filters, dynamics, limiter, saturation, middle and sides, faders.

The same helpers as the tests use (tests/dsp, tests/chain, tests/mix), over more settings, and as tables.
"""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pyebur128
import scipy.signal as ss

from deskhand.chain.run import run
from deskhand.dsp import dynamics
from tests.support import bells as runs
from tests.support import dynamics as moving
from tests.support import fader_mixes as mixes
from tests.support import filters as still
from tests.support import material
from tests.support import oversampling as taps
from tests.support.chain import made, read, true_peak_db
from tests.support.tables import rows
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-chain.md"
SEEDS: Final = 10
"""Mixes of each kind."""
STRETCH_S: Final = 20.0
CROSSOVERS_HZ: Final = (100.0, 500.0, 1000.0, 2500.0, 5000.0, 8000.0)


def table(head: Sequence[str], lines: Iterable[Sequence[str]]) -> list[str]:
    """Rows of a page's table."""
    made_lines = [f"| {' | '.join(line)} |" for line in lines]
    print("\n".join([" | ".join(head), *made_lines]), flush=True)
    return [f"| {' | '.join(head)} |", "|---" * len(head) + "|", *made_lines, ""]


# filters


def mapped_db(kind: str, rate_hz: float) -> float:
    """The worst error of the tangent mapping alone over the same grid, by scipy's bilinear with its corner kept."""
    worst = 0.0
    for corner_hz in still.CORNERS_HZ:
        for gain_db in still.GAINS_DB:
            for q in still.BELL_QS if kind == "bell" else still.SHELF_QS:
                top, bottom = still.analogue(kind, gain_db, q)
                warped = 2.0 * rate_hz * np.tan(np.pi * corner_hz / rate_hz)
                scale = warped ** -np.arange(2.0, -1.0, -1.0)
                b, a = ss.bilinear(np.array(top) * scale, np.array(bottom) * scale, rate_hz)
                _, response = ss.freqz(b, a, worN=still.GRID_HZ, fs=rate_hz)
                wanted_db = still.prototype_db(kind, corner_hz, gain_db, q, still.GRID_HZ)
                worst = max(worst, still.error_db(20.0 * np.log10(np.abs(response)), wanted_db))
    return worst


def filter_lines() -> list[str]:
    """Worst errors by type and rate."""
    lines = []
    for kind in still.EQUALISERS:
        cells = [kind]
        for rate_hz in still.RATES_HZ:
            worst_db, (corner_hz, gain_db, q) = still.worst_equaliser_db(kind, rate_hz)
            cells.append(
                f"{worst_db:.3f} ({corner_hz:g} Hz, {gain_db:+g} dB, q {q:g}); mapped {mapped_db(kind, rate_hz):.1f}"
            )
        lines.append(cells)
    for kind in still.PASSES:
        for crossover in (False, True):
            cells = [f"{kind}, {'Linkwitz-Riley' if crossover else 'Butterworth'}"]
            for rate_hz in still.RATES_HZ:
                worst_db, (corner_hz, slope_db) = still.worst_pass_db(kind, rate_hz, crossover=crossover)
                cells.append(f"{worst_db:.3f} ({corner_hz:g} Hz, {slope_db:g} dB/oct)")
            lines.append(cells)
    return table(("filter", *(f"{rate_hz / 1000:g} kHz" for rate_hz in still.RATES_HZ)), lines)


def crossover_lines() -> list[str]:
    """How far low-pass plus high-pass are from flat."""
    lines = []
    for rate_hz in still.RATES_HZ:
        for slope_db, sign in ((12.0, -1.0), (24.0, 1.0), (48.0, 1.0)):
            worst = [np.abs(still.sum_db(corner_hz, slope_db, rate_hz, sign)).max() for corner_hz in CROSSOVERS_HZ]
            lines.append([f"{rate_hz / 1000:g} kHz", f"{slope_db / 6.0:g}", *(f"{value:.2f}" for value in worst)])
    return table(("rate", "order", *(f"{corner_hz:g} Hz" for corner_hz in CROSSOVERS_HZ)), lines)


# dynamics


def dynamics_lines() -> list[str]:
    """Worst differences from tables and closed forms."""
    static = max(
        abs(
            dynamics.static_reduction_db(
                *(float(row[name]) for name in ("input_db", "threshold_db", "ratio", "knee_db"))
            )
            + float(row["gain_db"])
        )
        for row in rows("compressor_static")
    )
    times_s = (0.0005, 0.003, 0.03, 0.3, 2.0)
    off_pct = []
    for time_s in times_s:
        rise = moving.smoothed(np.full(round(2.0 * time_s * 48000) + 2, 10.0), time_s, 1.0)
        fraction = np.interp(time_s * 48000, np.arange(1, rise.size + 1), rise) / 10.0
        off_pct.append(100.0 * abs(fraction / (1.0 - np.exp(-1.0)) - 1.0))
    rng = np.random.default_rng(1)
    power = 10.0 ** rng.uniform(-10.0, 3.0, 100000)
    levels = power.copy()
    dynamics.to_db(levels)
    gain_db = rng.uniform(-200.0, 60.0, 100000)
    gains = np.empty(gain_db.size)
    dynamics.to_gain(gain_db, gains)
    return table(
        ("what", "worst difference"),
        [
            ("static curve against compressor_static.csv", f"{static:.1e} dB"),
            ("value one time constant after a step, 0.5 ms to 2 s", f"{max(off_pct):.3f} %"),
            ("level of a power, -100 to +30 dB", f"{np.abs(levels - 10.0 * np.log10(power)).max():.1e} dB"),
            (
                "gain of a level, -200 to +60 dB",
                f"{np.abs(gains / 10.0 ** (gain_db / 20.0) - 1.0).max():.1e} of itself",
            ),
        ],
    )


def two_stage_lines() -> list[str]:
    """The release in two stages after compression of some lengths: 12 dB, then nothing."""
    lines = []
    for on_s in (0.05, 0.5, 2.0, 10.0, 60.0):
        on = round(on_s * 48000)
        release = moving.two_stage(np.r_[np.full(on, 12.0), np.zeros(6 * 48000)])[on:]
        cells = [f"{on_s:g} s", *(f"{release[round(at_s * 48000)]:.1f}" for at_s in (0.06, 0.2, 0.5, 1.0, 3.0))]
        lines.append([*cells, f"{moving.time_constant_s(release, 0.5, 1.0):.2f} s"])
    return table(("12 dB for", "60 ms on", "0.2 s", "0.5 s", "1 s", "3 s", "time constant 0.5 to 1 s on"), lines)


def limiter_lines() -> list[str]:
    """True peaks over the ceiling, 12 dB driven."""
    lines = []
    releases = ("0 s", "5 ms", "100 ms")
    sounds = {f"song {title}": moving.song(title) for title in material.TITLES}
    for rate_hz in (44100, 48000, 96000):
        for name, sound in moving.hot(np.random.default_rng(1), rate_hz).items():
            sounds[f"{name}, {rate_hz / 1000:g} kHz"] = (sound, rate_hz)
    white = np.random.default_rng(1).standard_normal((2, 96000))
    sounds["noise to half the rate, 48 kHz"] = (white, 48000)
    for name, (sound, rate_hz) in sounds.items():
        driven = sound * 10.0 ** ((12.0 - true_peak_db(sound)) / 20.0)
        over = [
            true_peak_db(moving.limited(driven, rate_hz, ceiling="-1 dBFS", release=release)) + 1.0
            for release in releases
        ]
        lines.append([name, *(f"{value:+.3f}" for value in over)])
    return table(("12 dB over a ceiling of -1 dBFS", *(f"release {release}" for release in releases)), lines)


# saturation


def alias_lines() -> list[str]:
    """The loudest alias up to 20 kHz against the fundamental, full-scale tones."""
    drives_db = (0.0, 6.0, 12.0, 24.0)
    lines = [
        [
            f"{rate_hz / 1000:g} kHz",
            f"{hz} Hz",
            *(f"{taps.alias_db(hz, rate_hz, drive_db):.0f}" for drive_db in drives_db),
        ]
        for rate_hz in (44100, 48000)
        for hz in (997, 2003, 5003, 9001)
    ]
    return table(("rate", "tone", *(f"drive {drive_db:g} dB" for drive_db in drives_db)), lines)


# beside others


def beside_lines() -> list[str]:
    """Worst difference from the analogue bell, 20 Hz to 20 kHz, at 44.1 kHz."""
    lines = []
    settings = [
        (100.0, 6.0, 1.0), (1000.0, -6.0, 4.0), (2500.0, -3.0, 1.4), (6300.0, 4.0, 1.0), (8000.0, 6.0, 0.7),
        (10000.0, -6.0, 2.0), (12000.0, 3.0, 1.0), (14000.0, 6.0, 1.0), (16000.0, -4.0, 0.7),
    ]  # fmt: skip
    with tempfile.TemporaryDirectory() as name:
        for setting in settings:
            errors = runs.bell_errors_db(setting, Path(name))
            lines.append(
                [f"{setting[0]:g} Hz, {setting[1]:+g} dB, q {setting[2]:g}", *(f"{value:.3f}" for value in errors)]
            )
    return table(("bell", "deskhand", "sox", "ffmpeg"), lines)


# middle and sides


def loudness_lufs(pair: np.ndarray, rate_hz: int) -> float:
    """By libebur128."""
    meter = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(pair.T).reshape(-1), pair.shape[1])
    return float(pyebur128.get_loudness_global(meter))


def width_db(pair: np.ndarray) -> float:
    """Energy of the sides against the middle."""
    middle, side = pair[0] + pair[1], pair[0] - pair[1]
    return float(10.0 * np.log10(np.sum(side**2) / np.sum(middle**2)))


def mid_side_lines() -> list[str]:
    """Two ways to one width on the real guitars: what each does to loudness, and the headroom it leaves."""
    lines = []
    for title in material.TITLES:
        guitar, rate_hz = read(material.guitar_song(title) / "guitar.wav", from_s=40.0, length_s=STRETCH_S)
        plain_db, plain_lufs, plain_width_db = true_peak_db(guitar), loudness_lufs(guitar, rate_hz), width_db(guitar)
        lines.append([title, "as it is", f"{plain_width_db:+.1f}", "", f"{-plain_db:.1f}", "", f"{-plain_db:.1f}"])
        for step_db in range(1, 7):
            ways = {
                f"middle -{step_db} dB": made("mid-side", mid=f"-{step_db} dB"),
                f"sides +{step_db} dB": made("mid-side", side=f"{step_db} dB"),
            }
            for way, block in ways.items():
                out = run(guitar, [block], sample_rate_hz=rate_hz)
                louder_lu = loudness_lufs(out, rate_hz) - plain_lufs
                lines.append(
                    [
                        "", way, f"{width_db(out):+.1f}", f"{width_db(out) - plain_width_db:+.2f}", f"{-true_peak_db(out):.1f}",
                        f"{louder_lu:+.1f}", f"{-true_peak_db(out) + louder_lu:.1f}",
                    ]
                )  # fmt: skip
    head = (
        "guitar of",
        "how",
        "width, dB",
        "wider by, dB",
        "headroom, dB",
        "louder by, LU",
        "headroom at the loudness before, dB",
    )
    return table(head, lines)


# faders


def fader_lines() -> list[str]:
    """Errors of told faders over seeds."""
    kinds: dict[str, Callable[[], dict[str, np.ndarray]]] = {
        f"guitar, song, two voices ({title})": functools.partial(mixes.band, title) for title in material.TITLES
    }
    kinds["four stems of a song"] = mixes.stems
    lines = []
    for name, sources_of in kinds.items():
        sources = sources_of()
        off_db: list[float] = []
        within = 0
        for seed in range(100, 100 + SEEDS):
            written_db, true_db = mixes.planted(list(sources), seed)
            faders = mixes.found(sources, mixes.mixed(sources, true_db), written_db)
            errors_db = mixes.errors_db(faders, true_db)
            off_db += [abs(value) for value in errors_db.values()]
            within += sum(abs(value) <= max(0.1, faders[key].measured_db_pm or 0.0) for key, value in errors_db.items())
        asked = SEEDS * len(sources)
        lines.append(
            [
                name, f"{len(off_db)} of {asked}", f"{np.median(off_db):.2f}", f"{np.percentile(off_db, 90):.2f}",
                f"{max(off_db):.2f}", f"{within} of {len(off_db)}",
            ]
        )  # fmt: skip
    return table(
        ("mix", "told", "median error, dB", "90th percentile", "worst", "within its ± (0.1 dB at least)"), lines
    )


def main() -> None:
    """Run all and write the page."""
    packages = {name: material.ARCHIVES[name].file_name for name in ("songs", "voices", "stems")}
    lines = [
        "# Validation: chains",
        "",
        "Made by `python -m validations.chain`. Prototypes are evaluated by scipy, true peaks by scipy's resampler at eight",
        "times the rate, loudness by libebur128; none of it is deskhand's own code. Real audio: packages",
        f"`{packages['songs']}`, `{packages['voices']}`, `{packages['stems']}`.",
        "",
        "## Filters",
        "",
        "Worst error from 20 Hz to 20 kHz, dB, where the analogue prototype is less than 60 dB below its top, and the settings it",
        f"is found at. Corners {still.CORNERS_HZ[0]:g} Hz to {still.CORNERS_HZ[-1] / 1000:g} kHz, gains -15 to 15 dB, bells with q",
        "0.3 to 10, shelves 0.3 to 1.4, slopes 6 to 48 dB/oct. Mapped: the tangent mapping alone, dB.",
        "",
        *filter_lines(),
        "Low-pass plus high-pass of one corner (Linkwitz-Riley; order 2 with one side inverted): the largest distance from flat, dB.",
        "Legs that are fitted keep their magnitude, each for itself, and part in phase as the corner rises.",
        "",
        *crossover_lines(),
        "## Dynamics",
        "",
        *dynamics_lines(),
        "The release in two stages, dB left:",
        "",
        *two_stage_lines(),
        "## Limiter",
        "",
        "True peak against the ceiling, dB; sample peaks never pass it. Noise is flat to 20 kHz or 0.4 of the rate.",
        "",
        *limiter_lines(),
        "## Saturation",
        "",
        "The loudest line up to 20 kHz that is no harmonic, dB against the fundamental; full-scale tones.",
        "",
        *alias_lines(),
        "## Beside sox and ffmpeg",
        "",
        "The same bell at 44.1 kHz: worst difference from the analogue prototype, 20 Hz to 20 kHz, dB.",
        "",
        *beside_lines(),
        "## Wider: the middle down or the sides up",
        "",
        f"{STRETCH_S:.0f} s of each stereo guitar. Headroom is what lies between the true peak and full scale. The two ways differ by",
        "a gain of the step alone: at one loudness they are the same sound.",
        "",
        *mid_side_lines(),
        "## Faders found in a mix",
        "",
        f"{SEEDS} mixes of {mixes.LENGTH_S} s of each kind, with faders drawn and some moved by -6, 4 or 8 dB against what is written.",
        "The level of the whole is not known: errors are against their median.",
        "",
        *fader_lines(),
    ]
    write_page(TARGET, "\n".join(lines).rstrip() + "\n", __file__)
    print(TARGET)


if __name__ == "__main__":
    main()
