"""Runs a chain: block after block, with a meter after each, in stretches of any length."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.chain.blocks import Processor, build
from deskhand.chain.meter import MeterReadings, MeterRecord, Meters, Stage, StageMeter
from deskhand.errors import HouseError
from deskhand.house import BLOCKS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.chain.blocks.processor import LaneBlock
    from deskhand.house import ChainBlock
    from deskhand.measure.activity import Activity

    Array = NDArray[np.float64]

_MOVES_GAIN = frozenset(name for name, block in BLOCKS.items() if block.moves_gain)


def still_to_come(blocks: Sequence[ChainBlock], tap: str) -> list[ChainBlock]:
    """Blocks that lie behind the tap of the tracks: after-gain tracks hold the gain, the trim and the first high-pass."""
    if tap == "after-chain":
        return []
    if tap == "preamp":
        return list(blocks)
    left = [block for block in blocks if not BLOCKS[block.block].is_gain]
    first = next((position for position, block in enumerate(left) if BLOCKS[block.block].first_at_input), None)
    return left if first is None else left[:first] + left[first + 1 :]


class Chain:
    """Running chain of a source.

    Parameters
    ----------
    blocks : sequence of ChainBlock
        Blocks of the house file, in order.
    channels : int
        1, or 2 for a pair.
    sample_rate_hz : int
    folder : Path, optional
        Folder of the house file, where the files of curves lie.
    metered : bool
        With a meter after every block.
    source : str, optional
        Name of the source, told when a block cannot run.

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
        """Blocks as the house file has them."""
        self.blocks: list[Processor] = []
        self.latency = 0
        input_channels = channels
        channel_counts, latencies = [], []
        for block in blocks:
            try:
                processor = build(block, channels=channels, sample_rate_hz=sample_rate_hz, folder=folder)
            except HouseError as error:
                if source is None:
                    raise
                raise HouseError(f'source "{source}", {error.where}', error.problem, error.fix) from None
            self.blocks.append(processor)
            self.latency += processor.latency
            channels = processor.channels
            channel_counts.append(channels)
            latencies.append(self.latency)
        self._names = [block.block for block in blocks]
        self._meters: Meters | None = None
        self.meters: list[StageMeter] = []
        """Meters, one behind every block; none when the chain is not metered."""
        if metered:
            self._meters = Meters(self._names, channel_counts, latencies, self.moves_gain, sample_rate_hz)
            self.meters = self._meters.stages
        self.channels = channels
        self._inputs = input_channels
        self._to_drop = self.latency

    @property
    def is_metered(self) -> bool:
        """True with a meter behind every block."""
        return bool(self.meters)

    @property
    def moves_gain(self) -> list[bool]:
        """True for each block whose gain reduction is read."""
        return [name in _MOVES_GAIN for name in self._names]

    @property
    def lane_blocks(self) -> list[LaneBlock] | None:
        """Blocks as lanes run them; None where one of them cannot, or makes two channels of one."""
        if self.channels != self._inputs or self.latency:
            return None
        blocks = [block.lane_block for block in self.blocks]
        return None if None in blocks else [block for block in blocks if block is not None]

    def metered_elsewhere(self, meters: MeterReadings) -> None:
        """Read the meters of a group of lanes, which runs the blocks from now on, or of a run before."""
        self._meters = None
        self.meters = [StageMeter(meters, stage, name) for stage, name in enumerate(self._names)]

    def meter_record(self) -> MeterRecord:
        """Readings of all its meters so far, to be kept."""
        return MeterRecord(stages=tuple(meter.record() for meter in self.meters))

    def process(self, signal: Array) -> Array:
        """(channels, frames) through the blocks; the output lies `latency` behind. The input is kept."""
        signal = signal.copy()
        stages: list[NDArray[np.float32]] = []
        for block in self.blocks:
            signal = block.process(signal)
            if self._meters is not None:
                stages.append(signal.astype(np.float32))
        if self._meters is not None and stages:
            self._meters.take(stages, [block.reduction_db for block in self.blocks])
        return signal

    def aligned(self, signal: Array) -> Array:
        """(channels, frames) through the blocks without the latency: fewer frames come back at first, `rest` brings the others."""
        late = self.process(signal)
        dropped = min(self._to_drop, late.shape[1])
        self._to_drop -= dropped
        return late[:, dropped:]

    def rest(self, channels: int) -> Array:
        """(channels, frames) that the blocks still hold: silence as long as the latency is run through."""
        tail = self.aligned(np.zeros((channels, self.latency)))
        if self._meters is not None:
            self._meters.finish()
        return tail

    def traces_db(self) -> dict[str, Array]:
        """Gain reduction of each block that moves gain, in dB each 100 ms; two of a kind are numbered."""
        traces: dict[str, Array] = {}
        for meter in self.meters:
            trace = meter.trace_db()
            if trace is not None:
                count = sum(name.split(" ")[0] == meter.block for name in traces)
                traces[f"{meter.block} {count + 1}" if count else meter.block] = trace
        return traces

    def stages(self, playing: Activity) -> tuple[Stage, ...]:
        """Readings of the meters over what counts as playing at the tap."""
        return tuple(meter.result(playing) for meter in self.meters)


def run(
    signal: Array,
    blocks: Sequence[ChainBlock],
    *,
    sample_rate_hz: int,
    folder: Path | None = None,
    block_frames: int = 1 << 14,
) -> Array:
    """(channels, frames) of a whole signal through a chain, latency taken out."""
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
        Sample rate, and folder of the house file, as for `Chain`.
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
        """(channels, frames) of the output with these blocks.

        Raises
        ------
        HouseError
            A block that cannot run on this source; what is in front of it is kept.
        """
        same = 0
        while same < min(len(blocks), len(self._blocks)) and blocks[same] == self._blocks[same]:
            same += 1
        del self._after[same + 1 :], self._blocks[same:], self._chains[same:]
        for number, block in enumerate(blocks[same:], same + 1):
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
                raise HouseError(f"chain {number}, {block.block}", error.problem, error.fix) from None
            self._after.append(_through(chain, into).astype(np.float32))
            self._blocks.append(block)
            self._chains.append(chain)
        return self._after[-1]

    def after(self, position: int) -> NDArray[np.float32]:
        """(channels, frames) of the output of the block at a position, 0 for the first; -1 gives the input."""
        return self._after[position + 1]

    def stages(self, playing: Activity) -> tuple[Stage, ...]:
        """Readings of the meters behind each block."""
        return tuple(stage for chain in self._chains for stage in chain.stages(playing))
