"""Energies of eight tracks at once after the K-weighting and after band-passes, each track a lane of a SIMD vector.

The K-weighting equals `deskhand.dsp.loudness.weighted_energy` to the last bit. Band-passes of two sections share their zeros, two
at 0 Hz and two at half the sample rate, which are run once for all of them: what is left of each are its poles.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.kernel import kernel
from deskhand.dsp.vectors import LANES, load, store

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["LANES", "FilterBank", "energies", "filter_bank", "filter_coefficients"]

_SMALLEST: Final = 1e-30
"""State below this (-600 dB) is set to 0: numbers too small to be normal take a hundred times as long."""
_SHARED_ZEROS: Final = np.array([1.0, 0.0, -2.0, 0.0, 1.0])
"""(1 - z^-2)^2: the numerator of a band-pass of two sections that the tangent mapping makes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilterBank:
    """Filters that run side by side over the same samples."""

    weighting: NDArray[np.float64]
    """(10 * 8,) coefficients of the K-weighting in every lane; (0,) without it."""
    poles: NDArray[np.float64]
    """(bands * 4 * 8,) a1 and a2 of both sections in every lane."""
    scales: NDArray[np.float64]
    """(bands,) squared gain of each band's numerator."""

    @property
    def rows(self) -> int:
        """Number of filters, the K-weighting first."""
        return self.scales.size + bool(self.weighting.size)

    def state(self) -> NDArray[np.float64]:
        """State of the filters before anything came: weighting, shared zeros, bands; (2 + bands, 4, 8)."""
        return np.zeros((2 + self.scales.size, 4, LANES))


