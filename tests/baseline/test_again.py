"""Tone of what is played again, compared with itself in kept takes.

In order: which cells are known again, what is expected of them, and a change of tone that other songs would hide.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from deskhand.baseline.again import expected_again
from deskhand.baseline.normal import judge_parts, tone_predictive
from deskhand.baseline.numbers import tone_vector
from deskhand.baseline.passages import Passage
from deskhand.baseline.played import played_again
from deskhand.measure.passages import tone_of
from tests.support.repertoires import PASSAGES, PLANTS, MadeSource, kept_weeks

CELLS = 6
"""Cells of a song of a minute."""
STEP = np.linspace(-1.0, 1.0, 8)


def passage(**changes: object) -> Passage:
    return replace(
        Passage(
            from_s=0.0, to_s=60.0, take_id=1, kept_from_s=60.0, kept_to_s=120.0, transpose_semitones=0, tempo_ratio=1.0,
            score=0.9,
        ),
        **changes,
    )  # fmt: skip


def course_of(*songs: float) -> np.ndarray:
    """Songs of a minute, each its own share of a step away."""
    return np.repeat(np.array(songs), CELLS)[:, None] * STEP - 10.0


def test_cells_are_those_of_the_kept_take() -> None:
    again = played_again([passage()], course_of(2.0, 0.0), {1: course_of(-2.0, 4.0, 1.0)})
    assert again is not None
    assert again.share == 0.5
    # the second song of the kept take, whose songs are 1 step apart from the middle in the mean
    assert again.apart_db == pytest.approx(np.tile(3.0 * STEP, (CELLS, 1)))
    assert again.takes == ((1,),) * CELLS


def test_another_tempo_is_followed() -> None:
    again = played_again(
        [passage(kept_from_s=0.0, kept_to_s=120.0, tempo_ratio=2.0)],
        course_of(0.0),
        {1: np.arange(12.0)[:, None] + np.zeros(8)},
    )
    assert again is not None
    assert again.apart_db[:, 0] == pytest.approx(np.array([1, 3, 5, 7, 9, 11]) - 5.5)


def test_another_key_or_silence_is_not_the_same() -> None:
    course, kept = course_of(0.0, 0.0), {1: course_of(0.0, 0.0)}
    assert played_again([passage(transpose_semitones=3)], course, kept) is None
    for semitones in (-2, 2):
        assert played_again([passage(transpose_semitones=semitones)], course, kept) is None
        # a semitone is the singer's evening, and leaves the octaves where they are
        assert played_again([passage(transpose_semitones=semitones // 2)], course, kept) is not None
    assert played_again([passage(take_id=2)], course, kept) is None
    assert played_again([passage()], course, {1: np.full((12, 8), np.nan)}) is None
    silent = course.copy()
    silent[: CELLS // 2] = np.nan
    again = played_again([passage()], silent, kept)
    assert again is not None
    assert len(again.takes) == CELLS // 2
    assert again.cells == 2 * CELLS - CELLS // 2


class OneSource:
    """House of one source, whose weeks are four songs each, with courses as the package keeps them."""

    def __init__(self, rng: np.random.Generator, weeks: int) -> None:
        self.rng = rng
        self.source = MadeSource(rng, "guitar")
        self.source.role = "guitar"
        self.songs = [rng.choice(8, 4, replace=False) for _ in range(weeks)]
        self.levels_db = [self.week(songs) for songs in self.songs]
        self.baseline = kept_weeks([[self.source.part(levels)] for levels in self.levels_db])

    def week(self, songs: np.ndarray) -> np.ndarray:
        """(passages, 31) levels: the same song again differs by a quarter of the variance."""
        levels_db = self.source.usual_db + np.repeat(self.source.songs_db[songs], PASSAGES, axis=0)
        again_db = 0.5 * self.source.songs_db[self.rng.integers(8, 25, len(songs))]
        return levels_db + np.repeat(again_db, PASSAGES, axis=0)

    def again(self, songs: np.ndarray, levels_db: np.ndarray) -> dict:
        """Every song that a kept week holds, known again."""
        known = [
            Passage(
                from_s=60.0 * place, to_s=60.0 * place + 60, take_id=take, kept_from_s=60.0 * list(old).index(song),
                kept_to_s=60.0 * list(old).index(song) + 60, transpose_semitones=0, tempo_ratio=1.0, score=0.9,
            )
            for place, song in enumerate(songs)
            for take, old in enumerate(self.songs, 1)
            if song in old
        ]  # fmt: skip
        kept = {take: np.repeat(tone_of(old), 2, axis=0) for take, old in enumerate(self.levels_db, 1)}
        played = played_again(known, np.repeat(tone_of(levels_db), 2, axis=0), kept)
        assert played is not None
        return {"guitar": played}


@pytest.fixture
def house(rng: np.random.Generator) -> OneSource:
    return OneSource(rng, 10)


def test_what_was_played_before_is_expected_nearer_and_narrower(house: OneSource) -> None:
    errors, scales = [], []
    for _ in range(30):
        songs = house.rng.choice(8, 4, replace=False)
        levels_db = house.week(songs)
        part = house.source.part(levels_db)
        expected = tone_predictive(house.baseline, part)
        tone = tone_vector(part.values)
        assert expected is not None
        assert tone is not None
        again = expected_again(expected, replace(house.baseline, again=house.again(songs, levels_db)), part)
        errors.append((np.mean((tone - expected.location) ** 2), np.mean((tone - again.location) ** 2)))
        scales.append(np.trace(again.scale) / np.trace(expected.scale))
    plain, itself = np.mean(errors, axis=0)
    assert itself < 0.6 * plain
    # and what is told of the range keeps up with it
    assert np.mean(scales) == pytest.approx(itself / plain, abs=0.25)
    part = house.source.part(house.week(np.arange(4)))
    assert expected_again(expected, house.baseline, part) is expected


def test_a_change_is_likelier_told_beside_the_song_itself(house: OneSource) -> None:
    plant = PLANTS["bell +4 dB at 3 kHz"].response_db
    songs = np.arange(4)
    levels_db = house.week(songs)
    part = house.source.part(levels_db + plant)
    plain = judge_parts(house.baseline, [part])["guitar"][0]
    again = judge_parts(replace(house.baseline, again=house.again(songs, levels_db)), [part])["guitar"][0]
    assert again.again_share == 1.0
    assert plain.again_share is None
    assert again.probability < 0.2 * plain.probability
