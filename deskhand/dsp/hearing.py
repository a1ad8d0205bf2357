"""Loudness and sharpness as the ear has them: ISO 532-1 (Zwicker), stationary and time-varying, and DIN 45692."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.iso532 import (
    BANDWIDTH_DB,
    DIFFUSE_DB,
    FILTER_GAINS,
    FILTERS,
    LOW_CORRECTION_DB,
    OUTER_EAR_DB,
    RANGES_DB,
    SLOPES,
    STEP_SONE,
    THRESHOLD_DB,
    UPPER_BARK,
)
from deskhand.dsp.kernel import kernel
from deskhand.dsp.vectors import LANES, load, splat, store

if TYPE_CHECKING:
    from numpy.typing import NDArray

BANDS: Final = 28
"""Third-octaves 25 Hz to 12.5 kHz."""
SPECIFIC: Final = 240
"""Values of the specific loudness: one every 0.1 Bark up to 24."""
SAMPLE_RATE_HZ: Final = 48000
"""Sample rate of the filters of ISO 532-1, Table A.2."""
_EVERY: Final = 24
"""Samples for each level: 2000 levels a second."""
_INNER: Final = 24
"""Steps between two levels in the decays (ISO 532-1, A.4)."""
LOUDNESS_RATE_HZ: Final = 500.0
"""Loudness values a second: one every 2 ms (ISO 532-1:2017, clause 6)."""
_REFERENCE_PA2: Final = 4e-10
"""(20 uPa)^2, the reference of sound pressure levels."""
_TINY_PA2: Final = 1e-12
"""Added before the logarithm, as in the program of ISO 532-1:2017."""
_THRESHOLD_FACTOR: Final = 0.25
"""Threshold factor s of the core loudness (ISO 532-1:2017, 5.3 and 5.4)."""


@kernel("void(float64[::1], boolean, float64[::1])")
def _core_loudness(level_db: np.ndarray, diffuse: bool, core: np.ndarray) -> None:
    """Core loudness (21,) of the critical bands, the last of them 0, from (28,) third-octave levels (clauses 5.3, 5.4)."""
    low = np.zeros(3)
    for band in range(11):
        level_range = 0
        while level_range < 7 and level_db[band] > RANGES_DB[level_range] - LOW_CORRECTION_DB[level_range, band]:
            level_range += 1
        group = 0 if band < 6 else (1 if band < 9 else 2)
        low[group] += 10.0 ** (0.1 * (level_db[band] + LOW_CORRECTION_DB[level_range, band]))
    for band in range(20):
        level = level_db[band + 8]
        if band < 3:
            level = 10.0 * np.log10(max(low[band], 1.0))
        level -= OUTER_EAR_DB[band]
        if diffuse:
            level += DIFFUSE_DB[band]
        core[band] = 0.0
        if level > THRESHOLD_DB[band]:
            level -= BANDWIDTH_DB[band]
            above = 1.0 - _THRESHOLD_FACTOR + _THRESHOLD_FACTOR * 10.0 ** (0.1 * (level - THRESHOLD_DB[band]))
            core[band] = max(0.0, 0.0635 * 10.0 ** (0.025 * THRESHOLD_DB[band]) * (above**0.25 - 1.0))
    # the threshold falls within the lowest critical band
    core[0] *= min(1.0, 0.4 + 0.32 * core[0] ** 0.2)
    core[20] = 0.0


@kernel("float64(float64[::1], float64[::1])")
def _loudness(core: np.ndarray, specific: np.ndarray) -> float:
    """Total loudness in sone, and (240,) specific loudness, with the slopes towards high frequencies (clause 5.5)."""
    total = 0.0
    n1, z1 = 0.0, 0.0
    next_place = 0  # index in `specific` to be filled next
    step = 0
    for band in range(21):
        column = min(max(band - 1, 0), 7)
        upper = UPPER_BARK[band]
        while z1 < upper - 1e-9:
            if n1 <= core[band]:
                n2, z2, slope = core[band], upper, 0.0
                n1 = n2
            else:
                step = 0
                while step < 17 and STEP_SONE[step] >= n1 - 1e-12:
                    step += 1
                slope = SLOPES[step, column]
                n2 = max(STEP_SONE[step], core[band])
                z2 = z1 + (n1 - n2) / slope
                if z2 > upper:
                    z2 = upper
                    n2 = n1 - (z2 - z1) * slope
            total += (z2 - z1) * 0.5 * (n1 + n2)
            while next_place < SPECIFIC and 0.1 * (next_place + 1) <= z2 + 1e-9:
                specific[next_place] = n1 - (0.1 * (next_place + 1) - z1) * slope
                next_place += 1
            n1, z1 = n2, z2
    return max(0.0, total)


@kernel("float64(float64[::1], boolean, float64[::1])")
def _stationary(level_db: np.ndarray, diffuse: bool, specific: np.ndarray) -> float:
    """Loudness in sone of (28,) third-octave levels; fills (240,) specific loudness."""
    core = np.empty(21)
    _core_loudness(level_db, diffuse, core)
    return _loudness(core, specific)


def stationary_loudness(
    level_db_spl: NDArray[np.float64], *, diffuse: bool = False
) -> tuple[float, NDArray[np.float64]]:
    """Loudness of a steady sound.

    Parameters
    ----------
    level_db_spl : (28,) array
        Third-octave levels, 25 Hz to 12.5 kHz, in dB re 20 uPa; 120 at most. -inf for nothing.
    diffuse : bool
        In a diffuse field rather than a free one.

    Returns
    -------
    (loudness in sone, (240,) specific loudness in sone/Bark every 0.1 Bark from 0.1)

    Raises
    ------
    ValueError
        Not 28 levels, or one above 120 dB, for which the method has no table.

    References
    ----------
    ISO 532-1:2017, clause 5 (Zwicker method for stationary sounds) and Annex A. The rounding of its program is left out.
    """
    levels = np.ascontiguousarray(level_db_spl, dtype=np.float64)
    if levels.shape != (BANDS,):
        raise ValueError(f"{levels.shape} levels; ISO 532-1 wants (28,)")
    if not levels.max() <= 120.0:  # NaN is none either
        raise ValueError(f"{levels.max():.1f} dB; ISO 532-1 ends at 120 dB")
    specific = np.zeros(SPECIFIC)
    loudness = _stationary(np.maximum(levels, -60.0), diffuse, specific)
    return float(loudness), specific


def sharpness_acum(loudness_sone: float, specific: NDArray[np.float64]) -> float:
    """Sharpness in acum of a sound with (240,) specific loudness; NaN below 0.1 sone.

    References
    ----------
    DIN 45692:2009, clause 5; the factor (0.105 to 0.115 allowed) is 0.11, which gives the reference noise 1.00 acum.
    """
    if loudness_sone < 0.1:
        return float("nan")
    bark = 0.1 * np.arange(1, SPECIFIC + 1)
    weight = np.where(bark > 15.8, 0.15 * np.exp(0.42 * (bark - 15.8)) + 0.85, 1.0)
    return float(0.11 * np.sum(specific * weight * bark) * 0.1 / loudness_sone)


def phon(loudness_sone: float) -> float:
    """Loudness level of a loudness, in phon (ISO 532-1:2017, 5.7; below 1 sone the formula's 0.0005 is from memory)."""
    if loudness_sone >= 1.0:
        return float(40.0 + 10.0 * np.log2(loudness_sone))
    return float(max(3.0, 40.0 * (loudness_sone + 0.0005) ** 0.35))


# long: one walk along the sound; split, the state of eight bands would go through memory
@kernel("void(float64[::1], float64[:, ::1])")
def _levels(pressure_pa: np.ndarray, level_db: np.ndarray) -> None:
    """Third-octave levels 2000 times a second: filters, squares, three smoothings (clause 6.3); fills (28, levels). Eight bands at once."""
    settings = np.zeros((8, LANES))
    flat = settings.reshape(-1)
    powers = np.zeros(LANES)
    for first in range(0, BANDS, LANES):
        for lane in range(LANES):
            band = min(first + lane, BANDS - 1)  # lanes behind the last band hold it again
            settings[0, lane], settings[1, lane] = -2.0 - FILTERS[band, 0], 1.0 - FILTERS[band, 1]
            settings[2, lane], settings[3, lane] = -2.0 - FILTERS[band, 2], 1.0 - FILTERS[band, 3]
            settings[4, lane], settings[5, lane] = -2.0 - FILTERS[band, 4], 1.0 - FILTERS[band, 5]
            middle_hz = 1000.0 * 10.0 ** (0.1 * (band - 16))
            settings[6, lane] = np.exp(-1.0 / (SAMPLE_RATE_HZ * 2.0 / (3.0 * min(middle_hz, 1000.0))))
            settings[7, lane] = FILTER_GAINS[band]
        a11, a12, a21, a22 = load(flat, 0), load(flat, 8), load(flat, 16), load(flat, 24)
        a31, a32, keep, gain = load(flat, 32), load(flat, 40), load(flat, 48), load(flat, 56)
        zero, two = splat(0.0), splat(2.0)
        new = splat(1.0) - keep
        p1, p2, q1, q2, r1, r2 = zero, zero, zero, zero, zero, zero
        e1, e2, e3 = zero, zero, zero
        for index in range(pressure_pa.shape[0]):
            x = splat(pressure_pa[index]) * gain
            y = x + p1
            p1 = two * x - a11 * y + p2
            p2 = x - a12 * y
            z = y + q1
            q1 = q2 - a21 * z
            q2 = (zero - y) - a22 * z
            w = z + r1
            r1 = r2 - (two * z + a31 * w)
            r2 = z - a32 * w
            e1 = new * w * w + keep * e1
            e2 = new * e1 + keep * e2
            e3 = new * e2 + keep * e3
            if index % _EVERY == 0:
                store(powers, 0, e3)
                for lane in range(min(LANES, BANDS - first)):
                    level_db[first + lane, index // _EVERY] = 10.0 * np.log10(
                        (powers[lane] + _TINY_PA2) / _REFERENCE_PA2
                    )


@kernel("void(float64[:, ::1])")
def _decays(core: np.ndarray) -> None:
    """Let core loudness decay as in the ear after a sound ends, faster after a short one (clause 6.4; A.4), in place on (21, levels)."""
    short_s, long_s, var_s = 0.005, 0.015, 0.075
    step_s = 1.0 / (SAMPLE_RATE_HZ / _EVERY * _INNER)
    half = 0.5 * (var_s + long_s) / (var_s * short_s)
    root = np.sqrt(half * half - 1.0 / (short_s * var_s))
    root_1, root_2 = -half + root, -half - root
    den = var_s * (root_1 - root_2)
    e1, e2 = np.exp(root_1 * step_s), np.exp(root_2 * step_s)
    b0 = (e1 - e2) / den
    b1 = ((var_s * root_2 + 1.0) * e1 - (var_s * root_1 + 1.0) * e2) / den
    b2 = ((var_s * root_1 + 1.0) * e1 - (var_s * root_2 + 1.0) * e2) / den
    b3 = (var_s * root_1 + 1.0) * (var_s * root_2 + 1.0) * (e1 - e2) / den
    b4, b5 = np.exp(-step_s / long_s), np.exp(-step_s / var_s)
    count = core.shape[1]
    for band in range(core.shape[0]):
        decayed, held = 0.0, 0.0
        for index in range(count):
            current = core[band, index]
            following = core[band, index + 1] if index + 1 < count else 0.0
            rise = (following - current) / _INNER
            first = 0.0
            for inner in range(_INNER):
                value = current + inner * rise
                if value < decayed:
                    if decayed > held:
                        new_held = decayed * b0 - held * b1
                        new = decayed * b2 - held * b3
                        new = max(new, value)
                        new_held = min(new_held, new)
                    else:
                        new = max(decayed * b4, value)
                        new_held = new
                else:
                    new = value
                    new_held = (held - value) * b5 + value if (value > decayed or decayed > held) else value
                decayed, held = new, new_held
                if inner == 0:
                    first = new
            core[band, index] = first


@kernel("void(float64[::1])")
def _weigh_in_time(loudness: np.ndarray) -> None:
    """Smooth (levels,) loudness by two low-passes that stand for the ear's inertia (clause 6.5), in place."""
    count = loudness.shape[0]
    rate_hz = SAMPLE_RATE_HZ / _EVERY * _INNER
    keep_fast, keep_slow = np.exp(-1.0 / (rate_hz * 0.0035)), np.exp(-1.0 / (rate_hz * 0.07))
    fast, slow = 0.0, 0.0
    for index in range(count):
        current = loudness[index]
        rise = ((loudness[index + 1] if index + 1 < count else 0.0) - current) / _INNER
        result = 0.0
        for inner in range(_INNER):
            value = current + inner * rise
            fast = (1.0 - keep_fast) * value + keep_fast * fast
            slow = (1.0 - keep_slow) * value + keep_slow * slow
            if inner == 0:
                result = 0.47 * fast + 0.53 * slow
        loudness[index] = result


@kernel("void(float64[:, ::1], boolean, float64[:, ::1])")
def _core_in_time(level_db: np.ndarray, diffuse: bool, core: np.ndarray) -> None:
    """Core loudness (21, levels) from (28, levels) third-octave levels."""
    column, result = np.empty(BANDS), np.empty(21)
    for index in range(level_db.shape[1]):
        for band in range(BANDS):
            column[band] = level_db[band, index]
        _core_loudness(column, diffuse, result)
        core[:, index] = result


@kernel("void(float64[:, ::1], float64[::1], float64[:, ::1])")
def _loudness_in_time(core: np.ndarray, loudness: np.ndarray, specific: np.ndarray) -> None:
    """Loudness (levels,) in sone from (21, levels) core loudness, and specific loudness (levels / 4, 240)."""
    column, result = np.empty(21), np.empty(SPECIFIC)
    for index in range(core.shape[1]):
        for band in range(21):
            column[band] = core[band, index]
        loudness[index] = _loudness(column, result)
        if index % 4 == 0:
            specific[index // 4] = result


def loudness_over_time(
    pressure_pa: NDArray[np.floating], *, diffuse: bool = False
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Loudness of a sound that changes, every 2 ms.

    Parameters
    ----------
    pressure_pa : (frames,) array
        Sound pressure in Pa, sampled at 48 kHz.
    diffuse : bool
        In a diffuse field rather than a free one.

    Returns
    -------
    (loudness (times,) in sone, specific loudness (times, 240) in sone/Bark before the inertia of the ear)

    References
    ----------
    ISO 532-1:2017, clause 6 (Zwicker method for time-varying sounds) and Annex A. N5 is the 95th percentile of the first.
    """
    pressure = np.ascontiguousarray(pressure_pa, dtype=np.float64)
    levels = np.empty((BANDS, -(-pressure.size // _EVERY)))
    _levels(pressure, levels)
    core = np.empty((21, levels.shape[1]))
    _core_in_time(levels, diffuse, core)
    _decays(core)
    loudness = np.empty(levels.shape[1])
    specific = np.empty((-(-levels.shape[1] // 4), SPECIFIC))
    _loudness_in_time(core, loudness, specific)
    _weigh_in_time(loudness)
    return loudness[::4], specific
