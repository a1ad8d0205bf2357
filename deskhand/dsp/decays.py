"""Free decays and note onsets in envelopes: how fast sound dies away, and how far beginnings stand out."""

from __future__ import annotations

from typing import Final

import numpy as np

from deskhand.dsp.kernel import kernel

DECAY_STEP_S: Final = 0.02
"""Seconds a step of the envelopes in which decays are looked for. Common practice, no source."""
DECAY_CONTEXT: Final = 250
"""Steps (5 s) read on either side: ahead for the decay, behind for the floor. Common practice, no source."""
ONSET_STEP_S: Final = 0.01
"""Seconds a step of the envelopes in which onsets are looked for; a contrast is read from steps within 50 ms."""
ONSET_CONTEXT: Final = 40
"""Steps (0.4 s) read on either side of an onset: its ring is read up to 0.26 s after it, and rises up to 0.28 s."""
# Limits of a free decay: common practice, no source; docs/validation-tails.md says how well tails are read with them.
_LEAST_FALL_DB: Final = 8.0  # a shorter fall tells no slope (no source)
_RISE_DB: Final = 2.5  # a rise above the lowest level ends the decay (no source)
_LATEST_LOW: Final = 15  # steps (0.3 s) without a new low end the decay (no source)
_ABOVE_FLOOR_DB: Final = 8.0  # nearer to the floor it is noise or the next sound (no source)
_HEAD_DB: Final = 2.0  # the first of the fall belongs to the note, not to its decay (no source)
_LEAST_STEPS: Final = 6  # steps (0.12 s): fewer tell no straight line (no source)
_ROUGH_DB: Final = 2.0  # RMS distance from the straight line (no source)
_SLOWEST_DB: Final = 0.12  # dB a step: 60 dB in 10 s; what falls slower is held, not dying away (no source)
# Limits of an onset
_ONSET_RISE_DB: Final = 3.0  # above the 50 ms before; an energy rise as in Bello et al. 2005, its size without source
_ONSET_APART: Final = 8  # steps (80 ms) in which only the steepest rise is an onset: common practice, no source
_MOST_CONTRAST_DB: Final = 30.0
"""What lies further below a note is not heard behind it. Common practice, no source."""


@kernel("void(float64[::1], float64[::1])")
def _smoothed_db(power: np.ndarray, level_db: np.ndarray) -> None:
    """Level in dB of the mean of three neighbouring steps."""
    count = power.shape[0]
    for index in range(count):
        total = power[index] + power[max(0, index - 1)] + power[min(count - 1, index + 1)]
        level_db[index] = 10.0 * np.log10(total / 3.0 + 1e-20)


# long: one walk along the envelope; split, each decay would cost calls
@kernel("int64(float64[::1], int64, int64, int64, float64[:, ::1])")
def free_decays(power: np.ndarray, first: int, last: int, offset: int, decays: np.ndarray) -> int:
    """Stretches in which an envelope falls freely, with the straight line through each.

    Parameters
    ----------
    power : (steps,) float64
        Mean squares of `DECAY_STEP_S` each.
    first, last : int
        Decays that begin at `first` or later and before `last` are looked for.
    offset : int
        Added to the places that are told.
    decays : (most, 4) float64
        Filled with rows: place of the beginning, seconds for a fall of 60 dB, fall in dB, place after the end.

    Returns
    -------
    int, number of decays.

    Notes
    -----
    A decay begins at a local maximum of the level (of three steps) and is followed down until the level rises 2.5 dB above
    its lowest, or finds no new low for 0.3 s. Its last part, within 8 dB of the lowest level within 5 s, is noise or the
    next sound; its first 2 dB belong to the note. What is left must fall by 8 dB and lie within 2 dB (RMS) of a straight
    line. Finding decays before fitting them: Ratnam et al. 2003, doi:10.1121/1.1616578; selecting them by monotony:
    Löllmann, Yilmaz, Jeub & Vary 2010, "An improved algorithm for blind reverberation time estimation", IWAENC.
    """
    step_count = power.shape[0]
    level = np.empty(step_count)
    _smoothed_db(power, level)
    decay_count = 0
    peak_step = max(first, 1)
    while peak_step < last and peak_step < step_count - 3 and decay_count < decays.shape[0]:
        if not (level[peak_step] >= level[peak_step - 1] and level[peak_step] > level[peak_step + 1]):
            peak_step += 1
            continue
        low, low_step, index = level[peak_step], peak_step, peak_step
        while index + 1 < step_count:
            index += 1
            if level[index] < low:
                low = level[index]
                low_step = index
            if level[index] > low + _RISE_DB or index - low_step > _LATEST_LOW:
                break
        floor = level[peak_step]
        for step in range(max(0, peak_step - DECAY_CONTEXT), min(step_count, low_step + DECAY_CONTEXT + 1)):
            floor = min(floor, level[step])
        end = low_step
        while end > peak_step and level[end] <= floor + _ABOVE_FLOOR_DB:
            end -= 1
        begin = peak_step
        while begin <= end and level[begin] >= level[peak_step] - _HEAD_DB:
            begin += 1
        length = end - begin + 1
        if length >= _LEAST_STEPS and level[begin] - level[end] >= _LEAST_FALL_DB:
            middle = 0.5 * (length - 1)
            mean = 0.0
            for index in range(length):
                mean += level[begin + index]
            mean /= length
            covariance, squares = 0.0, 0.0
            for index in range(length):
                covariance += (index - middle) * (level[begin + index] - mean)
                squares += (index - middle) ** 2
            slope = covariance / squares
            residual = 0.0
            for index in range(length):
                residual += (level[begin + index] - mean - slope * (index - middle)) ** 2
            if slope < -_SLOWEST_DB and np.sqrt(residual / length) < _ROUGH_DB:
                decays[decay_count, 0] = peak_step + offset
                decays[decay_count, 1] = -60.0 / slope * DECAY_STEP_S
                decays[decay_count, 2] = level[begin] - level[end]
                decays[decay_count, 3] = end + 1 + offset
                decay_count += 1
        peak_step = max(low_step, peak_step + 1)
    return decay_count


