"""Drum patterns out of a kit's recorded pattern: runs of real hits, the same ones in every microphone, in another order."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np
import soxr

from tests.support.stage.effects import RATE_HZ, Sound

if TYPE_CHECKING:
    from tests.support.stage.library import Library
    from tests.support.stage.score import Week

_HOP: Final = 480
_RISE_DB: Final = 4.0
"""Rise of the mean level of all microphones at a hit: found by looking at the half to tune on."""
_BEFORE_S: Final = 0.008
"""Runs are cut so long before their first hit."""
_RUN: Final = 4
"""Hits in a run."""
FAVOURITES: Final = 7
"""Runs that a song is made of: a groove, its variations and a fill."""
_CLOSE: Final[dict[str, tuple[str, ...]]] = {
    "kick": ("kdrumr", "kick"), "snare": ("snare_top", "snare"), "left": ("ohl", "oh"), "right": ("ohr", "side"),
}  # fmt: skip
"""Microphone of the list for each input, whichever the kit has."""


def microphones(library: Library) -> dict[str, Sound]:
    """Input to (frames,) of the kit's whole pattern."""
    sounds = library.kit()
    chosen = {name: sounds[next(word for word in words if word in sounds)] for name, words in _CLOSE.items()}
    # whoever sets up a pair gives both sides one level
    chosen["right"] = chosen["right"] * np.sqrt(np.mean(chosen["left"] ** 2) / np.mean(chosen["right"] ** 2))
    return chosen


@functools.lru_cache(maxsize=2)
def hit_times_s(library: Library) -> tuple[float, ...]:
    """Times of the hits in the pattern."""
    levels_db = []
    for sound in library.kit().values():
        scaled = sound / (np.abs(sound).max() + 1e-9)
        steps = scaled[: scaled.size // _HOP * _HOP].reshape(-1, _HOP)
        levels_db.append(20 * np.log10(np.sqrt(np.mean(steps**2, axis=1)) + 1e-6))
    level_db = np.mean(levels_db, axis=0)
    rise_db = level_db[2:] - level_db[:-2]
    peaks = [
        step
        for step in range(1, rise_db.size - 1)
        if rise_db[step] > _RISE_DB and rise_db[step] >= rise_db[step - 1] and rise_db[step] > rise_db[step + 1]
    ]
    return tuple((step + 1) * _HOP / RATE_HZ for step in peaks)


def eighth_s(library: Library) -> float:
    """Time between hits that follow each other: the middle one of all."""
    return float(np.median(np.diff(hit_times_s(library))))


def drum_pattern(week: Week, rig: str) -> dict[str, Sound]:
    """Input to (frames,) of a week's drumming, in the person's own tuning."""
    rng, person = week.generator(rig), week.people[rig]
    tuning = float(person.generator("tuning").uniform(0.95, 1.05))
    sounds = {
        name: np.asarray(soxr.resample(sound, RATE_HZ * tuning, RATE_HZ))
        for name, sound in microphones(week.library).items()
    }
    times_s = np.array(hit_times_s(week.library)) / tuning
    tracks = {name: np.zeros(week.frames) for name in sounds}
    fade = round(0.005 * RATE_HZ)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    starts = np.arange(0, len(times_s) - _RUN - 1)
    # hits that stand alone show the cymbals of the kit: nobody plays a song of them
    lengths_s = times_s[starts + _RUN] - times_s[starts]
    starts = starts[lengths_s < 1.5 * np.median(lengths_s)]
    for song in week.songs:
        moment_s = song.begin_s
        favourites = rng.choice(starts, min(FAVOURITES, starts.size), replace=False)
        while moment_s < song.end_s - 0.3:
            start = int(rng.choice(favourites))
            first, last = times_s[start], times_s[start + _RUN]
            begin, end = round((first - _BEFORE_S) * RATE_HZ), round((last - _BEFORE_S) * RATE_HZ) + fade
            begin = max(0, begin)
            gain = float(10 ** (np.clip(rng.normal(0, 0.7), -1.5, 1.5) / 20))
            place = max(0, round((moment_s - _BEFORE_S) * RATE_HZ))
            is_last = moment_s + last - first >= song.end_s - 0.3
            for name, sound in sounds.items():
                piece = sound[begin : end + (RATE_HZ if is_last else 0)].copy()
                piece[:fade] *= ramp
                tail = fade if not is_last else min(piece.size, RATE_HZ)
                piece[-tail:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(tail) / tail)
                count = min(piece.size, week.frames - place)
                tracks[name][place : place + count] += gain * piece[:count]
            moment_s += last - first
    return tracks
