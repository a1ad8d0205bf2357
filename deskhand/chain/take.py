"""A recording with the house's chains run on it: its own tracks, and behind them what comes out of each chain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from concurrent.futures import ThreadPoolExecutor

    from numpy.typing import NDArray

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

    def blocks(self, frames: int, *, pool: ThreadPoolExecutor | None = None) -> Iterator[Piece]:
        """All rows, `frames` at a time; the last block may be shorter."""
        if not self._chains and self._mix is None:
            for block in self._recording.blocks(frames, pool=pool):
                yield Piece(block.samples)
            return
        held: list[NDArray[np.float32]] = [np.empty((len(rows), 0), np.float32) for rows in self.rows]
        waiting: list[NDArray[np.float32]] = []
        for block in self._recording.blocks(frames, pool=pool):
            samples = block.samples
            outputs = self._through(samples, pool)
            held = [np.concatenate(pair, axis=1) for pair in zip(held, outputs, strict=True)]
            # a chain that looks ahead gives a block when the next one is in: the recording's own tracks wait for it
            waiting.append(samples.copy())
            while waiting and all(part.shape[1] >= waiting[0].shape[1] for part in held):
                yield self._joined(waiting.pop(0), held)
        tails = [chain.rest(len(tracks)).astype(np.float32) for tracks, chain in self._chains]
        held = [np.concatenate(pair, axis=1) for pair in zip(held, tails, strict=True)]
        while waiting:
            yield self._joined(waiting.pop(0), held)

    def _through(self, samples: NDArray[np.float32], pool: ThreadPoolExecutor | None) -> list[NDArray[np.float32]]:
        def through(number: int) -> NDArray[np.float32]:
            tracks, chain = self._chains[number]
            return chain.aligned(samples[list(tracks)].astype(np.float64)).astype(np.float32)

        numbers = range(len(self._chains))
        return list(map(through, numbers)) if pool is None else list(pool.map(through, numbers))

    def _joined(self, samples: NDArray[np.float32], held: list[NDArray[np.float32]]) -> Piece:
        frames = samples.shape[1]
        joined = np.empty((self.tracks, frames), np.float32)
        joined[: self._plain] = samples[: self._plain]
        for number, rows in enumerate(self.rows):
            joined[list(rows)] = held[number][:, :frames]
            held[number] = held[number][:, frames:]
        if self._mix is not None:
            np.matmul(self._mix, joined[:-2], out=joined[-2:])
        return Piece(joined)
