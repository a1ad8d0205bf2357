"""Mixes with a voice that other sources cover, and an independent judge of it."""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soundfile

from deskhand.mix.bus import source_matrix
from deskhand.mix.clearance import (
    PHRASE_S,
    FeedEnergies,
    FeedMeter,
    gather,
    measure_phrase,
)
from tests.support import material
from tests.support.signals import amplitude, harmonics

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.mix.clearance import Clearance, MiddleTrims

    Sound = NDArray[np.float64]
    """(channels, frames)."""

RATE_HZ: Final = 44100

STEP: Final = 441

LEVEL_DB_SPL: Final = 85.0

"""Of the mono sum of a mix, where nothing else is said."""

TRIMS_DB: Final = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)

KINDS: Final = ("guitar raised by 6 dB", "keys moved to the middle", "bass that covers nothing")

SPEECH_HZ: Final = (300.0, 5000.0)


@functools.cache
def audio(path: Path) -> Sound:
    """(channels, frames) of a whole file; not to be written into."""
    samples, rate_hz = soundfile.read(path, always_2d=True)
    assert rate_hz == RATE_HZ
    return np.ascontiguousarray(samples.T)


def stem(name: str) -> Sound:
    return audio(material.song_stems() / f"{name}.wav")


def song(title: str, part: str) -> Sound:
    return audio(material.guitar_song(title) / f"{part}.wav")


def singer(name: str) -> Sound:
    return audio(material.voice(name) / "voice.wav")


def mono(sound: Sound) -> NDArray[np.float64]:
    """Of what a source is in the feed: a single channel lies 3 dB down on both sides, a pair as it is."""
    return sound.mean(axis=0) if len(sound) == 2 else sound[0] * np.sqrt(0.5)


def power(sound: NDArray[np.floating]) -> float:
    return float(np.mean(np.square(sound)))


def db(ratio: NDArray[np.floating] | float) -> NDArray[np.float64]:
    return 10.0 * np.log10(ratio)


def speech_band(sound: NDArray[np.float64]) -> NDArray[np.float64]:
    return ss.sosfilt(ss.butter(4, SPEECH_HZ, "bandpass", fs=RATE_HZ, output="sos"), sound)


def offset_db(sources: Mapping[str, Sound], level_db_spl: float = LEVEL_DB_SPL) -> float:
    """DB SPL of a mean square of 1 that brings the mono sum to a level."""
    return level_db_spl - float(db(power(np.sum([mono(sound) for sound in sources.values()], axis=0))))


def feed_of(
    sources: Mapping[str, Sound], start_s: float = 0.0, faders_db: Mapping[str, float] | None = None
) -> FeedEnergies:
    meter = FeedMeter(
        {name: source_matrix(len(sound), (faders_db or {}).get(name, 0.0)) for name, sound in sources.items()},
        RATE_HZ,
        pairs=[name for name, sound in sources.items() if len(sound) == 2],
    )
    frames = min(sound.shape[1] for sound in sources.values()) // STEP * STEP
    return meter.take({name: sound[:, :frames] for name, sound in sources.items()}, start_s)


