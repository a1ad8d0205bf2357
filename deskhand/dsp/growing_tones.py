"""Steady tones that grow, as feedback does, in short-time power spectra.

All thresholds: common practice, no source; they are set by tests on real audio.
"""

from __future__ import annotations

import numpy as np

from deskhand.dsp.kernel import kernel


# long: one walk over the spectra; split, each frame would cost calls
@kernel("int64(float32[:, ::1], int64, int64, int64, float64[::1], float64[:, ::1])")
def growing_tone(
    power: np.ndarray, low_bin: int, high_bin: int, frame: int, state: np.ndarray, rises: np.ndarray
) -> int:
    """Find a single steady tone that grows, as feedback does.

    Parameters
    ----------
    power : (frames, bins) float32
        Power spectra, one every 100 ms.
    low_bin, high_bin : int
        Range of bins in which the tone is looked for.
    frame : int
        Number of the first frame in the take.
    state : (6,) float64
        Bin, first frame of the rise, level there (dB), level last (dB), frames since it last rose, number of the report or -1.
    rises : (most, 3) float64
        Filled with begin and end frame, and bin.

    Returns
    -------
    int, number of rises. A tone counts that makes up half the power of the range looked at, stands 20 dB above its
    surroundings, has no harmonics, and grows by 10 dB or more over 0.8 s or longer.
    """
    tone_count = 0
    bins = power.shape[1]
    for row in range(power.shape[0]):
        top = np.float32(0.0)
        peak_bin = low_bin
        total = 0.0
        for index in range(low_bin, high_bin):
            total += power[row, index]
            if power[row, index] > top:
                top = power[row, index]
                peak_bin = index
        around = 0.0
        count = 0
        width = max(6, int(peak_bin * 0.12))
        for index in range(max(1, peak_bin - width), min(bins, peak_bin + width + 1)):
            if abs(index - peak_bin) > 3:
                around += power[row, index]
                count += 1
        tone = np.float64(top)
        if peak_bin > 0 and peak_bin + 1 < bins:
            tone += power[row, peak_bin - 1] + power[row, peak_bin + 1]
        pure = bool(tone > 0.5 * total and tone > 1e-12 and tone > 100.0 * around / max(1, count))
        if pure:
            for multiple in range(2, 4):
                centre = multiple * peak_bin
                if centre + multiple < bins:
                    for index in range(centre - multiple, centre + multiple + 1):
                        if power[row, index] > 0.003 * tone:
                            pure = False
        frame_number = frame + row
        if not pure:
            state[0] = -1.0
            continue
        # the peak's place between bins, from its neighbours
        left, right = np.float64(power[row, peak_bin - 1]), np.float64(power[row, peak_bin + 1])
        exact_bin = peak_bin + 0.5 * (np.sqrt(right) - np.sqrt(left)) / (np.sqrt(top) + 1e-30)
        level = 10.0 * np.log10(tone)
        if state[0] < 0 or abs(exact_bin - state[0]) > 0.5:
            state[0], state[1], state[2], state[3], state[4], state[5] = (
                exact_bin,
                frame_number,
                level,
                level,
                0.0,
                -1.0,
            )
            continue
        if level < state[2] + 1.0:
            # it has not begun to grow
            state[1] = frame_number
            state[2] = min(state[2], level)
        if level > state[3] - 0.3:
            if level > state[3]:
                state[3] = level
                state[4] = 0.0
            else:
                state[4] += 1.0
        else:
            state[4] += 3.0
        if state[4] > 5.0:
            state[1], state[2], state[3], state[4], state[5] = frame_number, level, level, 0.0, -1.0
            continue
        if frame_number - state[1] >= 8 and state[3] - state[2] >= 10.0:
            if state[5] >= 0 and int(state[5]) < tone_count:
                rises[int(state[5]), 1] = frame_number + 1
            elif tone_count < rises.shape[0]:
                rises[tone_count, 0], rises[tone_count, 1], rises[tone_count, 2] = state[1], frame_number + 1, exact_bin
                state[5] = tone_count
                tone_count += 1
    # a rise that goes on in the next block is reported there as its own stretch; the caller joins them
    state[5] = -1.0
    return tone_count


@kernel("void(float32[:, ::1], int64[::1], int64, float64[:, ::1], float64[:, :, ::1], int64[::1])")
def growing_tones(
    power: np.ndarray, edges: np.ndarray, frame: int, state: np.ndarray, rises: np.ndarray, counts: np.ndarray
) -> None:
    """Find the tones that grow between each two edges, in bins, as `growing_tone` does in one range.

    Shapes: state (ranges, 6), rises (ranges, most, 3), counts (ranges,), number of rises in each.
    """
    for band in range(counts.shape[0]):
        counts[band] = growing_tone(power, edges[band], edges[band + 1], frame, state[band], rises[band])
