"""The last seconds of all inputs: one writes, others read; nothing is copied twice and nobody waits.

The writer may be another process: the memory is given to it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.errors import LiveError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

WRITTEN, OVERFLOWS, BEATS = 0, 1, 2
COUNTERS: Final = 8
HOPS_PER_S: Final = 10


class Ring:
    """Keeps the newest frames of (channels, frames).

    Parameters
    ----------
    data : (channels, capacity) array of float32
    counters : (8,) array of int64
        Frames written, overflows reported, times the writer was called.
    """

    def __init__(self, data: NDArray[np.float32], counters: NDArray[np.int64]) -> None:
        self.data = data
        self.counters = counters
        self.channels, self.capacity = int(data.shape[0]), int(data.shape[1])

    @classmethod
    def of(cls, channels: int, capacity: int) -> Ring:
        """One in this process."""
        return cls(np.zeros((channels, capacity), np.float32), np.zeros(COUNTERS, np.int64))

    @property
    def written(self) -> int:
        """Frames since the beginning."""
        return int(self.counters[WRITTEN])

    @property
    def oldest(self) -> int:
        """The first frame that is still there."""
        return max(0, self.written - self.capacity)

    def write(self, block: NDArray[np.float32]) -> None:
        """Go on with (channels, frames)."""
        frames = block.shape[1]
        at = self.written % self.capacity
        first = min(frames, self.capacity - at)
        self.data[:, at : at + first] = block[:, :first]
        if first < frames:
            self.data[:, : frames - first] = block[:, first:]
        # counted last: whoever reads up to here reads what is there
        self.counters[WRITTEN] += frames

    def read(self, start: int, frames: int, rows: list[int] | None = None) -> NDArray[np.float32]:
        """(channels, frames) from a frame on; a copy.

        Raises
        ------
        LiveError
            They are not there yet, or not any more.
        """
        if start < self.oldest or start + frames > self.written:
            raise LiveError("the inputs", "were read too late or too early", "close other programs and start again")
        at = start % self.capacity
        first = min(frames, self.capacity - at)
        chosen = slice(None) if rows is None else rows
        out = np.concatenate([self.data[chosen, at : at + first], self.data[chosen, : frames - first]], axis=1)
        # the writer goes on meanwhile
        if start < self.oldest:
            raise LiveError("the inputs", "were read too late", "close other programs and start again")
        return out


class Follower:
    """Reads a ring in steps of a tenth of a second, each once, and counts what came too fast for it.

    Parameters
    ----------
    ring : Ring
    sample_rate_hz : int
    """

    def __init__(self, ring: Ring, sample_rate_hz: int) -> None:
        self.ring = ring
        self.sample_rate_hz = sample_rate_hz
        self.hop = sample_rate_hz // HOPS_PER_S
        self.at = 0
        """Frames that were read, or passed over."""
        self.late = 0
        """Of those, the frames that were overwritten before they were read."""

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""
        return self.at / self.sample_rate_hz

    def steps(self) -> Iterator[NDArray[np.float32]]:
        """What has come since, in (channels, hop); `at` lies behind the step that is handed over.

        What is gone before it was read is passed over with a second to spare, and counted.
        """
        while (waiting := self.ring.written - self.at) >= self.hop:
            gone = self.ring.oldest - self.at
            if gone > 0:
                # whole steps, and no more than there are
                skipped = min(-(-(gone + self.sample_rate_hz) // self.hop), waiting // self.hop) * self.hop
                self.at += skipped
                self.late += skipped
                continue
            hops = min(waiting // self.hop, HOPS_PER_S)
            try:
                block = self.ring.read(self.at, hops * self.hop)
            except LiveError:
                continue  # overwritten meanwhile: counted on the next round
            for first in range(0, hops * self.hop, self.hop):
                self.at += self.hop
                yield block[:, first : first + self.hop]
