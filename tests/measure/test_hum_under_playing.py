"""Mains hum under playing that never pauses is found with its level; songs and low notes are not hum.

Hum of known level and frequency is added to a minute's part of real guitar tracks, which never rest, and to plucked notes.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
import soundfile

from deskhand.measure.hum import find_hum
from tests.support import material
from tests.support.feed import figures_of
from tests.support.signals import RATE_HZ, amplitude, hits, pluck, plucks, sine, white

if TYPE_CHECKING:
    from collections.abc import Callable

    from deskhand.measure.hum import Hum

REAL_HZ: Final = 44100
LENGTH_S: Final = 30.0
"""Twenty windows of 2.7 s, one a second, are the least that is looked at."""
SHARES: Final = {1: 1.0, 2: 0.5, 3: 0.7, 5: 0.4, 7: 0.25, 9: 0.15}
"""Multiples of the mains and their amplitudes, as a bad transformer or a light dimmer makes them (common practice)."""
MAINS: Final = ((50.0, -0.5), (50.0, 0.11), (60.0, -0.23), (60.0, 0.37))
"""(nominal, off)."""


def song(title: str, part: str, *, from_s: float = 60.0, length_s: float = LENGTH_S) -> np.ndarray:
    """(2, frames) of a song's guitar, or of all else in it."""
    path = material.guitar_song(title) / f"{part}.wav"
    samples, rate_hz = soundfile.read(
        path, start=round(from_s * REAL_HZ), frames=round(length_s * REAL_HZ), always_2d=True
    )
    assert rate_hz == REAL_HZ
    return np.asarray(samples.T)


def hum(frequency_hz: float, level_dbfs: float, *, rate_hz: int) -> np.ndarray:
    lines = [share * sine(n * frequency_hz, LENGTH_S, phase_rad=n, rate_hz=rate_hz) for n, share in SHARES.items()]
    # AES17: a sine of amplitude a has the level of a
    return np.sum(lines, axis=0) / np.sqrt(sum(share**2 for share in SHARES.values())) * amplitude(level_dbfs)


def level_dbfs(sound: np.ndarray) -> float:
    """AES17."""
    return float(10 * np.log10(2 * np.mean(sound**2)))


@functools.cache
def found(playing: str, below_db: float) -> tuple[float, list[Hum | None]]:
    """Level of the hum planted, and what was found, for each of `MAINS`."""
    if playing in material.TITLES:
        sound, rate_hz = song(playing, "guitar").mean(axis=0), REAL_HZ
    else:
        sound, rate_hz = plucks(np.random.default_rng(31), LENGTH_S, every_s=0.3), RATE_HZ
    planted_dbfs = level_dbfs(sound) - below_db
    waves = [sound + hum(mains_hz + off_hz, planted_dbfs, rate_hz=rate_hz)[: sound.size] for mains_hz, off_hz in MAINS]
    figures = figures_of(np.stack(waves), sample_rate_hz=rate_hz)
    hums = [
        find_hum(track, figures.grid, mains_hz=mains_hz)
        for track, (mains_hz, _) in zip(figures.tracks, MAINS, strict=True)
    ]
    return planted_dbfs, hums


CASES: Final = [
    ("Escape from chaosland", 20.0),
    ("Escape from chaosland", 25.0),
    ("Feelings", 20.0),
    ("Feelings", 30.0),
    ("Metal madness", 30.0),
    ("War of freedom", 20.0),
    ("plucks", 20.0),
    ("plucks", 25.0),
]


def cases() -> list:
    """Named by the first word and the level."""
    return [
        pytest.param(playing, below, id=f"{playing.split()[0].lower()}-{below:g}-db-below") for playing, below in CASES
    ]


# known truth: the hum is added
@pytest.mark.parametrize(("playing", "below_db"), cases())
def test_hum_is_found(playing: str, below_db: float) -> None:
    _, hums = found(playing, below_db)
    assert None not in hums


@pytest.mark.parametrize(("playing", "below_db"), cases())
def test_its_level(playing: str, below_db: float) -> None:
    planted_dbfs, hums = found(playing, below_db)
    assert [one and one.level_dbfs for one in hums] == pytest.approx([planted_dbfs] * len(hums), abs=2.0)


@pytest.mark.parametrize(("playing", "below_db"), cases())
def test_its_frequency(playing: str, below_db: float) -> None:
    _, hums = found(playing, below_db)
    expected_hz = [mains_hz + off_hz for mains_hz, off_hz in MAINS]
    assert [one and one.frequency_hz for one in hums] == pytest.approx(expected_hz, abs=0.1)


def test_the_other_mains_is_not_said() -> None:
    sound = plucks(np.random.default_rng(31), LENGTH_S, every_s=0.3)
    planted_dbfs = level_dbfs(sound) - 20.0
    waves = np.stack([sound + hum(mains_hz, planted_dbfs, rate_hz=RATE_HZ)[: sound.size] for mains_hz in (50.0, 60.0)])
    figures = figures_of(waves)
    for track, other_hz in zip(figures.tracks, (60.0, 50.0), strict=True):
        assert find_hum(track, figures.grid, mains_hz=other_hz) is None


# the songs have no mains line (tests/support/material.py)
@pytest.mark.parametrize("part", ["guitar", "song"])
@pytest.mark.parametrize(
    "title", [pytest.param(title, id=title.replace(" ", "-").lower()) for title in material.TITLES]
)
def test_songs_are_not_hum(title: str, part: str) -> None:
    figures = figures_of(song(title, part), sample_rate_hz=REAL_HZ)
    for track in figures.tracks:
        assert [find_hum(track, figures.grid, mains_hz=mains_hz) for mains_hz in (50.0, 60.0)] == [None, None]


