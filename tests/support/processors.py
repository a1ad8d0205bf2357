"""Random settings of independent processors on real music, found again by `compare`."""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import scipy.signal as ss
import soundfile

from deskhand.chain.run import run
from deskhand.compare.linear import GAIN_S
from deskhand.compare.model import lively
from deskhand.compare.run import Comparison, compare
from deskhand.house import make_block
from tests.support import material

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CASES: Final = 40

SEED: Final = 4040

RATE_HZ: Final = 44100

LENGTH_S: Final = 50.0


@dataclass(slots=True, kw_only=True)
class Case:
    """What became of one."""

    kind: str
    what: str
    worst_db: float = np.nan
    """Largest error of the response in the excited third-octaves, level apart."""
    errors_db: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    delay_off: float = np.nan
    shapes: list[tuple[float, float]] = field(default_factory=list)
    """(octaves, dB) off, of each planted shape; nan where none was named."""
    threshold_off_db: float = np.nan
    ratio_off: float = np.nan
    times_off: list[float] = field(default_factory=list)
    fair: bool = False
    """Whether 10 to 90 % of the playing lies above the threshold, over a range of 10 dB."""
    gain_off_db: float = np.nan
    legs_right: bool | None = None
    chain_db: float = np.nan


def music(rng: np.random.Generator, length_s: float = LENGTH_S) -> Array:
    """(2, frames) of a real song or guitar."""
    title = material.TITLES[int(rng.integers(len(material.TITLES)))]
    part = ("song", "guitar")[int(rng.integers(2))]
    recorded, _ = soundfile.read(material.guitar_song(title) / f"{part}.wav")
    frames = round(length_s * RATE_HZ)
    first = int(rng.integers(5 * RATE_HZ, len(recorded) - frames - 10 * RATE_HZ))
    return np.ascontiguousarray(recorded[first : first + frames].T)


def sox(signal: Array, effects: list[str], *, rate_hz: int = RATE_HZ) -> Array:
    """Through sox, in 32-bit float, with room for boosts."""
    with tempfile.TemporaryDirectory() as name:
        before, after = Path(name) / "in.wav", Path(name) / "out.wav"
        soundfile.write(before, 0.1 * signal.T, rate_hz, subtype="FLOAT")
        subprocess.run(
            ["sox", "-D", before, "-e", "floating-point", "-b", "32", after, *effects], check=True, capture_output=True
        )
        processed, _ = soundfile.read(after, dtype="float64", always_2d=True)
    return 10.0 * processed.T


def ffmpeg(signal: Array, filters: str) -> Array:
    """Through ffmpeg, in 64-bit float."""
    with tempfile.TemporaryDirectory() as name:
        before, after = Path(name) / "in.wav", Path(name) / "out.wav"
        soundfile.write(before, signal.T, RATE_HZ, subtype="DOUBLE")
        subprocess.run(
            ["ffmpeg", "-v", "error", "-i", before, "-af", filters, "-c:a", "pcm_f64le", "-y", after], check=True, capture_output=True
        )  # fmt: skip
        processed, _ = soundfile.read(after, dtype="float64", always_2d=True)
    return np.ascontiguousarray(processed.T[:, : signal.shape[1]])


def some_shapes(rng: np.random.Generator, count: int) -> tuple[list[str], list[tuple[str, float, float | None]]]:
    """Effects for sox, and (kind, frequency, gain) of each, an octave apart or more."""
    effects: list[str] = []
    truth: list[tuple[str, float, float | None]] = []
    if rng.random() < 0.5:
        hz = float(2 ** rng.uniform(np.log2(40), np.log2(120)))
        effects += ["highpass", "-2", f"{hz:.2f}", "0.7071q"]
        truth.append(("high-pass", hz, None))
    while len(truth) < count:
        gain = float(rng.uniform(1.5, 6) * rng.choice([-1, 1]))
        hz = float(2 ** rng.uniform(np.log2(180), np.log2(8000)))
        if any(abs(np.log2(hz / earlier_hz)) < 1.0 for _, earlier_hz, _ in truth):
            continue
        kind = ("bell", "bell", "bell", "high-shelf")[int(rng.integers(4))]
        if kind == "high-shelf":
            hz = float(2 ** rng.uniform(np.log2(2500), np.log2(7000)))
            if any(abs(np.log2(hz / earlier_hz)) < 1.0 for _, earlier_hz, _ in truth) or any(
                k == kind for k, _, _ in truth
            ):
                continue
            effects += ["treble", f"{gain:.3f}", f"{hz:.2f}", "0.7071q"]
        else:
            effects += ["equalizer", f"{hz:.2f}", f"{rng.uniform(0.6, 3):.3f}q", f"{gain:.3f}"]
        truth.append((kind, hz, gain))
    return effects, truth


