"""Group of tracks measured together from chunk to chunk, one track in each lane of a vector."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import lanes
from deskhand.measure.between_tracks import add_pair
from deskhand.measure.envelopes import Envelopes
from deskhand.measure.sample_scan import SampleScan
from deskhand.measure.spectra import LowSpectra, ShortSpectra

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from collections.abc import Set as AbstractSet

    from numpy.typing import NDArray

    from deskhand.measure.grid import AnalysisGrid
    from deskhand.measure.track_figures import PairFigures, TrackFigures

_MOST_TRACKS: Final = lanes.LANES
"""Tracks a group, one a lane."""


def group_tracks(tracks: int) -> int:
    """Tracks a group: as many as there are lanes, fewer where one thread would have nothing to do."""
    return min(_MOST_TRACKS, max(1, -(-tracks // 2)))


class TrackGroup:
    """State of a group of tracks, carried from chunk to chunk.

    Parameters
    ----------
    grid : AnalysisGrid
    tracks : range
        Numbers of the group's tracks, eight at most.
    figures : sequence of TrackFigures
        One for each track of the recording; those of the group are filled.
    compared : set of int
        Tracks whose spectra are kept for what is summed over two tracks of different groups.
    pairs : mapping
        Figures of pairs; those whose tracks are of this group are filled.
    searched_tracks : int
        Faults are looked for in the tracks below this number.
    humming : set of int
        Tracks behind those whose hum is looked for as well.
    """

    def __init__(
        self,
        grid: AnalysisGrid,
        tracks: range,
        figures: Sequence[TrackFigures],
        *,
        compared: AbstractSet[int],
        pairs: Mapping[tuple[int, int], PairFigures],
        searched_tracks: int,
        humming: AbstractSet[int] = frozenset(),
    ) -> None:
        self._grid = grid
        self.tracks = tracks
        self._compared = compared
        self._pairs = {pair: pair_figures for pair, pair_figures in pairs.items() if pair[0] in tracks}
        self._held = np.zeros((len(tracks), grid.carry + grid.chunk), np.float32)
        self._seconds = 0
        members = [figures[track] for track in tracks]
        in_search = [track < searched_tracks for track in tracks]
        self._scan = SampleScan(grid, members, in_search)
        self._short = ShortSpectra(grid, members, in_search)
        self._low = LowSpectra(grid, members, [track < searched_tracks or track in humming for track in tracks])
        self._envelopes = Envelopes(grid, members)
        self.spectra: dict[int, NDArray[np.complex64]] = {}
        """Spectra (hops, bins) of the last chunk, of the compared tracks."""

    @property
    def weighted(self) -> NDArray[np.float64]:
        """(tracks, steps of 10 ms) K-weighted mean squares of the last chunk."""
        return self._envelopes.weighted

    @property
    def low_chunk(self) -> NDArray[np.float32]:
        """(tracks, samples) last chunk, decimated to about 3 kHz."""
        return self._low.chunk

    def take(self, samples: NDArray[np.float32], start: int) -> None:
        """Measure one chunk (tracks of this group, frames); only the last may be shorter than a chunk."""
        grid = self._grid
        frames = samples.shape[1]
        hops = frames // grid.hop
        self._held[:, : grid.carry] = self._held[:, grid.chunk :]
        self._held[:, grid.carry : grid.carry + frames] = samples
        self._held[:, grid.carry + frames :] = 0.0
        self._low.take(self._held, frames, self._seconds)
        self._envelopes.take(self._held, self._low.signal, frames, start)
        for row in range(len(self.tracks)):
            self._scan.take(row, self._held[row, : grid.carry + frames], start, hops)
        if hops:
            spectra = dict(zip(self.tracks, self._short.take(self._held, start, hops), strict=True))
            for pair, pair_figures in self._pairs.items():
                add_pair(pair_figures, pair, spectra)
            self.spectra = {track: of_track for track, of_track in spectra.items() if track in self._compared}
        self._seconds += 1

    def finish(self) -> None:
        """Measure what was held back for want of context: nothing comes after it."""
        self._low.finish()
        self._envelopes.finish()
        for row in range(len(self.tracks)):
            self._scan.finish(row, self._seconds)
