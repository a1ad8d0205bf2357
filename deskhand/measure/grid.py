"""Grid of the pass: the lengths, windows and filters by which a recording is measured at one sample rate."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp import lanes, loudness, spectrum
from deskhand.dsp.clicks import CLICK_STEPS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]
    Array64 = NDArray[np.float64]

HOP_STEPS: Final = 10
"""Fine steps (10 ms) a block (100 ms: a quarter of the 400 ms of ITU-R BS.1770-5, whose blocks overlap by 75 %)."""
CHUNK_HOPS: Final = 10
"""Blocks a chunk: a second is enough for one turn of the threads. Common practice, no source."""
LOW_BANDS: Final = 13
"""Third-octaves 20 to 315 Hz are read from a decimated signal with a long window, the rest from short windows."""
LOW_TRANSFORM: Final = 8192
"""Samples of the long window: 2.7 s at about 3 kHz, so that the band of 20 Hz is some 12 bins wide."""
TAIL_STEPS: Final = 50
"""Envelope steps (20 ms) a chunk, for decays."""
TAIL_OCTAVES_HZ: Final = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
"""Octaves in which decays are looked for; the first three in the decimated signal. One more band is all of them."""
_LOW_OCTAVES: Final = 3
"""Octaves read from the decimated signal: 500 Hz is the highest whose upper edge (707 Hz) lies well inside its 1.5 kHz."""
_ARTICULATION_HZ: Final = (2000.0, 8000.0)
"""Range of the onsets: a high-frequency energy rise (Bello et al. 2005); its edges are common practice, no source."""
_SHORT_WINDOW: Final = 8192
"""Samples of the short window at 48 kHz: 0.17 s, so that the band of 400 Hz is some 15 bins wide."""
_CONTEXT: Final = 250
"""Samples, at 48 kHz, that the detectors of flat tops and dropouts look at on either side: 240 (5 ms) for dropouts."""
_CLICK_CARRY_STEPS: Final = 2 * CLICK_STEPS + 1
"""Fine steps held from before for clicks: the context on either side, and one step that the fourth difference reaches into."""
_HUM_TOP_HZ: Final = 760.0
"""Top of the spectra kept for hum: 14 multiples of 50 Hz, 12 of 60 Hz, and what lies beside them."""
LINE_TOP_HZ: Final = 500.0
"""Top of the spectra kept with their phase: 8 multiples of 50 or 60 Hz, and what lies beside them."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LowWindow:
    """Window by which the lowest bands and the hum are read from the decimated signal."""

    window: Array32
    weights: Array32
    """(bins, 13) power to mean square in each band."""
    flat: Array32
    """(bins to 760 Hz,) power to mean square in each bin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalysisGrid:
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
    filters: lanes.FilterBank
    """K-weighting, articulation, and the octaves of 1 to 8 kHz."""
    low_filters: lanes.FilterBank
    """Octaves of 125 to 500 Hz, in the decimated signal."""

    @property
    def bins(self) -> int:
        """Number of bins of the short spectra."""
        return self.transform // 2 + 1

    @property
    def bins_hz(self) -> Array64:
        """(bins,) frequencies of the bins of the short spectra."""
        return np.arange(self.bins) * self.sample_rate_hz / self.transform

    @property
    def hop_s(self) -> float:
        """Exact length of a block in seconds."""
        return self.hop / self.sample_rate_hz


def low_window(sample_rate_hz: int, factor: int, length: int) -> LowWindow:
    """Window and weights of the lowest bands, for a window of `length` decimated samples."""
    window = spectrum.hann(length)
    rate_hz = sample_rate_hz / factor
    weights = spectrum.band_weights(
        spectrum.edges_hz()[: LOW_BANDS + 1], sample_rate_hz=rate_hz, transform=LOW_TRANSFORM, window=window
    )
    frequency = np.arange(LOW_TRANSFORM // 2 + 1) * rate_hz / LOW_TRANSFORM
    top = frequency <= _HUM_TOP_HZ
    # the decimator is not flat: what it took is given back
    flat = np.ones(frequency.size)
    flat[top] = spectrum.decimator_response(spectrum.decimator(factor), frequency[top], sample_rate_hz) ** -2
    power = float(np.sum(window.astype(np.float64) ** 2)) * LOW_TRANSFORM
    return LowWindow(
        window=window,
        weights=(weights * flat[:, None]).astype(np.float32),
        flat=(flat[top] * 2.0 / power).astype(np.float32),
    )


@functools.cache
def analysis_grid(sample_rate_hz: int) -> AnalysisGrid:
    """Grid for a sample rate: windows last as long at every rate."""
    import scipy.fft

    step = round(sample_rate_hz / (1000 / 10))
    hop = step * HOP_STEPS
    chunk = hop * CHUNK_HOPS
    length = round(_SHORT_WINDOW * sample_rate_hz / 48000)
    transform = scipy.fft.next_fast_len(length, real=True)
    transform += transform % 2
    window = spectrum.hann(length)
    stride = max(1, round(sample_rate_hz / 48000))
    context = _CONTEXT * stride
    factor = spectrum.decimation(chunk, sample_rate_hz, parts=TAIL_STEPS)
    return AnalysisGrid(
        sample_rate_hz=sample_rate_hz,
        step=step,
        hop=hop,
        chunk=chunk,
        window=window,
        transform=transform,
        context=context,
        carry=max(length - hop, step + 2 * context, _CLICK_CARRY_STEPS * step, spectrum.DECIMATOR_TAPS * factor),
        stride=stride,
        weights=spectrum.band_weights(
            spectrum.edges_hz()[LOW_BANDS:], sample_rate_hz=sample_rate_hz, transform=transform, window=window
        ),
        factor=factor,
        decimator=spectrum.decimator(factor),
        low_rate_hz=sample_rate_hz / factor,
        low_chunk=chunk // factor,
        low=low_window(sample_rate_hz, factor, LOW_TRANSFORM),
        filters=lanes.filter_bank(
            weighting=loudness.k_weighting_sos(sample_rate_hz),
            bands=[
                spectrum.octave_sos(*_ARTICULATION_HZ, sample_rate_hz=sample_rate_hz),
                *_octaves(TAIL_OCTAVES_HZ[_LOW_OCTAVES:], sample_rate_hz),
            ],
        ),
        low_filters=lanes.filter_bank(bands=_octaves(TAIL_OCTAVES_HZ[:_LOW_OCTAVES], sample_rate_hz / factor)),
    )


def _octaves(middles_hz: Sequence[float], sample_rate_hz: float) -> list[Array64]:
    """Band-passes after which the energies of each 20 ms are taken."""
    return [
        spectrum.octave_sos(middle_hz / np.sqrt(2.0), middle_hz * np.sqrt(2.0), sample_rate_hz=sample_rate_hz)
        for middle_hz in middles_hz
    ]
