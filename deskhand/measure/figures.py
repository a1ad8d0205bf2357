"""Figures of one pass over the audio: all tracks together, in chunks of one second, for each 100 ms and each second.

Everything that is said later is computed from these figures; the audio is read once. Chunks are cut here, whatever blocks
the recording gives, so the result does not depend on how it was read. Memory: about 20 bytes for each 100 ms of each track
and 124 bytes for each second, apart from a fixed amount a track.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Protocol

import numpy as np

from deskhand.measure.between_tracks import add_leaks, add_pair, add_product, add_samples, leak_bins
from deskhand.measure.envelopes import LoudestMoments, LoudestSearch
from deskhand.measure.fingerprint import Fingerprint, FingerprintReader
from deskhand.measure.grid import TAIL_OCTAVES_HZ, AnalysisGrid, analysis_grid
from deskhand.measure.track_figures import Event, LeakFigures, PairFigures, TrackFigures
from deskhand.measure.track_group import TrackGroup, group_tracks

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from collections.abc import Set as AbstractSet

    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]
    Array64 = NDArray[np.float64]

__all__ = [
    "TAIL_OCTAVES_HZ",
    "AnalysisGrid",
    "BlockSource",
    "Event",
    "Figures",
    "LeakFigures",
    "LoudestMoments",
    "PairFigures",
    "SampleBlock",
    "TrackFigures",
    "analysis_grid",
    "measure_figures",
]


class SampleBlock(Protocol):
    """Stretch of all tracks."""

    @property
    def samples(self) -> Array32:
        """(tracks, frames)."""
        ...


class BlockSource(Protocol):
    """Recording that can be read once, in blocks of samples in order."""

    @property
    def sample_rate_hz(self) -> int:
        """Sample rate of all tracks."""
        ...

    @property
    def frames(self) -> int:
        """Length of all tracks in samples."""
        ...

    def blocks(self, frames: int, *, pool: ThreadPoolExecutor | None = None) -> Iterable[SampleBlock]:
        """Read a number of frames at a time; the last block may be shorter."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """All figures of one pass."""

    grid: AnalysisGrid
    blocks: int
    tracks: tuple[TrackFigures, ...]
    pairs: dict[tuple[int, int], PairFigures]
    leaks: dict[tuple[int, int], LeakFigures]
    leak_bins: tuple[int, int]
    loudest: dict[tuple[int, ...], LoudestMoments]
    """Of each track and each pair."""
    gram: Array64
    """(targets, targets) products of samples of the tracks searched, taken from every second: tells tracks that are the same."""
    fingerprint: Fingerprint | None = None
    """Of the band and its voices; None where no sums of them were asked for."""

    @property
    def duration_s(self) -> float:
        """Length measured, in seconds."""
        return self.tracks[0].frames / self.grid.sample_rate_hz


def _rechunk(source: BlockSource, chunk: int, pool: ThreadPoolExecutor | None) -> Iterator[Array32]:
    """Blocks of exactly one chunk, whatever the source hands over; the last may be shorter."""
    waiting: Array32 | None = None
    for block in source.blocks(chunk, pool=pool):
        samples = block.samples
        if waiting is None and samples.shape[1] == chunk:
            yield samples
            continue
        waiting = samples.copy() if waiting is None else np.concatenate([waiting, samples], axis=1)
        while waiting.shape[1] >= chunk:
            yield np.ascontiguousarray(waiting[:, :chunk])
            waiting = waiting[:, chunk:]
    if waiting is not None and waiting.shape[1]:
        yield np.ascontiguousarray(waiting)


class _Pass:
    """State of the pass: the figures to be filled, and the jobs that each chunk asks for."""

    def __init__(
        self,
        source: BlockSource,
        tracks: int,
        pairs: Sequence[tuple[int, int]],
        origins: Sequence[int],
        searched_tracks: int,
        note_gains: Array32 | None = None,
        humming: AbstractSet[int] = frozenset(),
    ) -> None:
        self.grid = analysis_grid(source.sample_rate_hz)
        self._blocks = source.frames // self.grid.hop
        seconds = -(-source.frames // self.grid.chunk)
        self._tracks = tuple(TrackFigures.empty(self._blocks, seconds) for _ in range(tracks))
        self._pairs = {pair: PairFigures.empty(self._blocks, self.grid.bins) for pair in pairs}
        self._leak_bins = leak_bins(self.grid)
        self._origins = origins
        self._leaks = {
            (origin, target): LeakFigures.empty(self._leak_bins[1] - self._leak_bins[0])
            for origin in origins
            for target in range(searched_tracks)
            if target not in origins
        }
        size = group_tracks(tracks)
        # tracks of one group are compared there; the spectra of others are kept until all groups have theirs
        self._apart = [pair for pair in pairs if pair[0] // size != pair[1] // size]
        compared = {track for pair in self._apart for track in pair} | {track for leak in self._leaks for track in leak}
        self._groups = [
            TrackGroup(
                self.grid,
                range(first, min(first + size, tracks)),
                self._tracks,
                compared=compared,
                pairs={pair: figures for pair, figures in self._pairs.items() if pair not in self._apart},
                searched_tracks=searched_tracks,
                humming=humming,
            )
            for first in range(0, tracks, size)
        ]
        self._gram = np.zeros((searched_tracks, searched_tracks))
        self._loudest = LoudestSearch([*((track,) for track in range(tracks)), *pairs])
        self._late: list[Callable[[], None]] = []
        self._note_gains = note_gains
        self._fingerprint = FingerprintReader(self.grid.low_rate_hz)

    def jobs(self, samples: Array32, start: int) -> list[Callable[[], None]]:
        """Jobs that may run side by side: all that a chunk asks for, and what is left of the chunk before."""
        jobs: list[Callable[[], None]] = [
            partial(group.take, samples[group.tracks.start : group.tracks.stop], start) for group in self._groups
        ]
        jobs += [partial(add_product, pair, key, samples, start, self.grid) for key, pair in self._pairs.items()]
        return [*jobs, *self._late, partial(add_samples, self._gram, samples[: len(self._gram)])]

    def put_off(self, hops: int, start: int) -> None:
        """Put off what needs the spectra of several tracks until the next chunk, so that threads meet once a chunk."""
        self._late = []
        if not hops:
            return
        spectra: dict[int, NDArray[np.complex64]] = {}
        for group in self._groups:
            spectra.update(group.spectra)
        self._late = [partial(self._loudest.take, np.concatenate([group.weighted for group in self._groups]))]
        self._late += [partial(add_pair, self._pairs[pair], pair, spectra) for pair in self._apart]
        self._late += [
            partial(add_leaks, self._leaks, origin, self._tracks, spectra, start, self.grid, hops)
            for origin in self._origins
        ]
        if self._note_gains is not None:
            self._late.append(partial(self._fingerprint.take, self._note_sums(self._note_gains)))

    def _note_sums(self, note_gains: Array32) -> Array32:
        """(sums, samples) sums of the last chunk's tracks, decimated, added up in their order whatever their groups are."""
        sums = np.zeros((len(note_gains), self._groups[0].low_chunk.shape[1]), np.float32)
        for group in self._groups:
            for track, samples in zip(group.tracks, group.low_chunk, strict=True):
                gains = note_gains[:, track]
                if gains.any():
                    sums += gains[:, None] * samples
        return sums

    def last_jobs(self) -> list[Callable[[], None]]:
        """Jobs after the last chunk."""
        return [*self._late, *(group.finish for group in self._groups)]

    def figures(self) -> Figures:
        """Figures of the whole pass."""
        return Figures(
            grid=self.grid,
            blocks=self._blocks,
            tracks=self._tracks,
            pairs=self._pairs,
            leaks=self._leaks,
            leak_bins=self._leak_bins,
            loudest=self._loudest.moments(),
            gram=self._gram,
            fingerprint=None if self._note_gains is None else self._fingerprint.fingerprint(),
        )


