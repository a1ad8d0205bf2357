"""Free decays and note onsets in envelopes: how fast sound dies away, and how far beginnings stand out."""

from __future__ import annotations

from typing import Final

import numba as nb
import numpy as np

DECAY_STEP_S: Final = 0.02
"""Of the envelopes in which decays are looked for."""
DECAY_CONTEXT: Final = 250
"""Steps (5 s) looked at on either side: ahead for the decay, behind for the floor."""
ONSET_STEP_S: Final = 0.01
ONSET_CONTEXT: Final = 40
"""Steps (0.4 s) looked at on either side of an onset."""
_LEAST_FALL_DB: Final = 8.0
_RISE_DB: Final = 2.5
_LATEST_LOW: Final = 15
_ABOVE_FLOOR_DB: Final = 8.0
_HEAD_DB: Final = 2.0
_LEAST_STEPS: Final = 6
_ROUGH_DB: Final = 2.0
_SLOWEST_DB: Final = 0.12
_ONSET_RISE_DB: Final = 3.0
_ONSET_APART: Final = 8
_MOST_CONTRAST_DB: Final = 30.0
"""What lies further below a note is not heard behind it. Common practice, no source."""


@nb.njit("void(float64[::1], float64[::1])", cache=True, nogil=True)
def _smoothed_db(power: np.ndarray, out: np.ndarray) -> None:
    """Level of the mean of three neighbours."""
    count = power.shape[0]
    for index in range(count):
        total = power[index] + power[max(0, index - 1)] + power[min(count - 1, index + 1)]
        out[index] = 10.0 * np.log10(total / 3.0 + 1e-20)


@nb.njit("int64(float64[::1], int64, int64, int64, float64[:, ::1])", cache=True, nogil=True)
def free_decays(power: np.ndarray, first: int, last: int, offset: int, out: np.ndarray) -> int:
    """Stretches in which an envelope falls freely, with the straight line through each.

    Parameters
    ----------
    power : (steps,) float64
        Mean squares of `DECAY_STEP_S` each.
    first, last : int
        Decays that begin at `first` or later and before `last` are looked for.
    offset : int
        Added to the places that are told.
    out : (most, 4) float64
        Filled with rows: place of the beginning, seconds for a fall of 60 dB, fall in dB, place after the end.

    Returns
    -------
    int, how many.

    Notes
    -----
    A decay begins at a local maximum of the level (of three steps) and is followed down until the level rises 2.5 dB above
    its lowest, or finds no new low for 0.3 s. Its last part, within 8 dB of the lowest level within 5 s, is noise or the
    next sound; its first 2 dB belong to the note. What is left must fall by 8 dB and lie within 2 dB (RMS) of a straight
    line. Finding decays before fitting them: Ratnam et al. 2003, doi:10.1121/1.1616578; selecting them by monotony:
    Löllmann, Yilmaz, Jeub & Vary 2010, "An improved algorithm for blind reverberation time estimation", IWAENC.
    """
    count = power.shape[0]
    level = np.empty(count)
    _smoothed_db(power, level)
    found = 0
    at = max(first, 1)
    while at < last and at < count - 3 and found < out.shape[0]:
        if not (level[at] >= level[at - 1] and level[at] > level[at + 1]):
            at += 1
            continue
        low, place, index = level[at], at, at
        while index + 1 < count:
            index += 1
            if level[index] < low:
                low = level[index]
                place = index
            if level[index] > low + _RISE_DB or index - place > _LATEST_LOW:
                break
        floor = level[at]
        for near in range(max(0, at - DECAY_CONTEXT), min(count, place + DECAY_CONTEXT + 1)):
            floor = min(floor, level[near])
        end = place
        while end > at and level[end] <= floor + _ABOVE_FLOOR_DB:
            end -= 1
        begin = at
        while begin <= end and level[begin] >= level[at] - _HEAD_DB:
            begin += 1
        steps = end - begin + 1
        if steps >= _LEAST_STEPS and level[begin] - level[end] >= _LEAST_FALL_DB:
            middle = 0.5 * (steps - 1)
            mean = 0.0
            for index in range(steps):
                mean += level[begin + index]
            mean /= steps
            above, squares = 0.0, 0.0
            for index in range(steps):
                above += (index - middle) * (level[begin + index] - mean)
                squares += (index - middle) ** 2
            slope = above / squares
            rough = 0.0
            for index in range(steps):
                rough += (level[begin + index] - mean - slope * (index - middle)) ** 2
            if slope < -_SLOWEST_DB and np.sqrt(rough / steps) < _ROUGH_DB:
                out[found, 0] = at + offset
                out[found, 1] = -60.0 / slope * DECAY_STEP_S
                out[found, 2] = level[begin] - level[end]
                out[found, 3] = end + 1 + offset
                found += 1
        at = max(place, at + 1)
    return found