def response_of(effects: list[str]) -> tuple[Array, Array]:
    """(Hz, dB) of what sox makes of an impulse."""
    if not effects:
        return np.array([1.0, RATE_HZ / 2]), np.zeros(2)
    impulse = np.zeros((1, 1 << 17))
    impulse[0, 1000] = 1.0
    response = sox(impulse, effects)[0]
    level = 20 * np.log10(np.maximum(np.abs(np.fft.rfft(response)), 1e-9))
    return np.asarray(np.fft.rfftfreq(response.size, 1 / RATE_HZ), np.float64), level


def some_compressor(rng: np.random.Generator, signal: Array, **more: Any) -> dict[str, Any]:
    """Settings of our compressor that act on this signal."""
    level = 10 * np.log10(np.mean(signal.reshape(signal.shape[0], -1, 441) ** 2, axis=(0, 2)) + 1e-12) + 3.01
    playing = level[level > np.percentile(level, 98) - 30]
    threshold = float(np.percentile(playing, rng.uniform(20, 75)))
    return {
        "block": "compressor", "threshold": f"{threshold:.2f} dBFS", "ratio": float(rng.choice([1.5, 2, 3, 4])),
        "knee": f"{rng.choice([0, 3, 6])} dB", "attack": f"{2 ** rng.uniform(1, 5):.2f} ms", "release": f"{2 ** rng.uniform(5.5, 8.3):.1f} ms",
        "senses": str(rng.choice(["peak", "rms"])), "makeup": f"{rng.uniform(0, 4):.2f} dB", **more,
    }  # fmt: skip


def compressed(signal: Array, settings: dict[str, Any]) -> Array:
    """Through our compressor."""
    return run(signal, [make_block(settings)], sample_rate_hz=RATE_HZ)


def gain_over_time(linear: Array, after: Array) -> Array:
    """(steps,) dB each 1 ms: the ratio of two signals, over the same few milliseconds as `compare` reads it."""
    place = np.arange(-round(4 * GAIN_S * RATE_HZ), round(4 * GAIN_S * RATE_HZ) + 1)
    window = np.exp(-0.5 * (place / (GAIN_S * RATE_HZ)) ** 2)
    product = ss.oaconvolve(np.sum(linear * after, axis=0), window, "same")
    power = ss.oaconvolve(np.sum(linear**2, axis=0), window, "same")
    gain = product / np.maximum(power, 1e-20)
    return 20 * np.log10(np.maximum(gain[:: round(0.001 * RATE_HZ)], 1e-6))


def run_case(kind: str, rng: np.random.Generator, length_s: float = LENGTH_S) -> Case:
    """Plant, compare, and set the answer against the truth."""
    x = music(rng, length_s)
    effects: list[str] = []
    truth: list[tuple[str, float, float | None]] = []
    if kind in ("linear", "shapes and compressor", "all together"):
        effects, truth = some_shapes(rng, 3 if kind == "all together" else int(rng.integers(1, 4)))
    shaped = sox(x, effects) if effects else x
    legs = "both"
    settings: dict[str, Any] | None = None
    if kind in ("compressor", "shapes and compressor"):
        settings = some_compressor(rng, shaped)
    elif kind == "legs":
        legs = str(rng.choice(["mid", "side", "left", "right"]))
        on = {
            "mid": 0.5 * (shaped[0] + shaped[1]),
            "side": 0.5 * (shaped[0] - shaped[1]),
            "left": shaped[0],
            "right": shaped[1],
        }[legs]
        settings = some_compressor(rng, on[None], on=legs)
    elif kind == "all together":
        settings = some_compressor(rng, shaped, ratio=1.5, makeup="0 dB")
    y = shaped
    if settings is not None:
        y = compressed(shaped, settings)
    if kind == "all together":
        middle = 0.5 * (y[0] + y[1])
        y = compressed(y, some_compressor(rng, middle[None], on="mid", ratio=2.0, makeup="0 dB"))
    if kind == "foreign compressor":
        threshold = float(np.percentile(20 * np.log10(np.abs(x).max(axis=0)[::441] + 1e-6), 60))
        y = ffmpeg(x, f"acompressor=threshold={10 ** (threshold / 20):.4f}:ratio={rng.choice([2, 4])}:attack={2 ** rng.uniform(2, 5):.1f}:release={2 ** rng.uniform(6, 8.5):.0f}:knee=2.8:detection=rms")  # fmt: skip
        legs = "both"
    delay = float(rng.uniform(0, 400))
    gain_db = float(rng.uniform(-6, 3)) if kind == "linear" else 0.0
    size = y.shape[1] + 1024
    turned = np.fft.rfft(y, size, axis=1) * np.exp(-2j * np.pi * np.fft.rfftfreq(size) * delay)
    sent = 10 ** (gain_db / 20) * np.fft.irfft(turned, size, axis=1)
    with tempfile.TemporaryDirectory() as name:
        before, after = Path(name) / "before.wav", Path(name) / "after.wav"
        soundfile.write(before, x.T, RATE_HZ, subtype="FLOAT")
        soundfile.write(after, sent.T, RATE_HZ, subtype="FLOAT")
        comparison = compare(before, after)
    case = Case(kind=kind, what=f"{' '.join(effects)} {settings or ''}".strip())
    _judge(case, comparison, shaped, y, effects, truth, settings, legs, delay)
    return case


