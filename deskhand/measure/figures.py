"""The one pass over the audio: all tracks together, in chunks of one second, to figures for each 100 ms and each second.

Everything that is said later is computed from these figures; the audio is read once. Chunks are cut here, whatever blocks
the recording gives, so the result does not depend on how it was read. Memory: about 20 bytes for each 100 ms of each track
and 124 bytes for each second, apart from a fixed amount a track.
"""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from deskhand.dsp import events, loudness, peak, spectrum
from deskhand.units import dbfs_from_mean_square

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]
    Array64 = NDArray[np.float64]

HOP_S: Final = 0.1
"""Length of a block of figures in seconds."""
_STEPS: Final = 10
"""Fine steps (10 ms) a block."""
_HOPS: Final = 10
"""Blocks a chunk."""
_CONTEXT: Final = 250
"""Samples, at 48 kHz, that fault detectors look at on either side."""
_FINE_CONTEXT: Final = 60
"""Fine steps that burst detection looks at on either side."""
_LOW_BANDS: Final = 13
"""Third-octaves 20 to 315 Hz are read from a decimated signal with a long window, the rest from short windows."""
_LOW_TRANSFORM: Final = 8192
_HUM_TOP_HZ: Final = 760.0
_QUIET_KEPT: Final = 6
_MOST_EVENTS: Final = 400
_MOST_FLATS: Final = 20000
_SAME_EVENT_S: Final = 0.001
_LEAK_LOW_HZ: Final = 300.0
_LEAK_HIGH_HZ: Final = 8000.0
_GRAM_FRAMES: Final = 2048
_SOUNDING: Final = 3e-6  # -52 dBFS RMS
_MOMENTARY_STEPS: Final = 40
_SHORT_TERM_STEPS: Final = 300
_GROUP: Final = 4
_HOWL_EDGES_HZ: Final = (150.0, 500.0, 1500.0, 4000.0, 10000.0)
_FLAT_FLOOR: Final = np.float32(0.03)  # -30 dBFS peak: what is cut lower was cut elsewhere and turned down far
_CLICK_FLOOR: Final = np.float32(0.01)


class _Source(Protocol):
    """What a recording offers: blocks of samples in order."""

    @property
    def sample_rate_hz(self) -> int: ...
    @property
    def frames(self) -> int: ...
    def blocks(self, frames: int, *, pool: ThreadPoolExecutor | None = None) -> Iterable[_Piece]: ...


class _Piece(Protocol):
    @property
    def samples(self) -> Array32: ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LowWindow:
    """How the lowest bands and the hum are read from the decimated signal."""

    window: Array32
    weights: Array32
    """(bins, 13) power to mean square in each band."""
    flat: Array32
    """(bins to 760 Hz,) power to mean square in each bin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Lengths in samples at one sample rate, and the windows and filters that go with them."""

    sample_rate_hz: int
    step: int
    hop: int
    chunk: int
    window: Array32
    transform: int
    context: int
    carry: int
    stride: int
    weights: Array32
    factor: int
    decimator: Array32
    low_rate_hz: float
    low_chunk: int
    low: LowWindow

    @property
    def bins(self) -> int:
        """Of the short spectra."""
        return self.transform // 2 + 1

    @property
    def hop_s(self) -> float:
        """Exact length of a block in seconds."""
        return self.hop / self.sample_rate_hz


