"""A player's sounds are told apart where they were planted, and one sound stays one.

The same player plays phrases of picked notes, through one sound after the other: clean, driven, ambient (a room of 2 s), and
clean 6 dB louder. Notes are those of a real guitar, and plucked strings from arithmetic where that cannot be had; each
stretch has its own choice of notes, its own rhythm and strength. `python -m validations` measures the same over more shows.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final

import numpy as np
import pyloudnorm
import pytest

from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from tests.support.feed import Feed
from tests.support.sounds import (
    BOOST_DB,
    RATE_HZ,
    Plan,
    changes_s,
    errors_s,
    playing,
    read,
    show,
    strays_s,
)

if TYPE_CHECKING:
    from deskhand.measure.readings import SourceReading

KINDS: Final = [pytest.param("real", id="real-notes"), pytest.param("synthetic", id="synthetic-notes")]
SEEDS: Final = (0, 1)


@functools.cache
def heard(kind: str, seed: int, plan: Plan) -> SourceReading:
    """What is read of a show without pauses."""
    return read(show(kind, seed, plan)[0])


DRIVEN: Final[Plan] = (("clean", 40.0), ("driven", 35.0), ("clean", 30.0))
FOUR: Final[Plan] = (("driven", 30.0), ("ambient", 40.0), ("driven", 25.0), ("clean", 40.0))
BOOSTED: Final[Plan] = (("clean", 45.4), ("boosted", 33.3), ("clean", 30.0))


def ends_s(plan: Plan) -> list[float]:
    """Where the stretches of a show without pauses meet."""
    return list(np.cumsum([length_s for _, length_s in plan])[:-1])


# docs/validation-sounds.md: of changes in tone all lie within 1 s
@pytest.mark.parametrize("plan", [pytest.param(DRIVEN, id="clean-driven-clean"), pytest.param(FOUR, id="four")])
@pytest.mark.parametrize("kind", KINDS)
def test_changes_of_tone_are_found_where_they_are(kind: str, plan: Plan) -> None:
    apart_s, strays = [], []
    for seed in SEEDS:
        found_s, planted_s = changes_s(heard(kind, seed, plan)), ends_s(plan)
        apart_s += errors_s(found_s, planted_s)
        strays += strays_s(found_s, planted_s)
    assert np.mean(np.array(apart_s) <= 1.0) >= 0.9, apart_s
    assert len(strays) <= 1, strays


@pytest.fixture(scope="module", params=KINDS)
def boosts(request: pytest.FixtureRequest) -> list[tuple[np.ndarray, list[tuple[float, float]], SourceReading]]:
    found = []
    for seed in SEEDS:
        track, spans = show(request.param, seed, BOOSTED)
        found.append((track, spans, heard(request.param, seed, BOOSTED)))
    return found


def test_a_boost_is_found_with_its_step(boosts: list) -> None:
    apart_s: list[float] = []
    for _, spans, reading in boosts:
        apart_s += errors_s(changes_s(reading), [end for _, end in spans[:-1]])
        # 6 dB were planted; each stretch has its own notes and strengths besides
        assert reading.step_lu == pytest.approx(BOOST_DB, abs=1.5)
    # a change of level alone is felt a little later or earlier than one of tone
    assert np.mean(np.array(apart_s) <= 1.0) >= 0.6, apart_s
    assert max(apart_s) <= 4.0, apart_s


@pytest.mark.source('pyloudnorm, filter class "DeMan", on the planted stretches')
def test_the_step_is_that_of_the_stretches(boosts: list) -> None:
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    for track, spans, reading in boosts:
        each = [track[round(a * RATE_HZ) : round(b * RATE_HZ)] for a, b in spans]
        quiet = meter.integrated_loudness(np.concatenate([each[0], each[2]]))
        # some stretches of the quiet sound may be taken for a third one: the loudest and quietest are then further apart
        assert reading.step_lu == pytest.approx(meter.integrated_loudness(each[1]) - quiet, abs=1.0)
        loudest = max(reading.sounds, key=lambda sound: sound.loudness_lufs)
        assert loudest.loudness_lufs == pytest.approx(meter.integrated_loudness(each[1]), abs=0.5)


@pytest.mark.source("known truth: the last 15 s are the same playing, louder by a factor")
@pytest.mark.parametrize("step_db", [pytest.param(step, id=f"{step:g}-db") for step in (5.0, 8.0)])
def test_a_lead_sound_that_is_only_louder(step_db: float) -> None:
    """Phrases up to 4 dB apart, of notes up to 5 dB apart: told of at least four of five takes, its clean sound as loud as without the lead."""
    told = 0
    for seed in range(5):
        rng = np.random.default_rng([77, seed])
        plain = 0.05 * playing("synthetic", rng, 50.0)
        # phrases are played louder and softer, which nothing but their length tells from a step
        swell_db = np.repeat(rng.uniform(-2.0, 2.0, 25), 2 * RATE_HZ)
        plain = plain * 10.0 ** (swell_db / 20.0) + 1e-5 * rng.standard_normal(plain.size)
        lead = plain.copy()
        lead[-15 * RATE_HZ :] *= 10.0 ** (step_db / 20.0)
        reading = read(lead)
        if reading.step_lu is None:
            continue
        told += 1
        # the level of both stretches without a step, which two halves of a minute have apart
        meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
        apart_lu = meter.integrated_loudness(plain[-15 * RATE_HZ :]) - meter.integrated_loudness(plain[: -15 * RATE_HZ])
        assert reading.step_lu == pytest.approx(step_db + apart_lu, abs=1.0)
        clean = max(reading.sounds, key=lambda sound: sound.share)
        assert clean.level_dbfs == pytest.approx(read(plain[: -15 * RATE_HZ]).readings.level_dbfs, abs=0.5)
    assert told >= 4


@pytest.mark.parametrize("sound", [pytest.param(sound, id=sound) for sound in ("clean", "driven", "ambient")])
@pytest.mark.parametrize("kind", KINDS)
def test_one_sound_is_one(kind: str, sound: str) -> None:
    # docs/validation-sounds.md says how often not
    reading = heard(kind, 100, ((sound, 80.0),))
    assert len(reading.sounds) == 1
    assert reading.step_lu is None
    assert reading.sounds[0].share == 1.0
    # without the blocks in which it does not play, which the gate of the whole keeps where they are loud enough
    assert reading.sounds[0].loudness_lufs == pytest.approx(reading.readings.loudness_lufs, abs=0.15)
    assert reading.sounds[0].level_dbfs == pytest.approx(reading.readings.level_dbfs, abs=0.05)


def test_what_is_said_of_a_sound() -> None:
    track, spans = show("synthetic", 0, DRIVEN)
    reading = heard("synthetic", 0, DRIVEN)
    assert len(reading.sounds) == 2
    assert sum(sound.share for sound in reading.sounds) == pytest.approx(1.0, abs=1e-3)
    assert [sound.share for sound in reading.sounds] == sorted((sound.share for sound in reading.sounds), reverse=True)
    clean, driven = reading.sounds
    assert clean.share == pytest.approx(70 / 105, abs=0.02)
    middle = track[round(spans[1][0] * RATE_HZ) : round(spans[1][1] * RATE_HZ)]
    # AES17: the power of the stretch, which is steady enough that a median of 300 ms windows lies near it
    assert driven.level_dbfs == pytest.approx(10 * np.log10(2 * np.mean(middle**2)), abs=1.0)
    # the same as of that stretch alone; the lowest bands look at 2.7 s, which reach over its ends
    alone = read(middle).readings.tone_db
    assert alone is not None
    assert driven.tone_db is not None
    assert {band: driven.tone_db[band] for band, level in alone.items() if level > -30.0} == pytest.approx(
        {band: level for band, level in alone.items() if level > -30.0}, abs=1.0
    )
    # no two stretches overlap, and together they are the whole
    ends = sorted(span for sound in reading.sounds for span in sound.stretches_s)
    assert all(before[1] <= after[0] + 0.1 for before, after in zip(ends, ends[1:], strict=False))
    assert sum(b - a for a, b in ends) == pytest.approx(105.0, abs=1.0)


@pytest.mark.parametrize("gain_db", [pytest.param(gain, id=f"{gain:+.0f}-db") for gain in (-18.0618, 12.0412)])
def test_gain_changes_no_sounds(gain_db: float) -> None:
    # factors of two, so that every sample keeps its digits
    track, _ = show("synthetic", 0, BOOSTED)
    plain, moved = heard("synthetic", 0, BOOSTED), read(track * 2.0 ** round(gain_db / 6.0206))
    assert len(moved.sounds) == len(plain.sounds)
    assert moved.step_lu == pytest.approx(plain.step_lu, abs=1e-3)
    for before, after in zip(plain.sounds, moved.sounds, strict=True):
        assert after.stretches_s == before.stretches_s
        assert after.share == before.share
        assert after.loudness_lufs == pytest.approx(before.loudness_lufs + gain_db, abs=1e-3)
        assert after.level_dbfs == pytest.approx(before.level_dbfs + gain_db, abs=1e-3)
        assert after.tail_s == before.tail_s


@pytest.mark.parametrize("seconds", [pytest.param(seconds, id=f"{seconds:g}-s") for seconds in (3.0, 14.5)])
def test_less_than_half_a_minute_says_nothing(seconds: float) -> None:
    track, _ = show("synthetic", 0, (("clean", seconds), ("driven", seconds)))
    reading = read(track)
    assert reading.sounds == ()
    assert reading.step_lu is None


def test_half_a_minute_of_playing_counts_without_its_pauses() -> None:
    # 60 s of take with 24 s of playing in it
    track, _ = show("synthetic", 0, (("clean", 6.0), ("driven", 6.0)) * 2, pause_s=9.0)
    assert read(track).sounds == ()


@pytest.mark.parametrize("kind", KINDS)
def test_pauses_between_stretches_do_not_matter(kind: str) -> None:
    plain, (track, spans) = heard(kind, 0, DRIVEN), show(kind, 0, DRIVEN, pause_s=3.0)
    reading = read(track)
    assert len(reading.sounds) == len(plain.sounds)
    # each stretch lasts until the next begins: the pause belongs to what was before
    planted_s = [begin for begin, _ in spans[1:]]
    found_s = changes_s(reading)
    assert max(errors_s(found_s, planted_s)) <= 1.0, found_s
    assert strays_s(found_s, planted_s) == []
    for before, after in zip(plain.sounds, reading.sounds, strict=True):
        assert after.share == pytest.approx(before.share, abs=0.03)
        assert after.loudness_lufs == pytest.approx(before.loudness_lufs, abs=0.3)


def test_pauses_within_a_stretch_make_no_sounds() -> None:
    track, _ = show("synthetic", 5, (("clean", 12.0),) * 4, pause_s=3.0)
    assert len(read(track).sounds) == 1


def wide(sound: np.ndarray) -> np.ndarray:
    """Two sides with little in common, as loud together as the sound on both sides."""
    late = np.concatenate([np.zeros(round(0.013 * RATE_HZ)), sound])[: sound.size]
    return np.stack([sound + 0.9 * late, sound - 0.9 * late]) / np.sqrt(1 + 0.9**2)


def test_a_pair_whose_width_changes_is_split() -> None:
    rng = np.random.default_rng(8)
    parts = [0.2 * playing("synthetic", rng, length_s) for length_s in (25.0, 20.0)]
    track = np.concatenate([np.stack([parts[0], parts[0]]), wide(parts[1])], axis=1)
    track += 1e-5 * rng.standard_normal(track.shape)
    reading = read(track)
    assert len(reading.sounds) == 2
    assert changes_s(reading) == pytest.approx([25.0], abs=1.0)
    # the same two parts, both narrow or both wide, are one sound
    for whole in (np.stack([np.concatenate(parts)] * 2), wide(np.concatenate(parts))):
        assert len(read(whole + 1e-5 * rng.standard_normal(whole.shape)).sounds) == 1


def test_sources_that_strike_have_no_sounds() -> None:
    track, _ = show("synthetic", 0, (("clean", 20.0), ("driven", 20.0)))
    feed = Feed(track, sample_rate_hz=RATE_HZ)
    reading = read_source(measure_figures(feed, 1), (0,), strikes=True, mains_hz=50.0)
    assert reading.sounds == ()
    assert reading.step_lu is None
