"""Blind cases for `compare`: real music through independent tools, with the settings that were turned beside each.

Tools are sox, ffmpeg and numpy/scipy, none of them ours. Truths are told in this project's terms:

* thresholds in dBFS of a sine's RMS (AES17): a detector of peaks reads amplitude as it is, one of RMS 3.01 dB more;
* times to 1 - 1/e of a step: ffmpeg's filters name four of them (their factor a sample is 4000 / (ms x rate)), sox names one;
* a gate of ffmpeg that looks at RMS doubles its ratio beyond 1 (it compares powers and acts on amplitudes).
"""

from __future__ import annotations

import csv
import functools
import tempfile
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import scipy.signal as ss
import soundfile

from tests.support import material
from tests.support.needs import require
from tests.support.processors import ffmpeg, sox

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Half = Literal["tune", "verify"]
SEED: Final = 2204
RATE_HZ: Final = 44100
LENGTH_S: Final = 24.0
SONGS: Final = {"tune": ("Escape from chaosland", "Feelings"), "verify": ("Metal madness", "War of freedom")}
VOICES: Final = {"tune": "vocadito_10", "verify": "vocadito_14"}
KITS: Final = {"tune": "ForzeeStereo", "verify": "BJA_Pacific"}
KINDS: Final = (
    "bell", "high-pass and shelf", "polarity or delay", "rate or drift", "widening", "identity", "unrelated", "compressor", "limiter",
    "gate", "tone and compressor", "parallel compression", "saturation", "reverb", "echo", "modulation", "noise or hum", "gain movement",
    "cut or shorter", "upward compressor", "unlinked compressor", "compressor and tone", "two effects", "processor on the mid",
)  # fmt: skip
SINE_DB: Final = 3.0103


@dataclass(slots=True, kw_only=True)
class BlindCase:
    """Two recordings and what was done between them."""

    kind: str
    material: str
    before: Array
    after: Array
    after_rate_hz: int = RATE_HZ
    truth: dict[str, Any] = field(default_factory=dict)
    """Settings by name, in this project's terms; `says` holds the behaviours that should be named."""


def _song(title: str, part: str, rng: np.random.Generator) -> Array:
    frames = round(LENGTH_S * RATE_HZ)
    path = material.guitar_song(title) / f"{part}.wav"
    total = soundfile.info(path).frames
    first = int(rng.integers(10 * RATE_HZ, total - frames - 10 * RATE_HZ))
    signal, rate = soundfile.read(path, start=first, frames=frames)
    assert rate == RATE_HZ
    return np.ascontiguousarray(signal.T)


@functools.cache
def _hits(kit: str) -> dict[str, Array]:
    hits = {}
    for path in sorted(material.drum_kit(kit).glob("*.wav")):
        signal, rate = soundfile.read(path, always_2d=True)
        if rate != RATE_HZ:
            signal = ss.resample_poly(signal, RATE_HZ, rate, axis=0)
        if signal.shape[1] == 1:
            signal = np.repeat(signal, 2, axis=1)
        hits[path.stem] = signal[: 2 * RATE_HZ].T
    return hits


def _drums(kit: str, rng: np.random.Generator) -> Array:
    """Pattern of sixteenths, hits drawn by strength, as a drummer plays: no two alike."""
    hits = _hits(kit)
    frames = round(LENGTH_S * RATE_HZ)
    drums = np.zeros((2, frames + 3 * RATE_HZ))
    step = 60.0 / float(rng.uniform(84, 132)) / 4.0

    def play(piece: str, time_s: float, gain: float) -> None:
        names = [name for name in hits if name.rsplit(" ", 1)[0] == piece]
        hit = hits[str(rng.choice(names))]
        first = max(0, round((time_s + float(rng.normal(0.0, 0.004))) * RATE_HZ))
        drums[:, first : first + hit.shape[1]] += gain * float(10 ** (rng.normal(0.0, 2.0) / 20)) * hit

    for index in range(int(LENGTH_S / step)):
        time_s, beat = index * step, index % 16
        if beat in (0, 8) or rng.random() < 0.08:
            play("kick", time_s, 1.0)
        if beat in (4, 12):
            play("snare", time_s, 0.8)
        elif rng.random() < 0.06:
            play("ghost", time_s, 0.4)
        if beat % 2 == 0:
            play("hat", time_s, 0.35)
    drums = drums[:, :frames]
    return 0.5 * drums / np.abs(drums).max()


