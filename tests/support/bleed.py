"""A microphone that hears its neighbour through the air."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soundfile
from scipy.ndimage import binary_erosion

from deskhand.measure.bleed import bleed
from tests.support import material
from tests.support.signals import amplitude, hits, plucks, speech_like

if TYPE_CHECKING:
    from pathlib import Path

REAL_HZ: Final = 44100

SYNTHETIC_HZ: Final = 16000

LENGTH_S: Final = 60

ROOM_S: Final = 0.4

SUNG_DB: Final = 20.0

STANDS_OUT_DB: Final = 6.0


def mono(path: Path) -> np.ndarray:
    samples, rate_hz = soundfile.read(path, always_2d=True)
    assert rate_hz == REAL_HZ
    return np.asarray(samples.mean(axis=1))


def powers(sound: np.ndarray, rate_hz: int) -> np.ndarray:
    """Mean square of each 100 ms."""
    hop = rate_hz // 10
    count = sound.size // hop
    return np.asarray((sound[: count * hop] ** 2).reshape(count, hop).mean(axis=1))


def loud(power: np.ndarray) -> float:
    return float(np.percentile(power, 95))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """Sounds before they meet in the microphone, and what comes there of them, as loud as the voice."""

    rate_hz: int
    voice: np.ndarray
    others: dict[str, np.ndarray]
    in_the_room: dict[str, np.ndarray]
    noise: np.ndarray


@functools.cache
def stage(kind: str, seed: int) -> Stage:
    rng = np.random.default_rng(4000 + seed)
    rate_hz = REAL_HZ if kind == "real" else SYNTHETIC_HZ
    frames = LENGTH_S * rate_hz
    if kind == "real":
        stems = material.song_stems()
        sounds = {stem: mono(stems / f"{stem}.wav") for stem in ("drums", "bass", "other")}
        singers = [mono(material.voice(name) / "voice.wav") for name in material.VOICES]
    else:
        sounds = {
            "drums": hits(rng, 7.0, every_s=0.45, rate_hz=rate_hz),
            "bass": plucks(rng, 9.0, every_s=0.9, rate_hz=rate_hz),
            "other": plucks(rng, 11.0, every_s=0.3, rate_hz=rate_hz),
        }
        singers = [speech_like(rng, 12.0, -20.0, rate_hz=rate_hz)]
    # phrases of 2 to 6 s from anywhere in the singing, and pauses of 1 to 5 s of digital silence
    parts: list[np.ndarray] = []
    ramp = np.linspace(0, 1, rate_hz // 50)
    while sum(part.size for part in parts) < frames:
        whole = singers[rng.integers(len(singers))]
        length = int(rng.uniform(2.0, 6.0) * rate_hz)
        first = rng.integers(0, whole.size - length)
        phrase = whole[first : first + length].copy()
        phrase[: ramp.size] *= ramp
        phrase[-ramp.size :] *= ramp[::-1]
        parts += [phrase, np.zeros(int(rng.uniform(1.0, 5.0) * rate_hz))]
    voice = np.concatenate(parts)[:frames]
    others = {name: np.resize(sound, frames) for name, sound in sounds.items()}
    # the drummer plays each second louder or softer
    others["drums"] = others["drums"] * np.repeat(10.0 ** (rng.uniform(-8.0, 0.0, LENGTH_S) / 20), rate_hz)
    decay = np.arange(int(ROOM_S * rate_hz)) / rate_hz
    room = rng.standard_normal(decay.size) * 10.0 ** (-3.0 * decay / ROOM_S)
    room[0] = 10.0
    level = loud(powers(voice, rate_hz))
    in_the_room = {}
    for name in ("drums", "other"):
        heard = ss.fftconvolve(others[name], room)[:frames]
        in_the_room[name] = heard * np.sqrt(level / loud(powers(heard, rate_hz)))
    return Stage(
        rate_hz=rate_hz, voice=voice, others=others, in_the_room=in_the_room, noise=1e-4 * rng.standard_normal(frames)
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """One microphone: what is in it, what of it is bleed, what is predicted."""

    total: np.ndarray
    truth: np.ndarray
    predicted: np.ndarray
    of_others: list[np.ndarray]
    sung: np.ndarray
    rest: np.ndarray


@functools.cache
def heard(kind: str, bleeding: str, below_db: float, seed: int) -> Heard:
    here = stage(kind, seed)
    come = amplitude(-below_db) * here.in_the_room["drums"]
    if bleeding == "drums-and-guitar":
        come = come + amplitude(-below_db - 4.0) * here.in_the_room["other"]
    voice, truth = powers(here.voice, here.rate_hz), powers(come, here.rate_hz)
    total = powers(here.voice + come + here.noise, here.rate_hz)
    predicted, *of_others = bleed([total, *(powers(sound, here.rate_hz) for sound in here.others.values())])
    level = loud(voice[voice > 0])
    sung = (voice > level * 10 ** (-SUNG_DB / 10)) & (voice > truth * 10 ** (STANDS_OUT_DB / 10))
    # 300 ms from singing: the window that touches it is playing
    rest = binary_erosion(voice == 0.0, np.ones(7, np.bool_), border_value=1)
    return Heard(total=total, truth=truth, predicted=predicted, of_others=of_others, sung=sung, rest=rest)


@functools.cache
def stems() -> list[np.ndarray]:
    """The song's stems, over and over, each begun elsewhere and with its own dynamics: together, but not in step."""
    folder = material.song_stems()
    rng = np.random.default_rng(5)
    found = []
    for place, stem in enumerate(material.STEMS):
        power = np.tile(powers(mono(folder / f"{stem}.wav"), REAL_HZ), 12)
        swing = np.repeat(10.0 ** (rng.uniform(-8.0, 0.0, power.size // 20 + 1) / 10), 20)[: power.size]
        found.append(np.roll(power, 17 * place) * swing)
    return found
