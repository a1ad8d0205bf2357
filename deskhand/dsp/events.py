"""Faults that last samples or milliseconds: flat tops, dropouts, bursts, mutes (clicks: `clicks.py`).

Each kernel is given a stretch with context on both sides and reports what begins inside it, so that every place is looked
at exactly once whatever the block size. All thresholds: common practice, no source; they are set by tests on real audio.
"""

from __future__ import annotations

import numpy as np

from deskhand.dsp.kernel import kernel

FAINT_POWER = 1e-8
"""Mean square, -77 dBFS RMS: 16 bits die away below it, step by step, with zeros between (validations/moments.py)."""
LEAST_CUT_POWER = 1e-7
"""Mean square, -67 dBFS RMS, on one side of a dropout at least: what is softer nobody misses (validations/moments.py)."""
LOUD_CUT_POWER = 1.5e-6
"""Mean square, -55 dBFS RMS: the same of a dropout shorter than 2.5 ms. Common practice, no source."""
MOST_BURST_BLOCKS = 27
"""Blocks of 10 ms that a burst may fill: 250 ms and one begun on either side. Common practice, no source."""


# long: one walk over the samples; split, it would cost calls for each of them
@kernel("int64(float32[::1], int64, int64, float32, int64[::1], float32[::1], int64[::1])")
def flat_tops(
    signal: np.ndarray,
    first: int,
    last: int,
    floor: np.float32,
    start: np.ndarray,
    level: np.ndarray,
    length: np.ndarray,
) -> int:
    """Find peaks cut flat: runs of three or more equal samples that a curve did not lead into.

    A smooth peak may hold equal samples too, but it comes to them gently: here the steps into and out of the run are at
    least eight times the difference allowed inside it.

    Parameters
    ----------
    signal : (frames,) float32
    first, last : int
        Runs that begin in [first, last) are reported; 110 samples of context are read behind it, one before.
    floor : float
        Magnitude below which nothing is looked for.
    start, level, length : arrays
        Filled with the sample at which each run begins, its magnitude and its length in samples.

    Returns
    -------
    int, number of runs, at most the arrays' length.
    """
    flat_count = 0
    index = first
    clear = first
    while index < last and flat_count < start.shape[0]:
        if index >= clear:
            # most stretches hold no equal neighbours that are loud: count them 64 at a time, which vectorises
            count = np.int32(0)
            stretch, next_samples = signal[index : index + 64], signal[index + 1 : index + 65]
            for near in range(64):
                size = abs(stretch[near])
                same = abs(next_samples[near] - stretch[near]) <= np.float32(1e-4) * size
                count += np.int32(same & (size >= floor))
            clear = index + 64
            if count == 0:
                index = clear
                continue
        value = signal[index]
        size = abs(value)
        if size < floor or abs(signal[index + 1] - value) > np.float32(1e-4) * size:
            index += 1
            continue
        within = np.float32(1e-4) * size
        edge_ratio = np.float32(8.0)
        steps = value * np.float32(32768.0)
        if steps == np.rint(steps):
            # a word of 16 bits: a staircase is no plateau, and dither moves it by a step
            within = max(within, np.float32(7.7e-5))
            edge_ratio = np.float32(4.0)
        end = index + 1
        while end < index + 38 and abs(signal[end + 1] - value) <= within:
            end += 1
        sign = np.float32(1.0) if value > 0 else np.float32(-1.0)
        into = sign * (value - signal[index - 1])
        out_of = sign * (value - signal[end + 1])
        # a plateau longer than what can be seen of it here is one, however it ends
        if end - index >= 2 and into > edge_ratio * within and (out_of > edge_ratio * within or end == index + 38):
            start[flat_count] = index
            level[flat_count] = size
            length[flat_count] = end - index + 1
            flat_count += 1
        index = end + 1
    return flat_count


@kernel("float64(float32[::1], int64, int64)")
def _power(signal: np.ndarray, first: int, last: int) -> float:
    """Mean square of samples [first, last)."""
    total = 0.0
    for index in range(first, last):
        total += np.float64(signal[index]) * signal[index]
    return total / max(1, last - first)


