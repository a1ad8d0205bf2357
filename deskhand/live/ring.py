"""The last seconds of all inputs: one writes, others read; nothing is copied twice and nobody waits.

The writer may be another process: the memory is given to it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.errors import LiveError

if TYPE_CHECKING:
    from numpy.typing import NDArray

WRITTEN, OVERFLOWS, BEATS = 0, 1, 2
COUNTERS: Final = 8


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
