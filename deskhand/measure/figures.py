"""The one pass over the audio: all tracks together, in chunks of one second, to figures for each 100 ms and each second.

Everything that is said later is computed from these figures; the audio is read once. Chunks are cut here, whatever blocks
the recording gives, so the result does not depend on how it was read. Memory: about 20 bytes for each 100 ms of each track
and 124 bytes for each second, apart from a fixed amount a track.
"""

from __future__ import annotations

import functools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from deskhand.dsp import decays, events, growing_tones, lanes, loudness, peak, scan, spectrum
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
_SAME_EVENT_S: Final = 0.001
_LEAK_LOW_HZ: Final = 300.0
_LEAK_HIGH_HZ: Final = 8000.0
_GRAM_FRAMES: Final = 2048
_SOUNDING: Final = 3e-6  # -52 dBFS RMS
_MOMENTARY_STEPS: Final = 40
_SHORT_TERM_STEPS: Final = 300
_GROUP: Final = lanes.LANES
_TAIL_STEPS: Final = 50
"""Envelope steps (20 ms) a chunk, for decays."""
TAIL_OCTAVES_HZ: Final = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
"""Octaves in which decays are looked for; the first three in the decimated signal. One more band is all of them."""
_LOW_OCTAVES: Final = 3
_ARTICULATION_HZ: Final = (2000.0, 8000.0)
_TAIL_CHUNKS: Final = 4
"""Chunks waited for before decays are looked for: it is less work at once than apart."""
_MOST_DECAYS: Final = 160
_MOST_ONSETS: Final = 64
_HOWL_EDGES_HZ: Final = (150.0, 500.0, 1500.0, 4000.0, 10000.0)


class Samples(Protocol):
    """A stretch of all tracks."""

    @property
    def samples(self) -> Array32:
        """(tracks, frames)."""
        ...


class BlockSource(Protocol):
    """What a recording offers: blocks of samples in order."""

    @property
    def sample_rate_hz(self) -> int:
        """Of all tracks."""
        ...

    @property
    def frames(self) -> int:
        """Of all tracks."""
        ...

    def blocks(self, frames: int, *, pool: ThreadPoolExecutor | None = None) -> Iterable[Samples]:
        """So many frames at a time; the last block may be shorter."""
        ...


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
    filters: tuple[Array64, Array64, Array64]
    """For `lanes.energies`: K-weighting, articulation and the octave of 1 kHz; the octaves of 2 to 8 kHz; 125 to 500 Hz."""

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


@functools.cache
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
    factor = spectrum.decimation(chunk, sample_rate_hz, parts=_TAIL_STEPS)
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
        filters=_filters(sample_rate_hz, sample_rate_hz / factor),
    )