def filter_coefficients(sos: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients (10 * 8,) of two second-order sections (2, 6) in every lane."""
    return np.repeat(sos[:, [0, 1, 2, 4, 5]].ravel(), LANES)


def filter_bank(
    *, weighting: NDArray[np.float64] | None = None, bands: Sequence[NDArray[np.float64]] = ()
) -> FilterBank:
    """Filters for `energies`.

    Parameters
    ----------
    weighting : (2, 6) array, optional
        Sections of the K-weighting.
    bands : sequence of (2, 6) arrays
        Sections of band-passes whose zeros, of both sections together, are two at 0 Hz and two at half the rate.

    Raises
    ------
    ValueError
        A band with other zeros.
    """
    scales = []
    for sos in bands:
        numerator = np.convolve(sos[0, :3], sos[1, :3])
        if not np.allclose(numerator, numerator[0] * _SHARED_ZEROS, rtol=0.0, atol=1e-9 * abs(numerator[0])):
            raise ValueError("a band whose zeros are not two at 0 Hz and two at half the rate")
        scales.append(float(numerator[0]) ** 2)
    poles = [np.repeat(sos[:, [4, 5]].ravel(), LANES) for sos in bands]
    return FilterBank(
        weighting=np.empty(0) if weighting is None else filter_coefficients(weighting),
        poles=np.concatenate(poles) if poles else np.empty(0),
        scales=np.array(scales),
    )


@kernel("void(float64[::1], int64, float64[::1], float64[::1], float64[::1])")
def _weighted(tile: np.ndarray, size: int, weighting: np.ndarray, state: np.ndarray, energy: np.ndarray) -> None:
    """Sum of squares (8,) of a piece after the K-weighting; state (4 * 8,), updated."""
    b0, b1, b2 = load(weighting, 0), load(weighting, 8), load(weighting, 16)
    a1, a2 = load(weighting, 24), load(weighting, 32)
    c0, c1, c2 = load(weighting, 40), load(weighting, 48), load(weighting, 56)
    d1, d2 = load(weighting, 64), load(weighting, 72)
    s0, s1, s2, s3 = load(state, 0), load(state, 8), load(state, 16), load(state, 24)
    for lane in range(LANES):
        energy[lane] = 0.0
    total = load(energy, 0)
    for index in range(0, size, 8):
        x = load(tile, index)
        y = b0 * x + s0
        s0 = (b1 * x + s1) - a1 * y
        s1 = b2 * x - a2 * y
        z = c0 * y + s2
        s2 = (c1 * y + s3) - d1 * z
        s3 = c2 * y - d2 * z
        total = total + z * z
    store(state, 0, s0)
    store(state, 8, s1)
    store(state, 16, s2)
    store(state, 24, s3)
    store(energy, 0, total)


@kernel("void(float64[::1], int64, float64[::1])")
def _through_zeros(tile: np.ndarray, size: int, state: np.ndarray) -> None:
    """Run a piece through (1 - z^-2)^2 in place; state (4 * 8,), the samples before, updated."""
    x1, x2, x3, x4 = load(state, 0), load(state, 8), load(state, 16), load(state, 24)
    for index in range(0, size, 8):
        x = load(tile, index)
        store(tile, index, (x - x2) - (x2 - x4))
        x4 = x3
        x3 = x2
        x2 = x1
        x1 = x
    store(state, 0, x1)
    store(state, 8, x2)
    store(state, 16, x3)
    store(state, 24, x4)


@kernel("void(float64[::1], int64, float64[::1], float64[::1], int64, int64, float64[::1])")
def _through_poles(
    tile: np.ndarray, size: int, poles: np.ndarray, state: np.ndarray, first: int, second: int, energy: np.ndarray
) -> None:
    """Sums of squares (2 * 8,) of a piece after the poles of two bands, side by side: each hides the latency of the other.

    `state` (bands * 4 * 8,) is updated.
    """
    p, q = first * 32, second * 32
    a1, a2, b1, b2 = load(poles, p), load(poles, p + 8), load(poles, p + 16), load(poles, p + 24)
    c1, c2, d1, d2 = load(poles, q), load(poles, q + 8), load(poles, q + 16), load(poles, q + 24)
    y1, y2, z1, z2 = load(state, p), load(state, p + 8), load(state, p + 16), load(state, p + 24)
    u1, u2, v1, v2 = load(state, q), load(state, q + 8), load(state, q + 16), load(state, q + 24)
    for lane in range(2 * LANES):
        energy[lane] = 0.0
    total, second_total = load(energy, 0), load(energy, 8)
    for index in range(0, size, 8):
        x = load(tile, index)
        y = (x - a2 * y2) - a1 * y1
        y2 = y1
        y1 = y
        z = (y - b2 * z2) - b1 * z1
        z2 = z1
        z1 = z
        total = total + z * z
        u = (x - c2 * u2) - c1 * u1
        u2 = u1
        u1 = u
        v = (u - d2 * v2) - d1 * v1
        v2 = v1
        v1 = v
        second_total = second_total + v * v
    store(state, p, y1)
    store(state, p + 8, y2)
    store(state, p + 16, z1)
    store(state, p + 24, z2)
    store(state, q, u1)
    store(state, q + 8, u2)
    store(state, q + 16, v1)
    store(state, q + 24, v2)
    store(energy, 0, total)
    store(energy, 8, second_total)


@kernel(
    "void(float32[:, ::1], int64, int64, float64[::1], float64[::1], float64[::1], float64[:, :, ::1], float64[:, :, ::1])"
)
def energies(
    signal: np.ndarray,
    first: int,
    step: int,
    weighting: np.ndarray,
    poles: np.ndarray,
    scales: np.ndarray,
    state: np.ndarray,
    sums: np.ndarray,
) -> None:
    """Sum of squares of up to eight tracks after each filter of a bank, over each whole step.

    Parameters
    ----------
    signal : (tracks, frames) float32
    first : int
        Sample at which the first step begins.
    step : int
        Frames a step.
    weighting, poles, scales
        Of a `FilterBank`.
    state : (2 + bands, 4, 8) float64
        From `FilterBank.state`; updated, so that the next block goes on where this one ended.
    sums : (filters, steps, 8) float64
        Filled with energies; steps at most (frames - first) // step. Lanes without a track get nothing.
    """
    tile, size = np.zeros(step * LANES), step * LANES
    energy = np.empty(2 * LANES)
    tracks, bands = signal.shape[0], scales.shape[0]
    flat_state, band_state = state.reshape(-1), state[2:].reshape(-1)
    is_weighted = 1 if weighting.shape[0] else 0
    for block in range(sums.shape[1]):
        begin = first + block * step
        for track in range(tracks):
            row = signal[track, begin : begin + step]
            for index in range(step):
                tile[index * LANES + track] = row[index]
        if is_weighted:
            _weighted(tile, size, weighting, flat_state[:32], energy[:8])
            for lane in range(LANES):
                sums[0, block, lane] = energy[lane]
        if bands:
            _through_zeros(tile, size, flat_state[32:64])
        for band in range(0, bands, 2):
            second = min(band + 1, bands - 1)
            # the last of an odd number runs beside itself: both come to the same
            _through_poles(tile, size, poles, band_state, band, second, energy)
            for lane in range(LANES):
                sums[is_weighted + band, block, lane] = energy[lane] * scales[band]
                if second > band:
                    sums[is_weighted + second, block, lane] = energy[LANES + lane] * scales[second]
        for index in range(flat_state.shape[0]):
            if abs(flat_state[index]) <= _SMALLEST:
                flat_state[index] = 0.0
