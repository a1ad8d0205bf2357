"""Steady tones that grow, as feedback does, in short-time power spectra.

A tone that feeds back stands alone, keeps its frequency, and grows by as many decibels in each second: its loop multiplies it by one number again and
again. That, and what is asked of each frame, are the features by which van Waterschoot & Moonen, "Fifty years of acoustic feedback control: state of the
art and future challenges", Proc. IEEE 99(2), 2011, compare detectors: peak to its neighbours, peak to its harmonics, persistence from frame to frame,
and how far the slope departs from a straight line. The fifth is ours: it is louder than that frequency has been for a while, which a partial of a string
that beats is not. All numbers: set on the half to tune on of validations/ringing.py.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from deskhand.dsp.kernel import kernel

TONES: Final = 12
"""Tones followed at once, of each track."""
LEVELS: Final = 16
"""Newest levels that are kept of a tone: 1.6 s."""
_PEAKS: Final = 96
"""Peaks read of a frame, the first of them in order of frequency."""
_NEIGHBOURS: Final = 100.0
"""Power of a peak over the mean of either side's bins (20 dB)."""
_FROM, _TO = 4, 13
"""Bins on either side that are its neighbours: outside the main lobe of a Hann window that is swept."""
_SILENT: Final = 2e-10
"""Power (-97 dBFS) below which nothing is a peak."""
_LEAST_DBFS: Final = -62.0
"""Level from which a tone is told."""
_NEAR_BINS: Final = 0.6
"""Distance within which a peak goes on as the same tone from frame to frame."""
_DRIFT_BINS: Final = 0.15
"""Distance from where it began: 0.9 Hz. A loop keeps to 0.05; no voice and no wind player holds a note so still."""
_MISSED_FRAMES: Final = 2
"""Frames in a row in which it may be hidden."""
FRAMES, _MORE_FRAMES = 7, 14
"""Frames over which it has to grow; or, where it grows slowly, these."""
_RISE_DB: Final = 8.0
"""Growth over these."""
_RATIOS = np.array(
    [(partial + 1) / partial for partial in range(1, 11)]
    + [(partial - 1) / partial for partial in range(2, 11)]
    + [3.0, 1.0 / 3.0]
)
"""Where a note that a tone is the first to tenth partial of would have others."""
RATIOS: Final = 21
"""Number of these."""
_NO_PARTIAL_DB: Final = -60.0
"""Level against the tone that counts as none."""
_NEW_SHARE: Final = 0.3
"""Share of the newest frame in the level of a partial: one that stands at -10 dB counts as -25 dB after three frames."""
_STRAIGHT_DB: Final = 1.5
"""Root mean square of what departs from a straight line, or a tenth of the rise where that is more and the line is not short."""
_HARMONICS_DB, _STEEP_HARMONICS_DB = -25.0, -18.0
"""Level against it from which something at a simple ratio of its frequency makes it a note's partial; the second where it rises steeply."""
_STEEP_DB: Final = 14.0
"""Rise over the frames of the line from which it is steep."""
_FEW_FRAMES: Final = 5
"""Frames over which a steep rise is told."""
_STANDS_DBFS: Final = -12.0
"""Level from which a tone that neither grows nor falls is told: a loop that came to the end of what its monitor gives."""
_STANDS_DB: Final = 0.5
"""Root mean square of what departs from a straight line, of a tone that stands."""
_STANDS_BINS: Final = 0.1
"""Distance from where it began, of a tone that stands: 0.6 Hz."""
_SUNG_BINS: Final = 188
"""Bin up to which a tone that stands may be held by a voice: 1100 Hz, the limit of `findings.kinds`."""
_SUNG_STANDS_DBFS: Final = -6.0
"""Level from which a tone that stands in the range of voices is told: a held note of one that clips lies below it."""
_NEW_DB: Final = 3.0
"""Level above all that was heard at its frequency before."""
_FORGET: Final = 10.0**-0.02
"""Share of power at which a frequency's loudest is remembered after each frame: 2 dB a second."""
_FALLEN_DB: Final = 10.0
"""Fall from its highest level at which it is over."""
_NEVER_DB: Final = -200.0
"""Below any level of 32-bit samples."""


def full_scale(window: np.ndarray) -> np.float32:
    """Factor of |X|^2 of a Hann window with which the three bins of a full-scale sine add up to 1 (0 dBFS, AES17)."""
    return np.float32(4.0 / (window.size * np.sum(window.astype(np.float64) ** 2)))