def _voice(name: str, rng: np.random.Generator) -> Array:
    [path] = sorted(material.voice(name).glob("*.wav"))[:1]
    signal, rate = soundfile.read(path, always_2d=True)
    if rate != RATE_HZ:
        ratio = Fraction(RATE_HZ, rate)
        signal = ss.resample_poly(signal, ratio.numerator, ratio.denominator, axis=0)
    frames = min(len(signal), round(LENGTH_S * RATE_HZ))
    first = int(rng.integers(0, len(signal) - frames + 1))
    return np.ascontiguousarray(signal[first : first + frames, :1].T)


def _takes(folder: Path, half: Half, rng: np.random.Generator) -> tuple[str, Array]:
    """Recordings of one source of the half, played one after another."""
    halves = {row["source"]: row["half"] for row in csv.DictReader((folder / "split.csv").open())}
    rows = [row for row in csv.DictReader((folder / "manifest.csv").open()) if halves[row["source_repository"]] == half]
    by_source: dict[str, list[str]] = {}
    for row in rows:
        if row["sample_rate_hz"] == str(RATE_HZ) and "noise" not in row["kind"] and row["role"] != "ambience":
            by_source.setdefault(row["source_repository"], []).append(row["file"])
    sources = sorted(source for source, files in by_source.items() if len(files) >= 6)
    source = sources[int(rng.integers(len(sources)))]
    frames = round(LENGTH_S * RATE_HZ)
    parts: list[Array] = []
    while sum(part.size for part in parts) < frames:
        for file in rng.permutation(by_source[source]):
            signal, _ = soundfile.read(folder / str(file), always_2d=True)
            take = signal.mean(axis=1)[: 6 * RATE_HZ]
            fade = np.minimum(1.0, np.arange(take.size)[::-1] / 2000.0) * np.minimum(1.0, np.arange(take.size) / 50.0)
            parts.append(take * fade)
    joined = np.concatenate(parts)[:frames]
    return source, 0.5 * joined[None] / np.abs(joined).max()


def music(
    half: Half, rng: np.random.Generator, folder: Path | None, *, stereo: bool = False, lively: bool = False
) -> tuple[str, Array]:
    """(name, (channels, frames)) of real music of a half.

    Parameters
    ----------
    half : {"tune", "verify"}
    rng : Generator
    folder : Path, optional
        Folder of single recordings with `manifest.csv` and `split.csv`; without it, songs, voices and drums only.
    stereo : bool
        True for what has two sides.
    lively : bool
        True for what has loud and soft moments.
    """
    choices = ["song", "guitar", "drums"] if stereo else ["song", "guitar", "drums", "voice", "takes"]
    if lively:
        choices = ["guitar", "drums", "drums", "voice", "takes", "song"]
    if folder is None and "takes" in choices:
        choices.remove("takes")
    choice = str(rng.choice(choices))
    if choice in ("song", "guitar"):
        title = str(rng.choice(SONGS[half]))
        return f"{choice} {title}", _song(title, choice, rng)
    if choice == "drums":
        return f"drums {KITS[half]}", _drums(KITS[half], rng)
    if choice == "voice":
        return f"voice {VOICES[half]}", _voice(VOICES[half], rng)
    assert folder is not None
    return _takes(folder, half, rng)


