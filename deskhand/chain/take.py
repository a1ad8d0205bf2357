"""A recording with the house's chains run on it: its own tracks, and behind them what comes out of each chain."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Protocol

import numpy as np

from deskhand.chain.bank import lane_groups
from deskhand.dsp import summing
from deskhand.dsp.vectors import LANES

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


class MixKeeper(Protocol):
    """Sums of a mix that were kept, and where its sums are to be kept."""

    def earlier(self, start: int, frames: int) -> NDArray[np.float64] | None:
        """(2, frames) sums of an earlier mix from a frame on, to which this one adds; None for a mix from nothing."""
        ...

    def keep(self, sums: NDArray[np.float64]) -> None:
        """Take the next (2, frames) sums."""
        ...


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
        From the rows of each chain's output (helpers last) and the number of rows to a (2, rows) matrix; left and right are then the
        next two rows. None makes none.
    helpers : sequence of (track positions, Chain)
        Chains that are run for the mix alone: their rows come last and are not counted among the tracks.
    keeper : MixKeeper, optional
        Sums that the mix begins with, and that keeps its own.
    """

    def __init__(
        self,
        recording: BlockSource,
        tracks: int,
        chains: Sequence[tuple[tuple[int, ...], Chain]],
        *,
        mix: Callable[[list[tuple[int, ...]], int], NDArray[np.float32] | None] | None = None,
        helpers: Sequence[tuple[tuple[int, ...], Chain]] = (),
        keeper: MixKeeper | None = None,
    ) -> None:
        self._recording = recording
        self._chains = [*chains, *helpers]
        self.sample_rate_hz = recording.sample_rate_hz
        self.frames = recording.frames
        self.rows = _rows_of(chains, tracks)
        """Rows of each chain's output."""
        end = tracks + sum(map(len, self.rows))
        helper_rows = _rows_of(helpers, end + 2)
        self._all_rows = self.rows + helper_rows
        self._count = end + 2 + sum(map(len, helper_rows)) if helpers else end
        matrix = None if mix is None else mix(self._all_rows, self._count)
        self.mix_rows: tuple[int, int] | None = None if matrix is None else (end, end + 1)
        """Rows of the mix."""
        self.tracks = end if matrix is None else end + 2
        self._count = max(self._count, self.tracks)
        if matrix is not None:
            self._in_mix = np.flatnonzero(matrix.any(axis=0))
            self._gains = np.ascontiguousarray(matrix[:, self._in_mix], np.float64)
        self._keeper = keeper
        self._plain = tracks
        self._banks: list[tuple[LaneGroup, list[int]]] = []
        self._alone: list[int] = []
        # a group has meters behind every block or none: chains without are in groups of their own, unless all lie in the lanes of one
        numbers_of = [
            [number for number, (_, chain) in enumerate(self._chains) if chain.is_metered == metered]
            for metered in (True, False)
        ]
        if sum(chain.channels for _, chain in self._chains) <= LANES:
            numbers_of = [list(range(len(self._chains)))]
        for numbers in numbers_of:
            groups, alone = lane_groups([self._chains[number][1] for number in numbers], recording.sample_rate_hz)
            self._banks += [(group, numbers) for group in groups]
            self._alone += [numbers[index] for index in alone]
        self._alone.sort()

    def blocks(self, frames: int, *, pool: ThreadPoolExecutor | None = None) -> Iterator[Piece]:
        """All rows, `frames` at a time; the last block may be shorter."""
        if not self._chains and self.mix_rows is None:
            for block in self._recording.blocks(frames, pool=pool):
                yield Piece(block.samples)
            return
        held: dict[int, NDArray[np.float32]] = {
            number: np.empty((len(self._all_rows[number]), 0), np.float32) for number in self._alone
        }
        waiting: list[NDArray[np.float32]] = []
        mixed = 0
        for block in self._recording.blocks(frames, pool=pool):
            joined = np.empty((self._count, block.samples.shape[1]), np.float32)
            joined[: self._plain] = block.samples[: self._plain]
            outputs = self._through(block.samples, joined, pool)
            # a chain that looks ahead gives a block when the next one is in: the other rows wait for it
            waiting.append(joined)
            for number, output in zip(self._alone, outputs, strict=True):
                held[number] = np.concatenate([held[number], output], axis=1)
            while waiting and all(held[number].shape[1] >= waiting[0].shape[1] for number in self._alone):
                piece = self._joined(waiting.pop(0), held, mixed)
                mixed += piece.samples.shape[1]
                yield piece
        for group, _ in self._banks:
            group.finish()
        for number in self._alone:
            tracks, chain = self._chains[number]
            tail = chain.rest(len(tracks)).astype(np.float32)
            held[number] = np.concatenate([held[number], tail], axis=1)
        while waiting:
            piece = self._joined(waiting.pop(0), held, mixed)
            mixed += piece.samples.shape[1]
            yield piece

    def _through(
        self, samples: NDArray[np.float32], joined: NDArray[np.float32], pool: ThreadPoolExecutor | None
    ) -> list[NDArray[np.float32]]:
        """Run the chains that lie in lanes into their rows; output of those that run on their own."""

        def in_lanes(group: LaneGroup, numbers: Sequence[int]) -> NDArray[np.float32] | None:
            track_rows = [self._chains[number][0] for number in numbers]
            group.run(samples, track_rows, joined, [self._all_rows[number] for number in numbers])
            return None

        def on_its_own(number: int) -> NDArray[np.float32]:
            tracks, chain = self._chains[number]
            return chain.aligned(samples[list(tracks)].astype(np.float64)).astype(np.float32)

        jobs = [partial(in_lanes, group, numbers) for group, numbers in self._banks] + [
            partial(on_its_own, number) for number in self._alone
        ]
        outputs = (job() for job in jobs) if pool is None else pool.map(lambda job: job(), jobs)
        return [output for output in outputs if output is not None]

    def _joined(self, joined: NDArray[np.float32], held: dict[int, NDArray[np.float32]], start: int) -> Piece:
        """Block from a frame on, whose rows of the chains that run on their own, and of the mix, are filled."""
        frames = joined.shape[1]
        for number in self._alone:
            joined[list(self._all_rows[number])] = held[number][:, :frames]
            held[number] = held[number][:, frames:]
        if self.mix_rows is not None:
            earlier = None if self._keeper is None else self._keeper.earlier(start, frames)
            sums = np.zeros((2, frames)) if earlier is None else earlier
            summing.add_rows(joined, self._in_mix, self._gains, sums)
            if self._keeper is not None:
                self._keeper.keep(sums)
            joined[list(self.mix_rows)] = sums
        return Piece(joined)


def _rows_of(chains: Sequence[tuple[tuple[int, ...], Chain]], first: int) -> list[tuple[int, ...]]:
    """Rows of each chain's output from a row on."""
    rows = []
    for _, chain in chains:
        rows.append(tuple(range(first, first + chain.channels)))
        first += chain.channels
    return rows
