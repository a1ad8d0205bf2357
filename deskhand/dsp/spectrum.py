"""Short-time power spectra and third-octave bands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numba as nb
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

NOMINAL_HZ: Final = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0,
    1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip
"""Third-octave bands by their nominal mid-band frequencies (IEC 61260-1:2014, Annex E)."""
_FIRST_INDEX: Final = -17
OCTAVES_HZ: Final = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)


def exact_hz() -> NDArray[np.float64]:
    """(31,) exact mid-band frequencies in Hz, base ten (IEC 61260-1:2014, formulas 1 and 2)."""
    return np.asarray(1000.0 * 10.0 ** (0.1 * (np.arange(len(NOMINAL_HZ)) + _FIRST_INDEX)), np.float64)


def edges_hz() -> NDArray[np.float64]:
    """(32,) band edges in Hz (IEC 61260-1:2014, formulas 4 and 5)."""
    return np.asarray(1000.0 * 10.0 ** (0.1 * (np.arange(len(NOMINAL_HZ) + 1) + _FIRST_INDEX - 0.5)), np.float64)


def hann(frames: int) -> NDArray[np.float32]:
    """(frames,) periodic Hann window."""
    return (0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(frames) / frames)).astype(np.float32)


def band_weights(
    edges: NDArray[np.float64], *, sample_rate_hz: float, transform: int, window: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Weights that turn |rfft(window * x)|^2 into the mean square in each band.

    A bin that straddles an edge is shared between the bands in proportion.

    Parameters
    ----------
    edges : (bands + 1,) array
        In Hz.
    transform : int
        Length of the transform.
    window : (frames,) array
        Frames at most `transform`.

    Returns
    -------
    (transform // 2 + 1, bands) array.
    """
    bins = transform // 2 + 1
    spacing = sample_rate_hz / transform
    low = np.maximum((np.arange(bins) - 0.5) * spacing, 0.0)
    high = np.minimum((np.arange(bins) + 0.5) * spacing, sample_rate_hz / 2)
    lower, upper = edges[:-1], edges[1:]
    shared = np.minimum(high[:, None], upper[None, :]) - np.maximum(low[:, None], lower[None, :])
    share = np.clip(shared, 0.0, None) / (high - low)[:, None]
    # one-sided: every bin but DC and Nyquist stands for two
    scale = np.full(bins, 2.0)
    scale[0] = 1.0
    if transform % 2 == 0:
        scale[-1] = 1.0
    power = float(np.sum(window.astype(np.float64) ** 2)) * transform
    return np.asarray(share * scale[:, None] / power, np.float32)


@nb.njit("void(complex64[:, ::1], float32[:, ::1])", cache=True, nogil=True)
def squared(spectrum: np.ndarray, out: np.ndarray) -> None:
    """|X|^2, without the temporaries."""
    for row in range(spectrum.shape[0]):
        for index in range(spectrum.shape[1]):
            value = spectrum[row, index]
            out[row, index] = value.real * value.real + value.imag * value.imag


def decimation(chunk: int, sample_rate_hz: float) -> int:
    """The factor nearest to one that leaves 3 kHz, among those that divide a chunk."""
    factors = [factor for factor in range(1, chunk + 1) if chunk % factor == 0]
    return min(factors, key=lambda factor: abs(np.log(sample_rate_hz / factor / 3000.0)))


DECIMATOR_TAPS: Final = 13
"""Taps for each sample left."""


def decimator(factor: int) -> NDArray[np.float32]:
    """Low-pass for decimation, (factor, 13): Kaiser-windowed sinc, -90 dB from 0.75 of the new rate on.

    It is not flat up to half the new rate; `decimator_response` says what it does where the bands are read.
    """
    taps = factor * DECIMATOR_TAPS
    at = np.arange(taps) - (taps - 1) / 2
    cutoff = 0.5 / factor
    filter_ = 2 * cutoff * np.sinc(2 * cutoff * at) * np.kaiser(taps, 9.0)
    filter_ /= filter_.sum()
    return np.ascontiguousarray(filter_.reshape(DECIMATOR_TAPS, factor).T.astype(np.float32))


def decimator_response(
    filter_: NDArray[np.float32], frequency_hz: NDArray[np.float64], sample_rate_hz: float
) -> NDArray[np.float64]:
    """|H| of `decimator` at frequencies in Hz, shape as given."""
    taps = filter_.T.reshape(-1).astype(np.float64)
    at = np.arange(taps.size)
    phase = np.exp(-2j * np.pi * np.outer(frequency_hz / sample_rate_hz, at))
    return np.asarray(np.abs(phase @ taps))


@nb.njit("void(float32[:, ::1], float32[::1])", cache=True, nogil=True)
def sum_diagonals(products: np.ndarray, out: np.ndarray) -> None:
    """y[m] = sum over j of products[m + j, j]: the last step of decimating by a matrix product."""
    taps = products.shape[1]
    for index in range(out.shape[0]):
        total = np.float32(0.0)
        for tap in range(taps):
            total += products[index + tap, tap]
        out[index] = total
