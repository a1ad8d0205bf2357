"""Notes and sung phrases in rooms of a known reverberation time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soundfile

from deskhand.measure import notes
from tests.support import material
from tests.support.feed import RATE_HZ, figures_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from deskhand.measure.notes import Tail

    Sound = NDArray[np.float64]

LENGTHS_S: Final = (0.15, 0.25, 0.4, 0.6, 1.0)

PAUSES_S: Final = (0.0, 0.0, 0.1, 0.5, 1.2)

"""Playing in patterns: lengths of notes and pauses, drawn alike."""

NOISE: Final = 1e-3

"""Every input has noise: 60 dB below its level."""

STOP_S: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What is said of one track."""

    tail: Tail
    octaves_s: dict[str, float] | None
    articulation_db: float | None
    articulation_db_pm: float | None


def heard(tracks: Sequence[Sound], rate_hz: int = RATE_HZ) -> list[Heard]:
    """What is said of each track, by the way every recording goes."""
    length = min(map(len, tracks))
    figures = figures_of(np.stack([track[:length] for track in tracks]), sample_rate_hz=rate_hz)
    out = []
    for track in figures.tracks:
        tail, octaves_s = notes.tails(notes.together([track.decays], 4))
        value_db, pm_db = notes.articulation_db(notes.together([track.onsets], 2))
        out.append(Heard(tail=tail, octaves_s=octaves_s, articulation_db=value_db, articulation_db_pm=pm_db))
    return out


def stopped(
    rng: np.random.Generator,
    take: Callable[[float], Sound],
    length_s: float,
    rate_hz: int,
    *,
    pauses_s: tuple[float, ...] = PAUSES_S,
) -> Sound:
    """Notes of different lengths and levels after each other, each stopped within 20 ms, with pauses.

    `take` gives a note of some length, in seconds.
    """
    out = np.zeros(round((length_s + 4.0) * rate_hz))
    at_s = 0.3
    while at_s < length_s - 1.0:
        note_s = float(rng.choice(LENGTHS_S))
        sound = take(note_s)[: round(note_s * rate_hz)] * 10.0 ** (-rng.uniform(0.0, 6.0) / 20.0)
        fall = min(len(sound), round(STOP_S * rate_hz))
        sound[len(sound) - fall :] *= np.linspace(1.0, 0.0, fall)
        first = round(at_s * rate_hz)
        out[first : first + len(sound)] += sound
        at_s += note_s + float(rng.choice(pauses_s))
    return out


def room(rng: np.random.Generator, tail_s: float, rate_hz: int) -> Sound:
    """Noise that falls by 60 dB in `tail_s`; its power sums to 1."""
    time_s = np.arange(round(1.2 * tail_s * rate_hz)) / rate_hz
    response = rng.standard_normal(time_s.size) * 10.0 ** (-3.0 * time_s / tail_s)
    return np.asarray(response / np.sqrt(np.sum(response**2)))


def in_room(dry: Sound, response: Sound | None) -> Sound:
    if response is None:
        return dry
    # in float32, as recordings are handed over: it is off by far less than the noise of the input
    wet = ss.fftconvolve(dry.astype(np.float32), response.astype(np.float32))
    return np.asarray(wet[: len(dry)], np.float64)


def on_the_input(rng: np.random.Generator, sound: Sound) -> Sound:
    """Over the noise of an input, peak at -10 dBFS."""
    sound = sound / np.sqrt(np.mean(sound**2))
    sound = sound + NOISE * rng.standard_normal(len(sound))
    return np.asarray(sound * 0.3 / np.abs(sound).max())


def guitar_notes() -> tuple[list[Sound], int]:
    """Direct-recorded notes of an electric guitar, without the three highest."""
    folder = material.guitar_notes()
    sounds, rate_hz = [], 0
    for name in material.NOTES[:14]:
        sound, rate_hz = soundfile.read(folder / f"{name}.wav")
        sounds.append(sound)
    return sounds, rate_hz


def guitar(seed: int, length_s: float = 90.0) -> tuple[Sound, int]:
    """Real notes played in a pattern of which every seed is another."""
    sounds, rate_hz = guitar_notes()
    rng = np.random.default_rng(seed)
    return stopped(rng, lambda _: sounds[rng.integers(len(sounds))], length_s, rate_hz), rate_hz


def singing(name: str, times: int) -> tuple[Sound, int]:
    """Some seconds of one person singing alone, over and over."""
    sound, rate_hz = soundfile.read(material.voice(name) / "voice.wav")
    return np.tile(sound, times), rate_hz


def in_rooms(dry: Sound, rate_hz: int, tails_s: Sequence[float | None], seed: int) -> list[Heard]:
    """What is heard of it in rooms of these tails; None is no room."""
    rng = np.random.default_rng(seed)
    responses = [None if tail_s is None else room(rng, tail_s, rate_hz) for tail_s in tails_s]
    return heard([on_the_input(rng, in_room(dry, response)) for response in responses], rate_hz)
