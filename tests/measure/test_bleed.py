"""What the others put into a microphone is predicted, and is not taken for playing.

A singer with pauses, and a drummer (and a guitarist) who come into the microphone through a short room. The truth is in the
parts before they are added: where the voice is digital silence it rests, where it is within 20 dB of its loud moments and
6 dB above what bleeds it sings. None of that comes from deskhand's own notion of playing.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from deskhand.measure.activity import activity
from deskhand.measure.bleed import bleed
from tests.support import material
from tests.support.bleed import (
    REAL_HZ,
    SYNTHETIC_HZ,
    heard,
    mono,
    powers,
    stage,
    stems,
)
from tests.support.signals import amplitude, hits, white

if TYPE_CHECKING:
    pass

SEEDS: Final = (0, 1, 2, 3)


def db(ratio: float) -> float:
    return float(10 * np.log10(ratio))


def shares(kind: str, bleeding: str, below_db: float, *, aware: bool) -> tuple[float, float]:
    """Of all seeds: share of sung blocks missed, share of resting blocks that are called playing."""
    missed, sung, false, resting = 0, 0, 0, 0
    for seed in SEEDS:
        case = heard(kind, bleeding, below_db, seed)
        found = activity(case.total.astype(np.float32), bleed=case.predicted if aware else None).blocks
        missed, sung = missed + int((case.sung & ~found).sum()), sung + int(case.sung.sum())
        false, resting = false + int((case.rest & found).sum()), resting + int(case.rest.sum())
    assert sung > 500
    assert resting > 200
    return missed / sung, false / resting


def open_defect(reason: str) -> pytest.MarkDecorator:
    """What deskhand does not do yet; strict, so that the mark goes when it does."""
    return pytest.mark.xfail(reason=reason, raises=AssertionError, strict=True)


LOW: Final = open_defect(
    "in three of four seeds the fit settles 5.5 to 10 dB too low, on 0.13 to 0.33 of the possible rests (correlation 0.94 to 0.99); 0.4 are asked"
    " for, so nothing is predicted. With 0.1 asked for of what follows so closely, that level is told, and is as wrong"
)
KINDS: Final = [
    pytest.param(kind, bleeding, id=f"{kind}-{bleeding}")
    for kind in ("real", "synthetic")
    for bleeding in ("drums", "drums-and-guitar")
]
DRUMS_LOW: Final = [
    pytest.param(*one.values, id=one.id, marks=[LOW] if one.id == "synthetic-drums" else []) for one in KINDS
]
BELOW_DB: Final = [pytest.param(below, id=f"{below:g}-db-below") for below in (25.0, 20.0, 15.0, 12.0, 9.0)]


# known truth: the bleed is there before it is added; 3 dB are what the singer's own soft moments leave open
@pytest.mark.parametrize("below_db", BELOW_DB)
@pytest.mark.parametrize(("kind", "bleeding"), DRUMS_LOW)
def test_level_of_the_bleed(kind: str, bleeding: str, below_db: float) -> None:
    cases = [heard(kind, bleeding, below_db, seed) for seed in SEEDS]
    errors_db = [db(case.predicted.mean() / case.truth.mean()) for case in cases if case.predicted.any()]
    assert len(errors_db) >= len(SEEDS) - 1, "not found"
    assert max(map(abs, errors_db)) < 3.0, errors_db


@pytest.mark.parametrize(("kind", "bleeding"), DRUMS_LOW)
def test_rests_with_bleed_9_db_below_are_not_playing(kind: str, bleeding: str) -> None:
    _, plain = shares(kind, bleeding, 9.0, aware=False)
    _, aware = shares(kind, bleeding, 9.0, aware=True)
    # if this fails the bleed was no trouble, and the test says nothing
    assert plain > 0.4
    assert aware <= 0.1


@pytest.mark.parametrize("below_db", [pytest.param(below, id=f"{below:g}-db-below") for below in (15.0, 12.0)])
@pytest.mark.parametrize(("kind", "bleeding"), KINDS)
def test_knowing_the_bleed_makes_nothing_play(kind: str, bleeding: str, below_db: float) -> None:
    _, plain = shares(kind, bleeding, below_db, aware=False)
    _, aware = shares(kind, bleeding, below_db, aware=True)
    assert aware <= plain


@pytest.mark.parametrize("below_db", BELOW_DB)
@pytest.mark.parametrize(("kind", "bleeding"), KINDS)
def test_singing_over_bleed_is_playing(kind: str, bleeding: str, below_db: float) -> None:
    missed, _ = shares(kind, bleeding, below_db, aware=True)
    assert missed <= 0.02


@pytest.mark.parametrize(("kind", "bleeding"), KINDS)
def test_what_bleeds_has_no_bleed(kind: str, bleeding: str) -> None:
    # the drums, bass and guitar of these cases are recorded alone: the voice is in none of them
    for seed in SEEDS:
        case = heard(kind, bleeding, 9.0, seed)
        assert not any(one.any() for one in case.of_others), seed


def test_stems_that_play_together_have_no_bleed() -> None:
    assert not any(one.any() for one in bleed(stems()))


def test_a_steady_pad_has_no_bleed(rng: np.random.Generator) -> None:
    others = stems()
    pad = 1e-3 * 10.0 ** (0.02 * rng.standard_normal(others[0].size))
    found = bleed([*others, pad])
    assert not any(one.any() for one in found)


@functools.cache
def song_powers(title: str) -> list[np.ndarray]:
    folder = material.guitar_song(title)
    return [powers(mono(folder / f"{part}.wav"), REAL_HZ) for part in ("guitar", "song")]


@pytest.mark.parametrize(
    ("title", "pad"),
    [
        pytest.param(
            title,
            pad,
            id=f"{title.replace(' ', '-').lower()}-{'with-a-pad' if pad else 'alone'}",
        )
        for title in material.TITLES
        for pad in (False, True)
    ],
)
def test_a_guitar_and_its_band_have_no_bleed(rng: np.random.Generator, title: str, pad: bool) -> None:
    # loud and soft together, as a band is; the guitar is recorded apart and never stops playing for long
    parts = song_powers(title)
    held = 1e-3 * 10.0 ** (0.02 * rng.standard_normal(parts[0].size))
    for own, found in zip(parts, bleed([*parts, held] if pad else parts), strict=False):
        plain, aware = (activity(own.astype(np.float32), bleed=one).fraction for one in (None, found))
        assert aware == plain


def test_sources_of_four_songs_have_no_bleed_of_one_another() -> None:
    songs = [song_powers(title) for title in material.TITLES]
    length = min(part.size for song in songs for part in song)
    together = [part[:length] for song in songs for part in song]
    for own, found in zip(together, bleed(together), strict=True):
        plain, aware = (activity(own.astype(np.float32), bleed=one).fraction for one in (None, found))
        assert aware == plain


def rests(rng: np.random.Generator, *, below_db: float, count: int = 600) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean squares by arithmetic: a microphone with rests of 3 s each 6 s, what comes into it, and where from."""
    origin = 1e-2 * 10.0 ** rng.uniform(-1.5, 0.0, count)
    come = origin * 10.0 ** (-below_db / 10)
    own = np.where(np.arange(count) % 60 < 30, 1e-2, 0.0) * 10.0 ** rng.uniform(-0.2, 0.2, count)
    return own + come + 1e-9, come, origin


