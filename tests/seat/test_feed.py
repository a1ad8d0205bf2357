"""Delay, level and early response by octave from music to a seat: known paths, noise, narrow mixes, several zones."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from deskhand.seat.arrivals import speed_of_sound_m_s
from deskhand.seat.feed import LEAST_SEGMENTS, PARTS, _apart, early_power, feed_response, feed_spectra, segment_frames
from tests.support.tables import rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.seat.feed import FeedResponse

RATE_HZ = 16000
"""A low rate keeps the tests short; octaves up to 4 kHz are whole at it."""
WHOLE_HZ = (63, 125, 250, 500, 1000, 2000, 4000)


def path(arrivals: dict[float, float], *, tail: float = 0.0, seed: int = 1) -> NDArray[np.float64]:
    """Taps with arrivals at whole milliseconds, and a tail that falls by 60 dB in 0.6 s from 20 ms after the first."""
    taps = np.zeros(RATE_HZ // 2)
    for time_ms, gain in arrivals.items():
        taps[round(time_ms * RATE_HZ / 1000)] += gain
    time_s = np.arange(taps.size) / RATE_HZ
    noise = np.random.default_rng(seed).standard_normal(taps.size) * 10 ** (-3 * time_s / 0.6)
    return taps + tail * noise * (time_s > min(arrivals) / 1000 + 0.02)


def response_of(
    mix: NDArray[np.float64], paths: list[NDArray[np.float64]], noise: NDArray[np.float64]
) -> FeedResponse | None:
    """Response that is read from a mix through paths, in noise."""
    frames = mix.shape[1]
    size = frames + paths[0].size
    seat = noise + sum(
        np.fft.irfft(np.fft.rfft(row, size) * np.fft.rfft(taps, size), size)[:frames]
        for row, taps in zip(mix, paths, strict=True)
    )
    cuts = np.linspace(0, frames, PARTS + 1).astype(int)
    return feed_response(
        [
            feed_spectra(mix[:, a:b], seat[a:b], sample_rate_hz=RATE_HZ)
            for a, b in zip(cuts[:-1], cuts[1:], strict=True)
        ],
        sample_rate_hz=RATE_HZ,
    )


def wide_mix(rng: np.random.Generator, seconds: float = 40.0) -> NDArray[np.float64]:
    """Two sides that share half of their power."""
    middle, *sides = rng.standard_normal((3, round(seconds * RATE_HZ)))
    return np.array([middle + side for side in sides])


def test_early_response_and_delay_of_both_sides_in_a_talking_audience(rng: np.random.Generator) -> None:
    mix = wide_mix(rng)
    paths = [path({40.0: 0.5, 47.0: 0.3}, tail=0.02), path({43.5: 0.4, 52.0: -0.2}, tail=0.02, seed=2)]
    noise = 0.08 * rng.standard_normal(mix.shape[1])
    response = response_of(mix, paths, noise)
    assert response is not None
    certain = 0
    for side, taps, delay_ms in (("left", paths[0], 40.0), ("right", paths[1], 43.5)):
        row = response.sides[side]  # type: ignore[index]
        assert row.delay_ms == pytest.approx(delay_ms, abs=0.1)
        truth_db = 10 * np.log10(early_power(taps, delay_ms / 1000, sample_rate_hz=RATE_HZ))
        for octave_hz, true_db in zip(WHOLE_HZ, truth_db, strict=False):
            octave = row.octaves[octave_hz]
            if octave.certain:
                certain += 1
                assert octave.level_db == pytest.approx(true_db, abs=1.0)
    assert certain >= 8


@pytest.mark.source(
    "arithmetic: the early part of two pulses of 1 and 0.5 has the power 1 + 0.25 over many lines of their comb"
)
def test_early_power_counts_what_comes_within_50_ms() -> None:
    power = early_power(path({10.0: 1.0, 30.0: 0.5, 80.0: 1.0}), 0.01, sample_rate_hz=RATE_HZ)
    assert power[6] == pytest.approx(1.25, rel=0.02)


def test_noise_that_covers_a_side_leaves_an_upper_end_and_no_level(rng: np.random.Generator) -> None:
    mix = wide_mix(rng)
    response = response_of(mix, [path({40.0: 0.5}), path({40.0: 1e-6})], 0.3 * rng.standard_normal(mix.shape[1]))
    assert response is not None
    gone = response.sides["right"]
    assert gone.delay_ms is None
    assert gone.octaves[2000].level_db is None
    assert gone.octaves[2000].most_db < response.sides["left"].octaves[2000].most_db - 15.0


def test_a_narrow_mix_tells_both_sides_together_only(rng: np.random.Generator) -> None:
    mix = np.tile(rng.standard_normal(40 * RATE_HZ), (2, 1)) + 1e-4 * rng.standard_normal((2, 40 * RATE_HZ))
    response = response_of(mix, [path({40.0: 0.5}), path({40.0: 0.5})], 0.1 * rng.standard_normal(mix.shape[1]))
    assert response is not None
    assert response.apart == ()
    assert response.sides["both"].octaves[1000].level_db == pytest.approx(0.0, abs=0.5)
    assert response.sides["both"].delay_ms == pytest.approx(40.0, abs=0.1)


def test_a_mix_of_one_track_is_read_as_one(rng: np.random.Generator) -> None:
    mix = rng.standard_normal((1, 40 * RATE_HZ))
    response = response_of(mix, [path({25.0: 1.0})], 0.1 * rng.standard_normal(mix.shape[1]))
    assert response is not None
    assert set(response.sides) == {"both"}
    assert response.sides["both"].delay_ms == pytest.approx(25.0, abs=0.1)


def test_two_zones_are_told_in_order_with_their_distance(rng: np.random.Generator) -> None:
    mix = wide_mix(rng)
    zones = path({30.0: 0.7, 61.0: 1.0})
    response = response_of(mix, [zones, zones], 0.05 * rng.standard_normal(mix.shape[1]))
    assert response is not None
    first, second = response.sides["both"].arrivals
    assert (first.delay_ms, second.delay_ms) == (pytest.approx(30.0, abs=0.1), pytest.approx(61.0, abs=0.1))
    assert first.level_db == pytest.approx(-3.1, abs=0.5)


@pytest.mark.parametrize("seconds", [5.0, 15.0])
def test_too_little_music_is_refused(rng: np.random.Generator, seconds: float) -> None:
    mix = wide_mix(rng, seconds)
    assert response_of(mix, [path({40.0: 0.5})] * 2, np.zeros(mix.shape[1])) is None


def test_twelve_segments_are_enough(rng: np.random.Generator) -> None:
    """Segments overlap by half: one half segment more than there are segments."""
    for count in (LEAST_SEGMENTS - 1, LEAST_SEGMENTS):
        frames = (count + 1) * segment_frames(RATE_HZ) // 2
        mix = rng.standard_normal((1, frames))
        spectra = feed_spectra(mix, mix[0], sample_rate_hz=RATE_HZ)
        assert spectra.segments == count
        assert (feed_response([spectra], sample_rate_hz=RATE_HZ) is not None) == (count == LEAST_SEGMENTS)


@pytest.mark.source(
    "arithmetic: of sides m + a and m + b, all as loud, a quarter of one explains the other: 0.5 squared"
)
def test_how_far_the_sides_of_a_mix_are_apart(rng: np.random.Generator) -> None:
    mix = wide_mix(rng)
    apart = _apart(feed_spectra(mix, mix[0], sample_rate_hz=RATE_HZ), RATE_HZ)
    assert apart[: len(WHOLE_HZ)] == pytest.approx(np.full(len(WHOLE_HZ), 0.75), abs=0.12)
    alone = rng.standard_normal((1, mix.shape[1]))
    assert _apart(feed_spectra(alone, alone[0], sample_rate_hz=RATE_HZ), RATE_HZ).tolist() == [1.0] * 8


def test_a_seat_that_hears_something_else_is_refused(rng: np.random.Generator) -> None:
    mix = wide_mix(rng)
    assert response_of(mix, [path({40.0: 0.0})] * 2, rng.standard_normal(mix.shape[1])) is None


@pytest.mark.source("ISO 9613-1:1993, A.5, by temperature (tests/reference/speed_of_sound.csv)")
def test_speed_of_sound() -> None:
    for row in rows("speed_of_sound"):
        assert speed_of_sound_m_s(float(row["temp_c"])) == pytest.approx(float(row["iso9613_dry"]), abs=0.02)