@kernel("int64(float32[::1], int64, int64, float64[:, ::1])")
def tone_peaks(row: np.ndarray, low_bin: int, high_bin: int, peaks: np.ndarray) -> int:
    """Find the peaks of a spectrum that stand out of both their sides.

    Parameters
    ----------
    row : (bins,) float32
        Power spectrum; reaches `_TO` bins beyond the range.
    low_bin, high_bin : int
        Range in which peaks are looked for.
    peaks : (most, 2) float64
        Filled with bin, between bins by a parabola through the logarithms, and level of the peak with its two neighbours in dB.

    Returns
    -------
    int, number of peaks.
    """
    count = 0
    for place in range(low_bin, high_bin):
        top = np.float64(row[place])
        if top < _SILENT or top < row[place - 1] or top <= row[place + 1]:
            continue
        below, above = 0.0, 0.0
        for offset in range(_FROM, _TO):
            if place - offset > 0:
                below += row[place - offset]
            above += row[place + offset]
        if top * (_TO - _FROM) < _NEIGHBOURS * max(below, above):
            continue
        left, right = np.float64(row[place - 1]), np.float64(row[place + 1])
        left_ln, top_ln, right_ln = np.log(left + 1e-30), np.log(top), np.log(right + 1e-30)
        bend = left_ln - 2.0 * top_ln + right_ln
        if count < peaks.shape[0]:
            peaks[count, 0] = place + (0.5 * (left_ln - right_ln) / bend if bend != 0.0 else 0.0)
            peaks[count, 1] = 10.0 * np.log10(top + left + right)
            count += 1
    return count


@kernel("float64(float32[::1], float64)")
def _level_at(row: np.ndarray, exact_bin: float) -> float:
    """Level in dB of a peak of its own at a place of a spectrum; very low where none stands out, as of noise that is as loud."""
    place = round(exact_bin)
    if place < 6 or place + _TO >= row.size:
        return _NEVER_DB
    top = max(np.float64(row[place - 1]), np.float64(row[place]), np.float64(row[place + 1]))
    around = 0.0
    for offset in range(_FROM + 1, _TO):
        around += (row[place - offset] if place > offset else 0.0) + row[place + offset]
    if top * 2 * (_TO - _FROM - 1) <= 10.0 * around:
        return _NEVER_DB
    return float(10.0 * np.log10(top + 1e-30))


@kernel("void(float32[::1], float64, float64, float64[::1])")
def note_partials(row: np.ndarray, tone_bin: float, level_db: float, partials: np.ndarray) -> None:
    """Bring up to date how loud the other partials are of the note that a tone would be one of.

    The tone is looked at as the first to the tenth partial; the next and the last but one, the third of it, and what it would be the third of,
    stand for the rest. A note's partial stands at one of these ratios in every frame; the voice that a tone rises under passes by them.

    Parameters
    ----------
    row : (bins,) float32
    tone_bin, level_db : float
    partials : (RATIOS,) float64
        Level of what stands there against the tone in dB, smoothed over some frames; changed.
    """
    for ratio in range(RATIOS):
        exact_bin = tone_bin * _RATIOS[ratio]
        below_db = _NO_PARTIAL_DB
        # nearer than that it is the tone's own main lobe
        if abs(exact_bin - tone_bin) >= _FROM + 1:
            below_db = max(_NO_PARTIAL_DB, _level_at(row, exact_bin) - level_db)
        partials[ratio] += _NEW_SHARE * (below_db - partials[ratio])


@kernel("Tuple((float64, float64, float64))(float64[::1], int64, int64)")
def growth(levels: np.ndarray, count: int, frames: int) -> tuple[float, float, float]:
    """Fit a straight line to the newest levels of a tone.

    Parameters
    ----------
    levels : (LEVELS,) float64
        In dB, the newest at (count - 1) % LEVELS; NaN where it was hidden.
    count : int
        Levels so far.
    frames : int
        Levels of the line; `count` is as many at least.

    Returns
    -------
    Slope in dB a frame, root mean square of what departs from the line in dB, and the highest level before the line; slope 0 where more than one is hidden.
    """
    sum_x, sum_y, sum_xx, sum_xy, used = 0.0, 0.0, 0.0, 0.0, 0
    for back in range(frames):
        level = levels[(count - 1 - back) % LEVELS]
        if not np.isnan(level):
            sum_x -= back
            sum_y += level
            sum_xx += back * back
            sum_xy -= back * level
            used += 1
    if used < frames - 1:
        return 0.0, 0.0, 0.0
    slope = (used * sum_xy - sum_x * sum_y) / (used * sum_xx - sum_x * sum_x)
    newest = (sum_y - slope * sum_x) / used
    squares = 0.0
    for back in range(frames):
        level = levels[(count - 1 - back) % LEVELS]
        if not np.isnan(level):
            squares += (level - newest + slope * back) ** 2
    before = _NEVER_DB
    for back in range(frames - 1, min(count, LEVELS)):
        level = levels[(count - 1 - back) % LEVELS]
        if not np.isnan(level):
            before = max(before, level)
    return slope, np.sqrt(squares / used), before


