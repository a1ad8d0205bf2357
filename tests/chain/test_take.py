"""A recording with chains run on it: the rows in step with the raw ones whatever the blocks, and the mix against numpy."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.chain.run import Chain, run
from deskhand.chain.take import WithChains
from deskhand.house import HouseFile
from deskhand.mix.bus import gains, strips
from tests.support.chain import made
from tests.support.feed import Feed
from tests.support.hypotheses import examples
from tests.support.signals import amplitude

if TYPE_CHECKING:
    from collections.abc import Sequence

RATE_HZ: Final = 48000
FRAMES: Final = 30011
LATE: Final = [made("saturation", drive="-20 dB"), made("limiter", ceiling="-3 dBFS"), made("delay", time="0.2 ms")]
PLAIN: Final = [made("bell", frequency="1 kHz", gain="6 dB")]
PANNED: Final = [made("pan", position=50), made("high-shelf", frequency="5 kHz", gain="4 dB", on="side")]
CHAINS: Final[list[tuple[tuple[int, ...], list[Any]]]] = [((0,), PLAIN), ((1, 2), LATE), ((3,), PANNED)]
"""Tracks and blocks of each; track 4 has no chain."""
few: Final = settings(max_examples=examples(12), deadline=None, derandomize=True, database=None)


def tracks() -> np.ndarray:
    rng = np.random.default_rng(11)
    return (0.1 * rng.standard_normal((5, FRAMES)) * rng.uniform(0.2, 2.0, (5, 1))).astype(np.float32)


def take_of(
    sound: np.ndarray,
    chains: Sequence[tuple[tuple[int, ...], list[Any]]],
    *,
    block_frames: int | None = None,
    mix: Any = None,
) -> WithChains:
    running = [(rows, Chain(blocks, channels=len(rows), sample_rate_hz=RATE_HZ)) for rows, blocks in chains]
    return WithChains(Feed(sound, block_frames=block_frames), sound.shape[0], running, mix=mix)


def gathered(take: WithChains, frames: int = 4800, *, pool: ThreadPoolExecutor | None = None) -> np.ndarray:
    return np.concatenate([piece.samples for piece in take.blocks(frames, pool=pool)], axis=1)


def expected(sound: np.ndarray, chains: Sequence[tuple[tuple[int, ...], list[Any]]]) -> np.ndarray:
    """The raw rows, and each chain run on the whole."""
    outs = [run(sound[list(rows)].astype(np.float64), blocks, sample_rate_hz=RATE_HZ) for rows, blocks in chains]
    return np.concatenate([sound, *outs])


@few
@given(block_frames=st.integers(20, 40000))
def test_rows_are_in_step_whatever_the_blocks(block_frames: int) -> None:
    sound = tracks()
    take = take_of(sound, CHAINS, block_frames=block_frames)
    assert take.rows == [(5,), (6, 7), (8, 9)]
    assert take.tracks == 10
    assert take.mix_rows is None
    assert (take.frames, take.sample_rate_hz) == (FRAMES, RATE_HZ)
    pieces = list(take.blocks(4800))
    # blocks come out as they went in
    sizes = [piece.samples.shape[1] for piece in pieces]
    assert sizes == [min(block_frames, FRAMES - first) for first in range(0, FRAMES, block_frames)]
    out = np.concatenate([piece.samples for piece in pieces], axis=1)
    assert out.dtype == np.float32
    assert np.array_equal(out[:5], sound)
    # float32 of a whole run
    assert np.abs(out - expected(sound, CHAINS)).max() < 1e-7


@pytest.mark.source("definition: an impulse on a track and on its chain's rows lies at the same place")
@pytest.mark.parametrize("block_frames", [97, 4800, FRAMES])
def test_an_impulse_in_every_row(block_frames: int) -> None:
    sound = np.zeros((5, FRAMES), np.float32)
    places = [0, 50, 4799, 4800, 15000, FRAMES - 200]
    sound[:, places] = 0.05
    blocks: list[tuple[tuple[int, ...], list[Any]]] = [((0,), PLAIN), ((1, 2), LATE[:2]), ((3,), PANNED)]
    out = gathered(take_of(sound, blocks, block_frames=block_frames))
    for row in out:
        top = np.abs(row).max()
        assert sorted(np.flatnonzero(np.abs(row) > 0.6 * top)) == places


def test_threads_change_nothing() -> None:
    sound = tracks()
    with ThreadPoolExecutor(2) as pool:
        assert np.array_equal(gathered(take_of(sound, CHAINS), pool=pool), gathered(take_of(sound, CHAINS)))


def test_without_chains_it_is_the_recording() -> None:
    sound = tracks()
    take = take_of(sound, [])
    assert take.tracks == 5
    assert np.array_equal(gathered(take), sound)


@pytest.mark.parametrize("frames", [1, 30, 150])
def test_a_take_shorter_than_the_latency(frames: int) -> None:
    sound = tracks()[:, :frames]
    out = gathered(take_of(sound, CHAINS))
    assert out.shape == (10, frames)
    assert np.abs(out - expected(sound, CHAINS)).max() < 1e-7


HOUSE: Final = {
    "house": {"name": "Tern Street Hall"},
    "source": [
        {"name": "voice", "role": "lead vocal", "tracks": ["a"], "fader": "-3 dB"},
        {"name": "keys", "role": "keys", "tracks": ["b", "c"], "fader": "-10 dB"},
        {"name": "guitar", "role": "guitar", "tracks": ["d"], "fader": "2 dB"},
        {"name": "bass", "role": "bass", "tracks": ["e"], "fader": "-6 dB"},
        {"name": "click", "role": "click", "tracks": ["f"], "fader": "0 dB"},
        {"name": "muted", "role": "other", "tracks": ["g"], "fader": "0 dB", "mute": True},
        {"name": "unused", "role": "other", "tracks": ["h"], "fader": "0 dB", "used": False},
        {"name": "unwritten", "role": "other", "tracks": ["i"]},
    ],
}


def house() -> HouseFile:
    from pydantic import TypeAdapter

    return TypeAdapter(HouseFile).validate_python(HOUSE)


@pytest.mark.source("definition: a mix is a sum of gains; one channel in the centre at -3.01 dB, a pair as it is")
@pytest.mark.parametrize("block_frames", [1000, 4800])
def test_mix_rows_are_the_sum(block_frames: int) -> None:
    sound = np.concatenate([tracks(), 0.1 * tracks()[:4]])
    of = {"voice": (9,), "keys": (10, 11), "guitar": (12, 13), "bass": (4,)}
    rest = {"click": (5,), "muted": (6,), "unused": (7,), "unwritten": (8,)}

    def mix(rows: list[tuple[int, ...]], total: int) -> np.ndarray:
        assert rows == [(9,), (10, 11), (12, 13)]
        found = strips(house(), of | rest)
        assert [strip.source for strip in found] == ["voice", "keys", "guitar", "bass"]
        return gains(found, total)

    take = take_of(sound, CHAINS, block_frames=block_frames, mix=mix)
    assert take.mix_rows == (14, 15)
    assert take.tracks == 16
    out = gathered(take).astype(np.float64)
    rows = expected(sound, CHAINS)
    centre = np.sqrt(0.5)
    wanted = np.stack(
        [
            amplitude(-3.0) * centre * rows[9]
            + amplitude(-10.0) * rows[10 + side]
            + amplitude(2.0) * rows[12 + side]
            + amplitude(-6.0) * centre * rows[4]
            for side in (0, 1)
        ]
    )
    assert np.abs(out[14:] - wanted).max() < 1e-6
    assert np.abs(out[:14] - rows).max() < 1e-7


def test_no_faders_make_no_mix() -> None:
    take = take_of(tracks(), CHAINS, mix=lambda rows, total: None)
    assert take.mix_rows is None
    assert gathered(take).shape == (10, FRAMES)
