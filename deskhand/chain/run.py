"""Runs a chain: block after block, with a meter after each, in stretches of any length."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.chain.blocks import Block, build
from deskhand.chain.meter import Meters, Stage, StageMeter
from deskhand.errors import HouseError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock
    from deskhand.measure.activity import Activity

    Array = NDArray[np.float64]

_MOVES_GAIN = frozenset({"gate", "compressor", "dynamic-bell", "limiter"})


def still_to_come(blocks: Sequence[ChainBlock], tap: str) -> list[ChainBlock]:
    """The blocks that lie behind where tracks were taken: after-gain tracks hold the gain, the trim and the first high-pass."""
    if tap == "after-chain":
        return []
    if tap == "preamp":
        return list(blocks)
    left = [block for block in blocks if block.block not in {"gain", "trim"}]
    first = next((place for place, block in enumerate(left) if block.block == "high-pass"), None)
    return left if first is None else left[:first] + left[first + 1 :]


class Chain:
    """A source's chain, running.

    Parameters
    ----------
    blocks : sequence of ChainBlock
        In order.
    channels : int
        1, or 2 for a pair.
    sample_rate_hz : int
    folder : Path, optional
        Of the house file, where the files of curves lie.
    metered : bool
        With a meter after every block.
    source : str, optional
        Whose chain it is; named when a block cannot run.

    Raises
    ------
    HouseError
        A block that cannot run on this source.
    """

    def __init__(
        self,
        blocks: Sequence[ChainBlock],
        *,
        channels: int,
        sample_rate_hz: int,
        folder: Path | None = None,
        metered: bool = False,
        source: str | None = None,
    ) -> None:
        self.house_blocks = tuple(blocks)
        """As the house file has them."""
        self.blocks: list[Block] = []
        self.latency = 0
        outs, latencies = [], []
        for block in blocks:
            try:
                made = build(block, channels=channels, sample_rate_hz=sample_rate_hz, folder=folder)
            except HouseError as error:
                if source is None:
                    raise
                raise HouseError(f'source "{source}", {error.where}', error.problem, error.fix) from None
            self.blocks.append(made)
            self.latency += made.latency
            channels = made.channels
            outs.append(channels)
            latencies.append(self.latency)
        self._meters: Meters | None = None
        if metered:
            names = [block.block for block in blocks]
            self._meters = Meters(names, outs, latencies, [name in _MOVES_GAIN for name in names], sample_rate_hz)
        self.channels = channels
        self._to_drop = self.latency

    @property
    def meters(self) -> list[StageMeter]:
        """One behind every block; none when it is not metered."""
        return self._meters.stages if self._meters is not None else []

    def process(self, signal: Array) -> Array:
        """(channels, frames) through the blocks; the output lies `latency` behind. The input is kept."""
        out = signal.copy()
        heard: list[NDArray[np.float32]] = []
        for block in self.blocks:
            out = block.process(out)
            if self._meters is not None:
                heard.append(out.astype(np.float32))
        if self._meters is not None and heard:
            self._meters.take(heard, [block.reduction_db for block in self.blocks])
        return out

    def aligned(self, signal: Array) -> Array:
        """As `process`, without the latency: fewer frames come back at first, and `rest` brings the others."""
        out = self.process(signal)
        dropped = min(self._to_drop, out.shape[1])
        self._to_drop -= dropped
        return out[:, dropped:]

    def rest(self, channels: int) -> Array:
        """What the blocks still hold: run silence through, as long as the latency."""
        out = self.aligned(np.zeros((channels, self.latency)))
        if self._meters is not None:
            self._meters.finish()
        return out

    def traces_db(self) -> dict[str, Array]:
        """What each block that moves gain took off over time, every 100 ms; two of a kind are numbered."""
        out: dict[str, Array] = {}
        for meter in self.meters:
            trace = meter.trace_db()
            if trace is not None:
                count = sum(name.split(" ")[0] == meter.block for name in out)
                out[f"{meter.block} {count + 1}" if count else meter.block] = trace
        return out

    def stages(self, playing: Activity) -> tuple[Stage, ...]:
        """What the meters read, over what counts as playing at the tap."""
        return tuple(meter.result(playing) for meter in self.meters)


def run(
    signal: Array,
    blocks: Sequence[ChainBlock],
    *,
    sample_rate_hz: int,
    folder: Path | None = None,
    block_frames: int = 1 << 14,
) -> Array:
    """A whole signal through a chain: (channels, frames) in, the same frames out, latency taken out."""
    chain = Chain(blocks, channels=signal.shape[0], sample_rate_hz=sample_rate_hz, folder=folder)
    return _through(chain, signal, block_frames)


def _through(chain: Chain, signal: NDArray[np.floating], block_frames: int = 1 << 14) -> Array:
    parts = [
        chain.aligned(np.ascontiguousarray(signal[:, first : first + block_frames], np.float64))
        for first in range(0, signal.shape[1], block_frames)
    ]
    parts.append(chain.rest(signal.shape[0]))
    return np.concatenate(parts, axis=1)


class WhatIf:
    """A chain on a stretch held in memory, for one change after another: only what comes behind a change runs again.

    Parameters
    ----------
    signal : (channels, frames) array
    blocks : sequence of ChainBlock
    sample_rate_hz, folder
        As for `Chain`.
    metered : bool
        With a meter behind every block.
    """

    def __init__(
        self,
        signal: NDArray[np.floating],
        blocks: Sequence[ChainBlock],
        *,
        sample_rate_hz: int,
        folder: Path | None = None,
        metered: bool = False,
    ) -> None:
        self._rate_hz = sample_rate_hz
        self._folder = folder
        self._metered = metered
        self._blocks: list[ChainBlock] = []
        self._chains: list[Chain] = []
        self._after: list[NDArray[np.float32]] = [np.asarray(signal, np.float32)]
        self.run(blocks)

    def run(self, blocks: Sequence[ChainBlock]) -> NDArray[np.float32]:
        """The output with these blocks, (channels, frames).

        Raises
        ------
        HouseError
            A block that cannot run on this source; what is in front of it is kept.
        """
        same = 0
        while same < min(len(blocks), len(self._blocks)) and blocks[same] == self._blocks[same]:
            same += 1
        del self._after[same + 1 :], self._blocks[same:], self._chains[same:]
        for place, block in enumerate(blocks[same:], same + 1):
            # each block on its own, so that what it gives can be kept; rounded to float32 (-150 dB) in between
            into = self._after[-1].astype(np.float64)
            try:
                chain = Chain(
                    [block],
                    channels=into.shape[0],
                    sample_rate_hz=self._rate_hz,
                    folder=self._folder,
                    metered=self._metered,
                )
            except HouseError as error:
                raise HouseError(f"chain {place}, {block.block}", error.problem, error.fix) from None
            self._after.append(_through(chain, into).astype(np.float32))
            self._blocks.append(block)
            self._chains.append(chain)
        return self._after[-1]

    def after(self, place: int) -> NDArray[np.float32]:
        """What comes out of a block; -1 is what goes in."""
        return self._after[place + 1]

    def stages(self, playing: Activity) -> tuple[Stage, ...]:
        """What the meters read behind each block."""
        return tuple(stage for chain in self._chains for stage in chain.stages(playing))
