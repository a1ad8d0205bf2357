"""Mixes with planted faders, and how far the found ones are off."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.figures import measure_figures
from deskhand.mix.bus import Strip
from deskhand.mix.faders import find_faders
from tests.support import material
from tests.support.chain import read
from tests.support.feed import Feed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.mix.faders import Fader

RATE_HZ: Final = 44100

LENGTH_S: Final = 30

WRITTEN_DB: Final = -6.0


@functools.cache
def stems() -> dict[str, np.ndarray]:
    """One song in four stems, its 5.9 s repeated."""
    folder = material.song_stems()
    sounds = {stem: read(folder / f"{stem}.wav")[0] for stem in material.STEMS}
    return {stem: np.tile(sound, 6)[:, : LENGTH_S * RATE_HZ] for stem, sound in sounds.items()}


@functools.cache
def band(title: str) -> dict[str, np.ndarray]:
    """A guitar, the rest of its song, and two voices (one channel each), which sing over it again and again."""
    folder = material.guitar_song(title)
    sounds = {part: read(folder / f"{part}.wav", from_s=40.0, length_s=LENGTH_S)[0] for part in ("guitar", "song")}
    for name in material.VOICES:
        voice = read(material.voice(name) / "voice.wav")[0]
        sounds[name] = np.tile(voice, -(-LENGTH_S * RATE_HZ // voice.shape[1]))[:, : LENGTH_S * RATE_HZ]
    return sounds


def mixed(sources: Mapping[str, np.ndarray], true_db: Mapping[str, float | None]) -> np.ndarray:
    """(2, frames)."""
    out = np.zeros((2, LENGTH_S * RATE_HZ))
    for name, sound in sources.items():
        level_db = true_db[name]
        if level_db is not None:
            out += 10.0 ** (level_db / 20.0) * (sound if sound.shape[0] == 2 else np.sqrt(0.5) * sound)
    return out


def found(
    sources: Mapping[str, np.ndarray], mix: np.ndarray, written_db: Mapping[str, float] | None = None
) -> dict[str, Fader]:
    strips, at = [], 0
    for name, sound in sources.items():
        rows = tuple(range(at, at + sound.shape[0]))
        strips.append(Strip(source=name, rows=rows, fader_db=(written_db or {}).get(name, WRITTEN_DB)))
        at += sound.shape[0]
    everything = np.concatenate([*sources.values(), mix])
    figures = measure_figures(Feed(everything, sample_rate_hz=RATE_HZ), everything.shape[0])
    return {fader.source: fader for fader in find_faders(figures, strips, (at, at + 1))}


def errors_db(faders: Mapping[str, Fader], true_db: Mapping[str, float]) -> dict[str, float]:
    """Of those told; the level of the whole mix is not known, so their median is taken away."""
    off = {name: f.measured_db - true_db[name] for name, f in faders.items() if f.measured_db is not None}
    middle = float(np.median(list(off.values())))
    return {name: value - middle for name, value in off.items()}


def planted(names: list[str], seed: int) -> tuple[dict[str, float], dict[str, float]]:
    """What is written, and what the desk did: some faders moved by up to 8 dB."""
    rng = np.random.default_rng(seed)
    written_db = {name: float(rng.uniform(-12.0, 0.0)) for name in names}
    return written_db, {
        name: level_db + float(rng.choice([0.0, 0.0, -6.0, 4.0, 8.0])) for name, level_db in written_db.items()
    }
