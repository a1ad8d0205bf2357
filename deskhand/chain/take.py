"""A recording with the house's chains run on it: its own tracks, and behind them what comes out of each chain."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from deskhand.chain.bank import lane_groups

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from concurrent.futures import ThreadPoolExecutor

    from numpy.typing import NDArray

    from deskhand.chain.bank import LaneGroup
    from deskhand.chain.run import Chain
    from deskhand.measure.figures import BlockSource


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Stretch of all rows."""

    samples: NDArray[np.float32]
    """(rows, frames)."""


class WithChains:
    """Reads like a recording of more tracks: those of the recording, then one or two for each chain, in step with them.

    Parameters
    ----------
    recording : Recording
    tracks : int
        Count of the recording's first tracks to read too; 0 for the output of the chains alone.
    chains : sequence of (track positions, Chain)
        Tracks that go through each chain.
    mix : callable, optional
        From the rows of each chain's output and the number of rows to a (2, rows) matrix; left and right are then the last
        two rows. None makes none.
    """

    def __init__(
        self,
        recording: BlockSource,
        tracks: int,
        chains: Sequence[tuple[tuple[int, ...], Chain]],
        *,
        mix: Callable[[list[tuple[int, ...]], int], NDArray[np.float32] | None] | None = None,
    ) -> None:
        self._recording = recording
        self._chains = chains
        self.sample_rate_hz = recording.sample_rate_hz
        self.frames = recording.frames
        self.rows: list[tuple[int, ...]] = []
        """Rows of each chain's output."""
        row = tracks
        for _, chain in chains:
            self.rows.append(tuple(range(row, row + chain.channels)))
            row += chain.channels
        self._mix = None if mix is None else mix(self.rows, row)
        self.mix_rows: tuple[int, int] | None = None if self._mix is None else (row, row + 1)
        """Rows of the mix."""
        self.tracks = row + (0 if self._mix is None else 2)
        self._plain = tracks
        self._groups, self._alone = lane_groups([chain for _, chain in chains], recording.sample_rate_hz)

    def blocks(self, frames: int, *, pool: ThreadPoolExecutor | None = None) -> Iterator[Piece]:
        """All rows, `frames` at a time; the last block may be shorter."""
        if not self._chains and self._mix is None:
            for block in self._recording.blocks(frames, pool=pool):
                yield Piece(block.samples)
            return
        held: list[NDArray[np.float32]] = [np.empty((len(rows), 0), np.float32) for rows in self.rows]
        waiting: list[NDArray[np.float32]] = []
        for block in self._recording.blocks(frames, pool=pool):
            joined = np.empty((self.tracks, block.samples.shape[1]), np.float32)
            joined[: self._plain] = block.samples[: self._plain]
            outputs = self._through(block.samples, joined, pool)
            # a chain that looks ahead gives a block when the next one is in: the other rows wait for it
            waiting.append(joined)
            for number, output in zip(self._alone, outputs, strict=True):
                held[number] = np.concatenate([held[number], output], axis=1)
            while waiting and all(held[number].shape[1] >= waiting[0].shape[1] for number in self._alone):
                yield self._joined(waiting.pop(0), held)
        for group in self._groups:
            group.finish()
        for number in self._alone:
            tracks, chain = self._chains[number]
            tail = chain.rest(len(tracks)).astype(np.float32)
            held[number] = np.concatenate([held[number], tail], axis=1)
        while waiting:
            yield self._joined(waiting.pop(0), held)

    def _through(
        self, samples: NDArray[np.float32], joined: NDArray[np.float32], pool: ThreadPoolExecutor | None
    ) -> list[NDArray[np.float32]]:
        """Run the chains that lie in lanes into their rows; output of those that run on their own."""
        track_rows = [tracks for tracks, _ in self._chains]

        def in_lanes(group: LaneGroup) -> NDArray[np.float32] | None:
            group.run(samples, track_rows, joined, self.rows)
            return None

        def on_its_own(number: int) -> NDArray[np.float32]:
            tracks, chain = self._chains[number]
            return chain.aligned(samples[list(tracks)].astype(np.float64)).astype(np.float32)

        jobs = [partial(in_lanes, group) for group in self._groups] + [
            partial(on_its_own, number) for number in self._alone
        ]
        outputs = (job() for job in jobs) if pool is None else pool.map(lambda job: job(), jobs)
        return [output for output in outputs if output is not None]

    def _joined(self, joined: NDArray[np.float32], held: list[NDArray[np.float32]]) -> Piece:
        """Block whose rows of the chains that run on their own, and of the mix, are filled."""
        frames = joined.shape[1]
        for number in self._alone:
            joined[list(self.rows[number])] = held[number][:, :frames]
            held[number] = held[number][:, frames:]
        if self._mix is not None:
            np.matmul(self._mix, joined[:-2], out=joined[-2:])
        return Piece(joined)
