"""An array that reads like a recording, and short ways from an array to figures and readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import ThreadPoolExecutor

    from numpy.typing import ArrayLike, NDArray

    from deskhand.measure.figures import Figures
    from deskhand.measure.readings import SourceReading

RATE_HZ: Final = 48000


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """One block, as a recording hands it over."""

    samples: NDArray[np.float32]


class Feed:
    """A recording held in memory: (channels, frames), or (frames,) for one channel.

    Parameters
    ----------
    samples : array
        Full scale is 1.0; kept as float32, as a recording gives it.
    sample_rate_hz : int
    block_frames : int, optional
        Hand over blocks of this many frames, whatever is asked for.
    """

    def __init__(self, samples: ArrayLike, *, sample_rate_hz: int = RATE_HZ, block_frames: int | None = None) -> None:
        self.samples = np.ascontiguousarray(np.atleast_2d(np.asarray(samples)), dtype=np.float32)
        self.sample_rate_hz = sample_rate_hz
        self.block_frames = block_frames

    @property
    def frames(self) -> int:
        return self.samples.shape[1]

    @property
    def channels(self) -> int:
        return self.samples.shape[0]

    def blocks(self, frames: int, *, pool: ThreadPoolExecutor | None = None) -> Iterator[Piece]:
        """Blocks in order; the last may be shorter. Each is a fresh buffer, as the reader of files may reuse its own."""
        step = self.block_frames or frames
        for first in range(0, self.frames, step):
            yield Piece(np.ascontiguousarray(self.samples[:, first : first + step]))


def figures_of(
    samples: ArrayLike,
    *,
    sample_rate_hz: int = RATE_HZ,
    pairs: Sequence[tuple[int, int]] = (),
    origins: Sequence[int] = (),
    threads: int = 2,
    block_frames: int | None = None,
) -> Figures:
    """Figures of an array, by the way every recording goes."""
    feed = Feed(samples, sample_rate_hz=sample_rate_hz, block_frames=block_frames)
    return measure_figures(feed, feed.channels, pairs=pairs, origins=origins, threads=threads)


def reading_of(
    samples: ArrayLike, *, sample_rate_hz: int = RATE_HZ, strikes: bool = False, mains_hz: float = 50.0
) -> SourceReading:
    """What is read of a source of one or two tracks, by the way every source goes."""
    feed = Feed(samples, sample_rate_hz=sample_rate_hz)
    tracks = tuple(range(feed.channels))
    figures = measure_figures(feed, feed.channels, pairs=[(0, 1)] if feed.channels == 2 else [])
    return read_source(figures, tracks, strikes=strikes, mains_hz=mains_hz)