def test_a_sum_by_arithmetic_is_taken_apart(rng: np.random.Generator) -> None:
    total, come, origin = rests(rng, below_db=20.0)
    predicted = bleed([total, origin])[0]
    # where the origin's level falls by less than the ring of a room, 7 dB a block, the prediction is the sum itself
    steady = np.r_[False, origin[1:] > 0.2 * origin[:-1]]
    error_db = 10 * np.log10(predicted[steady] / come[steady])
    assert np.percentile(np.abs(error_db), 90) < 1.0


def test_of_very_many_sources_those_that_a_microphone_follows_count(rng: np.random.Generator) -> None:
    total, come, origin = rests(rng, below_db=20.0)
    others = [1e-2 * 10.0 ** rng.uniform(-1.5, 0.0, total.size) for _ in range(150)]
    predicted = bleed([total, *others[:77], origin, *others[77:]])[0]
    steady = np.r_[False, origin[1:] > 0.2 * origin[:-1]]
    error_db = 10 * np.log10(predicted[steady] / come[steady])
    assert np.percentile(np.abs(error_db), 90) < 1.0


def test_siblings_are_left_out(rng: np.random.Generator) -> None:
    total, _, origin = rests(rng, below_db=15.0)
    assert bleed([total, origin])[0].any()
    assert not bleed([total, origin], siblings=[(0, 1)])[0].any()
    assert not bleed([total, origin], siblings=[(1, 0)])[0].any()
    # other sources still bleed
    third = 1e-2 * 10.0 ** rng.uniform(-1.5, 0.0, total.size)
    with_sibling, _, without = bleed([total, third, origin], siblings=[(0, 1)])
    np.testing.assert_allclose(with_sibling, bleed([total, origin])[0], rtol=1e-9)
    assert not without.any()


