"""Short-time power spectra and third-octave bands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.biquad import tangent
from deskhand.dsp.kernel import kernel

if TYPE_CHECKING:
    from numpy.typing import NDArray

NOMINAL_HZ: Final = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0, 1000.0,
    1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip
"""Third-octave bands by their nominal mid-band frequencies (IEC 61260-1:2014, Annex E)."""
_FIRST_INDEX: Final = -17
"""Index of the band of 20 Hz, counted from 1 kHz (IEC 61260-1:2014, formula 1)."""
OCTAVES_HZ: Final = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
"""Octave bands by their nominal mid-band frequencies (IEC 61260-1:2014, Annex E)."""


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
        Band edges in Hz, rising.
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


@kernel("void(complex64[:, ::1], float32[:, ::1])")
def squared(spectrum: np.ndarray, power: np.ndarray) -> None:
    """Fill in |X|^2 of (rows, bins), without the temporaries."""
    for row in range(spectrum.shape[0]):
        for index in range(spectrum.shape[1]):
            value = spectrum[row, index]
            power[row, index] = value.real * value.real + value.imag * value.imag


@kernel("void(float32[::1], int64, float32[::1], float32[:, ::1])")
def windowed(signal: np.ndarray, hop: int, window: np.ndarray, windows: np.ndarray) -> None:
    """Cut a signal into overlapping windows: (rows, transform), of which the window's length is written."""
    for row in range(windows.shape[0]):
        piece, product = signal[row * hop : row * hop + window.shape[0]], windows[row, : window.shape[0]]
        for index in range(window.shape[0]):
            product[index] = piece[index] * window[index]


@kernel("void(complex64[:, ::1], int64, float32[:, ::1], float32[::1])")
def squared_and_mean(spectrum: np.ndarray, first: int, power: np.ndarray, mean: np.ndarray) -> None:
    """Fill in |X|^2 of (rows, bins), and the mean of its rows from `first` on."""
    mean[:] = np.float32(0.0)
    for row in range(spectrum.shape[0]):
        values, powers = spectrum[row], power[row]
        for index in range(values.shape[0]):
            value = values[index]
            powers[index] = value.real * value.real + value.imag * value.imag
        if row >= first:
            for index in range(values.shape[0]):
                mean[index] += powers[index]
    scale = np.float32(1.0 / (spectrum.shape[0] - first))
    for index in range(mean.shape[0]):
        mean[index] *= scale


def octave_sos(low_hz: float, high_hz: float, *, sample_rate_hz: float) -> NDArray[np.float64]:
    """Band-pass for envelopes: second-order Butterworth high-pass and low-pass, (2, 6) sections b0 b1 b2 1 a1 a2.

    Their corners are 3 dB down each (tangent mapping, so exactly there); not the band shape of a standard.
    """
    bottom = (1.0, float(np.sqrt(2.0)), 1.0)
    return np.array(
        [
            tangent((1.0, 0.0, 0.0), bottom, low_hz, sample_rate_hz),
            tangent((0.0, 0.0, 1.0), bottom, high_hz, sample_rate_hz),
        ]
    )


