"""Chains in lanes against the same chains on their own: the sound to the last bit, the meters, groups of unlike chains."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pytest

from deskhand.chain.bank import lane_groups
from deskhand.chain.run import Chain
from deskhand.chain.take import WithChains
from deskhand.measure.activity import Activity
from tests.support.chain import made
from tests.support.feed import Feed

RATE_HZ: Final = 48000
FRAMES: Final = 3 * 4800 * 5 + 77
VOICE: Final = [
    made("trim", gain="-2 dB"),
    made("high-pass", frequency="90 Hz", slope="24 dB/oct"),
    made("gate", threshold="-45 dBFS"),
    made("bell", frequency="400 Hz", gain="-4 dB"),
    made("compressor", threshold="-25 dBFS", ratio=3, knee="6 dB", makeup="2 dB"),
    made("high-shelf", frequency="6 kHz", gain="2 dB"),
]
BASS: Final = [
    made("polarity"),
    made("bell", frequency="120 Hz", gain="3 dB", q=2),
    made("compressor", threshold="-30 dBFS", ratio=4, senses="peak", release="two-stage"),
]
KEYS: Final = [
    made("low-shelf", frequency="150 Hz", gain="-3 dB"),
    made("compressor", threshold="-28 dBFS", ratio=2, detector="linked"),
    made("compressor", threshold="-20 dBFS", ratio="rising", detector="dual"),
]
SIDE_CHAIN: Final = [made("compressor", threshold="-26 dBFS", ratio=2, high_pass="150 Hz", detector="linked")]
WIDE: Final = [made("bell", frequency="2 kHz", gain="3 dB", on="side")]
CHAINS: Final[list[tuple[tuple[int, ...], list[Any]]]] = [
    ((0,), VOICE), ((1, 2), KEYS), ((3,), BASS), ((4, 5), WIDE), ((6,), VOICE), ((7, 8), SIDE_CHAIN), ((9, 10), KEYS),
    ((11,), []),
]  # fmt: skip


def music(rng: np.random.Generator) -> np.ndarray:
    steps = 10.0 ** (rng.uniform(-50, 0, (12, FRAMES // 2400 + 1)) / 20)
    return (0.3 * rng.standard_normal((12, FRAMES)) * np.repeat(steps, 2400, axis=1)[:, :FRAMES]).astype(np.float32)


def running(*, metered: bool) -> list[tuple[tuple[int, ...], Chain]]:
    return [
        (rows, Chain(blocks, channels=len(rows), sample_rate_hz=RATE_HZ, metered=metered)) for rows, blocks in CHAINS
    ]


@pytest.mark.source("the scalar kernels of the same blocks, one chain at a time")
@pytest.mark.parametrize(
    "block_frames", [pytest.param(size, id=f"{size}-frames") for size in (4800, 4801, 333, FRAMES)]
)
def test_sound_is_that_of_each_chain_alone(rng: np.random.Generator, block_frames: int) -> None:
    sound = music(rng)
    chains = running(metered=False)
    take = WithChains(Feed(sound), 0, chains)
    lanes = np.concatenate([piece.samples for piece in take.blocks(block_frames)], axis=1)
    for rows, (tracks, chain) in zip(take.rows, running(metered=False), strict=True):
        alone = chain.process(sound[list(tracks)].astype(np.float64)).astype(np.float32)
        np.testing.assert_array_equal(lanes[list(rows)], alone)


@pytest.mark.source("the meters of the same chains on their own, read from float32")
def test_meters_are_those_of_each_chain_alone(rng: np.random.Generator) -> None:
    sound = music(rng)
    chains, alone = running(metered=True), running(metered=True)
    for _ in WithChains(Feed(sound), 0, chains).blocks(48000):
        pass
    for (tracks, chain), (_, expected) in zip(chains, alone, strict=True):
        expected.process(sound[list(tracks)].astype(np.float64))
        expected.rest(len(tracks))
        assert len(chain.meters) == len(expected.meters) == len(chain.blocks)
        for ours, theirs in zip(chain.stages(everywhere()), expected.stages(everywhere()), strict=True):
            assert ours.block == theirs.block
            for name in ("level_dbfs", "peak_dbfs", "true_peak_dbtp", "loudness_lufs", "width_db"):
                assert getattr(ours, name) == pytest.approx(getattr(theirs, name), abs=2e-5), name
            if theirs.reduction_db is None:
                assert ours.reduction_db is None
            else:
                for name in ("median", "p95", "active_fraction"):
                    wanted = getattr(theirs.reduction_db, name)
                    assert getattr(ours.reduction_db, name) == pytest.approx(wanted, abs=2e-6), name
        for name, trace_db in expected.traces_db().items():
            np.testing.assert_allclose(chain.traces_db()[name], trace_db, atol=2e-6)


def everywhere() -> Activity:
    blocks = FRAMES // 4800
    return Activity(
        level_dbfs=np.zeros(blocks - 2, np.float32), windows=np.ones(blocks - 2, bool), blocks=np.ones(blocks, bool)
    )


def test_unlike_chains_share_lanes() -> None:
    groups, alone = lane_groups([chain for _, chain in running(metered=False)], RATE_HZ)
    # the sides of a pair alone are no lane's; eleven channels of the others take two groups
    assert alone == [3]
    assert [len(group.members) for group in groups] == [6, 1]
    used = [
        (number, lane)
        for number, group in enumerate(groups)
        for member in group.members
        for lane in range(member.first_lane, member.first_lane + member.channels)
    ]
    assert len(set(used)) == len(used) == sum(len(tracks) for tracks, _ in CHAINS) - 2
    assert all(member.first_lane % 2 == 0 for group in groups for member in group.members if member.channels == 2)