def test_the_order_of_sources_does_not_matter(rng: np.random.Generator) -> None:
    case = heard("synthetic", "drums-and-guitar", 12.0, 0)
    here = stage("synthetic", 0)
    sources = [case.total, *(powers(sound, here.rate_hz) for sound in here.others.values())]
    plain = bleed(sources)
    assert plain[0].any()
    for _ in range(6):
        order = rng.permutation(len(sources))
        turned = bleed([sources[place] for place in order])
        for at, place in enumerate(order):
            np.testing.assert_allclose(turned[at], plain[place], rtol=1e-6)


def test_gain_of_a_source_does_not_matter(rng: np.random.Generator) -> None:
    # how loud the origin was recorded says nothing of what comes; the microphone's own gain moves both
    total, _, origin = rests(rng, below_db=15.0)
    plain = bleed([total, origin])[0]
    np.testing.assert_allclose(bleed([total, 0.01 * origin])[0], plain, rtol=1e-6)
    np.testing.assert_allclose(bleed([10.0 * total, origin])[0], 10.0 * plain, rtol=1e-6)


def test_digital_silence(rng: np.random.Generator) -> None:
    total, _, origin = rests(rng, below_db=15.0)
    nothing = np.zeros(total.size)
    plain = bleed([total, origin])
    found = bleed([total, nothing, origin])
    np.testing.assert_array_equal(found[0], plain[0])
    assert not found[1].any()
    np.testing.assert_array_equal(found[2], plain[1])
    assert all(not one.any() for one in bleed([nothing, nothing]))
    assert all(not one.any() for one in bleed([total]))
    assert bleed([]) == []


@pytest.mark.parametrize("count", [pytest.param(count, id=f"{count}-blocks") for count in (0, 1, 2, 10, 49)])
def test_few_blocks_say_nothing(rng: np.random.Generator, count: int) -> None:
    total, _, origin = rests(rng, below_db=15.0)
    found = bleed([total[30 : 30 + count], origin[30 : 30 + count]])
    assert [one.size for one in found] == [count, count]
    assert not any(one.any() for one in found)


def test_without_bleed_nothing_changes(rng: np.random.Generator) -> None:
    total, come, _ = rests(rng, below_db=40.0)
    plain = activity(total.astype(np.float32))
    for other in (np.zeros(total.size), 1e-3 * come):
        found = activity(total.astype(np.float32), bleed=other)
        np.testing.assert_array_equal(found.windows, plain.windows)
        np.testing.assert_array_equal(found.blocks, plain.blocks)


def test_a_loud_moment_of_another_does_not_end_playing() -> None:
    # a voice at -26 dBFS that sings on while a crash of half a second comes as loud as itself
    own = np.full(200, 0.5 * amplitude(-26.0) ** 2)
    own[120:] = 0.5 * amplitude(-80.0) ** 2
    come = np.full(200, 0.5 * amplitude(-60.0) ** 2)
    come[60:65] = own[0]
    come[150:155] = own[0]
    found = activity((own + come).astype(np.float32), bleed=come).blocks
    assert found[:120].all()
    # the same crash in a rest is no playing
    assert not found[130:].any()


@pytest.mark.parametrize("below_db", [pytest.param(below, id=f"{below:g}-db-below") for below in (6.0, 9.0, 15.0)])
def test_striking_sources_keep_their_own_hits(rng: np.random.Generator, below_db: float) -> None:
    # a snare each second, and toms between its hits that come softer: snare hits stay, toms go; the bleed is given
    rate_hz = SYNTHETIC_HZ
    one = hits(rng, 1.0, every_s=2.0, peak_dbfs=-6.0, rate_hz=rate_hz)[int(0.1 * rate_hz) : int(0.7 * rate_hz)]
    snare, tom = (white(rng, 40.0, -80.0, rate_hz=rate_hz) for _ in range(2))
    own_blocks, other_blocks = [], []
    for second in range(39):
        first = int((second + 0.2) * rate_hz)
        snare[first : first + one.size] += one * amplitude(rng.uniform(-4.0, 0.0))
        own_blocks.append(10 * second + 2)
        if second % 3:
            first = int((second + 0.7) * rate_hz)
            tail = one[: int(0.3 * rate_hz)] * amplitude(rng.uniform(-2.0, 2.0) - below_db)
            tom[first : first + tail.size] += tail
            other_blocks.append(10 * second + 7)
    total = powers(snare + tom, rate_hz).astype(np.float32)
    aware, plain = (activity(total, strikes=True, bleed=come).windows for come in (powers(tom, rate_hz), None))
    # a window that holds a hit begins with its block, or up to two before
    for block in own_blocks:
        assert aware[block - 2 : block + 1].any(), block
    if below_db < 10.0:
        # without knowing, softer hits are hits as well
        assert all(plain[block - 2 : block + 1].any() for block in other_blocks)
    assert not any(aware[block - 2 : block + 1].any() for block in other_blocks)
