"""Meters of eight channels at once, one a lane: loudness, level, product of the sides of pairs, peak and true peak."""

from __future__ import annotations

import numpy as np

from deskhand.dsp import peak
from deskhand.dsp.kernel import kernel
from deskhand.dsp.vectors import LANES, load, store, swapped, where_greater

ENERGY, POWER, PRODUCT, REDUCTION = 0, 1, 2, 3
"""Rows of the meters' sums over a step: K-weighted, plain, left times right, gain reduction in dB."""
TOP, LAST_TOP, TRUE_PEAK = 0, 1, 2
"""Rows of the meters' peaks."""


@kernel("void(float64[::1], int64, float64[::1], float64[:, ::1], float64[:, ::1], float64[::1])")
def meter(
    tile: np.ndarray,
    frames: int,
    weighting: np.ndarray,
    state: np.ndarray,
    sums: np.ndarray,
    top: np.ndarray,
) -> None:
    """Add a piece to the meters: K-weighted energy, energy, left times right, and the largest sample.

    Shapes: tile (frames * 8,), weighting (10 * 8,), state (4, 8), sums (4, 8), updated; top (8,), filled.

    References
    ----------
    ITU-R BS.1770-5 (2023), Annex 1, eq. 1.
    """
    memory, totals = state.reshape(-1), sums.reshape(-1)
    b0, b1, b2 = load(weighting, 0), load(weighting, 8), load(weighting, 16)
    a1, a2 = load(weighting, 24), load(weighting, 32)
    c0, c1, c2 = load(weighting, 40), load(weighting, 48), load(weighting, 56)
    d1, d2 = load(weighting, 64), load(weighting, 72)
    s0, s1, s2, s3 = load(memory, 0), load(memory, 8), load(memory, 16), load(memory, 24)
    energy, power, product = load(totals, ENERGY * 8), load(totals, POWER * 8), load(totals, PRODUCT * 8)
    for lane in range(LANES):
        top[lane] = 0.0
    zero = load(top, 0)
    highest = zero
    for index in range(0, frames * 8, 8):
        x = load(tile, index)
        y = b0 * x + s0
        s0 = (b1 * x + s1) - a1 * y
        s1 = b2 * x - a2 * y
        z = c0 * y + s2
        s2 = (c1 * y + s3) - d1 * z
        s3 = c2 * y - d2 * z
        energy = energy + z * z
        power = power + x * x
        product = product + x * swapped(x)
        size = where_greater(x, zero, x, zero - x)
        highest = where_greater(size, highest, size, highest)
    store(memory, 0, s0)
    store(memory, 8, s1)
    store(memory, 16, s2)
    store(memory, 24, s3)
    store(totals, ENERGY * 8, energy)
    store(totals, POWER * 8, power)
    store(totals, PRODUCT * 8, product)
    store(top, 0, highest)


@kernel("void(float64[::1], int64, float32[:, ::1], float64, float64[::1], float64[:, ::1], float32[:, ::1])")
def true_peaks(
    tile: np.ndarray,
    frames: int,
    phases: np.ndarray,
    most_gain: float,
    top: np.ndarray,
    peaks: np.ndarray,
    before: np.ndarray,
) -> None:
    """Keep the largest sample and true peak of each lane; lanes that cannot beat theirs are passed over, as in `peak.true_peak`.

    Shapes: tile (frames * 8,), top (8,), of this piece; peaks (3, 8) and before (8, 24), the samples before the piece, updated.
    """
    back = before.shape[1]
    stretch = np.empty(back + frames, np.float32)
    for lane in range(LANES):
        tried = max(top[lane], peaks[LAST_TOP, lane]) * most_gain > peaks[TRUE_PEAK, lane]
        first = 0 if tried else max(0, frames - back)
        for index in range(back):
            stretch[index] = before[lane, index]
        for index in range(first, frames):
            stretch[back + index] = np.float32(tile[index * LANES + lane])
        if tried:
            peaks[TRUE_PEAK, lane] = peak.true_peak(stretch, 240, phases, np.float32(peaks[TRUE_PEAK, lane]))
        for index in range(back):
            before[lane, index] = stretch[frames + index]
        peaks[TOP, lane] = max(peaks[TOP, lane], np.float64(np.float32(top[lane])))
        # a piece shorter than what is looked back at does not yet cover what came before it
        peaks[LAST_TOP, lane] = top[lane] if frames >= back else max(top[lane], peaks[LAST_TOP, lane])