def measure_figures(
    source: BlockSource,
    tracks: int,
    *,
    pairs: Sequence[tuple[int, int]] = (),
    origins: Sequence[int] = (),
    targets: int | None = None,
    humming: AbstractSet[int] = frozenset(),
    note_gains: Array32 | None = None,
    threads: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Figures:
    """Read a recording once and measure all its tracks.

    Parameters
    ----------
    source : BlockSource
        Recording, or anything else with `sample_rate_hz`, `frames` and `blocks`.
    tracks : int
        Number of its tracks.
    pairs : sequence of (int, int)
        Tracks to be compared with one another: the sides of a pair, several microphones of one instrument.
    origins : sequence of int
        Click and talkback tracks, to be looked for in all others.
    targets : int, optional
        Number of the first tracks in which they, and faults, are looked for; all without it. What lies behind is processed
        already.
    humming : set of int
        Tracks behind those whose hum is looked for as well: a mix has none at its taps.
    note_gains : (2, tracks) array, optional
        Gains with which the tracks are summed to the band and to its voices, of which a fingerprint is kept.
    threads : int
        Threads; the kernels run without the interpreter's lock. The result is the same for any number.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    Figures
    """
    one_pass = _Pass(source, tracks, pairs, origins, tracks if targets is None else targets, note_gains, humming)
    seen = 0
    with ThreadPoolExecutor(threads) as pool:
        for samples in _rechunk(source, one_pass.grid.chunk, pool):
            _run(pool, threads, one_pass.jobs(samples, seen))
            one_pass.put_off(samples.shape[1] // one_pass.grid.hop, seen)
            seen += samples.shape[1]
            if progress is not None:
                progress(seen / source.frames)
        _run(pool, threads, one_pass.last_jobs())
    return one_pass.figures()


def _run(pool: ThreadPoolExecutor, threads: int, jobs: Sequence[Callable[[], None]]) -> None:
    """Do all jobs: each thread takes the next one that is left."""
    left = iter(jobs)

    def work() -> None:
        for job in left:
            job()

    for future in [pool.submit(work) for _ in range(threads)]:
        future.result()