@kernel("void(float64[::1], int64, int64, float64[::1])")
def _rises(power: np.ndarray, first: int, last: int, rise_db: np.ndarray) -> None:
    """Rise in dB of two steps against the five before them."""
    for index in range(first, last):
        power_before = 1e-16
        for step in range(index - 5, index):
            power_before += power[step]
        rise_db[index] = 10.0 * np.log10((power[index] + power[index + 1] + 4e-17) / power_before * 2.5)


@kernel("int64(float64[::1], int64, int64, int64, float64[:, ::1])")
def onsets(power: np.ndarray, first: int, last: int, offset: int, contrasts: np.ndarray) -> int:
    """Beginnings of notes in an envelope, and how far each stands above what rings before and after it.

    Parameters
    ----------
    power : (steps,) float64
        Mean squares of `ONSET_STEP_S` each, with `ONSET_CONTEXT` steps on either side of what is looked at.
    first, last : int
        Onsets at `first` or later and before `last` are told.
    offset : int
        Added to the places that are told.
    contrasts : (most, 2) float64
        Filled with rows: place, contrast in dB.

    Returns
    -------
    int, number of onsets.

    Notes
    -----
    An onset is where 20 ms stand 3 dB or more above the 50 ms before, more than 80 ms around it do (a high-frequency energy
    rise: Bello et al. 2005, doi:10.1109/TSA.2005.851998). Its contrast is the highest 10 ms of its first 50 ms against
    the mean power of what lies before (20 to 100 ms) and what rings on after it (80 to 260 ms, or until 20 ms before the next
    onset): early against late energy, as ISO 3382-1 clarity sets them, at the scale of a note. 30 dB at most.
    """
    step_count = power.shape[0]
    rise = np.full(step_count, -1e9)
    _rises(power, max(5, first - _ONSET_APART), min(step_count - 1, last + ONSET_CONTEXT - _ONSET_APART), rise)
    onset_count = 0
    for onset in range(max(first, 10), min(last, step_count - ONSET_CONTEXT + 1)):
        if rise[onset] < _ONSET_RISE_DB or onset_count >= contrasts.shape[0]:
            continue
        highest = True
        for step in range(max(0, onset - _ONSET_APART), min(step_count, onset + _ONSET_APART + 1)):
            if rise[step] > rise[onset] or (rise[step] == rise[onset] and step < onset):
                highest = False
        if not highest:
            continue
        ring_end = onset + 26
        for step in range(onset + _ONSET_APART + 1, onset + 28):
            if rise[step] >= _ONSET_RISE_DB:
                ring_end = min(ring_end, step - 2)
                break
        if ring_end - (onset + 8) < 5:
            ring_end = onset + 13
        top, before, after = 0.0, 0.0, 0.0
        for step in range(onset, onset + 5):
            top = max(top, power[step])
        for step in range(onset - 10, onset - 2):
            before += power[step]
        for step in range(onset + 8, ring_end):
            after += power[step]
        ring = 0.5 * (before / 8.0 + after / (ring_end - onset - 8))
        if top > 1e-12:
            contrasts[onset_count, 0] = onset + offset
            contrasts[onset_count, 1] = min(_MOST_CONTRAST_DB, 10.0 * np.log10(top / max(ring, 1e-18)))
            onset_count += 1
    return onset_count


@kernel("void(float64[:, :, ::1], int64, int64, int64, int64, int64[:, ::1], float64[:, :, ::1], int64[::1])")
def free_decays_of_all(
    power: np.ndarray,
    begin: int,
    first: int,
    last: int,
    offset: int,
    next_step: np.ndarray,
    decays: np.ndarray,
    counts: np.ndarray,
) -> None:
    """Free decays of every track and band, each found by `free_decays`.

    Shapes: power (tracks, bands, steps), of which those from `begin` on are known; following (tracks, bands), the place after
    the last decay told, updated; out (tracks, most, 4), filled with rows: band, beginning in s, seconds for 60 dB, fall in
    dB; counts (tracks,), number of decays.
    """
    rows = np.empty((decays.shape[1], 4))
    for track in range(power.shape[0]):
        counts[track] = 0
        for band in range(power.shape[1]):
            start = max(first, begin, next_step[track, band] - offset)
            if start >= last:
                continue
            decay_count = free_decays(power[track, band, begin:], start - begin, last - begin, begin + offset, rows)
            if decay_count:
                next_step[track, band] = np.int64(rows[decay_count - 1, 3])
            for k in range(min(decay_count, decays.shape[1] - counts[track])):
                decays[track, counts[track], 0] = band
                decays[track, counts[track], 1] = rows[k, 0] * DECAY_STEP_S
                decays[track, counts[track], 2] = rows[k, 1]
                decays[track, counts[track], 3] = rows[k, 2]
                counts[track] += 1
