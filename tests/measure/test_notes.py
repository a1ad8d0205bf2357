"""Tail and articulation: dry playing in rooms whose reverberation is known, then the rules for telling nothing.

A room here is noise that dies away exponentially (Schroeder 1965, doi:10.1121/1.1909343: the ensemble of such noise decays as
the room does), so the 60 dB time is the one that went in. The playing is synthesised, and for the tests marked `real` it is
recorded notes and voices.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from deskhand.measure import notes
from deskhand.measure.figures import TAIL_OCTAVES_HZ
from tests.support import material
from tests.support.feed import RATE_HZ
from tests.support.notes import (
    Heard,
    guitar,
    heard,
    in_room,
    in_rooms,
    on_the_input,
    room,
    singing,
    stopped,
)
from tests.support.signals import pluck

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Sound = NDArray[np.float64]

TAILS_S: Final = (0.6, 1.0, 1.5, 2.0)
ALL: Final = len(TAIL_OCTAVES_HZ)
"""The band of all octaves together."""


def song(seed: int, *, own_decay_s: float, length_s: float = 50.0, attack_s: float = 0.0) -> Sound:
    """A synthesised song: plucked strings, low and high; `attack_s` makes every note begin softly."""
    rng = np.random.default_rng(seed)

    def take(note_s: float) -> Sound:
        sound = pluck(rng, 82.4 * 2.0 ** (rng.integers(0, 29) / 12.0), note_s, decay_s=own_decay_s)
        rise = min(len(sound), round(attack_s * RATE_HZ))
        sound[:rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / max(1, rise))
        return sound

    return stopped(rng, take, length_s, RATE_HZ)


# known tails, synthesised playing

MUTED: Final = 0.3
STOPPED: Final = 8.0
"""Own decay in s of notes under the palm, and of notes that ring until they are stopped."""


@pytest.fixture(scope="module")
def synthetic() -> dict[tuple[float, int, float], Heard]:
    """By own decay, song and tail of the room; both songs of a tail go through the same room."""
    keys, tracks = [], []
    for own_decay_s in (MUTED, STOPPED):
        for number in (0, 1):
            dry = song(number, own_decay_s=own_decay_s)
            for tail_s in TAILS_S:
                response = room(np.random.default_rng(round(100 * tail_s)), tail_s, RATE_HZ)
                keys.append((own_decay_s, number, tail_s))
                tracks.append(on_the_input(np.random.default_rng(number), in_room(dry, response)))
    return dict(zip(keys, heard(tracks), strict=True))


for_both_kinds = pytest.mark.parametrize(
    "own_decay_s", [pytest.param(MUTED, id="muted-notes"), pytest.param(STOPPED, id="stopped-notes")]
)


@pytest.mark.source("ISO 3382-1: reverberation time, of exponentially decaying noise")
@for_both_kinds
@pytest.mark.parametrize("tail_s", TAILS_S)
@pytest.mark.parametrize("number", [0, 1])
def test_tail_of_the_room_is_found(
    synthetic: dict[tuple[float, int, float], Heard], own_decay_s: float, tail_s: float, number: int
) -> None:
    found = synthetic[own_decay_s, number, tail_s].tail
    assert found.decays >= notes.LEAST_DECAYS
    assert found.tail_s == pytest.approx(tail_s, rel=0.1)
    assert found.tail_s_pm is not None


@pytest.mark.source("ISO 3382-1: reverberation time in octaves, of exponentially decaying noise")
@for_both_kinds
def test_tail_of_the_room_is_found_in_octaves(
    synthetic: dict[tuple[float, int, float], Heard], own_decay_s: float
) -> None:
    # one octave holds less: two thirds of what is told lie within 10 %, and none far off
    off = []
    for tail_s in (1.0, 1.5):
        for number in (0, 1):
            octaves_s = synthetic[own_decay_s, number, tail_s].octaves_s
            assert octaves_s is not None
            assert len(octaves_s) >= 4
            off += [value / tail_s - 1.0 for value in octaves_s.values()]
    assert np.quantile(np.abs(off), 0.67) < 0.1
    assert np.abs(off).max() < 0.4


@for_both_kinds
@pytest.mark.parametrize("number", [0, 1])
def test_twice_the_tail_is_detected(
    synthetic: dict[tuple[float, int, float], Heard], own_decay_s: float, number: int
) -> None:
    one, two = (synthetic[own_decay_s, number, tail_s].tail for tail_s in (1.0, 2.0))
    assert two.tail_s / one.tail_s == pytest.approx(2.0, rel=0.15)
    # the intervals do not touch
    assert two.tail_s - two.tail_s_pm > one.tail_s + one.tail_s_pm


@for_both_kinds
@pytest.mark.parametrize("tail_s", TAILS_S)
def test_another_song_through_the_same_rig_reads_the_same(
    synthetic: dict[tuple[float, int, float], Heard], own_decay_s: float, tail_s: float
) -> None:
    one, other = (synthetic[own_decay_s, number, tail_s].tail.tail_s for number in (0, 1))
    assert other == pytest.approx(one, rel=0.1)


def test_longer_than_the_notes_own_decay_or_that(rng: np.random.Generator) -> None:
    # it is the observed decay: what dies away slower, the note or the room
    dry = song(3, own_decay_s=MUTED)
    short, long = heard([on_the_input(rng, in_room(dry, room(rng, tail_s, RATE_HZ))) for tail_s in (0.1, 1.0)])
    assert short.tail.tail_s == pytest.approx(MUTED, rel=0.2)
    assert long.tail.tail_s == pytest.approx(1.0, rel=0.1)


@pytest.mark.parametrize("gain", [pytest.param(1e-2, id="40-db-softer"), pytest.param(3.0, id="10-db-louder")])
def test_gain_changes_neither(rng: np.random.Generator, gain: float) -> None:
    sound = on_the_input(rng, in_room(song(4, own_decay_s=STOPPED, length_s=40.0), room(rng, 1.0, RATE_HZ)))
    plain, other = heard([sound, gain * sound])
    assert other.tail.tail_s == plain.tail.tail_s
    assert other.tail.decays == plain.tail.decays
    assert other.octaves_s == plain.octaves_s
    assert other.articulation_db == pytest.approx(plain.articulation_db, abs=0.01)


# articulation


@pytest.fixture(scope="module")
def picked() -> dict[str, Heard]:
    """The same song picked hard, picked softly, drowned, limited."""
    rng = np.random.default_rng(1)
    hard, soft = (song(5, own_decay_s=STOPPED, attack_s=attack_s) for attack_s in (0.0, 0.06))
    tracks = {
        "hard": hard,
        "soft": soft,
        "in a small room": in_room(hard, room(rng, 0.4, RATE_HZ)) * 0.5 + hard,
        "drowned": in_room(hard, room(rng, 2.0, RATE_HZ)),
        "limited": limited(hard),
    }
    found = heard([on_the_input(rng, track) for track in tracks.values()])
    return dict(zip(tracks, found, strict=True))


def limited(sound: Sound, *, below_peak_db: float = 30.0, release_s: float = 0.15) -> Sound:
    """Held to one level, looked at every ms: attack at once, release exponential (Giannoulis et al. 2012, JAES 60, 399)."""
    step = RATE_HZ // 1000
    level = np.abs(np.append(sound, np.zeros(-len(sound) % step))).reshape(-1, step).max(axis=1)
    keep, held = float(np.exp(-1e-3 / release_s)), 0.0
    envelope = []
    for value in level.tolist():
        held = max(value, keep * held)
        envelope.append(held)
    gain = np.minimum(1.0, level.max() * 10.0 ** (-below_peak_db / 20.0) / np.maximum(envelope, 1e-12))
    return np.asarray(sound * np.repeat(gain, step)[: len(sound)])


@pytest.mark.parametrize(
    ("clearer", "other", "by_db"),
    [
        # common practice, no source: a hard pick cuts through, a soft one less, reverberation and limiting bury it
        pytest.param("hard", "soft", 1.0, id="a-soft-attack"),
        pytest.param("hard", "in a small room", 1.0, id="a-small-room"),
        pytest.param("in a small room", "drowned", 1.0, id="drowned-more-than-a-small-room"),
        pytest.param("soft", "drowned", 1.0, id="drowned-more-than-soft"),
        pytest.param("hard", "limited", 1.0, id="limited"),
    ],
)
def test_order_of_articulation(picked: dict[str, Heard], clearer: str, other: str, by_db: float) -> None:
    assert picked[clearer].articulation_db > picked[other].articulation_db + by_db


def test_articulation_says_how_sure_it_is(picked: dict[str, Heard]) -> None:
    for name, found in picked.items():
        assert 0.0 < found.articulation_db_pm < 3.0, name


def test_articulation_is_the_median_contrast(rng: np.random.Generator) -> None:
    contrasts_db = rng.normal(8.0, 2.0, 101)
    value_db, pm_db = notes.articulation_db(np.stack([np.arange(101.0), contrasts_db], axis=1))
    assert value_db == np.sort(contrasts_db)[50]
    # 95 % interval of the median of 101 normal values: 1.253 sigma / sqrt(n), times 1.96
    assert pm_db == pytest.approx(1.96 * 1.253 * 2.0 / np.sqrt(101.0), rel=0.4)


@pytest.mark.parametrize("count", [0, 1, notes.LEAST_ONSETS - 1])
def test_too_few_onsets_say_nothing(count: int) -> None:
    assert notes.articulation_db(np.ones((count, 2), np.float32)) == (None, None)


# when nothing can be told


def decays(tails_s: NDArray[np.float64] | Sequence[float], *, band: int = ALL, falls_db: float = 20.0) -> np.ndarray:
    """Rows as the pass collects them."""
    tails_s = np.asarray(tails_s, np.float64)
    rows = np.empty((tails_s.size, 4))
    rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3] = band, 2.0 * np.arange(tails_s.size), tails_s, falls_db
    return rows


def test_decays_that_agree_are_told(rng: np.random.Generator) -> None:
    found = notes.observed_tail(decays(1.3 * np.exp(0.05 * rng.standard_normal(40))), ALL)
    # the grid of lengths is 1.1 % wide
    assert found.tail_s == pytest.approx(1.3, rel=0.03)
    assert found.tail_s_pm < 0.06
    assert (found.decays, found.reason) == (40, "")


def test_decays_that_agree_are_told_among_others(rng: np.random.Generator) -> None:
    # half of the notes are cut short by the next, at any length
    others = np.exp(rng.uniform(np.log(0.1), np.log(4.0), 40))
    agreeing = 1.3 * np.exp(0.05 * rng.standard_normal(40))
    found = notes.observed_tail(decays(np.concatenate([others, agreeing])), ALL)
    assert found.tail_s == pytest.approx(1.3, rel=0.06)


def test_decays_that_fall_far_count_for_more(rng: np.random.Generator) -> None:
    shallow = decays(0.4 * np.exp(0.05 * rng.standard_normal(24)), falls_db=8.5)
    deep = decays(1.3 * np.exp(0.05 * rng.standard_normal(20)), falls_db=30.0)
    found = notes.observed_tail(np.concatenate([shallow, deep]), ALL)
    assert found.tail_s == pytest.approx(1.3, rel=0.05)


@pytest.mark.parametrize("count", [0, 1, 11])
def test_few_decays_say_nothing(count: int) -> None:
    found = notes.observed_tail(decays(np.full(count, 1.0)), ALL)
    assert (found.tail_s, found.tail_s_pm, found.decays) == (None, None, count)
    assert f"only {count} notes" in found.reason


def test_twelve_decays_that_agree_are_enough() -> None:
    assert notes.observed_tail(decays(np.full(12, 1.0)), ALL).tail_s == pytest.approx(1.0, rel=0.012)


def test_decays_in_all_ways_say_nothing() -> None:
    found = notes.observed_tail(decays(np.geomspace(0.1, 10.0, 60)), ALL)
    assert (found.tail_s, found.tail_s_pm, found.decays) == (None, None, 60)
    assert "too many ways" in found.reason


def test_two_camps_say_nothing(rng: np.random.Generator) -> None:
    # which of the two wins changes from draw to draw
    camps = np.concatenate([np.full(15, 0.5), np.full(15, 1.6)]) * np.exp(0.05 * rng.standard_normal(30))
    found = notes.observed_tail(decays(camps), ALL)
    assert found.tail_s is None
    assert "too many ways" in found.reason


def test_bands_are_kept_apart(rng: np.random.Generator) -> None:
    parts = [
        decays(tail_s * np.exp(0.03 * rng.standard_normal(20)), band=band) for band, tail_s in ((3, 0.8), (ALL, 1.2))
    ]
    few = decays(np.full(5, 2.0), band=5)
    tail, octaves_s = notes.tails(np.concatenate([*parts, few]))
    assert tail.tail_s == pytest.approx(1.2, rel=0.03)
    assert octaves_s == {"1000": pytest.approx(0.8, rel=0.03)}


def test_no_decays_at_all() -> None:
    tail, octaves_s = notes.tails(notes.together([], 4))
    assert (tail.tail_s, tail.decays, octaves_s) == (None, 0, None)


def test_a_short_take_says_nothing_and_says_why() -> None:
    rng = np.random.default_rng(6)
    [found] = heard([on_the_input(rng, in_room(song(6, own_decay_s=STOPPED, length_s=8.0), room(rng, 1.0, RATE_HZ)))])
    assert 0 < found.tail.decays < notes.LEAST_DECAYS
    assert found.tail.tail_s is None
    assert found.tail.reason == f"only {found.tail.decays} notes die away freely"
    assert found.articulation_db is None or found.articulation_db > 0.0


def test_notes_that_die_away_each_in_their_own_way_say_nothing() -> None:
    rng = np.random.default_rng(7)

    def take(note_s: float) -> Sound:
        # from a dead note to one that rings: every length alike likely
        return pluck(
            rng, 82.4 * 2.0 ** (rng.integers(0, 29) / 12.0), 1.5, decay_s=float(np.exp(rng.uniform(-1.8, 2.0)))
        )

    dry = np.zeros(round(64.0 * RATE_HZ))
    for at_s in np.arange(0.3, 60.0, 1.6):
        sound = take(1.5)
        dry[round(at_s * RATE_HZ) :][: len(sound)] += sound
    [found] = heard([on_the_input(rng, dry)])
    assert found.tail.decays >= notes.LEAST_DECAYS
    assert found.tail.tail_s is None
    assert "too many ways" in found.tail.reason


def test_a_steady_tone_and_noise_have_neither(rng: np.random.Generator) -> None:
    time_s = np.arange(20 * RATE_HZ) / RATE_HZ
    for found in heard([0.1 * np.sin(2.0 * np.pi * 220.0 * time_s), 0.1 * rng.standard_normal(time_s.size)]):
        assert found.tail.decays < notes.LEAST_DECAYS
        assert found.tail.tail_s is None
        assert found.articulation_db is None


def test_together_joins_tracks() -> None:
    parts = [[np.full((2, 4), 1, np.float32), np.full((1, 4), 2, np.float32)], [], [np.full((3, 4), 3, np.float32)]]
    assert notes.together(parts, 4)[:, 0].tolist() == [1, 1, 2, 3, 3, 3]
    assert notes.together([[], []], 2).shape == (0, 2)


# real notes and voices


@pytest.fixture(scope="module")
def real_guitar() -> dict[tuple[int, float | None], Heard]:
    """By song and tail of the room."""
    tails_s = (None, 0.8, 1.0, 1.5, 2.0)
    out = {}
    for number in (0, 1):
        dry, rate_hz = guitar(number)
        out |= dict(zip([(number, tail_s) for tail_s in tails_s], in_rooms(dry, rate_hz, tails_s, number), strict=True))
    return out


@pytest.mark.real
@pytest.mark.source("ISO 3382-1: reverberation time, of exponentially decaying noise; real guitar notes")
@pytest.mark.parametrize("tail_s", [0.8, 1.0, 1.5, 2.0])
def test_tail_of_real_guitar_notes(real_guitar: dict[tuple[int, float | None], Heard], tail_s: float) -> None:
    told = [real_guitar[number, tail_s].tail for number in (0, 1)]
    assert any(tail.tail_s is not None for tail in told)
    for tail in told:
        assert tail.decays >= notes.LEAST_DECAYS
        if tail.tail_s is not None:
            assert tail.tail_s == pytest.approx(tail_s, rel=0.15)


@pytest.mark.real
def test_twice_the_tail_of_real_guitar_notes(real_guitar: dict[tuple[int, float | None], Heard]) -> None:
    one, two = real_guitar[1, 1.0].tail, real_guitar[1, 2.0].tail
    assert two.tail_s / one.tail_s == pytest.approx(2.0, rel=0.2)
    assert two.tail_s - two.tail_s_pm > one.tail_s + one.tail_s_pm


@pytest.mark.real
@pytest.mark.parametrize("tail_s", [1.5, 2.0])
def test_repeats_with_real_guitar_notes(real_guitar: dict[tuple[int, float | None], Heard], tail_s: float) -> None:
    one, other = (real_guitar[number, tail_s].tail.tail_s for number in (0, 1))
    assert other == pytest.approx(one, rel=0.1)


@pytest.mark.real
def test_articulation_of_real_guitar_notes_falls_with_the_tail(
    real_guitar: dict[tuple[int, float | None], Heard],
) -> None:
    # common practice, no source: the longer the room, the less the pick stands out
    for number in (0, 1):
        found_db = [real_guitar[number, tail_s].articulation_db for tail_s in (None, 0.8, 1.5)]
        assert found_db[0] > found_db[1] + 2.0
        assert found_db[1] > found_db[2] + 1.0


@pytest.mark.real
@pytest.mark.source("ISO 3382-1: reverberation time, of exponentially decaying noise; real voices")
def test_tail_of_real_voices() -> None:
    # nine and twelve seconds of singing, over and over, have a handful of endings, most into the next note: a rough answer,
    # or none (docs/validation-tails.md)
    off = []
    for number, name in enumerate(material.VOICES):
        dry, rate_hz = singing(name, 4)
        tails_s = (0.8, 1.0, 1.5)
        for tail_s, found in zip(tails_s, in_rooms(dry, rate_hz, tails_s, number), strict=True):
            if found.tail.tail_s is None:
                assert found.tail.reason
            else:
                off.append(abs(found.tail.tail_s / tail_s - 1.0))
    assert len(off) >= 2
    assert max(off) < 0.45