# columns of a tone's state
BIN, FIRST_BIN, BEFORE_DB, MISSED, COUNT, REPORT, TOP_DB, NOW_DB = range(8)
COLUMNS: Final = 8
"""Number of the columns above."""


@kernel("int64(float64, float64, float64[::1], float64[:, ::1], float64[:, ::1])")
def _begin(tone_bin: float, level_db: float, loudest: np.ndarray, tones: np.ndarray, levels: np.ndarray) -> int:
    """Begin to follow a peak, where a place is free or the tone followed there has grown less; the place, or -1."""
    place = round(tone_bin)
    before = 0.0
    for index in range(place - 2, place + 3):
        before = max(before, loudest[index])
    # power of three bins of a Hann window against its highest: 1.76 dB
    before_db = 10.0 * np.log10(before + 1e-20) + 1.76
    if level_db < before_db - 2.0 * _NEW_DB:
        return -1
    chosen, least = -1, level_db - before_db
    for tone in range(tones.shape[0]):
        if tones[tone, BIN] < 0.0:
            chosen = tone
            break
        grown = tones[tone, NOW_DB] - tones[tone, BEFORE_DB]
        if tones[tone, REPORT] < 0.0 and tones[tone, MISSED] > 0.0 and grown < least:
            chosen, least = tone, grown
    if chosen < 0:
        return -1
    tones[chosen, BIN] = tones[chosen, FIRST_BIN] = tone_bin
    tones[chosen, BEFORE_DB] = before_db
    tones[chosen, MISSED] = 0.0
    tones[chosen, COUNT] = 1.0
    tones[chosen, REPORT] = -1.0
    tones[chosen, TOP_DB] = tones[chosen, NOW_DB] = level_db
    levels[chosen, 0] = level_db
    return chosen


@kernel("float64(float64[::1], float64[::1], float64, float64)")
def told_slope(state: np.ndarray, levels: np.ndarray, level_db: float, partial_db: float) -> float:
    """Growth of a tone in dB a frame where it is to be told, very small where it stands at the top; 0 where it is not.

    Parameters
    ----------
    state : (COLUMNS,) float64
    levels : (LEVELS,) float64
    level_db : float
        Level in the newest frame.
    partial_db : float
        Loudest other partial against it.
    """
    for frames in (_FEW_FRAMES, FRAMES, _MORE_FRAMES):
        if state[COUNT] < frames:
            continue
        slope, departs, before = growth(levels, int(state[COUNT]), frames)
        rise_db = slope * (frames - 1)
        is_steep = rise_db >= _STEEP_DB
        is_few = frames == _FEW_FRAMES
        is_new = level_db >= max(before, state[BEFORE_DB]) + _NEW_DB
        if (
            rise_db >= (_STEEP_DB if is_few else _RISE_DB)
            and departs <= (_STRAIGHT_DB if is_few else max(_STRAIGHT_DB, 0.1 * rise_db))
            and is_new
            and partial_db < (_STEEP_HARMONICS_DB if is_steep else _HARMONICS_DB)
        ):
            return slope
        is_at_top = level_db >= _STANDS_DBFS and level_db >= state[BEFORE_DB] + _NEW_DB
        is_no_voice = state[BIN] > _SUNG_BINS or level_db >= _SUNG_STANDS_DBFS
        stands = frames == _MORE_FRAMES and is_at_top and is_no_voice and departs <= _STANDS_DB and slope > -0.01
        if stands and abs(state[BIN] - state[FIRST_BIN]) <= _STANDS_BINS and partial_db < _HARMONICS_DB:
            return max(slope, 0.001)
    return 0.0


