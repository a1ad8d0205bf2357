"""When a source plays: known stretches of noise over a floor, bleed of others, hysteresis, sources that strike.

Levels are written as lists of 100 ms blocks where the answer is arithmetic, and as sound through the one pass where it is not.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from deskhand.measure.activity import DEAD_DBFS, WINDOW_BLOCKS, _without_bleed, activity, stretches, window_levels
from tests.support.feed import reading_of
from tests.support.signals import RATE_HZ, amplitude, at_level, hits, pink, sine, speech_like, white

HOP_S: Final = 0.1


def blocks(*parts: tuple[float, float]) -> np.ndarray:
    """Mean squares of 100 ms blocks: (seconds, level in dBFS) after each other."""
    return np.concatenate(
        [np.full(round(length_s / HOP_S), 0.5 * amplitude(level) ** 2, np.float32) for length_s, level in parts]
    )


def playing(mean_square: np.ndarray, begin_s: float, end_s: float, *, strikes: bool = False) -> np.ndarray:
    return activity(mean_square, strikes=strikes).blocks[round(begin_s / HOP_S) : round(end_s / HOP_S)]


@pytest.mark.source("AES17-2020, 3.12.1: a full-scale sine reads 0 dBFS RMS")
def test_window_level_of_a_sine() -> None:
    reading = reading_of(sine(1000.0, 3.0, level_dbfs=-12.0))
    np.testing.assert_allclose(reading.activity.level_dbfs, -12.0, atol=1e-3)


def test_windows_are_300_ms_every_100_ms() -> None:
    mean_square = np.arange(1.0, 11.0)
    found = window_levels(mean_square.astype(np.float32))
    expected = [np.mean(mean_square[k : k + WINDOW_BLOCKS]) for k in range(8)]
    np.testing.assert_allclose(found, 10 * np.log10(2 * np.array(expected)), rtol=1e-9)


@pytest.mark.parametrize("on_s", [pytest.param(s, id=f"plays-{s}-s") for s in (1.0, 5.0)])
@pytest.mark.parametrize("floor_dbfs", [pytest.param(db, id=f"floor-{-db:.0f}") for db in (-55.0, -70.0, -95.0)])
def test_share_of_bursts_over_a_floor(rng: np.random.Generator, on_s: float, floor_dbfs: float) -> None:
    # five bursts, one every 8 s; placed off the grid of blocks
    length_s, count = 40.0, 5
    signal = white(rng, length_s, floor_dbfs)
    for k in range(count):
        first = round((8 * k + 1.037) * RATE_HZ)
        burst = white(rng, on_s, -20.0)
        signal[first : first + burst.size] += burst
    found_s = reading_of(signal).readings.active_fraction * length_s
    # a 300 ms window that touches a burst is playing: each burst grows by up to two blocks on either side, and the
    # blocks it begins and ends in count whole
    assert count * on_s <= found_s <= count * (on_s + 0.5)


def test_level_of_playing_does_not_depend_on_the_pauses(rng: np.random.Generator) -> None:
    # the windows at a burst's ends hold less of it: the median does not see them
    phrase = white(rng, 4.0, -23.0)
    found = []
    for pause_s in (0.5, 2.0, 10.0):
        one = np.concatenate([phrase, np.zeros(round(pause_s * RATE_HZ))])
        signal = np.tile(one, 4)
        found.append(reading_of(signal + white(rng, signal.size / RATE_HZ, -80.0)).readings.level_dbfs)
    np.testing.assert_allclose(found, -23.0, atol=0.15)


@pytest.mark.parametrize("bleed_db", [pytest.param(db, id=f"{db}-db-below") for db in (15.0, 20.0, 26.0)])
@pytest.mark.parametrize("share", [pytest.param(s, id=f"plays-{s:.0%}") for s in (0.25, 0.5, 0.75)])
def test_bleed_well_below_playing_is_not_playing(rng: np.random.Generator, bleed_db: float, share: float) -> None:
    # a singer and what the others put into the microphone, in turns of 2 s to 6 s, over the room
    turn_s = 8.0
    parts = []
    for _ in range(4):
        own = pink(rng, share * turn_s, -20.0)
        others = pink(rng, (1 - share) * turn_s, -20.0 - bleed_db)
        parts += [own, others]
    signal = np.concatenate(parts)
    reading = reading_of(signal + white(rng, signal.size / RATE_HZ, -75.0)).readings
    # each turn may grow by half a second, as above
    assert share <= reading.active_fraction <= share + 0.5 / turn_s
    assert reading.level_dbfs == pytest.approx(-20.0, abs=0.3)


def test_soft_and_loud_playing_are_both_playing(rng: np.random.Generator) -> None:
    # a verse 9 dB below a chorus is no bleed
    parts = [white(rng, 8.0, level) for level in (-29.0, -20.0, -29.0, -20.0)]
    signal = np.concatenate([white(rng, 4.0, -75.0), *parts, white(rng, 4.0, -75.0)])
    assert reading_of(signal).readings.active_fraction == pytest.approx(32 / 40, abs=0.5 / 40)


# With floor and loud playing given, the module's first lines say the threshold: 10 dB above the floor, at most 30 dB below
# loud playing. Here -65 and -20 dBFS: on at -50, off at -56 dBFS.
@pytest.mark.parametrize(
    ("between_dbfs", "after_playing", "after_pause"),
    [
        pytest.param(-47.0, True, True, id="above-on"),
        pytest.param(-53.0, True, False, id="between-off-and-on"),
        pytest.param(-59.0, False, False, id="below-off"),
    ],
)
def test_hysteresis(between_dbfs: float, after_playing: bool, after_pause: bool) -> None:
    # what lies between is too short to be a heap of its own, which would be taken for bleed
    mean_square = blocks(
        (20, -65), (20, -20), (1.5, between_dbfs), (20, -65), (1.5, between_dbfs), (10, -65), (20, -20)
    )
    # half a second away from each change, so that no window sees both
    assert (playing(mean_square, 40.5, 41.0) == after_playing).all()
    assert (playing(mean_square, 62.0, 62.5) == after_pause).all()
    assert playing(mean_square, 20.5, 39.5).all()
    assert not playing(mean_square, 1.0, 19.0).any()


@pytest.mark.parametrize(
    "floor_dbfs", [pytest.param(db, id=f"floor-{-db:.0f}") for db in (-55.0, -66.0, -72.0, -80.0, -110.0)]
)
def test_a_cleaner_input_does_not_make_soft_playing_a_pause(floor_dbfs: float) -> None:
    # a verse 12 dB below the chorus, pauses between; playing is up to 30 dB below loud playing, whatever the floor
    mean_square = blocks((8, floor_dbfs), (10, -32), (5, floor_dbfs), (20, -20), (8, floor_dbfs))
    assert playing(mean_square, 8.5, 17.5).all()
    assert playing(mean_square, 23.5, 42.5).all()
    assert not playing(mean_square, 0.0, 7.0).any()
    assert not playing(mean_square, 19.0, 22.0).any()


@pytest.mark.parametrize("gain_db", [pytest.param(db, id=f"{db}-db") for db in (-25.0, -10.0, 15.0)])
def test_gain_does_not_change_when_it_plays(rng: np.random.Generator, gain_db: float) -> None:
    signal = speech_like(rng, 20.0, -25.0)
    plain, louder = (reading_of(signal * gain).activity for gain in (1.0, amplitude(gain_db)))
    np.testing.assert_array_equal(plain.blocks, louder.blocks)


@pytest.mark.parametrize(
    ("level_dbfs", "plays"),
    [pytest.param(DEAD_DBFS - 1, False, id="below"), pytest.param(DEAD_DBFS + 1, True, id="above")],
)
def test_what_stays_below_the_dead_level_carries_nothing(level_dbfs: float, plays: bool) -> None:
    assert bool(activity(blocks((10, level_dbfs))).blocks.any()) == plays


@pytest.mark.parametrize("bleed_dbfs", [pytest.param(db, id=f"bleed-{-db:.0f}") for db in (-90.0, -60.0, -45.0, -35.0)])
def test_level_of_hits_does_not_depend_on_what_is_between(rng: np.random.Generator, bleed_dbfs: float) -> None:
    # a kick once a second, 12 dB and more above what the others put into its microphone
    drum = hits(rng, 30.0, every_s=1.0, peak_dbfs=-6.0)
    alone = reading_of(drum, strikes=True)
    mixed = reading_of(drum + pink(rng, 30.0, bleed_dbfs), strikes=True)
    assert alone.readings.level_dbfs is not None
    level_dbfs = alone.readings.level_dbfs
    assert level_dbfs > bleed_dbfs + 12
    # powers add: that much the bleed raises the windows themselves, and 0.2 dB for its own wander in 300 ms
    raised_db = 10 * np.log10(1 + 10 ** ((bleed_dbfs - level_dbfs) / 10))
    assert mixed.readings.level_dbfs == pytest.approx(level_dbfs + raised_db, abs=0.2)
    # one window for each of the 30 hits
    assert alone.activity.windows.sum() == pytest.approx(30, abs=1)
    assert mixed.activity.windows.sum() == pytest.approx(30, abs=1)


def test_hits_of_other_drums_are_not_counted(rng: np.random.Generator) -> None:
    # a snare between the kicks, 14 dB down in the kick's microphone
    kick = hits(rng, 40.0, every_s=1.0, peak_dbfs=-6.0)
    snare = np.roll(hits(rng, 40.0, every_s=1.0, peak_dbfs=-20.0), RATE_HZ // 2)
    alone, both = (reading_of(signal, strikes=True) for signal in (kick, kick + snare))
    assert both.activity.windows.sum() == alone.activity.windows.sum()
    assert both.readings.level_dbfs == pytest.approx(alone.readings.level_dbfs, abs=0.2)


def test_soft_hits_within_15_db_count(rng: np.random.Generator) -> None:
    drum = np.zeros(40 * RATE_HZ)
    one = hits(rng, 1.0, every_s=1.0, peak_dbfs=0.0)
    for k in range(39):
        # levels of hits spread evenly over 9 dB: one heap
        drum[k * RATE_HZ : (k + 1) * RATE_HZ] = one * amplitude(-6.0 - 9.0 * ((7 * k) % 10) / 10)
    assert reading_of(drum, strikes=True).activity.windows.sum() == 39


def test_a_pair_is_active_when_either_side_is(rng: np.random.Generator) -> None:
    left, right = white(rng, 20.0, -75.0), white(rng, 20.0, -75.0)
    left[2 * RATE_HZ : 6 * RATE_HZ] = white(rng, 4.0, -20.0)
    right[10 * RATE_HZ : 14 * RATE_HZ] = white(rng, 4.0, -20.0)
    assert reading_of(np.stack([left, right])).readings.active_fraction == pytest.approx(8 / 20, abs=1.0 / 20)


@pytest.mark.parametrize(
    ("mask", "join_s", "expected"),
    [
        pytest.param("", 0.0, [], id="empty"),
        pytest.param("0000", 0.0, [], id="none"),
        pytest.param("1111", 0.0, [(0.0, 0.4)], id="all"),
        pytest.param("0110010", 0.0, [(0.1, 0.3), (0.5, 0.6)], id="two"),
        pytest.param("0110010", 0.2, [(0.1, 0.6)], id="joined"),
        pytest.param("0110010", 0.19, [(0.1, 0.3), (0.5, 0.6)], id="too-far-to-join"),
    ],
)
def test_stretches(mask: str, join_s: float, expected: list[tuple[float, float]]) -> None:
    found = stretches(np.array([letter == "1" for letter in mask], dtype=bool), 0.1, join_s=join_s)
    assert [pytest.approx(span) for span in expected] == found


def test_noise_is_the_level_of_the_quietest_pauses(rng: np.random.Generator) -> None:
    signal = white(rng, 30.0, -63.0)
    for first in (2, 12, 22):
        signal[first * RATE_HZ : (first + 4) * RATE_HZ] += white(rng, 4.0, -20.0)
        # somebody else, softly, in some of each pause
        signal[(first + 6) * RATE_HZ : (first + 8) * RATE_HZ] += white(rng, 2.0, -56.0)
    reading = reading_of(signal).readings
    # the 10th percentile of 300 ms windows of noise lies a tenth of a dB or so below its level
    assert reading.noise_dbfs == pytest.approx(-63.0, abs=0.3)


def test_loud_is_the_level_of_the_loudest_playing() -> None:
    # nine tenths at -30, one tenth at -24 dBFS: the 95th percentile lies in the loud tenth, the median does not
    signal = np.concatenate([sine(500.0, 27.0, level_dbfs=-30.0), sine(500.0, 3.0, level_dbfs=-24.0)])
    reading = reading_of(signal).readings
    assert reading.level_dbfs == pytest.approx(-30.0, abs=0.01)
    assert reading.loud_dbfs == pytest.approx(-24.0, abs=0.01)


def test_quiet_playing_over_digital_silence(rng: np.random.Generator) -> None:
    # exact zeros have no level at all: they must not decide the floor
    signal = np.zeros(30 * RATE_HZ)
    signal[5 * RATE_HZ : 15 * RATE_HZ] = at_level(rng.standard_normal(10 * RATE_HZ), -45.0)
    reading = reading_of(signal).readings
    assert reading.active_fraction == pytest.approx(10 / 30, abs=0.5 / 30)
    assert reading.level_dbfs == pytest.approx(-45.0, abs=0.1)


@pytest.mark.parametrize(("run", "plays"), [(1, False), (2, False), (3, True), (4, True)])
def test_how_long_what_stands_above_bleed_is_playing(run: int, plays: bool) -> None:
    """Three windows, 0.3 s, is a word; two are a loud moment of another source."""
    levels = np.full(60, -30.0)
    levels[30 : 30 + run] = -10.0
    found = _without_bleed(np.ones(60, bool), levels, np.full(60, -30.0), strikes=False)
    assert found[30 : 30 + run].all() == plays
    assert not found[:30].any()
    assert not found[30 + run :].any()
    # strokes are as short as that
    assert _without_bleed(np.ones(60, bool), levels, np.full(60, -30.0), strikes=True)[30 : 30 + run].all()
