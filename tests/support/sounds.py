"""Players who change their sound at known times."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
import soundfile

from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from tests.support import material
from tests.support.feed import Feed
from tests.support.signals import amplitude, pluck

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from deskhand.measure.readings import SourceReading

RATE_HZ: Final = 44100

ROOM_S: Final = 2.0

BOOST_DB: Final = 6.0

NOTES: Final = 14

Plan = tuple[tuple[str, float], ...]

"""(sound, seconds) after each other."""


@functools.cache
def notes(kind: str) -> list[np.ndarray]:
    """Fourteen notes from low to high, each let ring."""
    if kind == "synthetic":
        rng = np.random.default_rng(3)
        return [0.7 * pluck(rng, 82.4 * 2.0 ** (k / 4), 2.0, rate_hz=RATE_HZ) for k in range(NOTES)]
    folder = material.guitar_notes()
    found = []
    for name in material.NOTES[:NOTES]:
        note, rate_hz = soundfile.read(folder / f"{name}.wav")
        assert rate_hz == RATE_HZ
        found.append(note)
    return found


def playing(kind: str, rng: np.random.Generator, length_s: float) -> np.ndarray:
    """Picked notes without a pause: seven of the fourteen, each 0.2 to 0.8 s, up to 5 dB softer."""
    known, chosen = notes(kind), rng.permutation(NOTES)[:7]
    out, at_s = np.zeros(round((length_s + 2.0) * RATE_HZ)), 0.0
    fall = np.linspace(1, 0, round(0.02 * RATE_HZ))
    while at_s < length_s - 0.3:
        lasts_s = rng.choice([0.2, 0.3, 0.4, 0.6, 0.8])
        note = known[rng.choice(chosen)][: int(1.5 * lasts_s * RATE_HZ)] * amplitude(-rng.uniform(0.0, 5.0))
        note[-fall.size :] *= fall
        first = round(at_s * RATE_HZ)
        out[first : first + note.size] += note
        at_s += lasts_s
    return out[: round(length_s * RATE_HZ)]


@functools.cache
def room() -> np.ndarray:
    """Noise that dies away by 60 dB in 2 s, of unit energy."""
    time_s = np.arange(round(1.2 * ROOM_S * RATE_HZ)) / RATE_HZ
    decay = np.random.default_rng(3).standard_normal(time_s.size) * 10.0 ** (-3.0 * time_s / ROOM_S)
    return decay / np.sqrt(np.sum(decay**2))


SOUNDS: Final[dict[str, Callable[[np.ndarray], np.ndarray]]] = {
    "clean": lambda sound: 0.3 * sound,
    "driven": lambda sound: 0.05 * np.tanh(12.0 * sound),
    "ambient": lambda sound: 0.35 * ss.oaconvolve(sound, room())[: sound.size],
    "boosted": lambda sound: 0.3 * amplitude(BOOST_DB) * sound,
}


def show(kind: str, seed: int, plan: Plan, *, pause_s: float = 0.0) -> tuple[np.ndarray, list[tuple[float, float]]]:
    """A player's whole track, over a breath of noise, and (from, to) of each stretch in seconds."""
    rng = np.random.default_rng(seed)
    parts, spans, at_s = [], [], 0.0
    for sound, length_s in plan:
        parts += [SOUNDS[sound](playing(kind, rng, length_s)), np.zeros(round(pause_s * RATE_HZ))]
        spans.append((at_s, at_s + length_s))
        at_s += length_s + pause_s
    track = np.concatenate(parts)
    return track + 1e-5 * rng.standard_normal(track.size), spans


def read(track: np.ndarray) -> SourceReading:
    feed = Feed(track, sample_rate_hz=RATE_HZ)
    pairs = [(0, 1)] if feed.channels == 2 else []
    figures = measure_figures(feed, feed.channels, pairs=pairs)
    return read_source(figures, tuple(range(feed.channels)), strikes=False, mains_hz=50.0)


def changes_s(reading: SourceReading) -> list[float]:
    """Where one stretch follows another."""
    starts = sorted(start for sound in reading.sounds for start, _ in sound.stretches_s)
    return starts[1:]


def errors_s(found_s: Sequence[float], planted_s: Sequence[float]) -> list[float]:
    """How far the nearest change found is from each planted one; infinite when there is none."""
    return [min((abs(one - planted) for one in found_s), default=float("inf")) for planted in planted_s]


def strays_s(found_s: Sequence[float], planted_s: Sequence[float], *, near_s: float = 2.0) -> list[float]:
    """Changes found where none was planted."""
    return [one for one in found_s if all(abs(one - planted) > near_s for planted in planted_s)]
