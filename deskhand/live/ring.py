"""Ring of the last seconds of all inputs: one writes, others read; nothing is copied twice and nobody waits.

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
"""Places of the counters: frames written, overflows reported, calls of the writer."""
COUNTERS: Final = 8
"""Room for as many counters of 8 bytes: 64 bytes, a cache line, so that the samples behind them start on one."""
HOPS_PER_S: Final = 10
"""As often as a person reads a meter. Common practice, no source."""


class Ring:
    """Newest frames of (channels, frames).

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
        """An empty ring in this process."""
        return cls(np.zeros((channels, capacity), np.float32), np.zeros(COUNTERS, np.int64))

    @property
    def written(self) -> int:
        """Frames since the beginning."""
        return int(self.counters[WRITTEN])

    @property
    def oldest(self) -> int:
        """First frame that is still there."""
        return max(0, self.written - self.capacity)

    def write(self, block: NDArray[np.float32]) -> None:
        """Append (channels, frames)."""
        frames = block.shape[1]
        column = self.written % self.capacity
        first = min(frames, self.capacity - column)
        self.data[:, column : column + first] = block[:, :first]
        if first < frames:
            self.data[:, : frames - first] = block[:, first:]
        # counted last: whoever reads up to here reads what is there
        self.counters[WRITTEN] += frames

    def read(self, start: int, frames: int, rows: list[int] | None = None) -> NDArray[np.float32]:
        """Copy of the frames from `start` on, (channels, frames).

        Raises
        ------
        LiveError
            They are not there yet, or not any more.
        """
        if start < self.oldest or start + frames > self.written:
            raise LiveError("the inputs", "were read too late or too early", "close other programs and start again")
        column = start % self.capacity
        first = min(frames, self.capacity - column)
        chosen = slice(None) if rows is None else rows
        copy = np.concatenate([self.data[chosen, column : column + first], self.data[chosen, : frames - first]], axis=1)
        # the writer goes on meanwhile
        if start < self.oldest:
            raise LiveError("the inputs", "were read too late", "close other programs and start again")
        return copy


class Follower:
    """Reader of a ring in steps of a tenth of a second, each once; counts what came too fast for it.

    Parameters
    ----------
    ring : Ring
    sample_rate_hz : int
    """

    def __init__(self, ring: Ring, sample_rate_hz: int) -> None:
        self.ring = ring
        self.sample_rate_hz = sample_rate_hz
        self.hop = sample_rate_hz // HOPS_PER_S
        self.position = 0
        """Frames that were read, or passed over."""
        self.late = 0
        """Frames that were overwritten before they were read, and so passed over."""

    @property
    def now_s(self) -> float:
        """Seconds of audio since the beginning."""
        return self.position / self.sample_rate_hz

    def pass_over(self) -> None:
        """Go on to the newest hop, and read nothing of what lies between: nobody is late for what is not looked at."""
        self.position += max(0, self.ring.written - self.position) // self.hop * self.hop

    def steps(self) -> Iterator[NDArray[np.float32]]:
        """Hops that have come since, each (channels, hop); `position` lies behind the hop that is handed over.

        Frames that are gone before they were read are passed over with a second to spare, and counted.
        """
        while (waiting := self.ring.written - self.position) >= self.hop:
            gone = self.ring.oldest - self.position
            if gone > 0:
                # whole steps, and no more than there are
                skipped = min(-(-(gone + self.sample_rate_hz) // self.hop), waiting // self.hop) * self.hop
                self.position += skipped
                self.late += skipped
                continue
            hops = min(waiting // self.hop, HOPS_PER_S)
            try:
                block = self.ring.read(self.position, hops * self.hop)
            except LiveError:
                continue  # overwritten meanwhile: counted on the next round
            for first in range(0, hops * self.hop, self.hop):
                self.position += self.hop
                yield block[:, first : first + self.hop]