# long: one walk over the spectra; split, each frame would cost calls
@kernel(
    "int64(float32[:, ::1], int64, int64, int64, float64[:, ::1], float64[:, ::1], float64[:, ::1], float64[::1], float64[:, ::1])"
)
def growing_tones(
    power: np.ndarray,
    low_bin: int,
    high_bin: int,
    frame: int,
    tones: np.ndarray,
    levels: np.ndarray,
    partials: np.ndarray,
    loudest: np.ndarray,
    rises: np.ndarray,
) -> int:
    """Find steady tones that grow, as feedback does.

    Parameters
    ----------
    power : (frames, bins) float32
        Power spectra, one every 100 ms, in the scale of `full_scale`.
    low_bin, high_bin : int
        Range of bins in which tones are looked for; `_TO` bins or more are beyond it.
    frame : int
        Number of the first frame in the take.
    tones : (TONES, COLUMNS) float64
        Tones that are followed; -1 at the beginning.
    levels : (TONES, LEVELS) float64
        Their newest levels in dB.
    partials : (TONES, RATIOS) float64
        Level of other partials of their note against them in dB; anything at the beginning.
    loudest : (bins,) float64
        Loudest power of each bin, forgotten by 2 dB a second; 0 at the beginning.
    rises : (most, 5) float64
        Filled with begin and end frame, bin, growth in dB a second, and level in dB.

    Returns
    -------
    int, number of rises. A tone that goes on growing, or standing, in the next block is reported there as its own stretch; the caller joins them.
    """
    count = 0
    peaks = np.empty((_PEAKS, 2))
    taken = np.empty(_PEAKS, np.bool_)
    for row_number in range(power.shape[0]):
        row = power[row_number]
        found = tone_peaks(row, low_bin, high_bin, peaks)
        taken[:found] = False
        for tone in range(tones.shape[0]):
            state = tones[tone]
            if state[BIN] < 0.0:
                continue
            nearest, distance = -1, _NEAR_BINS
            for peak in range(found):
                apart = abs(peaks[peak, 0] - state[BIN])
                if apart < distance and not taken[peak]:
                    nearest, distance = peak, apart
            place = int(state[COUNT]) % LEVELS
            if nearest < 0:
                state[MISSED] += 1.0
                state[COUNT] += 1.0
                levels[tone, place] = np.nan
                if state[MISSED] > _MISSED_FRAMES:
                    state[BIN] = -1.0
                continue
            taken[nearest] = True
            tone_bin, level_db = peaks[nearest, 0], peaks[nearest, 1]
            state[MISSED] = 0.0
            state[COUNT] += 1.0
            state[BIN] += (0.3 if state[COUNT] < 5.0 else 0.15) * (tone_bin - state[BIN])
            levels[tone, place] = level_db
            slope = 0.0
            state[NOW_DB] = level_db
            state[TOP_DB] = max(state[TOP_DB], level_db)
            if state[REPORT] == -1.0:
                note_partials(row, tone_bin, level_db, partials[tone])
                if abs(tone_bin - state[FIRST_BIN]) > _DRIFT_BINS:
                    # a note that sways; a loop that comes out of it begins here
                    state[BIN] = state[FIRST_BIN] = tone_bin
                    state[COUNT] = 1.0
                    levels[tone, 0] = level_db
                    continue
                if level_db < _LEAST_DBFS:
                    continue
                slope = told_slope(state, levels[tone], level_db, partials[tone].max())
                if slope <= 0.0:
                    continue
            elif level_db < state[TOP_DB] - _FALLEN_DB:
                state[BIN] = -1.0
                continue
            if state[REPORT] < 0.0 and count < rises.shape[0]:
                grew = state[REPORT] == -1.0
                rises[count, 0] = frame + row_number - (FRAMES - 1 if grew else 0)
                rises[count, 2] = tone_bin
                rises[count, 3] = 10.0 * slope if grew else 0.0
                state[REPORT] = count
                count += 1
            if state[REPORT] >= 0.0:
                rises[int(state[REPORT]), 1] = frame + row_number + 1
                rises[int(state[REPORT]), 4] = state[TOP_DB]
        for peak in range(found):
            if not taken[peak]:
                begun = _begin(peaks[peak, 0], peaks[peak, 1], loudest, tones, levels)
                if begun >= 0:
                    partials[begun] = _NO_PARTIAL_DB
                    note_partials(row, peaks[peak, 0], peaks[peak, 1], partials[begun])
        for index in range(low_bin - 3, high_bin + 3):
            loudest[index] = max(_FORGET * loudest[index], np.float64(row[index]))
    for tone in range(tones.shape[0]):
        if tones[tone, REPORT] >= 0.0:
            # told, and perhaps going on
            tones[tone, REPORT] = -2.0
    return count
