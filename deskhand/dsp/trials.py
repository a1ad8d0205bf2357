"""Level and gain smoothing with four settings at once, for searches that try many.

A smoother waits for its own last value at every sample; four that run side by side take no longer than one.
"""

from __future__ import annotations

import numpy as np

from deskhand.dsp.kernel import kernel

TRIALS = 4
"""Settings that run side by side: as many as a processor's registers hold."""
_LEAST_KNEE_DB = 1e-9
"""Knee in place of none, which is divided by: it rounds a billionth of a decibel."""


@kernel("void(float64[::1], float64[::1], float64[::1], int64, int64, float64[:, ::1])")
def smooth_levels(
    level: np.ndarray,
    keeps_attack: np.ndarray,
    keeps_release: np.ndarray,
    first: int,
    stride: int,
    smoothed: np.ndarray,
) -> None:
    """Smooth (frames,) of a level by four attacks and releases, and read each once a stride.

    Parameters
    ----------
    level : (frames,)
        Not in decibels, and never 0: numbers too small to be normal take a hundred times as long.
    keeps_attack, keeps_release : (4,)
        Factors a sample, from `deskhand.dsp.dynamics.keep`.
    first, stride : int
        Frame that is read first, and frames from one reading to the next.
    smoothed : (4, readings)
        Filled.

    References
    ----------
    Giannoulis, Massberg & Reiss 2012: smooth branching detector.
    """
    a0, a1, a2, a3 = keeps_attack[0], keeps_attack[1], keeps_attack[2], keeps_attack[3]
    r0, r1, r2, r3 = keeps_release[0], keeps_release[1], keeps_release[2], keeps_release[3]
    h0 = h1 = h2 = h3 = 0.0
    begin = 0
    for reading in range(smoothed.shape[1]):
        end = first + reading * stride + 1
        for index in range(begin, end):
            wanted = level[index]
            d0, d1, d2, d3 = h0 - wanted, h1 - wanted, h2 - wanted, h3 - wanted
            h0 = wanted + (a0 if d0 < 0.0 else r0) * d0
            h1 = wanted + (a1 if d1 < 0.0 else r1) * d1
            h2 = wanted + (a2 if d2 < 0.0 else r2) * d2
            h3 = wanted + (a3 if d3 < 0.0 else r3) * d3
        smoothed[0, reading], smoothed[1, reading], smoothed[2, reading], smoothed[3, reading] = h0, h1, h2, h3
        begin = end


@kernel("void(float64[::1], float64, float64[:, ::1], float64[::1], float64[::1], int64, int64, float64[:, ::1])")
def smooth_reductions(
    level_db: np.ndarray, side: float, laws: np.ndarray, keeps_attack: np.ndarray, keeps_release: np.ndarray, first: int,
    stride: int, smoothed: np.ndarray,
) -> None:  # fmt: skip
    """Smooth the gain reduction that four laws ask for, and read each once a stride, in dB.

    Parameters
    ----------
    level_db : (frames,)
    side : float
        1 for less gain above the threshold, -1 for less gain below.
    laws : (4, 4)
        Rows of threshold in dBFS, slope (decibels taken off for each beyond it), knee in dB (0 below), most that is taken off.
    keeps_attack, keeps_release : (4,)
        Factors a sample. Above: the attack is towards more reduction; below: towards less, a gate's opening.
    first, stride : int
        Frame that is read first, and frames from one reading to the next.
    smoothed : (4, readings)
        Filled.
    """
    a0, a1, a2, a3 = keeps_attack[0], keeps_attack[1], keeps_attack[2], keeps_attack[3]
    r0, r1, r2, r3 = keeps_release[0], keeps_release[1], keeps_release[2], keeps_release[3]
    s0, s1, s2, s3 = laws[0, 1], laws[1, 1], laws[2, 1], laws[3, 1]
    n0, n1 = max(laws[0, 2], _LEAST_KNEE_DB), max(laws[1, 2], _LEAST_KNEE_DB)
    n2, n3 = max(laws[2, 2], _LEAST_KNEE_DB), max(laws[3, 2], _LEAST_KNEE_DB)
    m0, m1, m2, m3 = laws[0, 3], laws[1, 3], laws[2, 3], laws[3, 3]
    # levels count from where the knee begins
    t0, t1 = side * laws[0, 0] - 0.5 * n0, side * laws[1, 0] - 0.5 * n1
    t2, t3 = side * laws[2, 0] - 0.5 * n2, side * laws[3, 0] - 0.5 * n3
    q0, q1, q2, q3 = 0.5 * s0 / n0, 0.5 * s1 / n1, 0.5 * s2 / n2, 0.5 * s3 / n3
    h0 = h1 = h2 = h3 = 0.0
    begin = 0
    for reading in range(smoothed.shape[1]):
        end = first + reading * stride + 1
        for index in range(begin, end):
            level = side * level_db[index]
            x0, x1, x2, x3 = max(level - t0, 0.0), max(level - t1, 0.0), max(level - t2, 0.0), max(level - t3, 0.0)
            y0, y1, y2, y3 = min(x0, n0), min(x1, n1), min(x2, n2), min(x3, n3)
            w0 = side * min(q0 * y0 * y0 + s0 * (x0 - y0), m0)
            w1 = side * min(q1 * y1 * y1 + s1 * (x1 - y1), m1)
            w2 = side * min(q2 * y2 * y2 + s2 * (x2 - y2), m2)
            w3 = side * min(q3 * y3 * y3 + s3 * (x3 - y3), m3)
            d0, d1, d2, d3 = h0 - w0, h1 - w1, h2 - w2, h3 - w3
            h0 = w0 + (a0 if d0 < 0.0 else r0) * d0 + 1e-25
            h1 = w1 + (a1 if d1 < 0.0 else r1) * d1 + 1e-25
            h2 = w2 + (a2 if d2 < 0.0 else r2) * d2 + 1e-25
            h3 = w3 + (a3 if d3 < 0.0 else r3) * d3 + 1e-25
        smoothed[0, reading], smoothed[1, reading] = side * h0, side * h1
        smoothed[2, reading], smoothed[3, reading] = side * h2, side * h3
        begin = end
