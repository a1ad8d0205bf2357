"""Free decays and onsets in envelopes whose answer is known: exponentials, floors, stairs, pulses.

A sound field that dies away does so exponentially (Sabine; ISO 3382-1, where the reverberation time is the time for 60 dB):
every expected time here is the one that went into the exponential.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.dsp.decays import (
    DECAY_CONTEXT,
    DECAY_STEP_S,
    ONSET_CONTEXT,
    ONSET_STEP_S,
    free_decays,
    free_decays_of_all,
    onsets,
)
from tests.support.hypotheses import examples

DIGITAL_SILENCE_DB: Final = -200.0
few: Final = settings(max_examples=examples(40), deadline=None, derandomize=True, database=None)


def exponential(
    tail_s: float, *, floor_db: float = DIGITAL_SILENCE_DB, start: int = 50, steps: int = 600, level_db: float = 0.0
) -> np.ndarray:
    """Mean squares: a floor, and from step `start` on something that falls by 60 dB in `tail_s`."""
    power = np.full(steps, 10.0 ** (0.1 * floor_db))
    since_s = np.arange(steps - start) * DECAY_STEP_S
    power[start:] += 10.0 ** (0.1 * level_db - 6.0 * since_s / tail_s)
    return power


def from_levels(levels_db: np.ndarray) -> np.ndarray:
    return 10.0 ** (0.1 * np.asarray(levels_db, np.float64))


def decays_of(
    power: np.ndarray, first: int = 0, last: int | None = None, offset: int = 0, most: int = 200
) -> np.ndarray:
    out = np.full((most, 4), np.nan)
    found = free_decays(np.ascontiguousarray(power), first, len(power) if last is None else last, offset, out)
    # nothing is written beyond what is told
    assert np.isnan(out[found:]).all()
    return out[:found]


# decays


@pytest.mark.source("ISO 3382-1: the time in which a sound falls by 60 dB, of an exact exponential")
@pytest.mark.parametrize("tail_s", [0.15, 0.3, 0.6, 1.0, 1.5, 2.0, 3.0, 6.0, 9.5])
@pytest.mark.parametrize(
    ("floor_db", "allowed"),
    # what is left of the floor 8 dB above it bends the end of the line: more, the less there is of the line
    [pytest.param(-80.0, 0.005, id="floor-80-db-down"), pytest.param(-60.0, 0.015, id="floor-60-db-down")],
)
def test_an_exponential_gives_its_time(tail_s: float, floor_db: float, allowed: float) -> None:
    [row] = decays_of(exponential(tail_s, floor_db=floor_db))
    assert row[1] == pytest.approx(tail_s, rel=allowed)
    # the floor can only make it longer
    assert row[1] > tail_s


@pytest.mark.source("ISO 3382-1: the time in which a sound falls by 60 dB, of an exact exponential")
@pytest.mark.parametrize("tail_s", [0.1, 0.5, 2.0, 9.5])
def test_an_exponential_into_digital_silence(tail_s: float) -> None:
    [row] = decays_of(exponential(tail_s))
    assert row[1] == pytest.approx(tail_s, rel=1e-3)


@pytest.mark.source("ISO 3382-1: the time in which a sound falls by 60 dB, over noise")
@pytest.mark.parametrize(
    ("floor_db", "allowed"),
    [
        pytest.param(-45.0, 0.02, id="45-db-down"),
        pytest.param(-30.0, 0.04, id="30-db-down"),
        pytest.param(-20.0, 0.07, id="20-db-down"),
    ],
)
def test_a_floor_makes_it_longer_by_little(floor_db: float, allowed: float) -> None:
    [row] = decays_of(exponential(1.5, floor_db=floor_db))
    assert 1.5 < row[1] < 1.5 * (1.0 + allowed)
    # what is fitted ends 8 dB above the floor and begins 2 dB below the top
    assert -floor_db - 14.0 < row[2] < -floor_db - 8.0


def test_a_row_tells_where_it_is_and_how_far_it_falls() -> None:
    start, tail_s, floor_db = 100, 1.0, -50.0
    [row] = decays_of(exponential(tail_s, floor_db=floor_db, start=start))
    assert row[0] == pytest.approx(start, abs=1)
    # 8 dB above the floor and 2 dB below the top are left out, and what is lost of the steps at both ends (1.2 dB each)
    assert -floor_db - 8.0 - 2.0 - 2.5 < row[2] < -floor_db - 8.0 - 2.0
    # it ends where the exponential comes within 8 dB of the floor
    ends = start + (-floor_db - 8.0) / 60.0 * tail_s / DECAY_STEP_S
    assert row[3] == pytest.approx(ends, abs=3)


@given(tail_s=st.floats(0.25, 8.0), gain_db=st.floats(-90.0, 40.0))
@few
def test_gain_changes_nothing(tail_s: float, gain_db: float) -> None:
    power = exponential(tail_s, floor_db=-60.0)
    plain, louder = decays_of(power), decays_of(power * 10.0 ** (0.1 * gain_db))
    np.testing.assert_allclose(louder, plain, rtol=1e-4)
    assert len(plain) == 1


@given(tail_s=st.floats(0.25, 5.0), longer=st.floats(1.2, 2.0))
@few
def test_longer_tails_are_longer(tail_s: float, longer: float) -> None:
    [short] = decays_of(exponential(tail_s, floor_db=-60.0))
    [long] = decays_of(exponential(min(9.5, tail_s * longer), floor_db=-60.0))
    assert long[1] > short[1]


def test_several_notes_in_order() -> None:
    tails_s = (0.4, 1.2, 0.8, 0.3)
    starts = (20, 120, 260, 400)
    power = np.full(500, 1e-6)
    for tail_s, start in zip(tails_s, starts, strict=True):
        power = np.maximum(power, exponential(tail_s, floor_db=-60.0, start=start, steps=500))
    found = decays_of(power)
    np.testing.assert_allclose(found[:, 0], starts, atol=1)
    np.testing.assert_allclose(found[:, 1], tails_s, rtol=0.02)
    # they follow each other without overlap
    assert (found[1:, 0] >= found[:-1, 3]).all()


def test_the_floor_of_five_seconds_around_decides() -> None:
    # a note upon a chord that rings on 30 dB below; everything stops 4 s later, or 10
    power = np.concatenate([exponential(1.0, floor_db=-30.0), np.full(200, 1e-3)])
    near, far = power.copy(), power.copy()
    near[50 + 200 :] = 1e-8
    far[50 + 2 * DECAY_CONTEXT :] = 1e-8
    np.testing.assert_array_equal(decays_of(far)[:1], decays_of(power))
    # what stops within 5 s shows that the chord was no floor: then its bend is part of the line, which is not straight
    assert len(decays_of(power)) == 1
    assert len(decays_of(near)) == 0


@pytest.mark.parametrize(
    "levels_db",
    [
        pytest.param(np.full(400, -20.0), id="steady"),
        pytest.param(np.linspace(-60.0, 0.0, 400), id="rising"),
        pytest.param(np.concatenate([np.linspace(0.0, -7.0, 40), np.full(360, -7.0)]), id="falls-by-less-than-8-db"),
        pytest.param(np.concatenate([np.full(200, 0.0), np.full(200, -60.0)]), id="cut"),
        pytest.param(-60.0 / 11.0 * DECAY_STEP_S * np.arange(1000), id="slower-than-10-s"),
        pytest.param(-12.0 * (np.arange(100) // 14), id="stairs-of-12-db"),
        pytest.param(-0.4 * np.arange(200) + 6.0 * (np.arange(200) // 4 % 2), id="jumps-up-and-down"),
    ],
)
def test_what_is_no_free_decay_is_not_told(levels_db: np.ndarray) -> None:
    assert len(decays_of(from_levels(levels_db))) == 0


@pytest.mark.parametrize(
    ("pause", "goes_on"), [pytest.param(10, True, id="200-ms"), pytest.param(22, False, id="440-ms")]
)
def test_a_fall_that_rests_for_longer_than_300_ms_is_over(pause: int, goes_on: bool) -> None:
    # 20 dB, a rest a little above, and 20 dB more; the silence behind is further down than the rest
    fall_db = -0.4 * np.arange(51)
    levels_db = np.concatenate([np.full(20, -3.0), fall_db, np.full(pause, -19.7), fall_db - 20.0, np.full(60, -80.0)])
    row = decays_of(from_levels(levels_db))[0]
    assert bool(row[2] > 25.0) is goes_on
    assert bool(row[3] > 20 + 51 + pause) is goes_on


def test_small_stairs_are_smooth_enough() -> None:
    # the counterpart of the stairs above: 3 dB at a time lie within 2 dB of a line
    [row] = decays_of(from_levels(-3.0 * (np.arange(100) // 5)))
    assert row[1] == pytest.approx(60.0 / 3.0 * 5 * DECAY_STEP_S, rel=0.1)


def test_a_little_unrest_does_no_harm(rng: np.random.Generator) -> None:
    # noise in an octave of 125 Hz through 20 ms has about 4 degrees of freedom; in all bands together hundreds
    found = [decays_of(exponential(1.0, floor_db=-50.0) * rng.gamma(8.0, 1.0 / 8.0, 600)) for _ in range(60)]
    longest = np.array([rows[rows[:, 2].argmax(), 1] for rows in found if len(rows)])
    assert len(longest) > 50
    assert np.median(longest) == pytest.approx(1.0, rel=0.05)


@given(
    seed=st.integers(0, 2**16),
    cuts=st.lists(st.integers(1, 1399), min_size=1, max_size=4, unique=True),
    jitter=st.booleans(),
)
@few
def test_parts_of_the_range_give_the_same_rows_as_the_whole(seed: int, cuts: list[int], jitter: bool) -> None:
    power = notes_at_random(seed, jitter=jitter)
    whole = decays_of(power)
    rows, following = [], 0
    for first, last in zip([0, *sorted(cuts)], [*sorted(cuts), len(power)], strict=True):
        part = decays_of(power, max(first, following), last)
        if len(part):
            following = int(part[-1, 3])
        rows.append(part)
    np.testing.assert_array_equal(np.concatenate(rows), whole)


def notes_at_random(seed: int, *, jitter: bool = False, steps: int = 1400) -> np.ndarray:
    """Notes that begin anywhere, die away at different speeds and overlap, over a floor; a tenth of a dB of unrest."""
    rng = np.random.default_rng(seed)
    power = np.full(steps, 1e-6)
    for _ in range(rng.integers(5, 25)):
        start = int(rng.integers(0, steps - 20))
        power += exponential(rng.uniform(0.2, 3.0), start=start, steps=steps, level_db=rng.uniform(-30.0, 0.0))
    return power * (rng.gamma(2000.0, 1.0 / 2000.0, steps) if jitter else 1.0)


@given(seed=st.integers(0, 2**16), offset=st.integers(0, 10**6))
@few
def test_an_offset_moves_places_only(seed: int, offset: int) -> None:
    power = notes_at_random(seed)
    plain, moved = decays_of(power), decays_of(power, offset=offset)
    np.testing.assert_array_equal(moved - plain, np.tile([offset, 0.0, 0.0, offset], (len(plain), 1)))


@given(seed=st.integers(0, 2**16))
@few
def test_rows_make_sense(seed: int) -> None:
    power = notes_at_random(seed, jitter=True)
    found = decays_of(power)
    assert (found[:, 1] > 0.0).all()
    # 0.12 dB a step is the slowest
    assert (found[:, 1] <= 60.0 / 0.12 * DECAY_STEP_S).all()
    assert (found[:, 2] >= 8.0).all()
    assert (found[:, 3] - found[:, 0] >= 6).all()
    assert (np.diff(found[:, 0]) > 0).all()
    assert (found[1:, 0] >= found[:-1, 3] - 1).all()


def test_no_more_rows_than_there_is_room_for() -> None:
    power = np.tile(exponential(0.5, floor_db=-60.0, start=10, steps=100), 8)
    every = decays_of(power)
    assert len(every) == 8
    np.testing.assert_array_equal(decays_of(power, most=3), every[:3])
    assert len(decays_of(power, most=0)) == 0


@pytest.mark.parametrize("steps", [0, 1, 2, 3, 4, 5])
def test_envelopes_too_short_for_anything(steps: int) -> None:
    assert len(decays_of(exponential(0.2, start=0, steps=steps) if steps else np.empty(0))) == 0


# decays of all tracks and bands


def all_of(power: np.ndarray, begin: int, first: int, last: int, offset: int, following: np.ndarray, most: int = 160):
    out, counts = np.full((power.shape[0], most, 4), np.nan), np.full(power.shape[0], -1, np.int64)
    free_decays_of_all(np.ascontiguousarray(power), begin, first, last, offset, following, out, counts)
    return [out[track, : counts[track]] for track in range(power.shape[0])]


def test_all_tracks_and_bands_as_each_alone() -> None:
    power = np.stack([[notes_at_random(10 * track + band) for band in range(3)] for track in range(2)])
    following = np.zeros((2, 3), np.int64)
    for track, rows in enumerate(all_of(power, 0, 0, power.shape[2], 0, following)):
        for band in range(3):
            alone = decays_of(power[track, band])
            mine = rows[rows[:, 0] == band]
            # band, beginning in s, seconds for 60 dB, fall in dB
            np.testing.assert_allclose(mine[:, 1], alone[:, 0] * DECAY_STEP_S, rtol=1e-12)
            np.testing.assert_array_equal(mine[:, 2:], alone[:, 1:3])
            assert following[track, band] == alone[-1, 3]
        assert len(rows) == sum(len(decays_of(power[track, band])) for band in range(3))


@pytest.mark.parametrize("cut", [400, 613, 900])
def test_all_in_two_calls_as_in_one(cut: int) -> None:
    power = np.stack([[notes_at_random(10 * track + band) for band in range(2)] for track in range(3)])
    steps = power.shape[2]
    [*whole] = all_of(power, 0, 0, steps, 0, np.zeros((3, 2), np.int64))
    following = np.zeros((3, 2), np.int64)
    one = all_of(power, 0, 0, cut, 0, following)
    # the second call sees 5 s less of the past, as the pass does, and is told where it stands
    seen = cut - DECAY_CONTEXT
    two = all_of(power[:, :, seen:], 0, DECAY_CONTEXT, steps - seen, seen, following)
    for track in range(3):
        both = np.concatenate([one[track], two[track]])
        order = np.lexsort((both[:, 1], both[:, 0]))
        np.testing.assert_allclose(both[order], whole[track], rtol=1e-12)


def test_what_lies_before_the_beginning_is_not_looked_at() -> None:
    # the first 300 steps are said to be unknown: whatever they hold, the rest is the same
    power = notes_at_random(3)[None, None, :]
    other = power.copy()
    other[..., :300] = 7.0
    one = all_of(power, 300, 300, 1400, 0, np.zeros((1, 1), np.int64))
    two = all_of(other, 300, 300, 1400, 0, np.zeros((1, 1), np.int64))
    assert len(one[0])
    np.testing.assert_array_equal(one[0], two[0])
    np.testing.assert_allclose(one[0][:, 1], (decays_of(power[0, 0, 300:])[:, 0] + 300) * DECAY_STEP_S, rtol=1e-12)


# onsets


def onsets_of(
    power: np.ndarray, first: int = ONSET_CONTEXT, last: int | None = None, offset: int = 0, most: int = 64
) -> np.ndarray:
    out = np.full((most, 2), np.nan)
    last = len(power) - ONSET_CONTEXT if last is None else last
    found = onsets(np.ascontiguousarray(power), first, last, offset, out)
    assert np.isnan(out[found:]).all()
    return out[:found]


def note(tail_s: float, *, floor_db: float = -60.0, start: int = 100, steps: int = 250) -> np.ndarray:
    """Mean squares of 10 ms each of a note that begins at once and rings on."""
    power = np.full(steps, 10.0 ** (0.1 * floor_db))
    power[start:] += 10.0 ** (-6.0 * np.arange(steps - start) * ONSET_STEP_S / tail_s)
    return power


def contrast_db(power: np.ndarray, at: int, stop: int) -> float:
    """What the docstring says: the highest 10 ms of 50 against the mean of what lies 20 to 100 ms before and what rings after."""
    before = np.mean(power[at - 10 : at - 2])
    after = np.mean(power[at + 8 : stop])
    return float(10.0 * np.log10(power[at : at + 5].max() / (0.5 * (before + after))))


@pytest.mark.parametrize("tail_s", [0.2, 0.5, 1.0, 2.0, 5.0])
def test_contrast_of_a_note_that_rings(tail_s: float) -> None:
    power = note(tail_s)
    [row] = onsets_of(power)
    assert row[0] == 100
    assert row[1] == pytest.approx(min(30.0, contrast_db(power, 100, 126)), abs=1e-6)


def test_the_longer_it_rings_the_less_it_stands_out() -> None:
    found = [onsets_of(note(tail_s))[0, 1] for tail_s in (0.5, 1.0, 2.0, 4.0)]
    assert np.all(np.diff(found) < -0.5)


@pytest.mark.parametrize("above_db", [6.0, 10.0, 20.0, 29.0])
def test_contrast_of_a_pulse_is_what_it_stands_out_by(above_db: float) -> None:
    # before and after alike: nothing is left of the mean but the level
    power = np.full(200, 1e-5)
    power[100:103] *= 10.0 ** (0.1 * above_db)
    [row] = onsets_of(power)
    assert row.tolist() == pytest.approx([100, above_db], abs=1e-6)


def test_contrast_ends_at_30_db() -> None:
    power = np.full(200, 1e-9)
    power[100:103] = 1.0
    [row] = onsets_of(power)
    assert row[1] == 30.0


def test_what_rings_is_taken_up_to_the_next_note() -> None:
    power = np.full(300, 1e-5)
    power[100:103] = 1e-2
    power[117:120] = 1e-2
    found = onsets_of(power)
    assert found[:, 0].tolist() == [100, 117]
    # nothing of the second is in the contrast of the first: both stand 30 dB above what lies around them, less the first in
    # what lies before the second
    assert found[0, 1] == pytest.approx(30.0, abs=1e-6)


@pytest.mark.parametrize("rise_db", [pytest.param(2.0, id="2-db"), pytest.param(2.9, id="2.9-db")])
def test_a_small_step_is_no_onset(rise_db: float) -> None:
    power = np.full(200, 1e-4)
    power[100:] *= 10.0 ** (0.1 * rise_db)
    assert len(onsets_of(power)) == 0


def test_a_step_of_more_than_3_db_is_one() -> None:
    power = np.full(200, 1e-4)
    power[100:] *= 10.0**0.31
    assert onsets_of(power)[:, 0].tolist() == [100]


def test_a_slow_swell_is_no_onset() -> None:
    # 50 dB a second: 20 ms stand some 2 dB above the 50 ms before
    assert (
        len(onsets_of(from_levels(np.concatenate([np.full(80, -60.0), np.linspace(-60.0, 0.0, 120), np.zeros(80)]))))
        == 0
    )


def test_steady_noise_has_none(rng: np.random.Generator) -> None:
    # two octaves from 2 kHz through 10 ms: 120 degrees of freedom
    assert len(onsets_of(1e-4 * rng.gamma(60.0, 1.0 / 60.0, 3000))) == 0


def test_silence_has_none() -> None:
    assert len(onsets_of(np.zeros(500))) == 0
    # and dither at -126 dBFS that comes out of nothing is none either
    power = np.zeros(500)
    power[200:] = 10.0**-12.6
    assert len(onsets_of(power)) == 0


@given(seed=st.integers(0, 2**16), cuts=st.lists(st.integers(41, 559), min_size=1, max_size=4, unique=True))
@few
def test_parts_of_the_range_give_the_same_onsets(seed: int, cuts: list[int]) -> None:
    power = plucks_at_random(seed)
    whole = onsets_of(power)
    edges = [ONSET_CONTEXT, *sorted(cuts), len(power) - ONSET_CONTEXT]
    parts = [onsets_of(power, first, last) for first, last in zip(edges[:-1], edges[1:], strict=True)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    assert len(whole)


def plucks_at_random(seed: int, steps: int = 600) -> np.ndarray:
    rng = np.random.default_rng(seed)
    power = np.full(steps, 1e-7)
    for start in np.cumsum(rng.integers(12, 60, 30)):
        if start < steps:
            power += 10.0 ** rng.uniform(-2.0, 0.0) * (
                note(rng.uniform(0.1, 1.0), start=int(start), steps=steps) - 1e-6
            )
    return np.maximum(power, 1e-9) * rng.gamma(60.0, 1.0 / 60.0, steps)


@given(seed=st.integers(0, 2**16), gain_db=st.floats(-30.0, 30.0), offset=st.integers(0, 10**6))
@few
def test_gain_and_offset_leave_the_contrast(seed: int, gain_db: float, offset: int) -> None:
    power = plucks_at_random(seed)
    plain, other = onsets_of(power), onsets_of(power * 10.0 ** (0.1 * gain_db), offset=offset)
    np.testing.assert_array_equal(other[:, 0] - plain[:, 0], offset)
    np.testing.assert_allclose(other[:, 1], plain[:, 1], atol=1e-4)


@given(seed=st.integers(0, 2**16))
@few
def test_onsets_lie_apart_and_in_order(seed: int) -> None:
    found = onsets_of(plucks_at_random(seed))
    # the strongest within 80 ms
    assert (np.diff(found[:, 0]) > 8).all()
    assert (found[:, 1] <= 30.0).all()


def test_no_more_onsets_than_there_is_room_for() -> None:
    power = np.tile(note(0.3, start=30, steps=60), 10)
    every = onsets_of(power)
    assert len(every) >= 8
    np.testing.assert_array_equal(onsets_of(power, most=3), every[:3])