def _judge(
    case: Case, comparison: Comparison, shaped: Array, y: Array, effects: list[str],
    truth: list[tuple[str, float, float | None]], settings: dict[str, Any] | None, legs: str, delay: float,
) -> None:  # fmt: skip
    result = comparison.result
    case.delay_off = abs(result.alignment.delay_samples - delay)
    case.chain_db = result.chain_residual_db if result.chain_residual_db is not None else np.nan
    hz, level = response_of(effects)
    leg = result.response[0].leg
    points = [point for point in result.response if point.leg == leg]
    point_hz = np.array([point.frequency_hz for point in points])
    off = np.array([point.magnitude_db for point in points]) - np.interp(point_hz, hz, level)
    half = np.array([0.5 * (point.high_db - point.low_db) for point in points])
    # the gain belongs to all frequencies alike
    off = off - np.median(off)
    third = [
        off[(point_hz > f * 2 ** (-1 / 6)) & (point_hz <= f * 2 ** (1 / 6))]
        for f in 1000 * 2.0 ** (np.arange(-15, 13) / 3)
    ]
    case.errors_db = [abs(float(np.mean(one))) for one in third if one.size]
    case.worst_db = max(case.errors_db)
    case.covered = [bool(abs(one) <= wide) for one, wide in zip(off, half, strict=True)]
    for kind, f, gain in truth:
        near = [one for one in result.shapes if one.block == kind and abs(np.log2(one.frequency_hz / f)) < 0.5]
        if not near:
            case.shapes.append((np.nan, np.nan))
            continue
        best = min(near, key=lambda one: abs(np.log2(one.frequency_hz / f)))
        case.shapes.append(
            (abs(float(np.log2(best.frequency_hz / f))), 0.0 if gain is None else abs((best.gain_db or 0.0) - gain))
        )
    joint = comparison.joint
    if case.kind == "linear":
        case.legs_right = not result.dynamics
        return
    assert joint is not None
    if case.kind != "all together":
        case.legs_right = [one.on for one in result.dynamics] == [legs]
    if (
        case.kind in ("compressor", "shapes and compressor", "foreign compressor")
        and joint.gain_db.shape[0] == 1
        and joint.moves
    ):
        part = lively(comparison.before, RATE_HZ, 60.0)
        want = gain_over_time(shaped[:, part], y[:, part])
        count = min(want.size, joint.gain_db.shape[1])
        level = joint.level_db[0][:count]
        audible = level > np.percentile(level, 98) - 35
        apart = joint.gain_db[0][:count][audible] - want[:count][audible]
        case.gain_off_db = float(np.std(apart))
    if settings is not None and case.kind != "all together" and len(result.dynamics) == 1:
        one = result.dynamics[0]
        level = joint.level_db[0] + 3.01
        playing = level[level > np.percentile(level, 98) - 30]
        case.fair = 0.1 <= one.above <= 0.9 and float(np.percentile(playing, 95) - np.percentile(playing, 5)) >= 10.0
        if one.threshold_dbfs is not None and one.ratio is not None:
            case.threshold_off_db = abs(one.threshold_dbfs - float(settings["threshold"].split()[0]))
            case.ratio_off = abs(one.ratio / settings["ratio"] - 1.0)
            case.times_off = [
                abs((one.attack_ms or 0) / float(settings["attack"].split()[0]) - 1.0),
                abs((one.release_ms or 0) / float(settings["release"].split()[0]) - 1.0),
            ]


def cases(count: int, *, seed: int = SEED, length_s: float = LENGTH_S) -> Iterator[Case]:
    """So many, every kind in turn; a third of them linear."""
    order = (
        "linear",
        "compressor",
        "shapes and compressor",
        "linear",
        "legs",
        "foreign compressor",
        "linear",
        "all together",
    )
    for number in range(count):
        yield run_case(order[number % len(order)], np.random.default_rng([seed, number]), length_s)