def _low_window(sample_rate_hz: int, factor: int, length: int) -> LowWindow:
    """The window and weights of the lowest bands, for a window of `length` decimated samples."""
    window = spectrum.hann(length)
    rate_hz = sample_rate_hz / factor
    weights = spectrum.band_weights(
        spectrum.edges_hz()[: _LOW_BANDS + 1], sample_rate_hz=rate_hz, transform=_LOW_TRANSFORM, window=window
    )
    frequency = np.arange(_LOW_TRANSFORM // 2 + 1) * rate_hz / _LOW_TRANSFORM
    top = frequency <= _HUM_TOP_HZ
    # the decimator is not flat: what it took is given back
    flat = np.ones(frequency.size)
    flat[top] = spectrum.decimator_response(spectrum.decimator(factor), frequency[top], sample_rate_hz) ** -2
    power = float(np.sum(window.astype(np.float64) ** 2)) * _LOW_TRANSFORM
    return LowWindow(
        window=window,
        weights=(weights * flat[:, None]).astype(np.float32),
        flat=(flat[top] * 2.0 / power).astype(np.float32),
    )


def grid(sample_rate_hz: int) -> Grid:
    """The lengths for a sample rate: windows last as long at every rate."""
    import scipy.fft

    step = round(sample_rate_hz / (1000 / 10))
    hop = step * _STEPS
    chunk = hop * _HOPS
    length = round(8192 * sample_rate_hz / 48000)
    transform = scipy.fft.next_fast_len(length, real=True)
    transform += transform % 2
    window = spectrum.hann(length)
    stride = max(1, round(sample_rate_hz / 48000))
    context = _CONTEXT * stride
    factor = spectrum.decimation(chunk, sample_rate_hz)
    return Grid(
        sample_rate_hz=sample_rate_hz,
        step=step,
        hop=hop,
        chunk=chunk,
        window=window,
        transform=transform,
        context=context,
        carry=max(length - hop, step + 2 * context, spectrum.DECIMATOR_TAPS * factor),
        stride=stride,
        weights=spectrum.band_weights(
            spectrum.edges_hz()[_LOW_BANDS:], sample_rate_hz=sample_rate_hz, transform=transform, window=window
        ),
        factor=factor,
        decimator=spectrum.decimator(factor),
        low_rate_hz=sample_rate_hz / factor,
        low_chunk=chunk // factor,
        low=_low_window(sample_rate_hz, factor, _LOW_TRANSFORM),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happened, in seconds from the start."""

    start_s: float
    end_s: float
    value: float = 0.0


@dataclass(slots=True, kw_only=True)
class TrackFigures:
    """What the pass found in one track."""

    mean_square: Array32
    """(blocks,) of each 100 ms."""
    weighted: Array32
    """(blocks,) mean square behind the K-weighting."""
    peak: Array32
    """(blocks + 1,) sample peak; the last entry is the rest that fills no block."""
    tone: Array32
    """(seconds, 31) mean square in each third-octave band; NaN where no window lay."""
    total: float = 0.0
    frames: int = 0
    energy: float = 0.0
    true_peak: float = 0.0
    flats: NDArray[np.uint16]
    """(blocks + 1,) how many peaks were cut flat in each block."""
    long_flats: NDArray[np.uint16]
    """(blocks + 1,) how many of them are five samples long or longer: chance makes short ones."""
    flat_level: Array32
    """(blocks + 1,) magnitude of the highest of them."""
    dropouts: list[Event] = field(default_factory=list)
    cut_s: float | None = None
    """When the sound was cut into digital silence that lasts to the end; None when it died away, or goes on."""
    clicks: list[Event] = field(default_factory=list)
    bursts: list[Event] = field(default_factory=list)
    """`value` is how white it is: power of the fourth difference over power, 70 for white noise."""
    mutes: list[Event] = field(default_factory=list)
    """`value` is the level inside, in dBFS."""
    howls: list[Event] = field(default_factory=list)
    """`value` is the frequency in Hz."""
    quiet: list[tuple[float, float, Array32]] = field(default_factory=list)
    """The quietest long windows: level (mean square 20 to 760 Hz), time, power spectrum to 760 Hz."""

    @property
    def mean(self) -> float:
        """Mean of all samples: DC."""
        return self.total / max(1, self.frames)

    @property
    def overall(self) -> float:
        """Mean square of all samples."""
        return self.energy / max(1, self.frames)


@dataclass(slots=True, kw_only=True)
class PairFigures:
    """What two tracks have in common."""

    product: Array32
    """(blocks,) mean of left times right."""
    cross: NDArray[np.complex128]
    """(bins,) sum of left times conjugate right."""
    left: Array64
    """(bins,) power of the left."""
    right: Array64
    """(bins,) power of the right."""


@dataclass(slots=True, kw_only=True)
class LeakFigures:
    """How much of a click or talkback is in another track: spectra summed while it sounds."""

    cross: NDArray[np.complex128]
    origin: Array64
    target: Array64
    plain: Array64
    """Power of the origin, every window alike."""
    power: float = 0.0
    blocks: int = 0
    """Sum of the origin's mean squares over the blocks in which it sounds, and how many."""
    sum: float = 0.0
    sum_of_squares: float = 0.0
    """Of the weights, which tell how many windows as good as alike were averaged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudest:
    """The loudest moments of a track or pair, looked for every 10 ms, as K-weighted mean squares summed over its sides."""

    momentary: float
    """Of any 400 ms; 0 when there are none."""
    short_term: float
    """Of any 3 s."""


class _LoudestSoFar:
    """Slides windows of 400 ms and 3 s over fine steps of all tracks and pairs at once."""

    def __init__(self, groups: Sequence[tuple[int, ...]]) -> None:
        self.groups = groups
        self._first = [group[0] for group in groups]
        self._second = [group[-1] for group in groups]
        self._paired = np.array([[float(len(group) == 2)] for group in groups]).reshape(-1, 1)
        self._held = np.zeros((len(groups), _SHORT_TERM_STEPS))
        self._seen = 0
        self.momentary = np.zeros(len(groups))
        self.short_term = np.zeros(len(groups))

    def take(self, weighted: Array64) -> None:
        """Go on with (tracks, steps) of mean squares."""
        new = weighted[self._first] + self._paired * weighted[self._second]
        both = np.concatenate([self._held, new], axis=1)
        total = np.concatenate([np.zeros((len(self.groups), 1)), np.cumsum(both, axis=1)], axis=1)
        ends = np.arange(_SHORT_TERM_STEPS + 1, both.shape[1] + 1)
        self._seen += new.shape[1]
        known = ends - _SHORT_TERM_STEPS + self._seen - new.shape[1]
        for steps, best in ((_MOMENTARY_STEPS, self.momentary), (_SHORT_TERM_STEPS, self.short_term)):
            whole = ends[known >= steps]
            if whole.size:
                means = (total[:, whole] - total[:, whole - steps]) / steps
                np.maximum(best, means.max(axis=1), out=best)
        self._held = both[:, -_SHORT_TERM_STEPS:]

    def result(self) -> dict[tuple[int, ...], Loudest]:
        """By group."""
        return {
            group: Loudest(momentary=float(self.momentary[at]), short_term=float(self.short_term[at]))
            for at, group in enumerate(self.groups)
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """All that one pass found."""

    grid: Grid
    blocks: int
    tracks: tuple[TrackFigures, ...]
    pairs: dict[tuple[int, int], PairFigures]
    leaks: dict[tuple[int, int], LeakFigures]
    leak_bins: tuple[int, int]
    loudest: dict[tuple[int, ...], Loudest]
    """Of each track and each pair."""
    gram: Array64
    """(tracks, tracks) products of samples taken from every second: tells tracks that are the same."""

    @property
    def duration_s(self) -> float:
        """Length measured, in seconds."""
        return self.tracks[0].frames / self.grid.sample_rate_hz


class _Worker:
    """Carries the state of a group of tracks from chunk to chunk."""

    def __init__(self, grid: Grid, first: int, count: int, figures: Sequence[TrackFigures], keep: set[int]) -> None:
        self.grid = grid
        self.rows = range(first, first + count)
        self.figures = [figures[row] for row in self.rows]
        self.keep = keep
        self.held = np.zeros((count, grid.carry + grid.chunk), np.float32)
        self.filters = np.zeros((count, 4))
        self.sos = loudness.k_weighting_sos(grid.sample_rate_hz)
        self.phases = peak.interpolator(peak.oversampling(grid.sample_rate_hz))
        self.most = float(np.abs(self.phases).sum(axis=1).max(initial=1.0))
        self.fine = np.zeros((count, 3, 2 * _FINE_CONTEXT + _STEPS * _HOPS), np.float32)
        self.dropping = np.zeros((count, 4))
        self.howling = np.full((count, len(_HOWL_EDGES_HZ) - 1, 6), -1.0)
        self.low = np.zeros((count, _LOW_TRANSFORM), np.float32)
        self.low_filled = 0
        self.spectra: dict[int, NDArray[np.complex64]] = {}
        self.weighted: Array64 = np.empty((count, 0))
        self.seconds = 0
        self._work = np.zeros((_HOPS, grid.transform), np.float32)
        self._power = np.zeros((_HOPS, grid.bins), np.float32)

    def take(self, samples: Array32, start: int) -> None:
        """Measure one chunk (tracks of this group, frames); only the last may be shorter than a chunk."""
        grid, frames = self.grid, samples.shape[1]
        hops = frames // grid.hop
        self.held[:, : grid.carry] = self.held[:, grid.chunk :]
        self.held[:, grid.carry : grid.carry + frames] = samples
        self.held[:, grid.carry + frames :] = 0.0
        self._energies(samples, start, hops)
        for row in range(samples.shape[0]):
            signal = self.held[row, : grid.carry + frames]
            self._levels(row, samples[row], start, hops)
            self._faults(row, signal, start)
            if hops:
                self._spectra(row, start, hops)
        self._low(frames)
        self.seconds += 1

    def _energies(self, samples: Array32, start: int, hops: int) -> None:
        grid, first = self.grid, start // self.grid.hop
        whole = np.ascontiguousarray(samples[:, : hops * grid.hop])
        out = np.empty((samples.shape[0], hops * _STEPS))
        if samples.shape[0] == _GROUP and hops:
            loudness.weighted_energy_4(whole, grid.step, self.filters, self.sos, out)
        else:
            for row in range(samples.shape[0]):
                loudness.weighted_energy(whole[row], grid.step, self.filters[row], self.sos, out[row])
        self.weighted = out / grid.step
        for row, figures in enumerate(self.figures):
            figures.weighted[first : first + hops] = self.weighted[row].reshape(hops, _STEPS).mean(axis=1)

    def _levels(self, row: int, signal: Array32, start: int, hops: int) -> None:
        grid, figures = self.grid, self.figures[row]
        steps = -(-signal.size // grid.step)
        tops, squares, total = np.empty(steps, np.float32), np.empty(steps, np.float32), np.zeros(1)
        peak.block_levels(signal, grid.step, tops, squares, total)
        figures.total += total[0]
        figures.frames += signal.size
        first = start // grid.hop
        whole = hops * _STEPS
        means = squares[:whole].reshape(hops, _STEPS).mean(axis=1)
        figures.mean_square[first : first + hops] = means
        figures.peak[first : first + hops] = tops[:whole].reshape(hops, _STEPS).max(axis=1)
        rest = signal.size - hops * grid.hop
        figures.energy += float(means.astype(np.float64).sum()) * grid.hop
        if rest:
            figures.peak[first + hops] = tops[whole:].max()
            counts = np.minimum(grid.step, rest - grid.step * np.arange(steps - whole))
            figures.energy += float(squares[whole:].astype(np.float64) @ counts)
        fine = self.fine[row]
        fine[:, : 2 * _FINE_CONTEXT] = fine[:, -2 * _FINE_CONTEXT :]
        fine[:, 2 * _FINE_CONTEXT :] = 0.0
        fine[0, 2 * _FINE_CONTEXT : 2 * _FINE_CONTEXT + steps] = squares

    def _faults(self, row: int, signal: Array32, start: int) -> None:
        """Look at every sample once: this chunk's, set back by the context, up to what came last chunk."""
        grid, figures = self.grid, self.figures[row]
        rate = grid.sample_rate_hz
        offset = start - grid.carry
        first = max(grid.carry - grid.context, -offset + 1)
        last = signal.size - grid.context
        back = peak.TAPS_A_SIDE * 2
        # a chunk whose samples, raised by all that interpolation can add, stay below what was found cannot beat it
        if np.abs(signal[grid.carry - back :]).max() * self.most > figures.true_peak:
            figures.true_peak = float(
                peak.true_peak(signal[grid.carry - back :], grid.step // 2, self.phases, np.float32(figures.true_peak))
            )
        if last <= first:
            return
        starts, levels = np.empty(_MOST_FLATS, np.int64), np.empty(_MOST_FLATS, np.float32)
        lengths = np.empty(_MOST_FLATS, np.int64)
        found = events.flat_tops(signal, first, last, _FLAT_FLOOR, starts, levels, lengths)
        at = np.minimum((starts[:found] + offset) // grid.hop, figures.flats.size - 1)
        np.add.at(figures.flats, at, 1)
        np.add.at(figures.long_flats, at, (lengths[:found] >= 5).astype(np.uint16))
        np.maximum.at(figures.flat_level, at, levels[:found])
        pairs = np.empty((50, 2))
        found = events.dropouts(signal, first, last, offset, rate // 200, self.dropping[row], pairs)
        self._add(figures.dropouts, [(pairs[k, 0] / rate, pairs[k, 1] / rate, 0.0) for k in range(found)])
        self._sharp(row, signal, offset)
        self._interruptions(row, start // grid.step)

    def _interruptions(self, row: int, step: int) -> None:
        """Bursts and mutes among the fine steps held, which begin twice the context before `step`."""
        grid, figures, fine = self.grid, self.figures[row], self.fine[row]
        rows = np.empty((50, 4))
        found = events.bursts_and_mutes(fine[0], fine[1], _FINE_CONTEXT, _FINE_CONTEXT + _STEPS * _HOPS, rows)
        for k in range(found):
            first, last, kind, inside = rows[k]
            place_s = grid.step / grid.sample_rate_hz
            begin, end = (
                (step - 2 * _FINE_CONTEXT + first) * place_s,
                (step - 2 * _FINE_CONTEXT + last) * place_s,
            )
            if begin < 0.1:
                continue
            if kind == 1.0:
                self._add(figures.bursts, [(float(begin), float(end), float(inside))])
            else:
                self._add(figures.mutes, [(float(begin), float(end), float(dbfs_from_mean_square(np.array(inside))))])

    def _sharp(self, row: int, signal: Array32, offset: int) -> None:
        """What is sharp in each fine step, and the clicks among them."""
        grid, figures, fine = self.grid, self.figures[row], self.fine[row]
        steps = -(-(signal.size - grid.carry) // grid.step)
        # the difference is as old as its five samples: its power is put where the signal's is
        first = grid.carry - 4 * grid.stride
        now = slice(2 * _FINE_CONTEXT, 2 * _FINE_CONTEXT + steps)
        peak.sharpness(signal[first:], grid.step, grid.stride, fine[2, now], fine[1, now])
        # clicks one step late, so that what comes after them is known
        late = slice(2 * _FINE_CONTEXT - 1, 2 * _FINE_CONTEXT - 1 + (signal.size - grid.carry) // grid.step)
        starts = np.empty(50, np.int64)
        found = events.clicks(
            signal, first - grid.step, grid.step, grid.stride, fine[2, late], fine[1, late], _CLICK_FLOOR, starts
        )
        for k in range(found):
            at_s = float(starts[k] + offset) / grid.sample_rate_hz
            # where the take begins the wave jumps up from nothing
            if at_s > 0.01:
                self._add(figures.clicks, [(at_s, at_s, 0.0)])

    @staticmethod
    def _add(to: list[Event], spans: list[tuple[float, float, float]]) -> None:
        for start_s, end_s, value in spans:
            # where two stretches meet, both may see the same event
            seen = bool(to) and start_s <= to[-1].end_s + _SAME_EVENT_S
            if not seen and len(to) < _MOST_EVENTS:
                to.append(Event(start_s=start_s, end_s=end_s, value=value))

    def _spectra(self, row: int, start: int, hops: int) -> None:
        import scipy.fft

        grid, figures = self.grid, self.figures[row]
        length = grid.window.size
        at = grid.carry - (length - grid.hop)
        held = self.held[row, at:]
        frames = np.lib.stride_tricks.as_strided(held, (hops, length), (grid.hop * 4, 4), writeable=False)
        work = self._work[:hops]
        np.multiply(frames, grid.window, out=work[:, :length])
        found = scipy.fft.rfft(work, axis=1)
        power = self._power[:hops]
        spectrum.squared(found, power)
        # the first windows of a take reach back before its start
        reach = -(-(length - grid.hop) // grid.hop)
        missing = max(0, reach - start // grid.hop)
        use = power[missing:] if hops > missing else power[-1:]
        second = start // grid.chunk
        figures.tone[second, _LOW_BANDS:] = (use @ grid.weights).mean(axis=0)
        if self.rows[row] in self.keep:
            self.spectra[self.rows[row]] = found
        self._howls(row, power, start)

    def _howls(self, row: int, power: Array32, start: int) -> None:
        """A tone that grows, looked for in each range apart: the voice it grows under is louder lower down."""
        grid, howls = self.grid, self.figures[row].howls
        spacing = grid.sample_rate_hz / grid.transform
        rows = np.empty((20, 3))
        for place, (low_hz, high_hz) in enumerate(itertools.pairwise(_HOWL_EDGES_HZ)):
            count = events.growing_tone(
                power, int(low_hz / spacing), int(high_hz / spacing), start // grid.hop, self.howling[row, place], rows
            )
            for k in range(count):
                begin, end, hz = (
                    float(rows[k, 0] * grid.hop_s),
                    float(rows[k, 1] * grid.hop_s),
                    float(rows[k, 2] * spacing),
                )
                near = [at for at, last in enumerate(howls) if begin <= last.end_s and abs(hz / last.value - 1) < 0.02]
                if near:
                    howls[near[-1]] = Event(start_s=howls[near[-1]].start_s, end_s=end, value=hz)
                else:
                    self._add(howls, [(begin, end, hz)])

    def _low(self, frames: int) -> None:
        """The lowest bands and the hum, from a window of 2.7 s over a signal decimated to about 3 kHz."""
        grid = self.grid
        taps = spectrum.DECIMATOR_TAPS
        count = frames // grid.factor
        if not count:
            return
        first = grid.carry - (taps - 1) * grid.factor
        out = np.empty(count, np.float32)
        self.low[:, : _LOW_TRANSFORM - count] = self.low[:, count:]
        for row in range(len(self.figures)):
            piece = self.held[row, first : first + (count + taps - 1) * grid.factor].reshape(-1, grid.factor)
            spectrum.sum_diagonals(piece @ grid.decimator, out)
            self.low[row, _LOW_TRANSFORM - count :] = out
        self.low_filled = min(_LOW_TRANSFORM, self.low_filled + count)
        if self.low_filled == _LOW_TRANSFORM:
            self._low_window(_LOW_TRANSFORM)

    def _low_window(self, length: int) -> None:
        import scipy.fft

        grid = self.grid
        low = grid.low if length == _LOW_TRANSFORM else _low_window(grid.sample_rate_hz, grid.factor, length)
        work = np.zeros((len(self.figures), _LOW_TRANSFORM), np.float32)
        work[:, :length] = self.low[:, _LOW_TRANSFORM - length :] * low.window
        found = scipy.fft.rfft(work, axis=1)
        power = np.empty(found.shape, np.float32)
        spectrum.squared(found, power)
        bands = power @ low.weights
        second = max(0, self.seconds - 1)
        keep = low.flat.size
        lowest = int(20.0 / grid.low_rate_hz * _LOW_TRANSFORM)
        for row, figures in enumerate(self.figures):
            figures.tone[second, :_LOW_BANDS] = bands[row]
            spectrum_ = power[row, :keep] * low.flat
            level = float(spectrum_[lowest:].sum())
            quiet = figures.quiet
            if level > 1e-12 and (len(quiet) < _QUIET_KEPT or level < quiet[-1][0]):
                quiet.append((level, float(second), spectrum_.copy()))
                quiet.sort(key=lambda item: item[0])
                del quiet[_QUIET_KEPT:]

    def finish(self) -> None:
        """Give the first and last seconds the low bands of their neighbours; a short take gets one short window."""
        if 0 < self.low_filled < _LOW_TRANSFORM:
            self.seconds = 1
            self._low_window(self.low_filled)
        for row, figures in enumerate(self.figures):
            # what was held back for want of context: nothing comes after it
            fine = self.fine[row]
            fine[:, : 2 * _FINE_CONTEXT] = fine[:, -2 * _FINE_CONTEXT :]
            fine[:, 2 * _FINE_CONTEXT :] = 0.0
            self._interruptions(row, self.seconds * _STEPS * _HOPS)
            zeros, begin, _, cut = self.dropping[row]
            if zeros and cut:
                figures.cut_s = float(begin) / self.grid.sample_rate_hz
            known = np.flatnonzero(~np.isnan(figures.tone[:, 0]))
            if known.size:
                nearest = np.clip(np.arange(len(figures.tone)), known[0], known[-1])
                figures.tone[:, :_LOW_BANDS] = figures.tone[nearest, :_LOW_BANDS]


def _rechunk(source: _Source, chunk: int, pool: ThreadPoolExecutor | None) -> Iterator[Array32]:
    """Blocks of exactly one chunk, whatever the source hands over; the last may be shorter."""
    rest: Array32 | None = None
    for block in source.blocks(chunk, pool=pool):
        samples = block.samples
        if rest is None and samples.shape[1] == chunk:
            yield samples
            continue
        rest = samples.copy() if rest is None else np.concatenate([rest, samples], axis=1)
        while rest.shape[1] >= chunk:
            yield np.ascontiguousarray(rest[:, :chunk])
            rest = rest[:, chunk:]
    if rest is not None and rest.shape[1]:
        yield np.ascontiguousarray(rest)


def measure_figures(
    source: _Source,
    tracks: int,
    *,
    pairs: Sequence[tuple[int, int]] = (),
    origins: Sequence[int] = (),
    threads: int = 2,
    progress: Callable[[float], None] | None = None,
) -> Figures:
    """Read a recording once and measure all its tracks.

    Parameters
    ----------
    source : Recording
        Anything with `sample_rate_hz`, `frames` and `blocks`.
    tracks : int
        How many it has.
    pairs : sequence of (int, int)
        Tracks to be compared with one another: the sides of a pair, several microphones of one instrument.
    origins : sequence of int
        Click and talkback tracks, to be looked for in all others.
    threads : int
        Threads; the kernels run without the interpreter's lock. The result is the same for any number.
    progress : callable, optional
        Told the share done, 0 to 1.

    Returns
    -------
    Figures
    """
    lengths = grid(source.sample_rate_hz)
    blocks = source.frames // lengths.hop
    seconds = -(-source.frames // lengths.chunk)
    found = tuple(
        TrackFigures(
            mean_square=np.zeros(blocks, np.float32),
            weighted=np.zeros(blocks, np.float32),
            peak=np.zeros(blocks + 1, np.float32),
            tone=np.full((seconds, len(spectrum.NOMINAL_HZ)), np.nan, np.float32),
            flats=np.zeros(blocks + 1, np.uint16),
            long_flats=np.zeros(blocks + 1, np.uint16),
            flat_level=np.zeros(blocks + 1, np.float32),
        )
        for _ in range(tracks)
    )
    low_bin = int(_LEAK_LOW_HZ / source.sample_rate_hz * lengths.transform)
    high_bin = int(_LEAK_HIGH_HZ / source.sample_rate_hz * lengths.transform)
    wide = high_bin - low_bin
    both = {
        pair: PairFigures(
            product=np.zeros(blocks, np.float32),
            cross=np.zeros(lengths.bins, np.complex128),
            left=np.zeros(lengths.bins),
            right=np.zeros(lengths.bins),
        )
        for pair in pairs
    }
    leaks = {
        (origin, target): LeakFigures(
            cross=np.zeros(wide, np.complex128), origin=np.zeros(wide), target=np.zeros(wide), plain=np.zeros(wide)
        )
        for origin in origins
        for target in range(tracks)
        if target not in origins
    }
    keep = set(range(tracks)) if origins else {track for pair in pairs for track in pair}
    workers = [_Worker(lengths, first, min(_GROUP, tracks - first), found, keep) for first in range(0, tracks, _GROUP)]
    gram = np.zeros((tracks, tracks))
    loudest = _LoudestSoFar([*((track,) for track in range(tracks)), *pairs])
    with ThreadPoolExecutor(threads) as pool:
        start = 0
        for samples in _rechunk(source, lengths.chunk, pool):
            list(pool.map(lambda worker: worker.take(samples[worker.rows.start : worker.rows.stop], start), workers))  # noqa: B023
            spectra: dict[int, NDArray[np.complex64]] = {}
            for worker in workers:
                spectra.update(worker.spectra)
            hops = samples.shape[1] // lengths.hop
            if hops:
                loudest.take(np.concatenate([worker.weighted for worker in workers]))
                jobs: list[Callable[[], None]] = [
                    partial(_take_pair, pair, key, samples, spectra, start, lengths, hops) for key, pair in both.items()
                ]
                jobs += [
                    partial(_take_leaks, leaks, origin, found, spectra, start, lengths, hops, low_bin)
                    for origin in origins
                ]
                list(pool.map(lambda job: job(), jobs))
            some = samples[:, : min(_GRAM_FRAMES, samples.shape[1])].astype(np.float64)
            some -= some.mean(axis=1, keepdims=True)  # an offset in both is nothing they share
            gram += some @ some.T
            start += samples.shape[1]
            if progress is not None:
                progress(start / source.frames)
        list(pool.map(lambda worker: worker.finish(), workers))
    return Figures(
        grid=lengths,
        blocks=blocks,
        tracks=found,
        pairs=both,
        leaks=leaks,
        leak_bins=(low_bin, high_bin),
        loudest=loudest.result(),
        gram=gram,
    )


def _take_pair(
    pair: PairFigures,
    key: tuple[int, int],
    samples: Array32,
    spectra: dict[int, NDArray[np.complex64]],
    start: int,
    grid: Grid,
    hops: int,
) -> None:
    left, right = (samples[track, : hops * grid.hop].reshape(hops, grid.hop) for track in key)
    first = start // grid.hop
    pair.product[first : first + hops] = np.einsum("ij,ij->i", left, right) / grid.hop
    a, b = spectra[key[0]][:hops], spectra[key[1]][:hops]
    pair.cross += np.einsum("ij,ij->j", a, b.conj())
    pair.left += np.einsum("ij,ij->j", a.real, a.real) + np.einsum("ij,ij->j", a.imag, a.imag)
    pair.right += np.einsum("ij,ij->j", b.real, b.real) + np.einsum("ij,ij->j", b.imag, b.imag)


def _take_leaks(
    leaks: dict[tuple[int, int], LeakFigures],
    origin: int,
    figures: Sequence[TrackFigures],
    spectra: dict[int, NDArray[np.complex64]],
    start: int,
    grid: Grid,
    hops: int,
    low_bin: int,
) -> None:
    first = start // grid.hop
    level = figures[origin].mean_square[first : first + hops]
    wide = next(leak.cross.size for (from_, _), leak in leaks.items() if from_ == origin)
    every = spectra[origin][:hops, low_bin : low_bin + wide]
    # windows reach back behind their block: the window, not the block, tells whether the origin sounds in it
    seen = np.einsum("ij,ij->i", every.real, every.real) + np.einsum("ij,ij->i", every.imag, every.imag)
    sounding = 2.0 * seen > _SOUNDING * float(np.sum(grid.window**2)) * grid.transform
    loud = level[level > _SOUNDING]
    if not sounding.any():
        return
    a, own = every[sounding], seen[sounding]
    for (from_, to), leak in leaks.items():
        if from_ != origin:
            continue
        leak.power += float(loud.sum())
        leak.blocks += loud.size
        b = spectra[to][:hops][sounding, low_bin : low_bin + wide]
        power = np.einsum("ij,ij->i", b.real, b.real) + np.einsum("ij,ij->i", b.imag, b.imag)
        heard = power > 1e-9 * wide  # not digital silence
        if not heard.any():
            continue
        # moments in which the target is quiet tell most: each window counts by the inverse of its
        # amplitude (by the inverse of its power a few windows would decide alone)
        weight = np.zeros(power.size)
        weight[heard] = power[heard] ** -0.5
        leak.cross += weight @ (b * a.conj())
        leak.origin += weight @ (a.real**2 + a.imag**2)
        leak.target += weight @ (b.real**2 + b.imag**2)
        leak.plain += np.einsum("ij,ij->j", a.real, a.real) + np.einsum("ij,ij->j", a.imag, a.imag)
        leak.sum += float((weight * own).sum())
        leak.sum_of_squares += float(((weight * own) ** 2).sum())