def _filters(sample_rate_hz: int, low_rate_hz: float) -> tuple[Array64, Array64, Array64]:
    """What the energies of each 10 or 20 ms are taken behind."""

    def octave(middle_hz: float, rate_hz: float) -> Array64:
        return spectrum.octave_sos(middle_hz / np.sqrt(2.0), middle_hz * np.sqrt(2.0), sample_rate_hz=rate_hz)

    low, high = TAIL_OCTAVES_HZ[:_LOW_OCTAVES], TAIL_OCTAVES_HZ[_LOW_OCTAVES:]
    return (
        lanes.coefficients(
            loudness.k_weighting_sos(sample_rate_hz),
            spectrum.octave_sos(*_ARTICULATION_HZ, sample_rate_hz=sample_rate_hz),
            octave(high[0], sample_rate_hz),
        ),
        lanes.coefficients(*(octave(middle_hz, sample_rate_hz) for middle_hz in high[1:])),
        lanes.coefficients(*(octave(middle_hz, low_rate_hz) for middle_hz in low)),
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
    decays: list[NDArray[np.float32]] = field(default_factory=list)
    """(decays, 4) each: band (of `TAIL_OCTAVES_HZ`; one more is all together), start_s, seconds for 60 dB, fall in dB."""
    onsets: list[NDArray[np.float32]] = field(default_factory=list)
    """(onsets, 2) each: time_s, contrast in dB at 2 to 8 kHz."""
    quiet: list[tuple[float, float, Array32]] = field(default_factory=list)
    """The quietest long windows: level (mean square 20 to 760 Hz), time, power spectrum to 760 Hz."""
    soft: Array64 | None = None
    """(bins,) sum over all long windows of power^-1/2 to 760 Hz: what is always there outweighs what comes and goes."""
    windows: int = 0
    """How many of them."""

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
    sums: Array64 = field(default_factory=lambda: np.zeros(2))
    """Sum and sum of squares of the weights, which tell how many windows as good as alike were averaged."""


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


def _pairs(steps: Array64) -> Array64:
    """(bands, steps / 2, lanes) mean of each two steps."""
    return np.asarray(0.5 * (steps[:, ::2] + steps[:, 1::2]))


class _Envelopes:
    """Keeps some seconds of the envelopes of a group of tracks, and finds decays and onsets in their middle."""

    def __init__(self, figures: Sequence[TrackFigures]) -> None:
        self.figures = figures
        tracks, bands = len(figures), len(TAIL_OCTAVES_HZ) + 1
        self._tails = np.zeros((tracks, bands, 2 * decays.DECAY_CONTEXT + _TAIL_CHUNKS * _TAIL_STEPS))
        self._following = np.zeros((tracks, bands), np.int64)
        self._onsets = np.zeros((tracks, 2 * decays.ONSET_CONTEXT + _TAIL_CHUNKS * 2 * _TAIL_STEPS))
        self._seen = 0
        self._waiting = 0
        self._rows = np.empty((tracks, _MOST_DECAYS, 4))
        self._counts = np.zeros(tracks, np.int64)

    def take(self, octaves: Array64, articulation: Array64) -> None:
        """Go on with (bands, steps of 20 ms, lanes) and (steps of 10 ms, lanes) of mean squares."""
        tracks, steps = len(self.figures), octaves.shape[1]
        if not steps:
            return
        at = self._tails.shape[2] - _TAIL_CHUNKS * _TAIL_STEPS + self._waiting
        self._tails[:, :-1, at : at + steps] = octaves[:, :, :tracks].transpose(2, 0, 1)
        self._tails[:, -1, at : at + steps] = octaves[:, :, :tracks].sum(axis=0).T
        at = self._onsets.shape[1] - _TAIL_CHUNKS * 2 * _TAIL_STEPS + 2 * self._waiting
        self._onsets[:, at : at + 2 * steps] = articulation[:, :tracks].T
        self._seen += steps
        self._waiting += steps
        if self._waiting == _TAIL_CHUNKS * _TAIL_STEPS:
            self._look(self._waiting, last=False)
            self._waiting = 0
            for held in (self._tails, self._onsets):
                size = 2 * (decays.DECAY_CONTEXT if held.ndim == 3 else decays.ONSET_CONTEXT)
                held[..., :size] = held[..., -size:].copy()

    def finish(self) -> None:
        """Look at what was held back for want of context: nothing comes after it."""
        self._look(self._waiting, last=True)

    def _look(self, new: int, *, last: bool) -> None:
        size = 2 * decays.DECAY_CONTEXT + new
        begin = max(0, size - self._seen)  # what lies before the start of the take is nothing
        tails = np.ascontiguousarray(self._tails[:, :, :size])
        decays.free_decays_of_all(
            tails,
            begin,
            decays.DECAY_CONTEXT,
            size if last else size - decays.DECAY_CONTEXT,
            self._seen - size,
            self._following,
            self._rows,
            self._counts,
        )
        size = 2 * decays.ONSET_CONTEXT + 2 * new
        offset = 2 * self._seen - size
        some = np.empty((_MOST_ONSETS, 2))
        for track, figures in enumerate(self.figures):
            if self._counts[track]:
                figures.decays.append(self._rows[track, : self._counts[track]].astype(np.float32))
            envelope = self._onsets[track, :size]
            first = max(decays.ONSET_CONTEXT, 10 - offset)
            found = decays.onsets(envelope, first, size - decays.ONSET_CONTEXT, offset, some)
            if found:
                part = some[:found].copy()
                part[:, 0] *= decays.ONSET_STEP_S
                figures.onsets.append(part.astype(np.float32))


class _Worker:
    """Carries the state of a group of tracks from chunk to chunk."""

    def __init__(
        self, grid: Grid, first: int, count: int, figures: Sequence[TrackFigures], keep: set[int], *, watched: int
    ) -> None:
        self.grid = grid
        self.watched = watched
        self.rows = range(first, first + count)
        self.figures = [figures[row] for row in self.rows]
        self.keep = keep
        # always four rows, whatever the group: lanes without a track carry zeros
        self.held = np.zeros((_GROUP, grid.carry + grid.chunk), np.float32)
        self.filters = np.zeros((3, lanes.FILTERS, lanes.STATES, _GROUP))
        self.envelopes = _Envelopes(self.figures)
        self.phases = peak.interpolator(peak.oversampling(grid.sample_rate_hz))
        self.most = float(np.abs(self.phases).sum(axis=1).max(initial=1.0))
        self.fine = np.zeros((count, 3, 2 * _FINE_CONTEXT + _STEPS * _HOPS), np.float32)
        self.dropping = np.zeros((count, 4))
        self.howling = np.full((count, len(_HOWL_EDGES_HZ) - 1, 6), -1.0)
        self.low = np.zeros((_GROUP, _LOW_TRANSFORM), np.float32)
        self.low_filled = 0
        self.spectra: dict[int, NDArray[np.complex64]] = {}
        self.weighted: Array64 = np.empty((count, 0))
        self.numbers = np.zeros((count, 4))
        self.counts = np.zeros(4, np.int64)
        self.found = (
            np.empty(scan.MOST_FLATS, np.int64),
            np.empty(scan.MOST_FLATS, np.float32),
            np.empty(scan.MOST_FLATS, np.int64),
            np.empty((scan.MOST_OTHERS, 2)),
            np.empty(scan.MOST_OTHERS, np.int64),
            np.empty((scan.MOST_OTHERS, 4)),
        )
        self.seconds = 0
        self._work = np.zeros((_HOPS, grid.transform), np.float32)
        self._power = np.zeros((_HOPS, grid.bins), np.float32)
        self._mean = np.zeros(grid.bins, np.float32)
        self._edges = np.array([int(hz / grid.sample_rate_hz * grid.transform) for hz in _HOWL_EDGES_HZ])
        self._tones = np.empty((self._edges.size - 1, 20, 3))
        self._tone_counts = np.zeros(self._edges.size - 1, np.int64)

    def take(self, samples: Array32, start: int) -> None:
        """Measure one chunk (tracks of this group, frames); only the last may be shorter than a chunk."""
        grid, frames = self.grid, samples.shape[1]
        hops = frames // grid.hop
        count = samples.shape[0]
        self.held[:count, : grid.carry] = self.held[:count, grid.chunk :]
        self.held[:count, grid.carry : grid.carry + frames] = samples
        self.held[:count, grid.carry + frames :] = 0.0
        self._low(frames)
        self._energies(count, frames, start)
        for row in range(samples.shape[0]):
            signal = self.held[row, : grid.carry + frames]
            self._scan(row, signal, start, hops)
            if hops:
                self._spectra(row, start, hops)
        self.seconds += 1

    def _energies(self, count: int, frames: int, start: int) -> None:
        grid, first = self.grid, start // self.grid.hop
        hops = frames // grid.hop
        steps = hops * _STEPS
        high = np.empty((2, lanes.FILTERS, steps, _GROUP))
        for place in range(2):
            lanes.energies(self.held, grid.carry, grid.step, grid.filters[place], self.filters[place], high[place])
        high /= grid.step
        low_step = grid.low_chunk // _TAIL_STEPS
        low = np.empty((lanes.FILTERS, steps // 2, _GROUP))
        lanes.energies(
            self.low, self.low.shape[1] - frames // grid.factor, low_step, grid.filters[2], self.filters[2], low
        )
        low /= low_step
        self.weighted = np.ascontiguousarray(high[0, 0, :, :count].T)
        blocks = self.weighted.reshape(count, hops, _STEPS).mean(axis=2)
        for row, figures in enumerate(self.figures):
            figures.weighted[first : first + hops] = blocks[row]
        octaves = np.concatenate([low, _pairs(high[0, 2:]), _pairs(high[1])])
        self.envelopes.take(octaves, high[0, 1])

    def _scan(self, row: int, signal: Array32, start: int, hops: int) -> None:
        """Look at every sample once: levels of this chunk; faults set back by the context, up to what came last chunk."""
        grid, figures, numbers = self.grid, self.figures[row], self.numbers[row]
        frames = signal.size - grid.carry
        offset = start - grid.carry
        steps = -(-frames // grid.step)
        tops, squares = np.empty(steps, np.float32), np.empty(steps, np.float32)
        if self.rows[row] >= self.watched:
            scan.levels(signal, grid.carry, grid.step, self.phases, self.most, numbers, tops, squares)
            self.counts[:] = 0
        else:
            scan.scan(
            signal, grid.carry, grid.step, grid.stride, grid.context, offset, grid.sample_rate_hz // 200, _FINE_CONTEXT,
            self.phases, self.most, numbers, tops, squares, self.fine[row], self.dropping[row], *self.found, self.counts,
            )  # fmt: skip
        figures.total, figures.true_peak = float(numbers[scan.TOTAL]), float(numbers[scan.TRUE_PEAK])
        figures.frames += frames
        first = start // grid.hop
        whole = hops * _STEPS
        means = squares[:whole].reshape(hops, _STEPS).mean(axis=1)
        figures.mean_square[first : first + hops] = means
        figures.peak[first : first + hops] = tops[:whole].reshape(hops, _STEPS).max(axis=1)
        figures.energy += float(means.sum(dtype=np.float64)) * grid.hop
        rest = frames - hops * grid.hop
        if rest:
            figures.peak[first + hops] = tops[whole:].max()
            counts = np.minimum(grid.step, rest - grid.step * np.arange(steps - whole))
            figures.energy += float(squares[whole:].astype(np.float64) @ counts)
        if self.counts.any():
            self._faults(figures, offset, start)

    def _faults(self, figures: TrackFigures, offset: int, start: int) -> None:
        """Keep what the scan found."""
        grid, rate = self.grid, self.grid.sample_rate_hz
        starts, levels, lengths, drops, clicks, _ = self.found
        flats = int(self.counts[scan.FLATS])
        if flats:
            at = np.minimum((starts[:flats] + offset) // grid.hop, figures.flats.size - 1)
            np.add.at(figures.flats, at, 1)
            np.add.at(figures.long_flats, at, (lengths[:flats] >= 5).astype(np.uint16))
            np.maximum.at(figures.flat_level, at, levels[:flats])
        self._add(figures.dropouts, [(one / rate, two / rate, 0.0) for one, two in drops[: self.counts[scan.DROPOUTS]]])
        for place in clicks[: self.counts[scan.CLICKS]]:
            at_s = float(place + offset) / rate
            # where the take begins the wave jumps up from nothing
            if at_s > 0.01:
                self._add(figures.clicks, [(at_s, at_s, 0.0)])
        self._interruptions(figures, int(self.counts[scan.INTERRUPTIONS]), start // grid.step)

    def _interruptions(self, figures: TrackFigures, count: int, step: int) -> None:
        """Bursts and mutes among the fine steps held, which begin twice the context before `step`."""
        place_s = self.grid.step / self.grid.sample_rate_hz
        for first, last, kind, inside in self.found[-1][:count]:
            begin, end = (
                float((step - 2 * _FINE_CONTEXT + first) * place_s),
                float((step - 2 * _FINE_CONTEXT + last) * place_s),
            )
            if begin < 0.1:
                continue
            if kind == 1.0:
                self._add(figures.bursts, [(begin, end, float(inside))])
            else:
                self._add(figures.mutes, [(begin, end, float(dbfs_from_mean_square(np.array(inside))))])

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
        work = self._work[:hops]
        spectrum.windowed(self.held[row, at:], grid.hop, grid.window, work)
        found = scipy.fft.rfft(work, axis=1)
        power = self._power[:hops]
        # the first windows of a take reach back before its start
        reach = -(-(length - grid.hop) // grid.hop)
        missing = max(0, reach - start // grid.hop)
        spectrum.squared_and_mean(found, missing if hops > missing else hops - 1, power, self._mean)
        figures.tone[start // grid.chunk, _LOW_BANDS:] = self._mean @ grid.weights
        if self.rows[row] in self.keep:
            self.spectra[self.rows[row]] = found
        if self.rows[row] < self.watched:
            self._howls(row, power, start)

    def _howls(self, row: int, power: Array32, start: int) -> None:
        """A tone that grows, looked for in each range apart: the voice it grows under is louder lower down."""
        grid, howls = self.grid, self.figures[row].howls
        spacing = grid.sample_rate_hz / grid.transform
        growing_tones.growing_tones(power, self._edges, start // grid.hop, self.howling[row], self._tones, self._tone_counts)
        for rows, count in zip(self._tones, self._tone_counts, strict=True):
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
        """Decimate, for what needs low frequencies only. The lowest bands and the hum, from a window of 2.7 s over a signal decimated to about 3 kHz."""
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
            self._low_window(_LOW_TRANSFORM, max(0, self.seconds - 1))

    def _low_window(self, length: int, second: int) -> None:
        import scipy.fft

        grid = self.grid
        low = grid.low if length == _LOW_TRANSFORM else _low_window(grid.sample_rate_hz, grid.factor, length)
        tracks = len(self.figures)
        work = np.zeros((tracks, _LOW_TRANSFORM), np.float32)
        work[:, :length] = self.low[:tracks, _LOW_TRANSFORM - length :] * low.window
        found = scipy.fft.rfft(work, axis=1)
        power = np.empty(found.shape, np.float32)
        spectrum.squared(found, power)
        bands = power @ low.weights
        keep = low.flat.size
        lowest = int(20.0 / grid.low_rate_hz * _LOW_TRANSFORM)
        for row, figures in enumerate(self.figures):
            figures.tone[second, :_LOW_BANDS] = bands[row]
            spectrum_ = power[row, :keep] * low.flat
            level = float(spectrum_[lowest:].sum())
            quiet = figures.quiet
            if level > 1e-12:
                softness = 1.0 / np.sqrt(spectrum_ + np.float32(1e-20))
                figures.soft = softness.astype(np.float64) if figures.soft is None else figures.soft + softness
                figures.windows += 1
            if level > 1e-12 and (len(quiet) < _QUIET_KEPT or level < quiet[-1][0]):
                quiet.append((level, float(second), spectrum_.copy()))
                quiet.sort(key=lambda item: item[0])
                del quiet[_QUIET_KEPT:]

    def finish(self) -> None:
        """Give the first and last seconds the low bands of their neighbours; a short take gets one short window."""
        if 0 < self.low_filled < _LOW_TRANSFORM:
            self._low_window(self.low_filled, 0)
        self.envelopes.finish()
        for row, figures in enumerate(self.figures):
            # what was held back for want of context: nothing comes after it
            fine = self.fine[row]
            fine[:, : 2 * _FINE_CONTEXT] = fine[:, -2 * _FINE_CONTEXT :]
            fine[:, 2 * _FINE_CONTEXT :] = 0.0
            last = fine.shape[1] - _FINE_CONTEXT
            count = events.bursts_and_mutes(fine[0], fine[1], _FINE_CONTEXT, last, self.found[-1])
            self._interruptions(figures, count, self.seconds * _STEPS * _HOPS)
            zeros, begin, _, cut = self.dropping[row]
            if zeros and cut:
                figures.cut_s = float(begin) / self.grid.sample_rate_hz
            known = np.flatnonzero(~np.isnan(figures.tone[:, 0]))
            if known.size:
                nearest = np.clip(np.arange(len(figures.tone)), known[0], known[-1])
                figures.tone[:, :_LOW_BANDS] = figures.tone[nearest, :_LOW_BANDS]


def _rechunk(source: BlockSource, chunk: int, pool: ThreadPoolExecutor | None) -> Iterator[Array32]:
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
    source: BlockSource,
    tracks: int,
    *,
    pairs: Sequence[tuple[int, int]] = (),
    origins: Sequence[int] = (),
    targets: int | None = None,
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
    targets : int, optional
        How many of the first tracks they, and faults, are looked for in; all without it. What lies behind is processed
        already.
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
        for target in range(tracks if targets is None else targets)
        if target not in origins
    }
    keep = {track for pair in pairs for track in pair} | {track for leak in leaks for track in leak}
    workers = [
        _Worker(
            lengths, first, min(_GROUP, tracks - first), found, keep, watched=tracks if targets is None else targets
        )
        for first in range(0, tracks, _GROUP)
    ]
    gram = np.zeros((tracks, tracks))
    loudest = _LoudestSoFar([*((track,) for track in range(tracks)), *pairs])
    seen = 0
    # what needs the spectra of several tracks waits for the next chunk, so that threads meet once a chunk
    late: list[Callable[[], None]] = []
    with ThreadPoolExecutor(threads) as pool:
        for samples in _rechunk(source, lengths.chunk, pool):
            jobs: list[Callable[[], None]] = [
                partial(worker.take, samples[worker.rows.start : worker.rows.stop], seen) for worker in workers
            ]
            jobs += [partial(_take_product, pair, key, samples, seen, lengths) for key, pair in both.items()]
            _run(pool, threads, [*jobs, *late, partial(_take_gram, gram, samples)])
            late = []
            hops = samples.shape[1] // lengths.hop
            if hops:
                spectra: dict[int, NDArray[np.complex64]] = {}
                for worker in workers:
                    spectra.update(worker.spectra)
                late = [partial(loudest.take, np.concatenate([worker.weighted for worker in workers]))]
                late += [partial(_take_pair, pair, key, spectra) for key, pair in both.items()]
                late += [
                    partial(_take_leaks, leaks, origin, found, spectra, seen, lengths, hops, low_bin)
                    for origin in origins
                ]
            seen += samples.shape[1]
            if progress is not None:
                progress(seen / source.frames)
        _run(pool, threads, [*late, *(worker.finish for worker in workers)])
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


def _run(pool: ThreadPoolExecutor, threads: int, jobs: Sequence[Callable[[], None]]) -> None:
    """Do all jobs: each thread takes the next one that is left."""
    left = iter(jobs)

    def some() -> None:
        for job in left:
            job()

    for future in [pool.submit(some) for _ in range(threads)]:
        future.result()


def _take_gram(gram: Array64, samples: Array32) -> None:
    some = samples[:, : min(_GRAM_FRAMES, samples.shape[1])].astype(np.float64)
    some -= some.mean(axis=1, keepdims=True)  # an offset in both is nothing they share
    gram += some @ some.T


def _take_product(pair: PairFigures, key: tuple[int, int], samples: Array32, start: int, grid: Grid) -> None:
    hops = samples.shape[1] // grid.hop
    left, right = (samples[track, : hops * grid.hop].reshape(hops, grid.hop) for track in key)
    first = start // grid.hop
    pair.product[first : first + hops] = np.einsum("ij,ij->i", left, right) / grid.hop


def _take_pair(pair: PairFigures, key: tuple[int, int], spectra: dict[int, NDArray[np.complex64]]) -> None:
    spectrum.add_pair(spectra[key[0]], spectra[key[1]], pair.cross, pair.left, pair.right)


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
    rows = np.flatnonzero(sounding)
    for (from_, to), leak in leaks.items():
        if from_ != origin:
            continue
        leak.power += float(loud.sum())
        leak.blocks += loud.size
        spectrum.add_leak(
            spectra[origin], spectra[to], rows, low_bin, leak.cross, leak.origin, leak.target, leak.plain, leak.sums
        )