@kernel("float64(float32[::1], int64, int64)")
def _slope_power(signal: np.ndarray, first: int, last: int) -> float:
    """Mean square of the steps between samples [first, last)."""
    total = 0.0
    for index in range(first + 1, last):
        step = np.float64(signal[index]) - signal[index - 1]
        total += step * step
    return total / max(1, last - first - 1)


@kernel("float64(float32[::1], int64, int64, int64, int64)")
def _cut_power(signal: np.ndarray, first: int, last: int, edge_first: int, edge_last: int) -> float:
    """Mean square of samples [first, last) that are cut at their edge, 0 where they die away there (or are too soft)."""
    power = _power(signal, first, last)
    if power <= FAINT_POWER:
        return 0.0
    # a fade has died away in the half millisecond of its edge, and so has its slope; a low note that is cut where it
    # passes through zero is as steep there as anywhere
    if _power(signal, edge_first, edge_last) > 0.01 * power:
        return power
    return power if _slope_power(signal, edge_first, edge_last) > 0.01 * _slope_power(signal, first, last) else 0.0


@kernel("int64(float32[::1], int64, int64, int64, int64, float64[::1], float64[:, ::1])")
def dropouts(
    signal: np.ndarray, first: int, last: int, offset: int, samples_in_5_ms: int, state: np.ndarray, spans: np.ndarray
) -> int:
    """Find runs of exact zeros cut into sound: sound right up to them and right after them, soft on one side at most.

    Parameters
    ----------
    signal : (frames,) float32
        With `samples_in_5_ms` samples of context on both sides of [first, last).
    first, last : int
        Samples to look at.
    offset : int
        Place of `signal[0]` in the take, in samples.
    samples_in_5_ms : int
        Samples in 5 ms.
    state : (4,) float64
        Run length so far, the sample of the take at which it began, power before it, 1 where it was cut or 0; carried from
        block to block.
    spans : (most, 2) float64
        Filled with begin and end of each dropout, in samples of the take.

    Returns
    -------
    int, number of dropouts.
    """
    edge = samples_in_5_ms // 10
    dropout_count = 0
    run = int(state[0])
    index = first - 1
    while index + 1 < last:
        index += 1
        if run == 0 and index + 64 <= last:
            # most stretches hold no zeros: count them 64 at a time, which vectorises
            zeros = np.int32(0)
            stretch = signal[index : index + 64]
            for sample in range(64):
                zeros += np.int32(stretch[sample] == np.float32(0.0))
            if zeros == 0:
                index += 63
                continue
        if signal[index] == 0.0:
            if run == 0:
                state[1] = offset + index
                state[2] = _cut_power(signal, index - samples_in_5_ms, index, index - edge, index)
                state[3] = 1.0 if state[2] > 0.0 else 0.0
            run += 1
            continue
        if run >= 16 and state[3] == 1.0 and dropout_count < spans.shape[0]:
            after = _cut_power(signal, index, index + samples_in_5_ms, index, index + edge)
            # soft and low, 16 bits lie on zero for some samples as they pass through it: 18 at 20 Hz and -67 dBFS, arithmetic
            least_power = LEAST_CUT_POWER if 2 * run >= samples_in_5_ms else LOUD_CUT_POWER
            if after > 0.0 and max(state[2], after) > least_power:
                spans[dropout_count, 0] = state[1]
                spans[dropout_count, 1] = offset + index
                dropout_count += 1
        run = 0
    state[0] = run
    return dropout_count


@kernel("float64(float32[::1], float32[::1], int64, int64, float32)")
def _burst_whiteness(mean_square: np.ndarray, sharp: np.ndarray, first: int, end: int, level: np.float32) -> float:
    """Whiteness of a burst in blocks [first, end), 0 where it is faint.

    A block that is only partly filled holds more of the sound before or behind it than of the noise. Of three blocks and
    more the first and the last are left out; of two the whiter one counts.
    """
    if end - first <= 2:
        white = 0.0
        for block in range(first, end):
            if sharp[block] > 0.5 * level and mean_square[block] > 3e-6:
                white = max(white, np.float64(sharp[block]) / mean_square[block])
        return white
    sharp_sum, power_sum = 0.0, 0.0
    for block in range(first + 1, end - 1):
        if mean_square[block] <= 3e-6:
            return 0.0
        sharp_sum += sharp[block]
        power_sum += mean_square[block]
    return sharp_sum / power_sum