def decimation(chunk: int, sample_rate_hz: float, *, parts: int = 1) -> int:
    """Factor to decimate by, so that about 3 kHz of sample rate is left.

    Among the divisors of a chunk whose decimated chunk divides into `parts` it is the nearest to that, by ratio.
    """
    factors = [factor for factor in range(1, chunk + 1) if chunk % factor == 0 and (chunk // factor) % parts == 0]
    return min(factors, key=lambda factor: abs(np.log(sample_rate_hz / factor / 3000.0)))


DECIMATOR_TAPS: Final = 13
"""Taps for each sample left: with the Kaiser window, -90 dB from 0.75 of the new rate on."""


def decimator(factor: int) -> NDArray[np.float32]:
    """Low-pass for decimation, (factor, 13): Kaiser-windowed sinc, -90 dB from 0.75 of the new rate on.

    It is not flat up to half the new rate; `decimator_response` gives its magnitude where the bands are read.
    """
    taps = factor * DECIMATOR_TAPS
    offset = np.arange(taps) - (taps - 1) / 2
    cutoff = 0.5 / factor
    filter_ = 2 * cutoff * np.sinc(2 * cutoff * offset) * np.kaiser(taps, 9.0)
    filter_ /= filter_.sum()
    return np.ascontiguousarray(filter_.reshape(DECIMATOR_TAPS, factor).T.astype(np.float32))


def decimator_response(
    filter_: NDArray[np.float32], frequency_hz: NDArray[np.float64], sample_rate_hz: float
) -> NDArray[np.float64]:
    """|H| of `decimator` at frequencies in Hz, shape as given."""
    taps = filter_.T.reshape(-1).astype(np.float64)
    tap_index = np.arange(taps.size)
    phase = np.exp(-2j * np.pi * np.outer(frequency_hz / sample_rate_hz, tap_index))
    return np.asarray(np.abs(phase @ taps))


@kernel("void(float32[:, ::1], float32[::1])")
def sum_diagonals(products: np.ndarray, sums: np.ndarray) -> None:
    """Sum along diagonals, y[m] = sum over j of products[m + j, j]: the last step of decimating by a matrix product."""
    taps = products.shape[1]
    for index in range(sums.shape[0]):
        total = np.float32(0.0)
        for tap in range(taps):
            total += products[index + tap, tap]
        sums[index] = total


@kernel(
    "void(complex64[:, ::1], complex64[:, ::1], int64[::1], int64, complex128[::1], float64[::1], float64[::1], float64[::1], "
    "float64[::1])"
)
def add_leak(
    origin: np.ndarray,
    target: np.ndarray,
    rows: np.ndarray,
    low_bin: int,
    cross: np.ndarray,
    origin_power: np.ndarray,
    target_power: np.ndarray,
    plain: np.ndarray,
    sums: np.ndarray,
) -> None:
    """Add the windows in `rows` to weighted sums of powers and of the cross spectrum, from bin `low_bin` on.

    Moments in which the target is quiet tell most: each window counts by the inverse of its amplitude (by the inverse of its
    power a few windows would decide alone). Windows of digital silence are left out.

    Shapes: origin and target (windows, bins), cross and the powers (bins used,), sums (2,): of weights, of their squares.
    """
    bins = cross.shape[0]
    for row in rows:
        target_energy, origin_energy = 0.0, 0.0
        for index in range(bins):
            a, b = origin[row, low_bin + index], target[row, low_bin + index]
            target_energy += np.float64(b.real * b.real + b.imag * b.imag)
            origin_energy += np.float64(a.real * a.real + a.imag * a.imag)
        if not target_energy > 1e-9 * bins:
            continue
        weight = 1.0 / np.sqrt(target_energy)
        for index in range(bins):
            a, b = origin[row, low_bin + index], target[row, low_bin + index]
            origin_square, target_square = a.real * a.real + a.imag * a.imag, b.real * b.real + b.imag * b.imag
            cross[index] += weight * (b * np.conj(a))
            origin_power[index] += weight * origin_square
            target_power[index] += weight * target_square
            plain[index] += origin_square
        sums[0] += weight * origin_energy
        sums[1] += (weight * origin_energy) ** 2


@kernel("void(complex64[:, ::1], complex64[:, ::1], complex128[::1], float64[::1], float64[::1])")
def add_pair(
    left: np.ndarray, right: np.ndarray, cross: np.ndarray, left_power: np.ndarray, right_power: np.ndarray
) -> None:
    """Add left times conjugate right, and the powers, of (windows, bins) to sums of shape (bins,)."""
    for row in range(left.shape[0]):
        for index in range(left.shape[1]):
            a, b = left[row, index], right[row, index]
            cross[index] += a * np.conj(b)
            left_power[index] += a.real * a.real + a.imag * a.imag
            right_power[index] += b.real * b.real + b.imag * b.imag
