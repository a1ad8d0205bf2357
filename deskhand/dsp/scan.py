"""Scan of a chunk of one track: levels, true peak and every fault detector, without leaving compiled code."""

from __future__ import annotations

import numpy as np

from deskhand.dsp import clicks, events, peak
from deskhand.dsp.kernel import kernel

FLAT_FLOOR = np.float32(0.03)  # -30 dBFS peak: cut lower, it was cut elsewhere and turned down far (no source)
CLICK_FLOOR = np.float32(0.005)  # a sample off by -62 dBFS: smaller ones are not heard (no source)
MOST_FLATS = 20000
"""Flat tops kept of one chunk: more than a second at 48 kHz holds, three samples each."""
MOST_OTHERS = 50
"""Dropouts, clicks, bursts and mutes kept of one chunk; more say nothing new. Common practice, no source."""
FLATS, DROPOUTS, CLICKS, INTERRUPTIONS = 0, 1, 2, 3
"""Indices in `counts`."""
TOTAL, TRUE_PEAK, TOP, LAST_TOP = 0, 1, 2, 3
"""Indices in `numbers`."""


@kernel("void(float32[::1], int64, int64, float32[:, ::1], float64, float64[::1], float32[::1], float32[::1])")
def levels(
    signal: np.ndarray,
    carry: int,
    step: int,
    phases: np.ndarray,
    most_gain: float,
    numbers: np.ndarray,
    tops: np.ndarray,
    squares: np.ndarray,
) -> None:
    """Levels and true peak of a chunk; parameters as for `scan`."""
    total = np.zeros(1)
    peak.block_levels(signal[carry:], step, tops, squares, total)
    numbers[TOTAL] += total[0]
    numbers[LAST_TOP] = numbers[TOP]
    numbers[TOP] = 0.0
    for index in range(tops.shape[0]):
        numbers[TOP] = max(numbers[TOP], tops[index])
    back = 2 * peak.TAPS_A_SIDE
    # a chunk whose samples, raised by all that interpolation can add, stay below what was found cannot beat it
    if max(numbers[TOP], numbers[LAST_TOP]) * most_gain > numbers[TRUE_PEAK]:
        numbers[TRUE_PEAK] = peak.true_peak(signal[carry - back :], step // 2, phases, np.float32(numbers[TRUE_PEAK]))


# long by its parameters: one call a chunk, so that the interpreter's lock is let go of once
@kernel(
    "void(float32[::1], int64, int64, int64, int64, int64, int64, int64, float32[:, ::1], float64, float64[::1], "
    "float32[::1], float32[::1], float32[:, ::1], float64[::1], int64[::1], float32[::1], int64[::1], float64[:, ::1], "
    "int64[::1], float64[:, ::1], int64[::1])"
)
def scan(
    signal: np.ndarray,
    carry: int,
    step: int,
    stride: int,
    context: int,
    offset: int,
    samples_in_5_ms: int,
    fine_context: int,
    phases: np.ndarray,
    most_gain: float,
    numbers: np.ndarray,
    tops: np.ndarray,
    squares: np.ndarray,
    fine: np.ndarray,
    dropping: np.ndarray,
    flat_starts: np.ndarray,
    flat_levels: np.ndarray,
    flat_lengths: np.ndarray,
    drops: np.ndarray,
    click_starts: np.ndarray,
    interruptions: np.ndarray,
    counts: np.ndarray,
) -> None:
    """Measure a chunk and report what went wrong in it.

    Parameters
    ----------
    signal : (carry + frames,) float32
        Samples held from before, then the chunk.
    carry, step, stride, context, samples_in_5_ms, fine_context : int
        Samples held from before; a fine step; the stride of `peak.sharpness`; samples the detectors look at on either side;
        samples in 5 ms; fine steps burst detection looks at on either side.
    offset : int
        Sample of the take at which `signal` begins.
    phases, most_gain
        Interpolator, and the most by which it can raise a sample.
    numbers : (4,) float64
        Sum of samples, largest true peak, largest sample of this chunk and of the last; updated.
    tops, squares : (ceil(frames / step),) float32
        Filled, as `peak.block_levels` does.
    fine : (3, 2 * fine_context + steps a chunk) float32
        Mean square, sharp power and sharp top of the fine steps; moved on by one chunk.
    dropping : (4,) float64
        State of `events.dropouts`.
    flat_starts, ..., interruptions, counts
        Filled with the faults, in samples of `signal` (dropouts: of the take) and steps of `fine`; number of each.
    """
    counts[:] = 0
    levels(signal, carry, step, phases, most_gain, numbers, tops, squares)
    context_steps = 2 * fine_context
    steps = fine.shape[1] - context_steps
    for row in range(3):
        for index in range(context_steps):
            fine[row, index] = fine[row, index + steps]
        fine[row, context_steps:] = np.float32(0.0)
    for index in range(tops.shape[0]):
        fine[0, context_steps + index] = squares[index]
    first = max(carry - context, 1 - offset)
    last = signal.shape[0] - context
    if last <= first:
        return
    counts[FLATS] = events.flat_tops(signal, first, last, FLAT_FLOOR, flat_starts, flat_levels, flat_lengths)
    counts[DROPOUTS] = events.dropouts(signal, first, last, offset, samples_in_5_ms, dropping, drops)
    # the difference is as old as its five samples: its power is put where the signal's is
    first = carry - 4 * stride
    new = -(-(signal.shape[0] - carry) // step)
    peak.sharpness(
        signal[first:],
        step,
        stride,
        fine[2, context_steps : context_steps + new],
        fine[1, context_steps : context_steps + new],
    )
    # clicks some steps late, so that what comes after them is known
    early = context_steps - clicks.CLICK_STEPS
    late = early + (signal.shape[0] - carry) // step
    counts[CLICKS] = clicks.clicks(
        signal,
        first - clicks.CLICK_STEPS * step,
        step,
        stride,
        fine[2, early:late],
        fine[1, early:late],
        CLICK_FLOOR,
        click_starts,
    )
    counts[INTERRUPTIONS] = events.bursts_and_mutes(
        fine[0], fine[1], fine_context, fine.shape[1] - fine_context, interruptions
    )
