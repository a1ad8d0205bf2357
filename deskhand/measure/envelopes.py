"""Envelopes of a group of tracks, in steps of 10 and 20 ms: loudness, decays and onsets of notes, loudest moments."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import decays, lanes
from deskhand.measure.grid import HOP_STEPS, TAIL_OCTAVES_HZ, TAIL_STEPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.grid import AnalysisGrid
    from deskhand.measure.track_figures import TrackFigures

    Array32 = NDArray[np.float32]
    Array64 = NDArray[np.float64]

_TAIL_CHUNKS: Final = 4
"""Chunks waited for before decays are looked for: it is less work at once than apart."""
_MOST_DECAYS: Final = 160
"""Decays kept of one track in four seconds, all bands together. Common practice, no source."""
_MOST_ONSETS: Final = 64
"""Onsets kept of one track in four seconds: 80 ms apart there are 50 at most."""
_MOST_ARRAYS: Final = 32
"""Arrays of decays or onsets held of a track before they are joined: two minutes. Common practice, no source."""
_MOMENTARY_STEPS: Final = 40
"""Steps of 10 ms in 400 ms (EBU Tech 3341 v4, 2.2)."""
_SHORT_TERM_STEPS: Final = 300
"""Steps of 10 ms in 3 s (EBU Tech 3341 v4, 2.2)."""


class NoteEnvelopes:
    """Some seconds of the envelopes of a group of tracks, with decays and onsets found in their middle.

    Parameters
    ----------
    figures : sequence of TrackFigures
        One for each track of the group; filled.
    """

    def __init__(self, figures: Sequence[TrackFigures]) -> None:
        self._figures = figures
        tracks, bands = len(figures), len(TAIL_OCTAVES_HZ) + 1
        self._tails = np.zeros((tracks, bands, 2 * decays.DECAY_CONTEXT + _TAIL_CHUNKS * TAIL_STEPS))
        self._next_step = np.zeros((tracks, bands), np.int64)
        self._onsets = np.zeros((tracks, 2 * decays.ONSET_CONTEXT + _TAIL_CHUNKS * 2 * TAIL_STEPS))
        self._seen = 0
        self._waiting = 0
        self._rows = np.empty((tracks, _MOST_DECAYS, 4))
        self._counts = np.zeros(tracks, np.int64)

    def take(self, octaves: Array64, articulation: Array64) -> None:
        """Go on with (bands, steps of 20 ms, lanes) and (steps of 10 ms, lanes) of mean squares."""
        tracks, steps = len(self._figures), octaves.shape[1]
        if not steps:
            return
        first = self._tails.shape[2] - _TAIL_CHUNKS * TAIL_STEPS + self._waiting
        self._tails[:, :-1, first : first + steps] = octaves[:, :, :tracks].transpose(2, 0, 1)
        self._tails[:, -1, first : first + steps] = octaves[:, :, :tracks].sum(axis=0).T
        first = self._onsets.shape[1] - _TAIL_CHUNKS * 2 * TAIL_STEPS + 2 * self._waiting
        self._onsets[:, first : first + 2 * steps] = articulation[:, :tracks].T
        self._seen += steps
        self._waiting += steps
        if self._waiting == _TAIL_CHUNKS * TAIL_STEPS:
            self._find(self._waiting, last=False)
            self._join(_MOST_ARRAYS)
            self._waiting = 0
            for held in (self._tails, self._onsets):
                size = 2 * (decays.DECAY_CONTEXT if held.ndim == 3 else decays.ONSET_CONTEXT)
                held[..., :size] = held[..., -size:].copy()

    def finish(self) -> None:
        """Look at the steps that were held back for want of context: nothing comes after them."""
        self._find(self._waiting, last=True)
        self._join(1)

    def _join(self, most: int) -> None:
        """Join the arrays of each track where there are more: many small ones take more memory than what they hold."""
        for figures in self._figures:
            for parts in (figures.decays, figures.onsets):
                if len(parts) > most:
                    parts[:] = [np.concatenate(parts)]

    def _find(self, new: int, *, last: bool) -> None:
        """Find decays and onsets in the steps whose context is known, `new` steps after the last time."""
        size = 2 * decays.DECAY_CONTEXT + new
        begin = max(0, size - self._seen)  # what lies before the start of the take is nothing
        tails = np.ascontiguousarray(self._tails[:, :, :size])
        decays.free_decays_of_all(
            tails,
            begin,
            decays.DECAY_CONTEXT,
            size if last else size - decays.DECAY_CONTEXT,
            self._seen - size,
            self._next_step,
            self._rows,
            self._counts,
        )
        size = 2 * decays.ONSET_CONTEXT + 2 * new
        offset = 2 * self._seen - size
        onsets = np.empty((_MOST_ONSETS, 2))
        for track, figures in enumerate(self._figures):
            if self._counts[track]:
                figures.decays.append(self._rows[track, : self._counts[track]].astype(np.float32))
            envelope = self._onsets[track, :size]
            first = max(decays.ONSET_CONTEXT, 10 - offset)
            count = decays.onsets(envelope, first, size - decays.ONSET_CONTEXT, offset, onsets)
            if count:
                times = onsets[:count].copy()
                times[:, 0] *= decays.ONSET_STEP_S
                figures.onsets.append(times.astype(np.float32))


def _pairs(steps: Array64) -> Array64:
    """(bands, steps / 2, lanes) mean of each two steps."""
    return np.asarray(0.5 * (steps[:, ::2] + steps[:, 1::2]))


class Envelopes:
    """Energies of a group of tracks after the K-weighting and the bands of the notes, every 10 or 20 ms.

    Parameters
    ----------
    grid : AnalysisGrid
    figures : sequence of TrackFigures
        One for each track of the group; filled.
    """

    def __init__(self, grid: AnalysisGrid, figures: Sequence[TrackFigures]) -> None:
        self._grid = grid
        self._figures = figures
        self._state, self._low_state = grid.filters.state(), grid.low_filters.state()
        self._notes = NoteEnvelopes(figures)
        self.weighted: Array64 = np.empty((len(figures), 0))
        """(tracks, steps of 10 ms) K-weighted mean squares of the last chunk."""

    def take(self, held: Array32, low: Array32, frames: int, start: int) -> None:
        """Go on with a chunk.

        Parameters
        ----------
        held : (tracks, carry + chunk) array
            Samples held from before, then the chunk.
        low : (tracks, decimated) array
            Decimated samples up to the end of the chunk.
        frames : int
            Samples of the chunk.
        start : int
            Sample of the take at which the chunk begins.
        """
        grid, first = self._grid, start // self._grid.hop
        hops = frames // grid.hop
        steps = hops * HOP_STEPS
        bank, low_bank = grid.filters, grid.low_filters
        high = np.empty((bank.rows, steps, lanes.LANES))
        lanes.energies(held, grid.carry, grid.step, bank.weighting, bank.poles, bank.scales, self._state, high)
        high /= grid.step
        low_step = grid.low_chunk // TAIL_STEPS
        low_energies = np.empty((low_bank.rows, steps // 2, lanes.LANES))
        low_first = low.shape[1] - frames // grid.factor
        lanes.energies(
            low, low_first, low_step, low_bank.weighting, low_bank.poles, low_bank.scales, self._low_state, low_energies
        )
        low_energies /= low_step
        count = len(self._figures)
        self.weighted = np.ascontiguousarray(high[0, :, :count].T)
        blocks = self.weighted.reshape(count, hops, HOP_STEPS).mean(axis=2)
        for row, figures in enumerate(self._figures):
            figures.weighted[first : first + hops] = blocks[row]
        octaves = np.concatenate([low_energies, _pairs(high[2:])])
        self._notes.take(octaves, high[1])

    def finish(self) -> None:
        """Look at the notes that were held back for want of context."""
        self._notes.finish()


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudestMoments:
    """Loudest moments of a track or pair, looked for every 10 ms, as K-weighted mean squares summed over its sides."""

    momentary: float
    """Highest of any 400 ms; 0 when there are none."""
    short_term: float
    """Highest of any 3 s."""


class LoudestSearch:
    """Search for the loudest 400 ms and 3 s over fine steps of all tracks and pairs at once.

    Parameters
    ----------
    groups : sequence of tuples of one or two tracks
    """

    def __init__(self, groups: Sequence[tuple[int, ...]]) -> None:
        self._groups = groups
        self._first = [group[0] for group in groups]
        self._second = [group[-1] for group in groups]
        self._paired = np.array([[float(len(group) == 2)] for group in groups]).reshape(-1, 1)
        self._held = np.zeros((len(groups), _SHORT_TERM_STEPS))
        self._seen = 0
        self._momentary = np.zeros(len(groups))
        self._short_term = np.zeros(len(groups))

    def take(self, weighted: Array64) -> None:
        """Go on with (tracks, steps) of mean squares."""
        new = weighted[self._first] + self._paired * weighted[self._second]
        steps = np.concatenate([self._held, new], axis=1)
        total = np.concatenate([np.zeros((len(self._groups), 1)), np.cumsum(steps, axis=1)], axis=1)
        ends = np.arange(_SHORT_TERM_STEPS + 1, steps.shape[1] + 1)
        self._seen += new.shape[1]
        known = ends - _SHORT_TERM_STEPS + self._seen - new.shape[1]
        for length, highest in ((_MOMENTARY_STEPS, self._momentary), (_SHORT_TERM_STEPS, self._short_term)):
            whole = ends[known >= length]
            if whole.size:
                means = (total[:, whole] - total[:, whole - length]) / length
                np.maximum(highest, means.max(axis=1), out=highest)
        self._held = steps[:, -_SHORT_TERM_STEPS:]

    def moments(self) -> dict[tuple[int, ...], LoudestMoments]:
        """Loudest moments of each group so far."""
        return {
            group: LoudestMoments(momentary=float(momentary), short_term=float(short_term))
            for group, momentary, short_term in zip(self._groups, self._momentary, self._short_term, strict=True)
        }
