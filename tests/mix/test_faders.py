"""Faders planted in mixes of real stems, songs and voices, and found again; what cannot be told apart is not told.

The mix is made with numpy here: gains, and one channel in the centre at -3.01 dB.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from deskhand.measure.figures import measure_figures
from deskhand.mix.bus import Strip
from deskhand.mix.faders import find_faders
from tests.support import material
from tests.support.chain import read
from tests.support.feed import Feed
from tests.support.signals import white

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.mix.faders import Fader

pytestmark = pytest.mark.real

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


@pytest.mark.source("planted here with numpy: the faders that made the mix")
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("title", material.TITLES[:2])
def test_faders_of_a_band(title: str, seed: int) -> None:
    sources = band(title)
    written_db, true_db = planted(list(sources), seed)
    faders = found(sources, mixed(sources, true_db), written_db)
    off_db = errors_db(faders, true_db)
    assert set(off_db) == set(sources)
    assert max(map(abs, off_db.values())) < 1.5
    for name, fader in faders.items():
        assert fader.written_db == written_db[name]
        assert fader.measured_db_pm is not None
        assert fader.over_time_db
        for _, level_db in fader.over_time_db:
            assert level_db == pytest.approx(fader.measured_db, abs=2.0)


@pytest.mark.source("planted here with numpy: the faders that made the mix")
@pytest.mark.parametrize("seed", range(3))
def test_faders_of_stems(seed: int) -> None:
    sources = stems()
    written_db, true_db = planted(list(sources), seed)
    faders = found(sources, mixed(sources, true_db), written_db)
    off_db = errors_db(faders, true_db)
    assert len(off_db) >= 3
    for name, value_db in off_db.items():
        # within 1.5 dB, or within what it says itself
        assert abs(value_db) < max(1.5, faders[name].measured_db_pm or 0.0), name


def test_a_fader_that_moves_is_seen_over_time() -> None:
    sources = band(material.TITLES[0])
    steady = dict.fromkeys(sources, WRITTEN_DB)
    half = LENGTH_S * RATE_HZ * 2 // 3
    mix = mixed(sources, steady)
    mix[:, half:] = mixed(sources, steady | {"guitar": WRITTEN_DB + 6.0})[:, half:]
    over = dict(found(sources, mix)["guitar"].over_time_db)
    assert set(over) == {0.0, 20.0}
    assert over[20.0] - over[0.0] == pytest.approx(6.0, abs=1.0)


def test_what_is_not_in_the_mix_is_not_told() -> None:
    sources = band(material.TITLES[0]) | {"silent": np.zeros((1, LENGTH_S * RATE_HZ))}
    true_db: dict[str, float | None] = dict.fromkeys(sources, WRITTEN_DB)
    true_db["vocadito_10"] = None
    faders = found(sources, mixed(sources, true_db))
    assert faders["silent"].measured_db is None
    assert faders["vocadito_10"].measured_db is None
    assert faders["vocadito_10"].over_time_db == ()
    others_db = dict.fromkeys(("guitar", "song", "vocadito_14"), WRITTEN_DB)
    off_db = errors_db(faders, others_db)
    assert set(off_db) == set(others_db)
    assert max(map(abs, off_db.values())) < 1.0


def test_what_drowns_is_not_told() -> None:
    sources = band(material.TITLES[0])
    true_db = dict.fromkeys(sources, WRITTEN_DB)
    faders = found(sources, mixed(sources, true_db | {"vocadito_14": WRITTEN_DB - 50.0}))
    assert faders["vocadito_14"].measured_db is None


def test_the_level_of_the_whole_mix_does_not_matter() -> None:
    sources = band(material.TITLES[1])
    true_db = dict.fromkeys(sources, WRITTEN_DB) | {"guitar": 0.0}
    mix = mixed(sources, true_db)
    plain, loud = (found(sources, gain * mix) for gain in (0.25, 1.0))
    for name, fader in plain.items():
        assert fader.measured_db == pytest.approx(loud[name].measured_db, abs=0.2)


def test_something_else_in_the_mix_does_little(rng: np.random.Generator) -> None:
    sources = band(material.TITLES[0])
    true_db = dict.fromkeys(sources, WRITTEN_DB)
    mix = mixed(sources, true_db)
    mix += white(rng, LENGTH_S, -50.0, rate_hz=RATE_HZ)
    assert max(map(abs, errors_db(found(sources, mix), true_db).values())) < 1.5


@pytest.mark.parametrize(("first_db", "second_db"), [(-6.0, -6.0), (-16.0, -6.0)])
def test_two_tracks_of_one_sound_are_not_told(first_db: float, second_db: float) -> None:
    sources = band(material.TITLES[0])
    sources = sources | {"twin": sources["guitar"]}
    true_db = dict.fromkeys(sources, WRITTEN_DB) | {"guitar": first_db, "twin": second_db}
    faders = found(sources, mixed(sources, true_db))
    for name in ("guitar", "twin"):
        fader = faders[name]
        assert fader.measured_db is None or (fader.measured_db_pm or 0.0) >= abs(fader.measured_db - true_db[name])


def test_a_silent_mix_tells_nothing() -> None:
    faders = found(band(material.TITLES[0]), np.zeros((2, LENGTH_S * RATE_HZ)))
    assert all(fader.measured_db is None for fader in faders.values())
