"""One pass over a stage of a chain: mean square, product of the sides, K-weighted energy and peak of each block."""

from __future__ import annotations

import numba as nb
import numpy as np

SUMS = 5
"""Left and right squares, their product, K-weighted squares of all channels, samples so far."""


@nb.njit(
    "int64(float64[:, ::1], int64, int64, float64[:, ::1], float64[:, ::1], float64[::1], float64[::1], float64[:, ::1])",
    cache=True,
    nogil=True,
)
def meter(
    signal: np.ndarray,
    first: int,
    hop: int,
    sos: np.ndarray,
    filters: np.ndarray,
    sums: np.ndarray,
    top: np.ndarray,
    out: np.ndarray,
) -> int:
    """Go on with a stretch of any length, and tell the blocks that were filled.

    Parameters
    ----------
    signal : (1 or 2, frames)
    first : int
        Where to begin.
    hop : int
        Frames a block.
    sos : (2, 6)
        K-weighting.
    filters : (2, 4), sums : (5,), top : (1,)
        State of the filters, of the block that is not full, and the largest magnitude; updated.
    out : (blocks, 4)
        Filled with means: left square, right square, product, K-weighted square summed over channels.

    Returns
    -------
    int, how many blocks.
    """
    b0, b1, b2, a1, a2 = sos[0, 0], sos[0, 1], sos[0, 2], sos[0, 4], sos[0, 5]
    c0, c1, c2, d1, d2 = sos[1, 0], sos[1, 1], sos[1, 2], sos[1, 4], sos[1, 5]
    p0, p1, p2, p3 = filters[0, 0], filters[0, 1], filters[0, 2], filters[0, 3]
    q0, q1, q2, q3 = filters[1, 0], filters[1, 1], filters[1, 2], filters[1, 3]
    left, right = signal[0], signal[signal.shape[0] - 1]
    two = signal.shape[0] == 2
    s_left, s_right, s_product, s_weighted = sums[0], sums[1], sums[2], sums[3]
    highest = top[0]
    done, index = 0, first
    so_far = int(sums[4])
    while index < signal.shape[1]:
        end = min(signal.shape[1], index + hop - so_far)
        so_far += end - index
        if two:
            for at in range(index, end):
                x, u = left[at], right[at]
                highest = max(highest, abs(x), abs(u))
                s_left += x * x
                s_right += u * u
                s_product += x * u
                y = b0 * x + p0
                p0 = (b1 * x + p1) - a1 * y
                p1 = b2 * x - a2 * y
                z = c0 * y + p2
                p2 = (c1 * y + p3) - d1 * z
                p3 = c2 * y - d2 * z
                v = b0 * u + q0
                q0 = (b1 * u + q1) - a1 * v
                q1 = b2 * u - a2 * v
                w = c0 * v + q2
                q2 = (c1 * v + q3) - d1 * w
                q3 = c2 * v - d2 * w
                s_weighted += z * z + w * w
        else:
            for at in range(index, end):
                x = left[at]
                highest = max(highest, abs(x))
                s_left += x * x
                y = b0 * x + p0
                p0 = (b1 * x + p1) - a1 * y
                p1 = b2 * x - a2 * y
                z = c0 * y + p2
                p2 = (c1 * y + p3) - d1 * z
                p3 = c2 * y - d2 * z
                s_weighted += z * z
        index = end
        if so_far == hop:
            out[done, 0], out[done, 1], out[done, 2] = s_left / hop, s_right / hop, s_product / hop
            out[done, 3] = s_weighted / hop
            s_left, s_right, s_product, s_weighted = 0.0, 0.0, 0.0, 0.0
            so_far = 0
            done += 1
    filters[0, 0], filters[0, 1], filters[0, 2], filters[0, 3] = p0, p1, p2, p3
    filters[1, 0], filters[1, 1], filters[1, 2], filters[1, 3] = q0, q1, q2, q3
    sums[0], sums[1], sums[2], sums[3], sums[4] = s_left, s_right, s_product, s_weighted, so_far
    top[0] = highest
    return done