def test_the_song_mix_is_not_hum() -> None:
    stems = material.song_stems()
    samples, _ = soundfile.read(stems.parent / "mix.wav", always_2d=True)
    mix = np.resize(samples.mean(axis=1), round(LENGTH_S * REAL_HZ))
    bass, _ = soundfile.read(stems / "bass.wav", always_2d=True)
    line = np.resize(bass.mean(axis=1), mix.size)
    figures = figures_of(np.stack([mix, line]), sample_rate_hz=REAL_HZ)
    for track in figures.tracks:
        assert [find_hum(track, figures.grid, mains_hz=mains_hz) for mains_hz in (50.0, 60.0)] == [None, None]


def plucked(seed: int, notes_hz: tuple[float, ...], *, every_s: float) -> np.ndarray:
    """A bass player: one note after the other, a little early or late, soft or loud, a few cents off."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round((LENGTH_S + 2.0 * every_s) * RATE_HZ))
    for count, at_s in enumerate(np.arange(0.05, LENGTH_S, every_s)):
        hz = notes_hz[count % len(notes_hz)] * 2.0 ** (rng.normal(0.0, 3.0) / 1200)
        first = max(0, round((at_s + rng.normal(0.0, 0.01)) * RATE_HZ))
        note = pluck(rng, hz, every_s, decay_s=4.0) * amplitude(-rng.uniform(0.0, 4.0))
        out[first : first + note.size] += note
    return 0.3 * out[: round(LENGTH_S * RATE_HZ)]


def held(hz: float, *, swell_hz: float = 0.25, vibrato_hz: float = 0.0) -> np.ndarray:
    """A synthetic bass whose note never ends: ten partials that fall as a saw's, a slow swell, a little vibrato."""
    time_s = np.arange(round(LENGTH_S * RATE_HZ)) / RATE_HZ
    turns = 2 * np.pi * hz * time_s
    if vibrato_hz:
        turns = turns + 0.003 * hz / vibrato_hz * np.sin(2 * np.pi * vibrato_hz * time_s)
    wave = np.sum([np.sin(n * turns) / n for n in range(1, 11)], axis=0)
    return 0.1 * wave * (1 + 0.3 * np.sin(2 * np.pi * swell_hz * time_s))


def sequenced(hz: float, *, every_s: float = 0.5) -> np.ndarray:
    """A machine's bass: the same samples again and again in exact time."""
    time_s = np.arange(round(every_s * RATE_HZ)) / RATE_HZ
    rise_and_fall = np.minimum(1.0, time_s / 0.01) * np.clip((0.95 * every_s - time_s) / 0.03, 0.0, 1.0)
    note = np.sum([np.sin(2 * np.pi * n * hz * time_s + n) / n for n in range(1, 11)], axis=0) * rise_and_fall
    return 0.1 * np.resize(note, round(LENGTH_S * RATE_HZ))


# equal temperament at 440 Hz: G1 49.00, G sharp 1 51.91, A1 55.00, B flat 1 58.27, B1 61.74 Hz (ISO 16); the mains may be 0.5 Hz off
BASSES: Final[dict[str, Callable[[], np.ndarray]]] = {
    "g1-plucked": lambda: plucked(1, (49.0,), every_s=0.5),
    "g1-plucked-slowly": lambda: plucked(2, (49.0,), every_s=3.0),
    "g1-line": lambda: plucked(3, (49.0, 98.0, 73.42, 65.41, 49.0, 146.83), every_s=0.4),
    "g-sharp-1-line": lambda: plucked(5, (51.91, 103.83, 77.78, 51.91), every_s=0.4),
    "b-flat-1-line": lambda: plucked(6, (58.27, 116.54, 87.31, 58.27), every_s=0.4),
    "g1-held": lambda: held(49.0),
    "g-sharp-1-held": lambda: held(51.91),
    "a1-held": lambda: held(55.0),
    "b-flat-1-held": lambda: held(58.27),
    "b1-held": lambda: held(61.74),
    "g1-held-vibrato": lambda: held(49.0, vibrato_hz=5.3),
    "a1-held-vibrato": lambda: held(55.0, vibrato_hz=5.3),
    "a1-held-vibrato-5-hz": lambda: held(55.0, vibrato_hz=5.0),
    "g1-sequenced-120-bpm": lambda: sequenced(49.0),
    "a1-sequenced-120-bpm": lambda: sequenced(55.0),
}


@pytest.fixture(scope="module")
def basses() -> dict[str, list[Hum | None]]:
    noise = white(np.random.default_rng(9), LENGTH_S, -95.0)
    figures = figures_of(np.stack([make() + noise for make in BASSES.values()]))
    return {
        name: [find_hum(track, figures.grid, mains_hz=mains_hz) for mains_hz in (50.0, 60.0)]
        for name, track in zip(BASSES, figures.tracks, strict=True)
    }


@pytest.mark.parametrize("name", [pytest.param(name, id=name) for name in BASSES])
def test_low_notes_are_not_hum(basses: dict[str, list[Hum | None]], name: str) -> None:
    assert basses[name] == [None, None]


@pytest.mark.parametrize(
    "every_s",
    [
        pytest.param(0.2, id="5-a-second"),
        pytest.param(0.25, id="120-bpm-eighths"),
        pytest.param(0.3, id="100-bpm-eighths"),
        pytest.param(0.5, id="120-bpm-quarters"),
    ],
)
def test_a_drum_machine_is_not_hum(every_s: float) -> None:
    figures = figures_of(hits(np.random.default_rng(7), LENGTH_S, every_s=every_s))
    assert [find_hum(figures.tracks[0], figures.grid, mains_hz=mains_hz) for mains_hz in (50.0, 60.0)] == [None, None]