@kernel("Tuple((int64, float64))(float32[::1], float32[::1], int64)")
def _burst_end(mean_square: np.ndarray, sharp: np.ndarray, first: int) -> tuple[int, float]:
    """End of a burst of white noise that begins in a block, and how white it is; the block itself where none begins there.

    Parameters as for `bursts_and_mutes`.
    """
    # edges of some milliseconds leave the first block and the last partly filled
    level = max(sharp[first], sharp[first + 1])
    partly = np.float32(0.05) * level
    if sharp[first] < partly or sharp[first - 1] >= partly or level < np.float32(1e-8):
        return first, 0.0
    # 20 dB more of the top of the band at once
    for back in range(2, 6):
        if sharp[first - back] * 100 > level:
            return first, 0.0
    end, full = first, 0
    while end <= first + MOST_BURST_BLOCKS and (sharp[end] > 0.25 * level or end == first):
        if sharp[end] > 4 * level:
            return first, 0.0
        full += int(sharp[end] > 0.25 * level)
        end += 1
    # even, and gone as fast as it came
    if full < 2 or end > first + MOST_BURST_BLOCKS:
        return first, 0.0
    white = _burst_whiteness(mean_square, sharp, first, end, level)
    if white <= 8.0:
        return first, 0.0
    if max(sharp[end + 1], sharp[end + 2]) * 50 >= level:
        return first, 0.0
    return (end + 1 if sharp[end] > partly else end), white


# long: one walk over the blocks; split, it would cost calls for each of them
@kernel("int64(float32[::1], float32[::1], int64, int64, float64[:, ::1])")
def bursts_and_mutes(
    mean_square: np.ndarray, sharp: np.ndarray, first: int, last: int, interruptions: np.ndarray
) -> int:
    """Find short bursts of white noise, and short mutes that are not digital silence, as a radio link makes them.

    Parameters
    ----------
    mean_square, sharp : (blocks,) float32
        Mean squares of the signal and of its fourth difference, in 10 ms blocks, with 60 blocks of context on both sides.
    first, last : int
        Bursts and mutes that begin in [first, last) are reported.
    interruptions : (most, 4) float64
        Filled with first block, end block, 1 for a burst or 2 for a mute, and for a burst how white it
        is (ratio of the two powers, 70 for white noise), for a mute the largest mean square inside.

    Returns
    -------
    int, number of bursts and mutes.
    """
    event_count = 0
    index = first
    while index < last and event_count < interruptions.shape[0]:
        end, white = _burst_end(mean_square, sharp, index)
        if end > index:
            (
                interruptions[event_count, 0],
                interruptions[event_count, 1],
                interruptions[event_count, 2],
                interruptions[event_count, 3],
            ) = index, end, 1.0, white
            event_count += 1
            index = end + 1
            continue
        level_before = np.float32(0.0)
        for back in range(2, 6):
            level_before = max(level_before, mean_square[index - back])
        # a mute: 35 dB down within 20 ms, some noise left, and back as fast
        if (
            level_before > 1.5e-5
            and mean_square[index] < level_before * 3.2e-4
            and mean_square[index - 2] > level_before * 0.03
            and mean_square[index - 1] >= level_before * 3.2e-4  # it begins here
        ):
            end = index + 1
            while end < index + 50 and mean_square[end] < level_before * 3.2e-4:
                end += 1
            if 3 < end - index < 50 and mean_square[index + 1] > 0.0:
                after = max(mean_square[end], mean_square[end + 1])
                if after > level_before * 0.03:
                    inside = np.float32(0.0)
                    for within in range(index + 1, end - 1):
                        inside = max(inside, mean_square[within])
                    (
                        interruptions[event_count, 0],
                        interruptions[event_count, 1],
                        interruptions[event_count, 2],
                        interruptions[event_count, 3],
                    ) = index, end, 2.0, inside
                    event_count += 1
                    index = end - 2  # a burst may be what ends it
                    continue
        index += 1
    return event_count
