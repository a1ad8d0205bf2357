"""Weeks of a drummer at one gain: grooves of recorded hits, in other tempos and patterns each week, in close microphones and above the kit."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile
import soxr

from tests.support import material
from tests.support.signals import amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Sound = NDArray[np.float64]

RATE_HZ: Final = 16000
"""Levels of 100 ms need no more."""
LENGTH_S: Final = 30.0
SONGS_S: Final = ((3.6, 15.5), (18.6, 29.2))
OVERHEADS_DB: Final = {"kick": -14.0, "snare": 0.0, "hat": -9.0, "open hat": -6.0, "ride": -8.0, "crash": 2.0}
"""Peak of a loud stroke above the kit, against the snare's. Common practice, no source."""
BLEED_DB: Final = -19.0
"""What the snare's microphone hears of the rest of the kit, against the microphones above it; the kick's 6 dB less. Common practice, no source."""


@functools.cache
def _hits(kit: str, piece: str) -> tuple[Sound, ...]:
    """Hits of a piece from soft to hard, peak 1."""
    strokes = []
    for file in sorted(material.drum_kit(kit).glob(f"{piece} *.wav")):
        sound, rate_hz = soundfile.read(file, always_2d=True)
        stroke = soxr.resample(sound.mean(axis=1)[: 3 * rate_hz], rate_hz, RATE_HZ)
        strokes.append(stroke / np.abs(stroke).max())
    return tuple(strokes)


def _bar(
    rng: np.random.Generator, ride: str, kick_share: float, *, with_ghosts: bool, with_fill: bool
) -> list[tuple[int, str, float]]:
    """Strokes of a bar: sixteenth, piece, strength up to 1."""
    strokes: list[tuple[int, str, float]] = []
    for sixteenth in range(16):
        is_filled = with_fill and sixteenth >= 8
        if sixteenth in (4, 12) and not is_filled:
            strokes.append((sixteenth, "snare", 0.92))
        elif (is_filled and rng.random() < 0.5) or (with_ghosts and sixteenth % 2 and rng.random() < 0.25):
            strokes.append((sixteenth, "snare", 0.85 if is_filled else 0.3))
        if sixteenth == 0 or (sixteenth in (6, 8, 10, 14) and rng.random() < kick_share):
            strokes.append((sixteenth, "kick", 0.9))
        if sixteenth % 2 == 0 and not is_filled:
            strokes.append((sixteenth, ride, 0.75 if sixteenth % 4 == 0 else 0.55))
    return strokes


def _pieces(kit: str, week: int) -> dict[str, Sound]:
    """Piece of the kit to (frames,) of it alone in a week."""
    rng = np.random.default_rng([17, week])
    pieces = {piece: np.zeros(round((LENGTH_S + 3.0) * RATE_HZ)) for piece in OVERHEADS_DB}
    for begin_s, end_s in SONGS_S:
        sixteenth_s = 15.0 / float(rng.uniform(75.0, 150.0))
        ride, kick_share = str(rng.choice(["hat", "ride", "open hat"])), float(rng.uniform(0.2, 0.6))
        has_ghosts, has_crashes = rng.random() < 0.5, rng.random() < 0.6
        for number in range(int((end_s - begin_s) / (16 * sixteenth_s))):
            strokes = _bar(rng, ride, kick_share, with_ghosts=bool(has_ghosts), with_fill=number % 4 == 3)
            if has_crashes and number % 4 == 0:
                strokes.append((0, "crash", 0.9))
            for sixteenth, piece, strength in strokes:
                hits = _hits(kit, piece)
                given = float(np.clip(strength + rng.normal(0.0, 0.05), 0.05, 1.0))
                stroke = hits[min(len(hits) - 1, int(given * len(hits)))] * given**2
                moment_s = begin_s + (16 * number + sixteenth) * sixteenth_s + float(rng.normal(0.0, 0.004))
                first = round(moment_s * RATE_HZ)
                pieces[piece][first : first + stroke.size] += stroke
    return {piece: sound[: round(LENGTH_S * RATE_HZ)] for piece, sound in pieces.items()}


def week_of_drums(kit: str, week: int) -> dict[str, Sound]:
    """Kick, snare and overheads of a week, each (frames,), over the stage and the air, some 35 dB below the loud strokes."""
    pieces = _pieces(kit, week)
    rng = np.random.default_rng([19, week])

    def heard(close: str, bleed_db: float) -> Sound:
        gains_db = {piece: 0.0 if piece == close else bleed_db + level_db for piece, level_db in OVERHEADS_DB.items()}
        mixed = sum((amplitude(gains_db[piece]) * sound for piece, sound in pieces.items()), np.zeros(1))
        return mixed + amplitude(-53.0) * rng.standard_normal(mixed.size)

    return {"kick": heard("kick", BLEED_DB - 6.0), "snare": heard("snare", BLEED_DB), "overheads": heard("", 0.0)}


def through_gate(sound: Sound) -> Sound:
    """Sound through a gate that opens 14 dB below the top, holds for 80 ms and closes by 50 dB."""
    step = RATE_HZ // 200
    tops = np.abs(sound[: sound.size // step * step]).reshape(-1, step).max(axis=1)
    is_open = np.convolve(tops > amplitude(-14.0) * np.percentile(tops, 99), np.ones(17))[: tops.size] > 0
    return sound[: tops.size * step] * np.repeat(np.where(is_open, 1.0, amplitude(-50.0)), step)
