"""Spectra of a group of tracks: short windows over the whole band, and long ones over the lowest bands and the hum."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import growing_tones, spectrum
from deskhand.measure.grid import CHUNK_HOPS, LINE_TOP_HZ, LOW_BANDS, LOW_TRANSFORM, low_window
from deskhand.measure.track_figures import GrowingTone, SpectrumRun, add_events
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.grid import AnalysisGrid
    from deskhand.measure.track_figures import TrackFigures

    Array32 = NDArray[np.float32]

_BATCH_TRACKS: Final = 4
"""Tracks whose windows are transformed in one call: the library's vectors hold four or eight, and ten windows leave some empty."""
_VECTOR: Final = 8
"""Windows that the library's widest common vectors hold: a call has a multiple of it, so that each window is transformed by the same
instructions whichever tracks are measured beside it."""
HOWL_HZ: Final = (110.0, 10000.0)
"""Range in which a growing tone is looked for. Common practice, no source."""
_MOST_RISES: Final = 20
"""Growing tones kept of one chunk, more than can be followed."""
_SAME_TONE: Final = 0.02
"""Share of its frequency by which a tone may move while it grows. Common practice, no source."""
_QUIET_WINDOWS: Final = 6
"""Quietest long windows kept of a track: hum must stand out in all of them. Common practice, no source."""
_SILENT: Final = 1e-12
"""Mean square (-117 dBFS) up to which a long window is digital silence, which tells nothing of hum."""
_RUN_WINDOWS: Final = 14
"""Long windows in which a line of the mains keeps its phase: they wander by some mHz in that time. Common practice, no source."""
_LEAST_RUN_WINDOWS: Final = 8
"""Fewer windows tell too little of what is alike in them. Common practice, no source."""
_MOST_RUN_CHUNKS: Final = 20
"""Chunks that a run with silence inside may last: the phase is lost after that. Common practice, no source."""
_RUNS: Final = 2
"""Runs kept of a track: half a minute. Common practice, no source."""


