"""Scan of every sample of a group of tracks: levels, true peak, and the faults among the samples."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import events, peak, scan
from deskhand.measure.grid import CHUNK_HOPS, HOP_STEPS
from deskhand.measure.track_figures import Event, Mute, NoiseBurst, add_events
from deskhand.measure.uncut import uncut_peaks
from deskhand.units import dbfs_from_mean_square

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.grid import AnalysisGrid
    from deskhand.measure.track_figures import TrackFigures

_FINE_CONTEXT: Final = 60
"""Fine steps that burst detection looks at on either side: 50 for the longest mute, and what surrounds it."""
_LONG_FLAT: Final = 5
"""Samples from which a flat top is long: chance makes shorter ones. Common practice, no source."""
_NO_CLICK_BEFORE_S: Final = 0.01
"""Where the take begins the wave jumps up from nothing: that is no click. Common practice, no source."""
_NO_INTERRUPTION_BEFORE_S: Final = 0.1
"""At the start of a take nothing says what came before a burst. Common practice, no source."""


class SampleScan:
    """Scan of the samples of a group of tracks, from chunk to chunk.

    Parameters
    ----------
    grid : AnalysisGrid
    figures : sequence of TrackFigures
        One for each track of the group; filled.
    searched : sequence of bool
        True for each track in which faults are looked for; of the others levels alone are read.
    """

    def __init__(self, grid: AnalysisGrid, figures: Sequence[TrackFigures], searched: Sequence[bool]) -> None:
        self._grid = grid
        self._figures = figures
        self._searched = searched
        count = len(figures)
        self._phases = peak.interpolator(peak.oversampling(grid.sample_rate_hz))
        self._most_gain = float(np.abs(self._phases).sum(axis=1).max(initial=1.0))
        self._fine = np.zeros((count, 3, 2 * _FINE_CONTEXT + HOP_STEPS * CHUNK_HOPS), np.float32)
        self._dropping = np.zeros((count, 4))
        self._numbers = np.zeros((count, 4))
        self._counts = np.zeros(4, np.int64)
        self._faults = (
            np.empty(scan.MOST_FLATS, np.int64),
            np.empty(scan.MOST_FLATS, np.float32),
            np.empty(scan.MOST_FLATS, np.int64),
            np.empty((scan.MOST_OTHERS, 2)),
            np.empty(scan.MOST_OTHERS, np.int64),
            np.empty((scan.MOST_OTHERS, 4)),
        )

    def take(self, row: int, signal: NDArray[np.float32], start: int, hops: int) -> None:
        """Look at every sample of a chunk of one track once: levels of this chunk, faults up to the context before its end.

        Parameters
        ----------
        row : int
            Track of the group.
        signal : (carry + frames,) array
            Samples held from before, then the chunk.
        start : int
            Sample of the take at which the chunk begins.
        hops : int
            Whole blocks in the chunk.
        """
        grid, figures, numbers = self._grid, self._figures[row], self._numbers[row]
        frames = signal.size - grid.carry
        offset = start - grid.carry
        steps = -(-frames // grid.step)
        tops, squares = np.empty(steps, np.float32), np.empty(steps, np.float32)
        if self._searched[row]:
            scan.scan(
            signal, grid.carry, grid.step, grid.stride, grid.context, offset, grid.sample_rate_hz // 200, _FINE_CONTEXT,
            self._phases, self._most_gain, numbers, tops, squares, self._fine[row], self._dropping[row], *self._faults,
            self._counts,
            )  # fmt: skip
        else:
            scan.levels(signal, grid.carry, grid.step, self._phases, self._most_gain, numbers, tops, squares)
            self._counts[:] = 0
        figures.total, figures.true_peak = float(numbers[scan.TOTAL]), float(numbers[scan.TRUE_PEAK])
        figures.frames += frames
        first = start // grid.hop
        whole = hops * HOP_STEPS
        means = squares[:whole].reshape(hops, HOP_STEPS).mean(axis=1)
        figures.mean_square[first : first + hops] = means
        figures.peak[first : first + hops] = tops[:whole].reshape(hops, HOP_STEPS).max(axis=1)
        figures.energy += float(means.sum(dtype=np.float64)) * grid.hop
        remainder = frames - hops * grid.hop
        if remainder:
            figures.peak[first + hops] = tops[whole:].max()
            counts = np.minimum(grid.step, remainder - grid.step * np.arange(steps - whole))
            figures.energy += float(squares[whole:].astype(np.float64) @ counts)
        if self._counts.any():
            self._keep_faults(figures, signal, offset, start)

    def _keep_faults(self, figures: TrackFigures, signal: NDArray[np.float32], offset: int, start: int) -> None:
        """Keep the faults of the last scan of a signal."""
        grid, rate_hz = self._grid, self._grid.sample_rate_hz
        starts, levels, lengths, drops, clicks, _ = self._faults
        flats = int(self._counts[scan.FLATS])
        if flats:
            blocks = np.minimum((starts[:flats] + offset) // grid.hop, figures.flats.size - 1)
            np.add.at(figures.flats, blocks, 1)
            np.add.at(figures.long_flats, blocks, (lengths[:flats] >= _LONG_FLAT).astype(np.uint16))
            np.maximum.at(figures.flat_level, blocks, levels[:flats])
            np.maximum.at(figures.flat_over, blocks, uncut_peaks(signal, starts[:flats]))
        add_events(
            figures.dropouts,
            [
                Event(start_s=begin / rate_hz, end_s=end / rate_hz)
                for begin, end in drops[: self._counts[scan.DROPOUTS]]
            ],
        )
        for sample in clicks[: self._counts[scan.CLICKS]]:
            click_s = float(sample + offset) / rate_hz
            if click_s > _NO_CLICK_BEFORE_S:
                add_events(figures.clicks, [Event(start_s=click_s, end_s=click_s)])
        self._keep_interruptions(figures, int(self._counts[scan.INTERRUPTIONS]), start // grid.step)

    def _keep_interruptions(self, figures: TrackFigures, count: int, step: int) -> None:
        """Keep bursts and mutes among the fine steps held, which begin twice the context before `step`."""
        step_s = self._grid.step / self._grid.sample_rate_hz
        for first, last, kind, inside in self._faults[-1][:count]:
            begin, end = (
                float((step - 2 * _FINE_CONTEXT + first) * step_s),
                float((step - 2 * _FINE_CONTEXT + last) * step_s),
            )
            if begin < _NO_INTERRUPTION_BEFORE_S:
                continue
            if kind == 1.0:
                add_events(figures.bursts, [NoiseBurst(start_s=begin, end_s=end, whiteness=float(inside))])
            else:
                level_dbfs = float(dbfs_from_mean_square(np.array(inside)))
                add_events(figures.mutes, [Mute(start_s=begin, end_s=end, level_dbfs=level_dbfs)])

    def finish(self, row: int, seconds: int) -> None:
        """Look at the steps of a track that were held back for want of context: nothing comes after them."""
        fine = self._fine[row]
        fine[:, : 2 * _FINE_CONTEXT] = fine[:, -2 * _FINE_CONTEXT :]
        fine[:, 2 * _FINE_CONTEXT :] = 0.0
        last = fine.shape[1] - _FINE_CONTEXT
        count = events.bursts_and_mutes(fine[0], fine[1], _FINE_CONTEXT, last, self._faults[-1])
        self._keep_interruptions(self._figures[row], count, seconds * HOP_STEPS * CHUNK_HOPS)
        zeros, begin, power, _ = self._dropping[row]
        if zeros and power > events.LOUD_CUT_POWER:
            self._figures[row].cut_s = float(begin) / self._grid.sample_rate_hz
