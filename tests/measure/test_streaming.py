"""The result does not depend on how a recording is read, on how many threads, or on what the other tracks hold."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest

from deskhand.measure.figures import measure_figures
from tests.support.feed import RATE_HZ, Feed, figures_of
from tests.support.signals import hits, pink, plucks, sine, speech_like, to_16_bit, white

if TYPE_CHECKING:
    from deskhand.measure.figures import Figures

LENGTH_S: Final = 7.37
"""Neither whole seconds nor whole blocks."""


def show(rate_hz: int = RATE_HZ) -> np.ndarray:
    """Six tracks that hold something of everything that is looked for."""
    rng = np.random.default_rng(21)
    tracks = [
        plucks(rng, LENGTH_S, rate_hz=rate_hz),
        speech_like(rng, LENGTH_S, -24.0, rate_hz=rate_hz),
        hits(rng, LENGTH_S, rate_hz=rate_hz),
        pink(rng, LENGTH_S, -30.0, rate_hz=rate_hz) + sine(50.0, LENGTH_S, level_dbfs=-40.0, rate_hz=rate_hz),
        np.clip(sine(330.0, LENGTH_S, level_dbfs=3.0, rate_hz=rate_hz), -1, 1),
        to_16_bit(white(rng, LENGTH_S, -50.0, rate_hz=rate_hz)),
    ]
    samples = np.stack([track[: min(map(len, tracks))] for track in tracks])
    samples[0, 2 * rate_hz - 300 : 2 * rate_hz + 500] = 0.0
    samples[1, 3 * rate_hz + 17] += 0.5
    samples[1, 5 * rate_hz - 2000 : 5 * rate_hz + 2000] += white(rng, 4000 / rate_hz, -10.0, rate_hz=rate_hz)
    samples[3, 4 * rate_hz : 4 * rate_hz + rate_hz // 8] *= 1e-4
    return samples


def assert_same(one: Any, other: Any, *, at: str = "figures", allowed: float = 0.0) -> None:
    """Equal through dataclasses, tuples, lists, dicts and arrays; NaN equals NaN."""
    if is_dataclass(one):
        assert type(one) is type(other), at
        for field in fields(one):
            assert_same(getattr(one, field.name), getattr(other, field.name), at=f"{at}.{field.name}", allowed=allowed)
    elif isinstance(one, dict):
        assert one.keys() == other.keys(), at
        for key in one:
            assert_same(one[key], other[key], at=f"{at}[{key}]", allowed=allowed)
    elif isinstance(one, list | tuple):
        assert len(one) == len(other), at
        for place, (left, right) in enumerate(zip(one, other, strict=True)):
            assert_same(left, right, at=f"{at}[{place}]", allowed=allowed)
    elif one is None or isinstance(one, str | bool):
        assert one == other, at
    elif allowed:
        largest = float(np.max(np.abs(np.nan_to_num(one)), initial=0.0))
        np.testing.assert_allclose(other, one, rtol=allowed, atol=allowed * largest, err_msg=at)
    else:
        np.testing.assert_array_equal(other, one, err_msg=at)


PAIRS: Final = [(0, 1), (2, 3), (1, 4)]


@pytest.fixture(scope="module")
def samples() -> np.ndarray:
    return show()


@pytest.fixture(scope="module")
def whole(samples: np.ndarray) -> Figures:
    return figures_of(samples, pairs=PAIRS, origins=[5], threads=1)


@pytest.mark.parametrize("frames", [pytest.param(n, id=f"blocks-of-{n}") for n in (1000, 4801, 48000, 100000, 10**6)])
def test_blocks_of_any_size(samples: np.ndarray, whole: Figures, frames: int) -> None:
    assert_same(whole, figures_of(samples, pairs=PAIRS, origins=[5], threads=1, block_frames=frames))


@pytest.mark.parametrize("threads", [pytest.param(n, id=f"{n}-threads") for n in (2, 5)])
def test_any_number_of_threads(samples: np.ndarray, whole: Figures, threads: int) -> None:
    assert_same(whole, figures_of(samples, pairs=PAIRS, origins=[5], threads=threads))


def test_twice_the_same(samples: np.ndarray, whole: Figures) -> None:
    assert_same(whole, figures_of(samples, pairs=PAIRS, origins=[5], threads=1))


@pytest.mark.parametrize("rate_hz", [pytest.param(rate, id=f"{rate}-hz") for rate in (44100, 96000)])
def test_blocks_at_other_rates(rate_hz: int) -> None:
    samples = show(rate_hz)[:3]
    one = figures_of(samples, sample_rate_hz=rate_hz, pairs=[(0, 1)])
    assert_same(one, figures_of(samples, sample_rate_hz=rate_hz, pairs=[(0, 1)], block_frames=7001))


@pytest.mark.parametrize("count", [pytest.param(n, id=f"{n}-tracks") for n in range(1, 7)])
def test_many_tracks_equal_each_alone(samples: np.ndarray, count: int) -> None:
    # tracks are measured four at a time: one to six go through whole and broken groups
    together = figures_of(samples[:count])
    for row in range(count):
        alone = figures_of(samples[row])
        # one matrix product for four tracks or for one: float32 rounds in another order
        assert_same(alone.tracks[0], together.tracks[row], at=f"track {row}", allowed=2e-6)
        assert_same(alone.loudest[0,], together.loudest[row,], allowed=1e-9)


def test_order_of_tracks_does_not_matter(samples: np.ndarray, whole: Figures) -> None:
    turned = figures_of(samples[::-1].copy(), pairs=[(5 - a, 5 - b) for a, b in PAIRS], origins=[0])
    for row in range(6):
        assert_same(whole.tracks[row], turned.tracks[5 - row], at=f"track {row}", allowed=2e-6)
    for a, b in PAIRS:
        assert_same(whole.pairs[a, b], turned.pairs[5 - a, 5 - b], at=f"pair {a}, {b}", allowed=2e-6)


def test_measuring_leaves_the_samples_alone(samples: np.ndarray) -> None:
    feed = Feed(samples)
    before = feed.samples.copy()
    measure_figures(feed, feed.channels, pairs=PAIRS)
    np.testing.assert_array_equal(feed.samples, before)


def test_progress_is_told_and_ends_at_one(samples: np.ndarray) -> None:
    told: list[float] = []
    feed = Feed(samples[:1])
    measure_figures(feed, 1, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0)