def _whole_vectors(windows: int) -> int:
    """Number of windows that fill whole vectors."""
    return -(-windows // _VECTOR) * _VECTOR


class ShortSpectra:
    """Spectra of windows of 0.17 s, one every 100 ms: the tone above 400 Hz, and tones that grow.

    Parameters
    ----------
    grid : AnalysisGrid
    figures : sequence of TrackFigures
        One for each track of the group; filled.
    searched : sequence of bool
        True for each track in which growing tones are looked for.
    """

    def __init__(self, grid: AnalysisGrid, figures: Sequence[TrackFigures], searched: Sequence[bool]) -> None:
        self._grid = grid
        self._figures = figures
        self._searched = searched
        batch = min(len(figures), _BATCH_TRACKS)
        self._work = np.zeros((_whole_vectors(batch * CHUNK_HOPS), grid.transform), np.float32)
        self._power = np.zeros((CHUNK_HOPS, grid.bins), np.float32)
        self._mean = np.zeros(grid.bins, np.float32)
        self._low_bin, self._high_bin = (int(hz / grid.sample_rate_hz * grid.transform) for hz in HOWL_HZ)
        self._full_scale = growing_tones.full_scale(grid.window)
        tones = (len(figures), growing_tones.TONES)
        self._tones = np.full((*tones, growing_tones.COLUMNS), -1.0)
        self._tone_levels = np.zeros((*tones, growing_tones.LEVELS))
        self._partials = np.zeros((*tones, growing_tones.RATIOS))
        self._loudest = np.zeros((len(figures), grid.bins))
        self._rises = np.empty((_MOST_RISES, 5))

    def take(self, held: Array32, start: int, hops: int) -> list[NDArray[np.complex64]]:
        """Spectra (hops, bins) of the windows that end in a chunk, of each track.

        Parameters
        ----------
        held : (tracks, carry + chunk) array
            Samples held from before, then the chunk.
        start : int
            Sample of the take at which the chunk begins.
        hops : int
            Whole blocks in the chunk, one at least.
        """
        import scipy.fft

        grid, tracks = self._grid, len(self._figures)
        first = grid.carry - (grid.window.size - grid.hop)
        of_tracks: list[NDArray[np.complex64]] = []
        for begin in range(0, tracks, _BATCH_TRACKS):
            rows = range(begin, min(begin + _BATCH_TRACKS, tracks))
            work = self._work[: _whole_vectors(len(rows) * hops)]
            for index, row in enumerate(rows):
                windows = work[index * hops : (index + 1) * hops]
                spectrum.windowed(held[row, first:], grid.hop, grid.window, windows)
            spectra: NDArray[np.complex64] = scipy.fft.rfft(work, axis=1)
            for index, row in enumerate(rows):
                of_track = spectra[index * hops : (index + 1) * hops]
                self._read(row, of_track, start)
                of_tracks.append(of_track)
        return of_tracks

    def _read(self, row: int, spectra: NDArray[np.complex64], start: int) -> None:
        """Read the tone of a second, and tones that grow, from the spectra (hops, bins) of a track."""
        grid, hops = self._grid, len(spectra)
        power = self._power[:hops]
        # the first windows of a take reach back before its start
        reach = -(-(grid.window.size - grid.hop) // grid.hop)
        missing = max(0, reach - start // grid.hop)
        spectrum.squared_and_mean(spectra, missing if hops > missing else hops - 1, power, self._mean)
        self._figures[row].tone[start // grid.chunk, LOW_BANDS:] = self._mean @ grid.weights
        if self._searched[row]:
            self._keep_howls(row, power, start)

    def _keep_howls(self, row: int, power: Array32, start: int) -> None:
        """Keep tones that grow; one that goes on is lengthened."""
        grid, howls = self._grid, self._figures[row].howls
        spacing_hz = grid.sample_rate_hz / grid.transform
        power *= self._full_scale
        count = growing_tones.growing_tones(
            power, self._low_bin, self._high_bin, start // grid.hop,
            self._tones[row], self._tone_levels[row], self._partials[row], self._loudest[row], self._rises,
        )  # fmt: skip
        for first, last, tone_bin, growth_db_s, level_dbfs in self._rises[:count].tolist():
            begin, end, hz = first * grid.hop_s, last * grid.hop_s, tone_bin * spacing_hz
            near = [
                index
                for index, howl in enumerate(howls)
                if begin <= howl.end_s + grid.hop_s and abs(hz / howl.frequency_hz - 1) < _SAME_TONE
            ]
            if near:
                howl = howls[near[-1]]
                howls[near[-1]] = replace(howl, end_s=end, level_dbfs=max(howl.level_dbfs, level_dbfs))
            else:
                howl = GrowingTone(
                    start_s=begin, end_s=end, frequency_hz=hz, growth_db_s=growth_db_s, level_dbfs=level_dbfs
                )
                add_events(howls, [howl])


class LowSpectra:
    """Spectra of windows of 2.7 s of the signal decimated to about 3 kHz, one a second: the lowest bands and the hum.

    Parameters
    ----------
    grid : AnalysisGrid
    figures : sequence of TrackFigures
        One for each track of the group; filled.
    searched : sequence of bool
        True for each track whose hum is looked for.
    """

    def __init__(self, grid: AnalysisGrid, figures: Sequence[TrackFigures], searched: Sequence[bool]) -> None:
        self._grid = grid
        self._figures = figures
        self._searched = searched
        self._filled = 0
        self._lines = int(LINE_TOP_HZ / grid.low_rate_hz * LOW_TRANSFORM)
        self._to_mean_square = np.sqrt(grid.low.flat[: self._lines])
        self._open: list[list[tuple[int, float, NDArray[np.complex64]]]] = [[] for _ in figures]
        self.signal: Array32 = np.zeros((len(figures), LOW_TRANSFORM), np.float32)
        """(tracks, 8192) the last decimated samples of each track."""
        self._count = 0

    @property
    def chunk(self) -> Array32:
        """(tracks, samples) decimated samples of the last chunk."""
        return self.signal[:, LOW_TRANSFORM - self._count :]

    def take(self, held: Array32, frames: int, second: int) -> None:
        """Decimate a chunk of (tracks, carry + chunk) samples, and read the window that ends with it."""
        grid = self._grid
        taps = spectrum.DECIMATOR_TAPS
        self._count = count = frames // grid.factor
        if not count:
            return
        first = grid.carry - (taps - 1) * grid.factor
        decimated = np.empty(count, np.float32)
        self.signal[:, : LOW_TRANSFORM - count] = self.signal[:, count:]
        for row in range(len(self._figures)):
            piece = held[row, first : first + (count + taps - 1) * grid.factor].reshape(-1, grid.factor)
            spectrum.sum_diagonals(piece @ grid.decimator, decimated)
            self.signal[row, LOW_TRANSFORM - count :] = decimated
        self._filled = min(LOW_TRANSFORM, self._filled + count)
        if self._filled == LOW_TRANSFORM:
            self._read_window(LOW_TRANSFORM, max(0, second - 1), keeps_phase=count == grid.low_chunk)

    def _read_window(self, length: int, second: int, *, keeps_phase: bool) -> None:
        """Read the lowest bands of a second, and keep the quietest spectra, from the last `length` decimated samples."""
        import scipy.fft

        grid = self._grid
        low = grid.low if length == LOW_TRANSFORM else low_window(grid.sample_rate_hz, grid.factor, length)
        tracks = len(self._figures)
        work = np.zeros((_whole_vectors(tracks), LOW_TRANSFORM), np.float32)
        work[:tracks, :length] = self.signal[:tracks, LOW_TRANSFORM - length :] * low.window
        spectra = scipy.fft.rfft(work, axis=1)[:tracks]
        power = np.empty(spectra.shape, np.float32)
        spectrum.squared(spectra, power)
        lowest = int(20.0 / grid.low_rate_hz * LOW_TRANSFORM)
        for row, figures in enumerate(self._figures):
            # a product for each track: of several at once the library may add up in another order
            figures.tone[second, :LOW_BANDS] = power[row] @ low.weights
            if not self._searched[row]:
                continue
            flat_power = power[row, : low.flat.size] * low.flat
            level = float(flat_power[lowest:].sum())
            quiet = figures.quiet
            if level > _SILENT:
                softness = 1.0 / np.sqrt(flat_power + np.float32(1e-20))
                figures.soft = softness.astype(np.float64) if figures.soft is None else figures.soft + softness
                figures.windows += 1
                if keeps_phase:
                    self._keep_phase(row, second, level, spectra[row, : self._lines] * self._to_mean_square)
            if level > _SILENT and (len(quiet) < _QUIET_WINDOWS or level < quiet[-1][0]):
                quiet.append((level, float(second), flat_power.copy()))
                quiet.sort(key=lambda window: window[0])
                del quiet[_QUIET_WINDOWS:]

    def _keep_phase(self, row: int, second: int, level: float, spectrum_now: NDArray[np.complex64]) -> None:
        """Add a window to the run of a track; a run that is long enough is closed."""
        run = self._open[row]
        if run and second - run[0][0] >= _MOST_RUN_CHUNKS:
            self._close_run(row)
        run.append((second, level, spectrum_now))
        if len(run) == _RUN_WINDOWS:
            self._close_run(row)

    def _close_run(self, row: int) -> None:
        """Keep the run of a track, where it tells enough and is among the softest."""
        run, kept = self._open[row], self._figures[row].runs
        if len(run) >= _LEAST_RUN_WINDOWS:
            kept.append(
                SpectrumRun(
                    chunks=np.array([second for second, _, _ in run], np.float64),
                    spectra=np.array([spectrum_now for _, _, spectrum_now in run]),
                    level_db=float(np.mean(db_from_power(np.array([level for _, level, _ in run])))),
                )
            )
            kept.sort(key=lambda spectrum_run: spectrum_run.level_db)
            del kept[_RUNS:]
        run.clear()

    def finish(self) -> None:
        """Give the first and last seconds the low bands of their neighbours; a short take gets one short window."""
        if 0 < self._filled < LOW_TRANSFORM:
            self._read_window(self._filled, 0, keeps_phase=False)
        for row, figures in enumerate(self._figures):
            self._close_run(row)
            known = np.flatnonzero(~np.isnan(figures.tone[:, 0]))
            if known.size:
                nearest = np.clip(np.arange(len(figures.tone)), known[0], known[-1])
                figures.tone[:, :LOW_BANDS] = figures.tone[nearest, :LOW_BANDS]
