"""Figures that the pass collects: of one track, of two tracks together, and the events in a track."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np

from deskhand.dsp import spectrum

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]
    Array64 = NDArray[np.float64]

_MOST_EVENTS: Final = 400
"""Events of one kind kept of a track; more say nothing new. Common practice, no source."""
_SAME_EVENT_S: Final = 0.001
"""Where two chunks meet, events this near to each other are one. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Event in a track, in seconds from the start of the take."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseBurst(Event):
    """Burst of noise, as a radio link makes it."""

    whiteness: float
    """Power of the fourth difference over power: 70 for white noise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mute(Event):
    """Short stretch that is far quieter than what lies around it."""

    level_dbfs: float
    """Level inside."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowingTone(Event):
    """Pure tone that grows, as feedback does."""

    frequency_hz: float
    growth_db_s: float
    """By how much it grows in a second, when it is first told."""
    level_dbfs: float
    """Highest level that it reaches."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpectrumRun:
    """Long windows that follow one another, with their phase."""

    chunks: Array64
    """(windows,) number of the chunk with which each ends: they begin as far apart as chunks do."""
    spectra: NDArray[np.complex64]
    """(windows, bins) to 500 Hz; squared, mean squares as in `quiet`."""
    level_db: float
    """Mean level of the windows: the softest runs are kept."""


AnyEvent = TypeVar("AnyEvent", bound=Event)


@dataclass(slots=True, kw_only=True)
class TrackFigures:
    """Figures of one track."""

    mean_square: Array32
    """(blocks,) of each 100 ms."""
    weighted: Array32
    """(blocks,) mean square after the K-weighting."""
    peak: Array32
    """(blocks + 1,) sample peak; the last entry is the remainder that fills no block."""
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
    flat_over: Array32
    """(blocks + 1,) peak that the cut waves would have reached at least, against their cut: 1 where nothing is known."""
    dropouts: list[Event] = field(default_factory=list)
    cut_s: float | None = None
    """Time at which the sound was cut into digital silence that lasts to the end; None when it died away, or goes on."""
    clicks: list[Event] = field(default_factory=list)
    bursts: list[NoiseBurst] = field(default_factory=list)
    mutes: list[Mute] = field(default_factory=list)
    howls: list[GrowingTone] = field(default_factory=list)
    decays: list[NDArray[np.float32]] = field(default_factory=list)
    """(decays, 4) each: band (of `TAIL_OCTAVES_HZ`; one more is all together), start_s, seconds for 60 dB, fall in dB."""
    onsets: list[NDArray[np.float32]] = field(default_factory=list)
    """(onsets, 2) each: time_s, contrast in dB at 2 to 8 kHz."""
    quiet: list[tuple[float, float, Array32]] = field(default_factory=list)
    """The quietest long windows: level (mean square 20 to 760 Hz), time, power spectrum to 760 Hz."""
    soft: Array64 | None = None
    """(bins,) sum over all long windows of power^-1/2 to 760 Hz: what is always there outweighs what comes and goes."""
    windows: int = 0
    """Number of those windows."""
    runs: list[SpectrumRun] = field(default_factory=list)
    """The softest runs of long windows."""

    @classmethod
    def empty(cls, blocks: int, seconds: int) -> TrackFigures:
        """Figures of a track of a length, to be filled by the pass."""
        return cls(
            mean_square=np.zeros(blocks, np.float32),
            weighted=np.zeros(blocks, np.float32),
            peak=np.zeros(blocks + 1, np.float32),
            tone=np.full((seconds, len(spectrum.NOMINAL_HZ)), np.nan, np.float32),
            flats=np.zeros(blocks + 1, np.uint16),
            long_flats=np.zeros(blocks + 1, np.uint16),
            flat_level=np.zeros(blocks + 1, np.float32),
            flat_over=np.ones(blocks + 1, np.float32),
        )

    @property
    def mean(self) -> float:
        """Mean of all samples: DC."""
        return self.total / max(1, self.frames)

    @property
    def overall(self) -> float:
        """Mean square of all samples."""
        return self.energy / max(1, self.frames)


def add_events(events: list[AnyEvent], newer: Iterable[AnyEvent]) -> None:
    """Add events to those of a track, each once."""
    for event in newer:
        # where two stretches meet, both may see the same event
        seen = bool(events) and event.start_s <= events[-1].end_s + _SAME_EVENT_S
        if not seen and len(events) < _MOST_EVENTS:
            events.append(event)


@dataclass(slots=True, kw_only=True)
class PairFigures:
    """Sums over what two tracks have in common."""

    product: Array32
    """(blocks,) mean of left times right."""
    cross: NDArray[np.complex128]
    """(bins,) sum of left times conjugate right."""
    left: Array64
    """(bins,) power of the left."""
    right: Array64
    """(bins,) power of the right."""

    @classmethod
    def empty(cls, blocks: int, bins: int) -> PairFigures:
        """Figures of a pair of a length, to be filled by the pass."""
        return cls(
            product=np.zeros(blocks, np.float32),
            cross=np.zeros(bins, np.complex128),
            left=np.zeros(bins),
            right=np.zeros(bins),
        )


@dataclass(slots=True, kw_only=True)
class LeakFigures:
    """Spectra of a click or talkback and of another track, summed while it sounds: they tell how much it leaks there."""

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

    @classmethod
    def empty(cls, bins: int) -> LeakFigures:
        """Figures of a leak over a number of bins, to be filled by the pass."""
        return cls(
            cross=np.zeros(bins, np.complex128), origin=np.zeros(bins), target=np.zeros(bins), plain=np.zeros(bins)
        )