@nb.njit("void(float64[::1], int64, int64, float64[::1])", cache=True, nogil=True)
def _rises(power: np.ndarray, first: int, last: int, out: np.ndarray) -> None:
    """By how much two steps stand above the five before them, in dB."""
    for index in range(first, last):
        before = 1e-16
        for near in range(index - 5, index):
            before += power[near]
        out[index] = 10.0 * np.log10((power[index] + power[index + 1] + 4e-17) / before * 2.5)


@nb.njit("int64(float64[::1], int64, int64, int64, float64[:, ::1])", cache=True, nogil=True)
def onsets(power: np.ndarray, first: int, last: int, offset: int, out: np.ndarray) -> int:
    """Beginnings of notes in an envelope, and how far each stands above what rings before and after it.

    Parameters
    ----------
    power : (steps,) float64
        Mean squares of `ONSET_STEP_S` each, with `ONSET_CONTEXT` steps on either side of what is looked at.
    first, last : int
        Onsets at `first` or later and before `last` are told.
    offset : int
        Added to the places that are told.
    out : (most, 2) float64
        Filled with rows: place, contrast in dB.

    Returns
    -------
    int, how many.

    Notes
    -----
    An onset is where 20 ms stand 3 dB or more above the 50 ms before, more than 80 ms around it do (a high-frequency energy
    rise: Bello et al. 2005, doi:10.1109/TSA.2005.851998). Its contrast is the highest 10 ms of its first 50 ms against
    the mean power of what lies before (20 to 100 ms) and what rings on after it (80 to 260 ms, or until 20 ms before the next
    onset): early against late energy, as ISO 3382-1 clarity sets them, at the scale of a note. 30 dB at most.
    """
    count = power.shape[0]
    rise = np.full(count, -1e9)
    _rises(power, max(5, first - _ONSET_APART), min(count - 1, last + ONSET_CONTEXT - _ONSET_APART), rise)
    found = 0
    for at in range(max(first, 10), min(last, count - ONSET_CONTEXT + 1)):
        if rise[at] < _ONSET_RISE_DB or found >= out.shape[0]:
            continue
        most = True
        for near in range(max(0, at - _ONSET_APART), min(count, at + _ONSET_APART + 1)):
            if rise[near] > rise[at] or (rise[near] == rise[at] and near < at):
                most = False
        if not most:
            continue
        stop = at + 26
        for near in range(at + _ONSET_APART + 1, at + 28):
            if rise[near] >= _ONSET_RISE_DB:
                stop = min(stop, near - 2)
                break
        if stop - (at + 8) < 5:
            stop = at + 13
        top, before, after = 0.0, 0.0, 0.0
        for near in range(at, at + 5):
            top = max(top, power[near])
        for near in range(at - 10, at - 2):
            before += power[near]
        for near in range(at + 8, stop):
            after += power[near]
        ring = 0.5 * (before / 8.0 + after / (stop - at - 8))
        if top > 1e-12:
            out[found, 0] = at + offset
            out[found, 1] = min(_MOST_CONTRAST_DB, 10.0 * np.log10(top / max(ring, 1e-18)))
            found += 1
    return found


@nb.njit(
    "void(float64[:, :, ::1], int64, int64, int64, int64, int64[:, ::1], float64[:, :, ::1], int64[::1])",
    cache=True,
    nogil=True,
)
def free_decays_of_all(
    power: np.ndarray,
    begin: int,
    first: int,
    last: int,
    offset: int,
    following: np.ndarray,
    out: np.ndarray,
    counts: np.ndarray,
) -> None:
    """`free_decays` of every track and band.

    Shapes: power (tracks, bands, steps), of which those from `begin` on are known; following (tracks, bands), the place after
    the last decay told, updated; out (tracks, most, 4), filled with rows: band, beginning in s, seconds for 60 dB, fall in
    dB; counts (tracks,), how many.
    """
    rows = np.empty((out.shape[1], 4))
    for track in range(power.shape[0]):
        counts[track] = 0
        for band in range(power.shape[1]):
            start = max(first, begin, following[track, band] - offset)
            if start >= last:
                continue
            found = free_decays(power[track, band, begin:], start - begin, last - begin, begin + offset, rows)
            if found:
                following[track, band] = np.int64(rows[found - 1, 3])
            for k in range(min(found, out.shape[1] - counts[track])):
                out[track, counts[track], 0] = band
                out[track, counts[track], 1] = rows[k, 0] * DECAY_STEP_S
                out[track, counts[track], 2] = rows[k, 1]
                out[track, counts[track], 3] = rows[k, 2]
                counts[track] += 1