def clearance_of(
    sources: Mapping[str, Sound], *, voice: str = "voice", offset: float | None = None, costs: bool = True
) -> Clearance:
    """Of all of it, in phrases of 4 s."""
    offset = offset_db(sources) if offset is None else offset
    frames = min(sound.shape[1] for sound in sources.values()) // STEP * STEP
    count = max(1, round(frames / RATE_HZ / PHRASE_S))
    edges = [frames // STEP * place // count * STEP for place in range(count + 1)]
    parts = [
        measure_phrase(
            feed_of({name: sound[:, first:last] for name, sound in sources.items()}, first / RATE_HZ),
            voice,
            offset,
            with_costs=costs,
        )
        for first, last in itertools.pairwise(edges)
    ]
    found = gather(parts, voice, [name for name in sources if name != voice])
    assert found is not None
    return found


def costs_of(found: Clearance) -> dict[str, float]:
    return {cost.source: cost.cost_pct for cost in found.by_source}


def pad(rng: np.random.Generator, length_s: float, *, wide: bool = True) -> Sound:
    """Held chords of keys: each note a saw that swells; the sides are detuned against each other and mostly opposed."""
    sides = []
    for side in range(2):
        total = np.zeros(round(length_s * RATE_HZ))
        for first_s in np.arange(0.0, length_s, 2.0):
            root_hz = 220.0 * 2.0 ** (int(rng.integers(-5, 5)) / 12.0)
            for ratio in (1.0, 1.26, 1.5, 2.0):
                span_s = min(2.0, length_s - first_s)
                note = harmonics(root_hz * ratio * (1.0 + 0.003 * side), span_s, peak_dbfs=0.0, odd_only=False,
                                 top_hz=6000.0, rate_hz=RATE_HZ)  # fmt: skip
                swell = np.minimum(1.0, np.minimum(np.arange(note.size), np.arange(note.size)[::-1]) / (0.15 * RATE_HZ))
                first = round(first_s * RATE_HZ)
                total[first : first + note.size] += (note * swell)[: total.size - first]
        sides.append(total)
    both = np.array(sides)
    both /= np.sqrt(power(both))
    middle, side = 0.5 * (both[0] + both[1]), 0.5 * (both[0] - both[1])
    if not wide:
        return np.stack([both[0], both[0]])
    side *= np.sqrt(4.0 * power(middle) / max(power(side), 1e-12))
    return np.stack([middle + side, middle - side])


@functools.cache
def pads(which: int) -> Sound:
    return pad(np.random.default_rng([55, which]), 4.0)


def narrow(pair: Sound) -> Sound:
    """All of a pair's power in its middle."""
    middle = 0.5 * (pair[0] + pair[1])
    return np.stack([middle, middle]) * np.sqrt(power(pair) / power(middle))


def part_of(rng: np.random.Generator, sound: Sound, frames: int) -> Sound:
    """A stretch of it: the loudest of six drawn, for music rests."""
    firsts = [int(rng.integers(0, max(1, sound.shape[1] - frames))) for _ in range(6)]
    best = max(firsts, key=lambda first: power(sound[:, first : first + frames]))
    return sound[:, best : best + frames]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Planted:
    """A mix in which it is known who covers the voice."""

    sources: dict[str, Sound]
    first: frozenset[str]
    """Who may be named first."""


def planted(kind: str, seed: int) -> Planted:
    """Real singing in a band whose members cover it alike, within 1 dB; then one of them steps forward."""
    rng = np.random.default_rng([KINDS.index(kind), seed])
    frames = 4 * RATE_HZ
    voices = [*(singer(name) for name in material.VOICES), stem("vocals").mean(axis=0, keepdims=True)]
    voice = part_of(rng, voices[int(rng.integers(3))], frames)
    guitar = part_of(rng, song(material.TITLES[int(rng.integers(4))], "guitar"), frames)
    bass = part_of(rng, stem("bass").mean(axis=0, keepdims=True), frames)
    drums = part_of(rng, stem("drums"), frames)
    keys = pads(int(rng.integers(6)))
    reference = power(speech_band(mono(voice)))

    def at(sound: Sound, level_db: float) -> Sound:
        """At a level against the voice, in the mono sum and the band of speech."""
        off_db = level_db + float(rng.uniform(-1.0, 1.0))
        return sound * np.sqrt(reference / power(speech_band(mono(sound)))) * amplitude(off_db)

    sources = {
        "voice": voice,
        "guitar": at(guitar, -9.0),
        "keys": at(keys, -9.0),
        "drums": at(drums, -12.0),
        "bass": at(bass, -12.0),
    }
    if kind == "guitar raised by 6 dB":
        return Planted(sources=sources | {"guitar": amplitude(6.0) * sources["guitar"]}, first=frozenset({"guitar"}))
    if kind == "keys moved to the middle":
        return Planted(sources=sources | {"keys": narrow(sources["keys"])}, first=frozenset({"keys"}))
    # the loudest of all, below everything that words are made of
    low = ss.sosfilt(ss.butter(4, 100, fs=RATE_HZ, output="sos"), bass)
    low = low * np.sqrt(power(mono(voice)) / power(mono(low))) * amplitude(6.0)
    return Planted(sources=sources | {"bass": low}, first=frozenset({"guitar", "keys", "drums"}))


@functools.cache
def real_mix(title: str) -> dict[str, Sound]:
    """Real singing over a real guitar and the rest of its song, 8 s."""
    voice = singer(material.VOICES[material.TITLES.index(title) % 2])[:, : 8 * RATE_HZ]
    parts = {part: song(title, part)[:, 45 * RATE_HZ : 53 * RATE_HZ] for part in ("guitar", "song")}
    rest = power(np.sum([mono(sound) for sound in parts.values()], axis=0))
    return {"voice": voice * np.sqrt(rest / power(mono(voice))), **parts}


def room_of(found: Clearance, source: str) -> MiddleTrims:
    return next(room for room in found.room if room.source == source)


def estoi(sources: Mapping[str, Sound]) -> float:
    """Extended short-time objective intelligibility of the voice in the mono sum."""
    from pystoi import stoi

    total = np.sum([mono(sound) for sound in sources.values()], axis=0)
    return float(stoi(mono(sources["voice"]), total, RATE_HZ, extended=True))


def covered(voice: Sound, others: Mapping[str, Sound], level_db: float) -> dict[str, Sound]:
    """The voice at a level against the mono sum of the others."""
    frames = min(voice.shape[1], *(sound.shape[1] for sound in others.values()))
    cut = {name: sound[:, :frames] for name, sound in others.items()}
    rest = power(np.sum([mono(sound) for sound in cut.values()], axis=0))
    voice = voice[:, :frames] * amplitude(level_db) * np.sqrt(rest / power(mono(voice[:, :frames])))
    return {"voice": voice, **cut}
