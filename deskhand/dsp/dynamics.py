"""Level detectors, gain computers and gain smoothing of gates, compressors and limiters.

Gains are computed and smoothed in decibels, after the gain computer, as Giannoulis, Massberg & Reiss recommend (J. Audio Eng.
Soc. 60 (6), 2012, 399): no lag below the threshold, and a release that does not depend on how much was taken off. A time
constant is the time to 1 - 1/e of a step. Levels are of a sine's RMS (AES17): a full-scale sine reads 0 dBFS, whether its peak
or its mean square is looked at.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from deskhand.dsp.kernel import kernel
from deskhand.dsp.vectors import LANES, decibels, gain_of, load, store

FLOOR_DB: Final = -200.0  # level of nothing: 10 lg of the 1e-20 that `to_db` adds
# The two-stage release: common practice, no source; docs/validation-chain.md measures what these five give.
TWO_STAGE_FAST_S: Final = 0.06  # return of what lies above the store (no source)
TWO_STAGE_SLOW_S: Final = 0.5  # return of the store after short compression (no source)
TWO_STAGE_SLOWEST_S: Final = 5.0  # return of the store after long compression (no source)
TWO_STAGE_CHARGE_S: Final = 1.0  # filling of the store (no source)
TWO_STAGE_MEMORY_S: Final = 8.0  # time over which the share of compression is counted (no source)
RISING_DB: Final = 6.0
"""Level over the threshold by which a rising ratio grows by one: 1 + over / 6 dB. Common practice, no source."""
RISING: Final = 0.0
"""Stands for a rising ratio in the kernels."""
_NO_DENORMALS: Final = 1e-25
"""Added to what decays (below -200 dB): numbers too small to be normal take a hundred times as long."""


def keep(time_s: float, sample_rate_hz: float) -> float:
    """Factor a sample of a one-pole smoother with a time constant; 0 for a time of 0."""
    return float(np.exp(-1.0 / (time_s * sample_rate_hz))) if time_s > 0.0 else 0.0


@kernel("float64(float64, float64, float64, float64)")
def static_reduction_db(level_db: float, threshold_db: float, ratio: float, knee_db: float) -> float:
    """Gain reduction of a compressor at a level, in dB, 0 or more.

    Parameters
    ----------
    level_db, threshold_db, knee_db : float
    ratio : float
        1 or more; 0 for a ratio that rises with level: 1 + over / 6 dB, so that `over` dB above the threshold come out as
        6 ln(1 + over / 6) dB above it. It starts at 1 and needs no knee.

    References
    ----------
    Giannoulis, Massberg & Reiss 2012: quadratic soft knee.
    """
    over = level_db - threshold_db
    if ratio == RISING:
        return 0.0 if over <= 0.0 else over - RISING_DB * np.log1p(over / RISING_DB)
    slope = 1.0 - 1.0 / ratio
    if 2.0 * over <= -knee_db:
        return 0.0
    if 2.0 * over < knee_db:
        return slope * (over + 0.5 * knee_db) ** 2 / (2.0 * knee_db)
    return slope * over


@kernel("void(float64[::1])")
def to_db(power: np.ndarray) -> None:
    """Turn powers into decibels, in place: 10 lg of each value plus 1e-20 (-200 dB), within 1e-9 dB.

    Eight values at a time, which calls of the library do not do: `deskhand.dsp.vectors.decibels`.
    """
    size = power.shape[0]
    whole = size - size % LANES
    for index in range(0, whole, LANES):
        store(power, index, decibels(load(power, index)))
    if whole < size:
        padded = np.zeros(LANES)
        for index in range(whole, size):
            padded[index - whole] = power[index]
        store(padded, 0, decibels(load(padded, 0)))
        for index in range(whole, size):
            power[index] = padded[index - whole]


@kernel("void(float64[::1], float64[::1])")
def to_gain(gain_db: np.ndarray, gain: np.ndarray) -> None:
    """Gain factors of (frames,) decibels: 10^(x / 20), within 1e-9 of itself, for -2000 to 2000 dB; eight at a time, as `to_db`."""
    size = gain_db.shape[0]
    whole = size - size % LANES
    for index in range(0, whole, LANES):
        store(gain, index, gain_of(load(gain_db, index)))
    if whole < size:
        padded = np.zeros(LANES)
        for index in range(whole, size):
            padded[index - whole] = gain_db[index]
        store(padded, 0, gain_of(load(padded, 0)))
        for index in range(whole, size):
            gain[index] = padded[index - whole]


@kernel("void(float64[::1], float64, float64[::1], float64[::1])")
def detect(signal: np.ndarray, keep_rms: float, state: np.ndarray, level_db: np.ndarray) -> None:
    """Level of each sample in dBFS of a sine's RMS.

    Parameters
    ----------
    signal : (frames,)
    keep_rms : float
        Factor a sample of the averaging of squares, from `keep`; 0 looks at peaks.
    state : (1,)
        The average so far; updated.
    level_db : (frames,)
        Filled; -200 for nothing.
    """
    if keep_rms > 0.0:
        held = state[0]
        for index in range(signal.shape[0]):
            held = keep_rms * held + (1.0 - keep_rms) * (2.0 * signal[index] * signal[index] + _NO_DENORMALS)
            level_db[index] = held
        state[0] = held
    else:
        for index in range(signal.shape[0]):
            level_db[index] = signal[index] * signal[index]
    to_db(level_db)


@kernel("void(float64[::1], float64, float64, float64)")
def compress(level_db: np.ndarray, threshold_db: float, ratio: float, knee_db: float) -> None:
    """Turn (frames,) levels into the gain reduction a compressor asks for, in place."""
    for index in range(level_db.shape[0]):
        level_db[index] = static_reduction_db(level_db[index], threshold_db, ratio, knee_db)


@kernel("void(float64[::1], float64, float64, float64[::1])")
def smooth(reduction_db: np.ndarray, keep_attack: float, keep_release: float, state: np.ndarray) -> None:
    """Smooth gain reduction by attack and release, in place on (frames,); state (1,), updated. Giannoulis et al. 2012: smooth branching detector."""
    held = state[0]
    for index in range(reduction_db.shape[0]):
        wanted = reduction_db[index]
        factor = keep_attack if wanted > held else keep_release
        held = factor * held + (1.0 - factor) * wanted + _NO_DENORMALS
        reduction_db[index] = held
    state[0] = held


@kernel("void(float64[::1], float64, float64, float64[::1])")
def smooth_two_stage(reduction_db: np.ndarray, keep_attack: float, sample_rate_hz: float, state: np.ndarray) -> None:
    """Smooth gain reduction by an attack and a release in two stages, in place on (frames,).

    While it takes off, half of the reduction passes into a slow store within a second (time constant). When the level falls,
    what lies above the store returns with 60 ms, the store itself with 0.5 s after short compression and up to 5 s after long:
    the share of the last 8 s (time constant) in which it has been taking off sets where in between.

    Parameters
    ----------
    state : (3,)
        Reduction, store, share; updated.
    """
    held, store, share = state[0], state[1], state[2]
    fast = np.exp(-1.0 / (TWO_STAGE_FAST_S * sample_rate_hz))
    charge = np.exp(-1.0 / (TWO_STAGE_CHARGE_S * sample_rate_hz))
    memory = np.exp(-1.0 / (TWO_STAGE_MEMORY_S * sample_rate_hz))
    slow, known = 0.0, -1.0
    for index in range(reduction_db.shape[0]):
        wanted = reduction_db[index]
        share = memory * share + (1.0 - memory) * (1.0 if wanted > 0.1 else 0.0)
        # in steps, so that the result does not depend on where a stretch begins
        rough = np.rint(share * 256.0) / 256.0
        if rough != known:
            known = rough
            slow_s = TWO_STAGE_SLOW_S + (TWO_STAGE_SLOWEST_S - TWO_STAGE_SLOW_S) * known
            slow = np.exp(-1.0 / (slow_s * sample_rate_hz))
        if wanted >= held:
            held = keep_attack * held + (1.0 - keep_attack) * wanted
        else:
            base = max(wanted, min(store, held))
            held = base + fast * (held - base)
        if 0.5 * wanted > store:
            store = charge * store + (1.0 - charge) * 0.5 * wanted
        elif wanted < store:
            store = wanted + slow * (store - wanted)
        reduction_db[index] = held
    state[0], state[1], state[2] = held, store, share


@kernel("void(float64[::1], float64, float64, float64, int64, float64[::1])")
def gate(level_db: np.ndarray, open_db: float, close_db: float, range_db: float, hold: int, state: np.ndarray) -> None:
    """Turn (frames,) levels into the gain reduction a gate asks for, in place: 0 open, `range_db` (positive) closed.

    It opens above `open_db` and closes when the level has stayed below `close_db` for `hold` samples.

    Parameters
    ----------
    state : (2,)
        1 while open or 0, and samples left to hold; updated.
    """
    is_open, left = state[0], state[1]
    for index in range(level_db.shape[0]):
        if level_db[index] >= open_db:
            is_open = 1.0
        if is_open == 1.0 and level_db[index] >= close_db:
            left = hold
        elif left > 0.0:
            left -= 1.0
        else:
            is_open = 0.0
        level_db[index] = 0.0 if is_open == 1.0 else range_db
    state[0], state[1] = is_open, left


@kernel("void(float64[::1], float64, float64, float64[::1])")
def smooth_gate(reduction_db: np.ndarray, keep_open: float, keep_close: float, state: np.ndarray) -> None:
    """Opening and closing of a gate, in place on (frames,): as `smooth`, with the opening (less reduction) for the attack."""
    held = state[0]
    for index in range(reduction_db.shape[0]):
        wanted = reduction_db[index]
        factor = keep_open if wanted < held else keep_close
        held = factor * held + (1.0 - factor) * wanted + _NO_DENORMALS
        reduction_db[index] = held
    state[0] = held


@kernel("void(float64[:, ::1], float64[::1], float64)")
def apply(signal: np.ndarray, reduction_db: np.ndarray, makeup_db: float) -> None:
    """Take (frames,) dB off (channels, frames), in place."""
    largest_db = 0.0
    for index in range(reduction_db.shape[0]):
        largest_db = max(largest_db, abs(reduction_db[index]))
    if largest_db == 0.0 and makeup_db == 0.0:
        return
    gain = np.empty(reduction_db.shape[0])
    for index in range(reduction_db.shape[0]):
        gain[index] = makeup_db - reduction_db[index]
    to_gain(gain, gain)
    for channel in range(signal.shape[0]):
        row = signal[channel]
        for index in range(gain.shape[0]):
            row[index] *= gain[index]


@kernel("void(float64[:, ::1], float64[::1], float64[::1], float64, float64[:, ::1])")
def moving_bell(signal: np.ndarray, amount_db: np.ndarray, section: np.ndarray, sign: float, state: np.ndarray) -> None:
    """Add (g - 1) times a band-pass of 0 dB at its middle, g moving with (frames,) dB, in place on (channels, frames).

    With g constant it is a bell of gain g whose poles do not move: what moves is the amount only.

    Parameters
    ----------
    section : (6,)
        The band-pass.
    sign : float
        1 lifts by `amount_db`, -1 lowers.
    state : (channels, 2), updated.
    """
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[4], section[5]
    gain = np.empty(amount_db.shape[0])
    for index in range(amount_db.shape[0]):
        gain[index] = sign * amount_db[index]
    to_gain(gain, gain)
    for channel in range(signal.shape[0]):
        s0, s1 = state[channel, 0], state[channel, 1]
        row = signal[channel]
        for index in range(row.shape[0]):
            x = row[index]
            y = b0 * x + s0
            s0 = (b1 * x + s1) - a1 * y
            s1 = b2 * x - a2 * y
            row[index] = x + (gain[index] - 1.0) * y
        state[channel, 0], state[channel, 1] = s0, s1


@kernel("void(float64[::1], int64, float64, float64[::1], int64[::1], float64[::1])")
def look_ahead(
    reduction_db: np.ndarray,
    ahead: int,
    keep_release: float,
    held: np.ndarray,
    ring_slot: np.ndarray,
    smoothed_db: np.ndarray,
) -> None:
    """Gain reduction of a limiter: the largest asked for within the next `ahead` samples, reached by a straight line.

    The result lies `ahead` samples behind: delay the signal by as much.

    Parameters
    ----------
    reduction_db : (frames,)
        Gain reduction that each sample needs, in dB.
    held : (3 * ahead + 2,)
        Ring of demands, ring of maxima, running sum of the second, released value; updated. Zeros to begin with.
    ring_slot : (1,)
        Slot in the rings to be filled next; updated.
    smoothed_db : (frames,)
        Filled.
    """
    slot = ring_slot[0]
    demands, maxima = held[:ahead], held[ahead : 2 * ahead]
    total, released = held[3 * ahead], held[3 * ahead + 1]
    for index in range(reduction_db.shape[0]):
        demands[slot] = reduction_db[index]
        largest = 0.0
        for ahead_index in range(ahead):
            largest = max(largest, demands[ahead_index])
        released = largest if largest > released else largest + keep_release * (released - largest)
        if released < 1e-7:
            released = 0.0
        total += released - maxima[slot]
        maxima[slot] = released
        smoothed_db[index] = max(0.0, total / ahead)
        slot = slot + 1 if slot + 1 < ahead else 0
        if slot == 0:
            # rounding must not add up
            total = 0.0
            for ahead_index in range(ahead):
                total += maxima[ahead_index]
    ring_slot[0] = slot
    held[3 * ahead], held[3 * ahead + 1] = total, released


@kernel("void(float64[::1], int64, float64[:, ::1], float64, float64[::1])")
def true_tops(signal: np.ndarray, side: int, phases: np.ndarray, ceiling: float, tops: np.ndarray) -> None:
    """Largest magnitude at each sample and between it and the next one, where it may pass a ceiling.

    Parameters
    ----------
    signal : (2 * side + frames,)
        Begins with 2 * `side` samples of what came before: the results lie `side` samples behind the new ones.
    phases : (factor - 1, 2 * side)
        From `deskhand.dsp.peak.interpolator`.
    ceiling : float
        Where not even the most that interpolation can add reaches it, the larger of the two samples is told.
    tops : (frames,)
        Filled.
    """
    largest_gain = 1.0
    for phase in range(phases.shape[0]):
        total = 0.0
        for tap in range(2 * side):
            total += abs(phases[phase, tap])
        largest_gain = max(largest_gain, total)
    for first in range(0, tops.shape[0], 64):
        last = min(tops.shape[0], first + 64)
        highest = 0.0
        for index in range(first, last + 2 * side):
            highest = max(highest, abs(signal[index]))
        for index in range(first, last):
            # the sample `side` back from the newest that is looked at, and the gap that follows it
            window_start = index + 1
            top = max(abs(signal[window_start + side - 1]), abs(signal[window_start + side]))
            if highest * largest_gain > ceiling:
                for phase in range(phases.shape[0]):
                    total = 0.0
                    for tap in range(2 * side):
                        total += phases[phase, tap] * signal[window_start + tap]
                    top = max(top, abs(total))
            tops[index] = top