def _levels_db(signal: Array) -> Array:
    """Levels of 10 ms while it plays, in dBFS of a sine's RMS."""
    hop = RATE_HZ // 100
    power = np.mean(signal[:, : signal.shape[1] // hop * hop].reshape(signal.shape[0], -1, hop) ** 2, axis=(0, 2))
    level = 10 * np.log10(power + 1e-12) + SINE_DB
    return np.asarray(level[level > np.percentile(level, 98) - 30])


def _db(value: float) -> float:
    return float(10 ** (value / 20))


def _compressed(signal: Array, rng: np.random.Generator) -> tuple[Array, dict[str, Any]]:
    """Through ffmpeg's or sox's compressor."""
    levels = _levels_db(signal)
    ratio = float(rng.choice([1.5, 2.0, 2.5, 3.0, 4.0, 6.0]))
    attack_ms, release_ms = float(2 ** rng.uniform(0.5, 5.0)), float(2 ** rng.uniform(5.3, 8.5))
    tool = str(rng.choice(["ffmpeg peak", "ffmpeg rms", "sox"]))
    threshold = float(np.percentile(levels, rng.uniform(25, 70)))
    makeup = float(rng.uniform(0, 5))
    if tool == "sox":
        knee = float(rng.choice([0.0, 6.0]))
        # what sox does not reach stays on the line through zero
        lift = (1.0 - 1.0 / ratio) * threshold
        points = f"{'' if not knee else f'{knee:g}:'}{threshold - 40:.3f},{threshold - 40:.3f},{threshold:.3f},{threshold:.3f},0,{lift:.3f}"
        after = (
            sox(10.0 * signal, ["compand", f"{attack_ms / 1000:.5f},{release_ms / 1000:.5f}", points, f"{makeup:.3f}"])
            / 10.0
        )
        senses = "peak"
    else:
        senses = tool.split()[1]
        amplitude = _db(threshold - (SINE_DB if senses == "rms" else 0.0))
        amplitude = min(max(amplitude, 0.001), 1.0)
        threshold = 20 * float(np.log10(amplitude)) + (SINE_DB if senses == "rms" else 0.0)
        after = ffmpeg(
            signal,
            f"acompressor=threshold={amplitude:.6f}:ratio={ratio}:attack={4 * attack_ms:.3f}:release={4 * release_ms:.3f}:"
            f"knee={rng.choice([1.0, 2.0, 2.82843])}:detection={senses}:makeup={_db(makeup):.5f}:link=maximum",
        )
    return after, {
        "tool": tool, "threshold_dbfs": threshold, "ratio": ratio, "attack_ms": attack_ms, "release_ms": release_ms, "makeup_db": makeup,
        "senses": senses, "says": {"compressor"},
    }  # fmt: skip


def _late(signal: Array, samples: float) -> Array:
    """Later by any part of a sample, by turning the spectrum."""
    size = signal.shape[1] + 4096
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * samples)
    return np.ascontiguousarray(
        np.fft.irfft(np.fft.rfft(signal, size, axis=1) * turn, size, axis=1)[:, : signal.shape[1]]
    )


def _room(rng: np.random.Generator, channels: int) -> tuple[Array, dict[str, float]]:
    """Impulse response of noise that dies away by 60 dB in a known time (ISO 3382), in all octaves alike, behind a pre-delay."""
    decay_s, pre_ms = float(rng.uniform(0.5, 2.5)), float(rng.uniform(8, 45))
    frames = round(1.3 * decay_s * RATE_HZ)
    tail = rng.standard_normal((channels, frames)) * 10 ** (-3.0 * np.arange(frames) / RATE_HZ / decay_s)
    tail /= np.sqrt(np.sum(tail**2, axis=1, keepdims=True))
    return np.pad(tail, ((0, 0), (round(pre_ms * RATE_HZ / 1000), 0))), {"decay_s": decay_s, "pre_delay_ms": pre_ms}


def _tone_effects(kind: str, rng: np.random.Generator) -> tuple[list[str], list[dict[str, Any]]]:
    if kind == "bell":
        hz, q = float(2 ** rng.uniform(np.log2(150), np.log2(6000))), float(rng.uniform(0.7, 3.0))
        gain = float(rng.uniform(2, 8) * rng.choice([-1, 1]))
        return ["equalizer", f"{hz:.2f}", f"{q:.3f}q", f"{gain:.3f}"], [{"block": "bell", "hz": hz, "gain_db": gain}]
    low, high = float(rng.uniform(60, 160)), float(rng.uniform(2500, 6500))
    gain = float(rng.uniform(2, 6) * rng.choice([-1, 1]))
    effects = ["highpass", "-2", f"{low:.2f}", "0.7071q", "treble", f"{gain:.3f}", f"{high:.2f}", "0.7071q"]
    return effects, [
        {"block": "high-pass", "hz": low, "gain_db": None},
        {"block": "high-shelf", "hz": high, "gain_db": gain},
    ]


def make_case(kind: str, half: Half, number: int, folder: Path | None = None) -> BlindCase:
    """Blind case of a kind, drawn by its number.

    Parameters
    ----------
    kind : str
        Of `KINDS`.
    half : {"tune", "verify"}
    number : int
        Draws music and settings.
    folder : Path, optional
        Folder of single recordings.
    """
    require("sox")
    require("ffmpeg")
    rng = np.random.default_rng([SEED, KINDS.index(kind), number, 0 if half == "tune" else 1])
    lively = kind in (
        "compressor", "gate", "tone and compressor", "parallel compression", "limiter", "upward compressor", "unlinked compressor",
        "compressor and tone",
    )  # fmt: skip
    stereo = kind in ("widening", "unlinked compressor", "processor on the mid")
    name, before = music(half, rng, folder, stereo=stereo, lively=lively and not stereo)
    case = BlindCase(kind=kind, material=name, before=before, after=before, truth={"says": set()})
    for _ in range(6):
        _MAKERS[kind](case, rng, half, folder)
        # what is never above its threshold, or always, does nothing: settings are drawn again
        if not lively or _changed_db(case) > -38.0:
            break
    return case


def _changed_db(case: BlindCase) -> float:
    """Level of what a constant gain leaves of AFTER, against AFTER."""
    gain = np.sum(case.before * case.after) / np.sum(case.before**2)
    return float(10 * np.log10(np.sum((case.after - gain * case.before) ** 2) / np.sum(case.after**2) + 1e-20))


def _make_tone(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    effects, shapes = _tone_effects(case.kind, rng)
    case.after = sox(case.before, effects)
    case.truth = {"says": {"tone"}, "shapes": shapes}


def _make_time(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    polarity = int(rng.choice([1, -1]))
    delay = float(rng.uniform(5, 3000))
    case.after = polarity * _late(case.before, delay)
    case.truth = {"says": {"delay"} | ({"polarity"} if polarity < 0 else set()), "delay_samples": delay}


def _make_clock(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    if rng.random() < 0.5:
        case.after = sox(case.before, ["rate", "-v", "48000"])
        case.after_rate_hz = 48000
        case.truth = {"says": set()}
        return
    frames = case.before.shape[1]
    ppm = float(rng.uniform(15, 120) * rng.choice([-1, 1]))
    longer = round(frames * (1 + ppm * 1e-6))
    case.after = np.ascontiguousarray(ss.resample(case.before, longer, axis=1))
    case.truth = {"says": {"drift"}, "drift_ppm": 1e6 * (longer / frames - 1)}


def _make_width(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    gain = float(rng.uniform(2, 6) * rng.choice([-1, 1]))
    middle, side = 0.5 * (case.before[0] + case.before[1]), 0.5 * (case.before[0] - case.before[1])
    case.after = np.stack([middle + _db(gain) * side, middle - _db(gain) * side])
    case.truth = {"says": {"width"}, "side_db": gain}


def _make_same(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    gain = 0.0 if rng.random() < 0.5 else float(rng.uniform(-9, 3))
    case.after = _db(gain) * case.before
    case.truth = {"says": set(), "gain_db": gain}


def _make_unrelated(case: BlindCase, rng: np.random.Generator, half: Half, folder: Path | None) -> None:
    name, case.after = music(half, rng, folder)
    while name == case.material and not name.startswith(("song", "guitar")):
        name, case.after = music(half, rng, folder)
    channels = min(case.before.shape[0], case.after.shape[0])
    case.before, case.after = case.before[:channels], case.after[:channels]
    case.truth = {"says": {"unrelated"}}
    if name == case.material:
        # the same song at another time: turned round it shares nothing
        case.after = np.ascontiguousarray(case.after[:, ::-1])


def _make_compressor(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    case.after, case.truth = _compressed(case.before, rng)


def _make_limiter(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    peaks = (
        np.abs(case.before[:, : case.before.shape[1] // 441 * 441])
        .reshape(case.before.shape[0], -1, 441)
        .max(axis=(0, 2))
    )
    limit = float(np.clip(np.percentile(peaks, rng.uniform(60, 90)), 0.0626, 1.0))
    release_ms = float(2 ** rng.uniform(4.5, 8))
    case.after = ffmpeg(case.before, f"alimiter=limit={limit:.5f}:attack=5:release={release_ms:.2f}:level=0")
    case.truth = {"says": {"limiter"}, "threshold_dbfs": 20 * float(np.log10(limit))}


def _make_gate(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    levels = _levels_db(case.before)
    threshold = float(np.percentile(levels, rng.uniform(25, 50)))
    range_db, ratio = float(rng.uniform(12, 40)), float(rng.choice([2.0, 4.0, 8.0]))
    attack_ms, release_ms = float(2 ** rng.uniform(-1, 2)), float(2 ** rng.uniform(4.5, 7))
    case.after = ffmpeg(
        case.before,
        f"agate=threshold={_db(threshold):.6f}:ratio={ratio}:range={_db(-range_db):.5f}:attack={4 * attack_ms:.3f}:"
        f"release={4 * release_ms:.3f}:knee=1:detection=peak:link=maximum",
    )
    case.truth = {
        "says": {"gate"},
        "threshold_dbfs": threshold,
        "ratio": ratio,
        "range_db": range_db,
        "attack_ms": attack_ms,
        "release_ms": release_ms,
    }


def _make_tone_compressor(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    effects, shapes = _tone_effects(str(rng.choice(["bell", "high-pass and shelf"])), rng)
    shaped = sox(case.before, effects)
    case.after, case.truth = _compressed(shaped, rng)
    case.truth |= {"says": {"tone", "compressor"}, "shapes": shapes, "order": "second"}


def _make_parallel(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    squashed, truth = _compressed(case.before, rng)
    share = float(rng.uniform(0.3, 0.7))
    case.after = (1 - share) * case.before + share * squashed
    case.truth = {**truth, "blend": share, "says": {"compressor"}, "parallel": True}


def _make_saturation(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    drive = _db(float(rng.uniform(3, 15)))
    signal = case.before / np.abs(case.before).max()
    shape = str(rng.choice(["tanh", "cubic", "atan", "uneven"]))
    if shape == "uneven":
        bent = np.tanh(drive * signal + 0.25)
        bent -= np.tanh(0.25)
    elif shape == "tanh":
        bent = np.tanh(drive * signal)
    else:
        bent = ffmpeg(drive * signal, f"asoftclip=type={shape}")
    case.before = 0.7 * signal
    case.after = 0.6 * bent / np.abs(bent).max()
    case.truth = {"says": {"saturation"}, "drive": drive, "shape": shape}


def _make_reverb(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    room, truth = _room(rng, case.before.shape[0])
    wet_db = float(rng.uniform(-16, -3))
    wet = ss.oaconvolve(case.before, room, axes=1)[:, : case.before.shape[1]]
    wet *= _db(wet_db) * float(np.sqrt(np.sum(case.before**2) / np.sum(wet**2)))
    case.after = case.before + wet
    case.truth = {"says": {"reverb"}, **truth, "wet_db": wet_db}


def _make_echo(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    count = int(rng.integers(1, 4))
    times = np.sort(rng.uniform(60, 600, count))
    levels = rng.uniform(0.2, 0.6, count)
    while count > 1 and float(np.diff(times).min()) < 20:
        times = np.sort(rng.uniform(60, 600, count))
    case.after = ffmpeg(
        case.before,
        f"aecho=1:0.7:{'|'.join(f'{time:.1f}' for time in times)}:{'|'.join(f'{level:.3f}' for level in levels)}",
    )
    case.truth = {
        "says": {"echo"}, "echo_times_ms": [round(float(time), 1) for time in times], "echo_levels_db": [20 * float(np.log10(level)) for level in levels],
    }  # fmt: skip


def _make_modulation(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    if rng.random() < 0.5:
        rate, depth = float(rng.uniform(1.0, 9.0)), float(rng.uniform(30, 80))
        case.after = sox(case.before, ["tremolo", f"{rate:.2f}", f"{depth:.0f}"])
        case.truth = {"says": {"tremolo"}, "rate_hz": rate}
        return
    rate = float(rng.uniform(0.3, 2.0))
    case.after = ffmpeg(
        case.before,
        f"chorus=0.7:0.9:{rng.uniform(25, 55):.1f}:{rng.uniform(0.4, 0.8):.2f}:{rate:.2f}:{rng.uniform(1.5, 3):.2f}",
    )
    case.truth = {"says": {"chorus"}, "rate_hz": rate}


def _make_noise(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    level = 10 * float(np.log10(np.mean(case.before**2))) + SINE_DB
    noise_db = level - float(rng.uniform(25, 50))
    time = np.arange(case.before.shape[1]) / RATE_HZ
    if rng.random() < 0.5:
        noise = np.broadcast_to(rng.standard_normal(time.size), case.before.shape)
        case.truth = {"says": {"noise"}, "noise_dbfs": noise_db}
    else:
        mains = float(rng.choice([50.0, 60.0])) * (1 + float(rng.uniform(-0.002, 0.002)))
        lines = [(n, float(rng.uniform(0.2, 1.0)) / n) for n in (1, 2, 3, 5, 7)]
        hum = sum(size * np.sin(2 * np.pi * n * mains * time + float(rng.uniform(0, 6))) for n, size in lines)
        noise = np.broadcast_to(np.asarray(hum), case.before.shape)
        case.truth = {"says": {"hum"}, "hum_dbfs": noise_db, "mains_hz": mains}
    case.after = case.before + noise * _db(noise_db - SINE_DB) / float(np.sqrt(np.mean(noise**2)))


def _make_ride(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    seconds = case.before.shape[1] / RATE_HZ
    count = int(rng.integers(4, 9))
    times = np.sort(rng.uniform(0, seconds, count))
    gains = rng.uniform(-8, 4, count)
    curve = np.interp(np.arange(case.before.shape[1]) / RATE_HZ, times, gains)
    case.after = case.before * 10 ** (ss.filtfilt(*ss.butter(1, 2.0, fs=RATE_HZ), curve) / 20)
    case.truth = {"says": {"gain movement"}, "ride_db": float(curve.max() - curve.min())}


def _make_cut(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    frames = case.before.shape[1]
    what = str(rng.choice(["shorter", "starts later", "cut inside"]))
    if what == "cut inside":
        first = int(rng.uniform(0.3, 0.6) * frames)
        gone = int(rng.uniform(1.0, 4.0) * RATE_HZ)
        case.after = np.concatenate([case.before[:, :first], case.before[:, first + gone :]], axis=1)
    elif what == "shorter":
        case.after = case.before[:, : int(rng.uniform(0.3, 0.7) * frames)]
    else:
        case.after = case.before[:, int(rng.uniform(0.2, 0.6) * frames) :]
    case.truth = {"says": {"unused"}, "what": what}
    if rng.random() < 0.5:
        effects, shapes = _tone_effects("bell", rng)
        case.after = sox(case.after, effects)
        case.truth |= {"says": {"unused", "tone"}, "shapes": shapes}


def _make_upward(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    """Soft moments lifted up to a range, by sox or ffmpeg, each of which joins points of a level curve by straight lines."""
    levels = _levels_db(case.before)
    threshold = float(np.percentile(levels, rng.uniform(55, 85)))
    ratio, range_db = float(rng.choice([1.5, 2.0, 3.0])), float(rng.uniform(6, 14))
    foot = threshold - range_db / (1.0 - 1.0 / ratio)
    attack_ms, release_ms = float(2 ** rng.uniform(1, 5)), float(2 ** rng.uniform(5.3, 8))
    curve = [(foot - 60.0, foot - 60.0 + range_db), (foot, foot + range_db), (threshold, threshold), (20.0, 20.0)]
    if rng.random() < 0.5:
        points = ",".join(f"{low - 20:.3f},{high - 20:.3f}" for low, high in curve)
        case.after = sox(case.before, ["compand", f"{attack_ms / 1000:.5f},{release_ms / 1000:.5f}", points])
    else:
        points = "|".join(f"{low:.3f}/{high:.3f}" for low, high in curve)
        case.after = ffmpeg(
            case.before,
            f"compand=attacks={attack_ms / 1000:.5f}:decays={release_ms / 1000:.5f}:points={points}:soft-knee=0.01",
        )
    case.truth = {
        "says": {"upward compressor"}, "threshold_dbfs": threshold, "ratio": ratio, "range_db": range_db, "attack_ms": attack_ms,
        "release_ms": release_ms,
    }  # fmt: skip


def _make_unlinked(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    """Each side through a compressor of its own, alike; what differs between the sides is drawn apart a little more."""
    balance = _db(float(rng.uniform(2, 6) * rng.choice([-1, 1])))
    case.before = np.stack([case.before[0], balance * case.before[1]]) * min(1.0, 1.0 / balance)
    levels = _levels_db(case.before)
    ratio, senses = float(rng.choice([2.0, 3.0, 4.0])), str(rng.choice(["peak", "rms"]))
    threshold = float(np.percentile(levels, rng.uniform(25, 60)))
    attack_ms, release_ms = float(2 ** rng.uniform(1, 5)), float(2 ** rng.uniform(5.3, 8))
    amplitude = min(max(_db(threshold - (SINE_DB if senses == "rms" else 0.0)), 0.001), 1.0)
    chain = (
        f"acompressor=threshold={amplitude:.6f}:ratio={ratio}:attack={4 * attack_ms:.3f}:release={4 * release_ms:.3f}:knee=1:"
        f"detection={senses}"
    )
    case.after = np.concatenate([ffmpeg(case.before[side : side + 1], chain) for side in (0, 1)])
    case.truth = {
        "says": {"compressor"}, "threshold_dbfs": 20 * float(np.log10(amplitude)) + (SINE_DB if senses == "rms" else 0.0), "ratio": ratio,
        "attack_ms": attack_ms, "release_ms": release_ms, "link": "dual",
    }  # fmt: skip


def _make_compressor_tone(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    effects, shapes = _tone_effects(str(rng.choice(["bell", "high-pass and shelf"])), rng)
    squashed, case.truth = _compressed(case.before, rng)
    case.after = sox(squashed, effects)
    case.truth |= {"says": {"tone", "compressor"}, "shapes": shapes, "order": "first"}


def _make_two(case: BlindCase, rng: np.random.Generator, half: Half, folder: Path | None) -> None:
    """Two of tone, saturation, reverb and a compressor, one behind the other."""
    pairs = [
        ("tone", "saturation"),
        ("tone", "reverb"),
        ("compressor", "reverb"),
        ("saturation", "compressor"),
        ("tone", "noise or hum"),
    ]
    pair = [str(name) for name in rng.permutation(pairs[int(rng.integers(len(pairs)))])]
    says: set[str] = set()
    first = case.before
    signal = case.before
    for name in pair:
        case.before = signal
        if name == "tone":
            signal = sox(signal, _tone_effects(str(rng.choice(["bell", "high-pass and shelf"])), rng)[0])
            says.add("tone")
            continue
        _MAKERS[name](case, rng, half, folder)
        says |= case.truth["says"]
        if name == "saturation" and signal is first:
            # it sets its own input level
            first = case.before
        signal = case.after
    case.before, case.after = first, signal
    case.truth = {"says": says, "two": pair}


def _make_mid(case: BlindCase, rng: np.random.Generator, *_: object) -> None:
    """Tone or a compressor on the middle or on the sides only."""
    legs = [0.5 * (case.before[0] + case.before[1]), 0.5 * (case.before[0] - case.before[1])]
    leg = int(rng.integers(2))
    if rng.random() < 0.5:
        effects, shapes = _tone_effects("bell", rng)
        legs[leg] = sox(legs[leg][None], effects)[0]
        case.truth = {"says": {"tone", "width"}, "shapes": shapes}
    else:
        squashed, truth = _compressed(legs[leg][None], rng)
        legs[leg] = squashed[0] / _db(truth["makeup_db"])
        case.truth = {**truth, "makeup_db": 0.0, "says": {"compressor"}}
    case.truth |= {"leg": ("mid", "side")[leg]}
    case.after = np.stack([legs[0] + legs[1], legs[0] - legs[1]])


_MAKERS: Final[dict[str, Any]] = {
    "bell": _make_tone, "high-pass and shelf": _make_tone, "polarity or delay": _make_time, "rate or drift": _make_clock,
    "widening": _make_width, "identity": _make_same, "unrelated": _make_unrelated, "compressor": _make_compressor, "limiter": _make_limiter,
    "gate": _make_gate, "tone and compressor": _make_tone_compressor, "parallel compression": _make_parallel, "saturation": _make_saturation,
    "reverb": _make_reverb, "echo": _make_echo, "modulation": _make_modulation, "noise or hum": _make_noise, "gain movement": _make_ride,
    "cut or shorter": _make_cut, "upward compressor": _make_upward, "unlinked compressor": _make_unlinked,
    "compressor and tone": _make_compressor_tone, "two effects": _make_two, "processor on the mid": _make_mid,
}  # fmt: skip


def write_case(case: BlindCase, folder: Path) -> tuple[Path, Path]:
    """Write both recordings in 32-bit float; their files."""
    paths = folder / "before.wav", folder / "after.wav"
    soundfile.write(paths[0], case.before.T, RATE_HZ, subtype="FLOAT")
    soundfile.write(paths[1], case.after.T, case.after_rate_hz, subtype="FLOAT")
    return paths


def scratch() -> tempfile.TemporaryDirectory[str]:
    """Folder for the two recordings of a case."""
    return tempfile.TemporaryDirectory()
