"""Digital clicks: single jumps in the wave that the sound round them cannot explain."""

from __future__ import annotations

import numpy as np

from deskhand.dsp.kernel import kernel

CLICK_STEPS = 6
"""Blocks of context on either side of a block in which clicks are looked for: 50 ms hold a period of 20 Hz (arithmetic)."""
LEAST_JUMP_RATIO = 10.2
"""Eighth against fourth difference of a jump, 11.67 by arithmetic, less what the sound round it changes (validations/moments.py)."""
LEAST_PROMINENCE = 100.0
"""Square of a jump's eighth difference against its mean square nearby: 20 dB (validations/moments.py)."""
RIVAL_SHARE = 0.4
"""Spikes of this share of a jump are rivals: corners of one waveform differ by less (validations/moments.py)."""
MOST_RIVALS = 1
"""Rivals that a jump may have: samples lost have two edges, a waveform has corners in each period. Arithmetic."""


@kernel("float64(float32[::1], int64, int64)")
def _fourth_difference(signal: np.ndarray, stride: int, index: int) -> float:
    """Magnitude of the fourth difference (see `peak.sharpness`) whose middle lies at a sample."""
    total = 6.0 * signal[index]
    total -= 4.0 * (np.float64(signal[index - stride]) + signal[index + stride])
    total += np.float64(signal[index - 2 * stride]) + signal[index + 2 * stride]
    return float(abs(total))


@kernel("float64(float32[::1], int64, int64)")
def _eighth_difference(signal: np.ndarray, stride: int, index: int) -> float:
    """Magnitude of the eighth difference whose middle lies at a sample: what a band-limited neighbourhood cannot explain."""
    total = 70.0 * signal[index]
    total -= 56.0 * (np.float64(signal[index - stride]) + signal[index + stride])
    total += 28.0 * (np.float64(signal[index - 2 * stride]) + signal[index + 2 * stride])
    total -= 8.0 * (np.float64(signal[index - 3 * stride]) + signal[index + 3 * stride])
    total += np.float64(signal[index - 4 * stride]) + signal[index + 4 * stride]
    return float(abs(total))


@kernel("float64(float32[::1], int64, int64, int64)")
def _unexplained_power(signal: np.ndarray, stride: int, first: int, last: int) -> float:
    """Mean square of the eighth difference at samples [first, last)."""
    total = 0.0
    for index in range(first, last):
        value = _eighth_difference(signal, stride, index)
        total += value * value
    return total / max(1, last - first)


@kernel("int64(float32[::1], int64, int64, int64, float64)")
def _rivals(signal: np.ndarray, step: int, stride: int, spike: int, least: float) -> int:
    """Number of blocks, within `CLICK_STEPS` - 1 of a spike on either side, in which another one is as large as `least`."""
    rival_count = 0
    for side in (-1, 1):
        for block in range(CLICK_STEPS - 1):
            nearest = max(block * step, 7 * stride)
            for distance in range(nearest, (block + 1) * step):
                if _eighth_difference(signal, stride, spike + side * distance) >= least:
                    rival_count += 1
                    break
    return rival_count


@kernel("int64(float32[::1], int64, int64, int64, float32[::1], float32[::1], float32, int64[::1])")
def clicks(
    signal: np.ndarray,
    first: int,
    step: int,
    stride: int,
    top: np.ndarray,
    usual: np.ndarray,
    floor: np.float32,
    start: np.ndarray,
) -> int:
    """Find single jumps in the wave: a sample, or all from one on, where no band-limited sound leads.

    The eighth difference of a jump is one spike with quiet on both sides. A stick, a pick or a slapped string begins with a
    spike too, but it is smooth over some samples: its eighth difference is less than twelve times its fourth, which it is
    for a jump by arithmetic (70 / 6, 35 / 3). A driven amplifier has corners as sharp as a jump, one or more in each period.

    Parameters
    ----------
    signal : (frames,) float32
        With `CLICK_STEPS` `step` samples of context before `first`, and as many after the last block.
    first : int
        Sample at which the first block begins.
    step, stride : int
        As given to `peak.sharpness`.
    top, usual : (blocks,) float32
        Largest fourth difference and its mean square in each block, from there.
    floor : float
        Spikes of the fourth difference below this are too small to be heard.
    start : array
        Filled with the sample of each click.

    Returns
    -------
    int, number of clicks.

    References
    ----------
    S. J. Godsill, P. J. W. Rayner, Digital Audio Restoration (1998), ch. 5: clicks are found in what prediction from the
    neighbourhood leaves. A difference is such a prediction, by the polynomial through the neighbours.
    """
    click_count = 0
    for block in range(top.shape[0]):
        # the block's own mean contains the spike: 1/step of its square and its neighbours'
        if top[block] < max(floor, np.sqrt(usual[block]) * np.float32(5.0)) or click_count >= start.shape[0]:
            continue
        begin = first + block * step
        size, spike = 0.0, begin
        # the spike's middle may lie in the block beside this one
        for index in range(begin - 2 * stride, begin + step + 6 * stride):
            value = _eighth_difference(signal, stride, index)
            if value > size:
                size, spike = value, index
        fourth = 0.0
        for index in range(spike - 4 * stride, spike + 4 * stride + 1):
            fourth = max(fourth, _fourth_difference(signal, stride, index))
        if fourth < floor or size < LEAST_JUMP_RATIO * fourth:
            continue
        around = 0.0
        for reach in (40, 200):
            before = _unexplained_power(signal, stride, spike - reach * stride, spike - 7 * stride)
            after = _unexplained_power(signal, stride, spike + 7 * stride + 1, spike + reach * stride + 1)
            around = max(around, before, after)
        if size * size <= LEAST_PROMINENCE * around:
            continue
        if _rivals(signal, step, stride, spike, RIVAL_SHARE * size) > MOST_RIVALS:
            continue
        # where two blocks meet, both may see the same spike
        if click_count == 0 or spike - start[click_count - 1] > 7 * stride:
            start[click_count] = spike
            click_count += 1
    return click_count
