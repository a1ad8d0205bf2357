"""Foundations of the running blocks: what each offers, and acting on some rows of a pair alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from deskhand.chain.blocks.stereo import from_mid_side, to_mid_side

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.house import On

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaneBlock:
    """Block as the kernels of `deskhand.dsp.chain_lanes` run it, from its start on."""

    kind: int
    mode: int = 0
    sections: Array
    """(sections, 6) of a filter, or of the side-chain of a block that moves gain."""
    settings: Array
    """(settings, 1 or channels) in the kernels' rows."""
    begins_at: float = 0.0
    """Gain reduction in dB with which it begins."""


class Processor(Protocol):
    """A block of the house file, running."""

    latency: int
    """Samples by which its output comes late."""
    channels: int
    """Channels of its output."""

    def process(self, signal: Array) -> Array:
        """(channels, frames) in, the same frames out; the input may be overwritten."""
        ...

    @property
    def reduction_db(self) -> Array | None:
        """(detectors, frames) taken off during the last call, for dynamics; None for others."""
        ...

    @property
    def lane_block(self) -> LaneBlock | None:
        """Block as a lane runs it; None for one that no lane can run."""
        ...


def _rows(on: On, channels: int) -> tuple[slice, bool]:
    """Rows that a block acts on, and True where they are middle and sides."""
    if channels == 1 or on == "both":
        return slice(None), False
    return {
        "left": (slice(0, 1), False),
        "right": (slice(1, 2), False),
        "mid": (slice(0, 1), True),
        "side": (slice(1, 2), True),
    }[on]


class RowsProcessor:
    """A block that acts on some rows of a pair; the others wait as long as it does."""

    latency = 0
    reduction_db: Array | None = None

    def __init__(self, on: On, channels: int) -> None:
        self.channels = channels
        self.rows, self.mid_side = _rows(on, channels)
        self.acting = len(range(channels)[self.rows])
        self._waiting: Array | None = None

    @property
    def lane_block(self) -> LaneBlock | None:
        """Block as a lane runs it; None for one that no lane can run."""
        return self.as_lane_block() if self.acting == self.channels and not self.mid_side else None

    def as_lane_block(self) -> LaneBlock | None:
        """Block as a lane runs it, where it acts on all channels alike; None for one that no lane can run."""
        return None

    def process(self, signal: Array) -> Array:
        """(channels, frames) in, the same frames out; the input may be overwritten."""
        work = to_mid_side(signal) if self.mid_side else signal
        if self.acting == self.channels:
            work = self.act(work)
        else:
            acted = self.act(np.ascontiguousarray(work[self.rows]))
            work = self._held_back(work)
            work[self.rows] = acted
        return from_mid_side(work) if self.mid_side else work

    def _held_back(self, signal: Array) -> Array:
        if not self.latency:
            return signal
        if self._waiting is None:
            self._waiting = np.zeros((signal.shape[0], self.latency))
        line = np.concatenate([self._waiting, signal], axis=1)
        self._waiting = line[:, signal.shape[1] :].copy()
        return np.ascontiguousarray(line[:, : signal.shape[1]])

    def act(self, signal: Array) -> Array:
        """(acting, frames) of the rows acted on, in and out."""
        raise NotImplementedError
