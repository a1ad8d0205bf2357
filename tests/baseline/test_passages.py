"""Passages: a song known again in another key, at another tempo and by others; songs with the same loop of chords are not it.

How surely with real notes is counted in validations/songs.py; here songs are drawn as fingerprints, frame by frame.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from deskhand.baseline.passages import Passage, passages
from deskhand.measure.fingerprint import STEP_S, Fingerprint

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOOP: Final = ((0, 4, 7), (7, 11, 2), (9, 0, 4), (5, 9, 0))
"""Four chords that many songs share."""
BAR: Final = 4
"""Frames a bar."""


def song(seed: int, bars: int) -> NDArray[np.float64]:
    """(2, frames, 12) of a song: the loop, and a line of its own."""
    rng = np.random.default_rng(seed)
    frames = np.full((2, bars * BAR, 12), 0.1)
    for frame in range(bars * BAR):
        chord = LOOP[frame // BAR % len(LOOP)]
        frames[0, frame, list(chord)] += 1.0
        line = int(rng.choice(chord)) if frame % 2 == 0 else int(rng.integers(12))
        frames[1, frame, line] += 1.0
        frames[0, frame, line] += 0.7
    return frames


def played(frames: NDArray[np.float64], evening: int, *, tempo: float = 1.0, transpose: int = 0) -> NDArray[np.float64]:
    """Frames as they are played one evening."""
    rng = np.random.default_rng(1000 + evening)
    moments = np.minimum(np.arange(0, frames.shape[1] - 1, tempo) + 0.3, frames.shape[1] - 1.001)
    below, share = moments.astype(int), (moments % 1.0)[:, None]
    moved = frames[:, below] * (1 - share) + frames[:, below + 1] * share
    return np.roll(moved, transpose, axis=2) + rng.exponential(0.08, moved.shape)


def talk(seed: int, frames: int) -> NDArray[np.float64]:
    return np.random.default_rng(seed).exponential(0.3, (2, frames, 12)) ** 3


def take(*stretches: NDArray[np.float64]) -> Fingerprint:
    frames = np.concatenate(stretches, axis=1)
    scaled = frames - frames.min(axis=2, keepdims=True)
    steps = np.round(15 * scaled / scaled.max(axis=2, keepdims=True)).astype(np.uint8)
    return Fingerprint(chroma=steps, level_db=np.zeros(frames.shape[:2], np.float32))


@pytest.fixture(scope="module")
def kept() -> dict[int, Fingerprint]:
    """Take 7: 30 s of talk, song 1, talk, song 2. Take 8: song 3."""
    return {
        7: take(talk(1, 60), played(song(1, 60), 1), talk(2, 40), played(song(2, 60), 2)),
        8: take(talk(3, 20), played(song(3, 60), 3)),
    }


def only(found: list[Passage]) -> Passage:
    assert len(found) == 1, found
    return found[0]


@pytest.mark.parametrize(
    ("tempo", "transpose"),
    [
        pytest.param(1.0, 0, id="as it was"),
        pytest.param(1.08, 0, id="8 % faster"),
        pytest.param(0.93, 0, id="7 % slower"),
        pytest.param(1.0, 3, id="3 semitones higher"),
        pytest.param(0.95, -5, id="slower and 5 lower"),
    ],
)
def test_a_song_is_known_again(kept: dict[int, Fingerprint], tempo: float, transpose: int) -> None:
    tonight = take(talk(9, 50), played(song(1, 60), 9, tempo=tempo, transpose=transpose), talk(10, 50))
    passage = only(passages(tonight, kept))
    assert passage.take_id == 7
    assert passage.transpose_semitones == transpose
    assert passage.tempo_ratio == pytest.approx(tempo, abs=0.015)
    length_s = 60 * BAR * STEP_S
    assert passage.from_s == pytest.approx(25.0, abs=6.0)
    assert passage.to_s == pytest.approx(25.0 + length_s / tempo, abs=6.0)
    assert passage.kept_from_s == pytest.approx(30.0, abs=6.0)
    assert passage.kept_to_s == pytest.approx(30.0 + length_s, abs=6.0)


def test_forty_seconds_from_the_middle(kept: dict[int, Fingerprint]) -> None:
    tonight = take(talk(9, 50), played(song(2, 60)[:, 80:160], 9, tempo=1.04), talk(10, 50))
    passage = only(passages(tonight, kept))
    # song 2 begins 170 s into take 7, and the stretch 40 s later
    assert passage.kept_from_s - passage.from_s * passage.tempo_ratio == pytest.approx(210.0 - 25.0 * 1.04, abs=3.0)


def test_songs_with_the_same_chords_are_not_it(kept: dict[int, Fingerprint]) -> None:
    """Known truth: other lines over the same loop at the same tempo, in the same key and others."""
    for number in range(4, 12):
        assert passages(take(talk(9, 50), played(song(number, 60), number), talk(10, 50)), kept) == []


def test_noise_silence_and_short_takes(kept: dict[int, Fingerprint]) -> None:
    silence = Fingerprint(chroma=np.zeros((2, 300, 12), np.uint8), level_db=np.full((2, 300), -100.0, np.float32))
    for tonight in (take(talk(20, 600)), silence, take(talk(21, 10)), take(talk(22, 0))):
        assert passages(tonight, kept) == []
    assert passages(take(played(song(1, 60), 9)), {}) == []
    assert passages(take(played(song(1, 60), 9)), {1: silence, 2: take(talk(23, 5))}) == []


def test_each_kept_take_tells_its_own(kept: dict[int, Fingerprint]) -> None:
    tonight = take(played(song(3, 60), 11), talk(9, 60), played(song(1, 60), 12, tempo=1.03))
    also = {**kept, 9: take(talk(30, 30), played(song(3, 60)[:, :160], 13, transpose=2))}
    told = [(passage.take_id, passage.transpose_semitones) for passage in passages(tonight, also)]
    assert told == [(8, 0), (9, -2), (7, 0)]


def test_a_microphone_that_nobody_sings_into_tells_nothing() -> None:
    """Known truth: it hears the band, and the loop of chords is that of many songs."""

    def instrumental(evening: int) -> Fingerprint:
        frames = played(song(evening, 60), evening)
        return take(talk(evening, 50), np.stack([frames[0], frames[0]]))

    assert passages(instrumental(40), {1: instrumental(41)}) == []
