"""Noise and hum that a processor adds: what a linear model leaves, where it does not follow the programme."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.optimize

from deskhand.compare.interval import Interval
from deskhand.compare.result import Addition, HumLine
from deskhand.units import AES17_OFFSET_DB, db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_BLOCK_S: Final = 0.05
"""Blocks in which programme and remainder are set against each other. Common practice, no source."""
_MOST_SLOPE: Final = 0.3
"""Decibels that the remainder may rise with each decibel of the programme and still be something added: distortion and what is late
rise by one and more. The study `validations/compare_cases.py`."""
_MOST_SPREAD_DB: Final = 9.0
"""Range of its level (5 to 95 % of the blocks) with which it still counts as steady. The same study."""
_LEAST_DBFS: Final = -100.0
"""Quieter additions are not told: converters of 16 bits. Common practice, no source."""
_MAINS_HZ: Final = (50.0, 60.0)
"""Mains frequencies of the world (IEC 60038)."""
_MAINS_SHARE: Final = 0.01
"""Share by which mains and recorder may be off: EN 50160 allows 1 %."""
_LINES: Final = 20
"""Multiples of the mains that are looked at: up to 1 kHz and 1.2 kHz. Common practice, no source."""
_HUM_SHARE: Final = 0.5
"""Share of the addition in lines of the mains from which it is called hum. Common practice, no source."""
_LINE_SHARE: Final = 1e-3
"""Power of a line against the addition's below which it is not told: -30 dB. Common practice, no source."""
_SECTION_S: Final = 1.0
"""Sections over which levels are drawn again for the interval. Common practice, no source."""
_DRAWS: Final = 200
"""Draws of a bootstrap (Efron & Tibshirani 1993 have 50 to 200 for standard errors)."""
_LEAST_SURE_DB: Final = 0.25
"""Level that stays unsure beside chance: what the linear model takes with it. The study `validations/compare_cases.py`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyPart:
    """Addition to AFTER, and whether it explains what the linear model leaves."""

    addition: Addition
    slope: float
    """Decibels that the remainder rises with each of the programme."""


def _blocks_db(signal: Array, block: int) -> Array:
    """(blocks,) level of (channels, frames)."""
    count = signal.shape[1] // block
    power = np.mean(signal[:, : count * block].reshape(signal.shape[0], count, block) ** 2, axis=(0, 2))
    return np.asarray(db_from_power(np.maximum(power, 1e-20)))


def find_steady(linear: Array, left: Array, rate_hz: int) -> SteadyPart | None:
    """Noise or hum in what a linear model leaves; None where that follows the programme.

    Parameters
    ----------
    linear, left : (channels, frames) arrays
        BEFORE through the linear model, and AFTER without that.
    rate_hz : int
    """
    block = round(_BLOCK_S * rate_hz)
    programme_db, left_db = _blocks_db(linear, block), _blocks_db(left, block)
    playing = programme_db > np.percentile(programme_db, 98) - 50.0
    if playing.sum() < 20 or float(np.std(programme_db[playing])) < 0.5:
        return None
    slope = float(np.polyfit(programme_db[playing], left_db[playing], 1)[0])
    level_dbfs = float(db_from_power(max(float(np.mean(left**2)), 1e-30))) + AES17_OFFSET_DB
    spread_db = float(np.percentile(left_db[playing], 95) - np.percentile(left_db[playing], 5))
    if slope > _MOST_SLOPE or spread_db > _MOST_SPREAD_DB or level_dbfs < _LEAST_DBFS:
        return None
    mono = left.mean(axis=0)
    mains_hz, lines, hum = _hum(mono, rate_hz)
    without_hum = left - hum
    hum_power, rest_power = float(np.mean(hum**2)), float(np.mean(without_hum**2))
    is_hum = hum_power > _HUM_SHARE * rest_power
    return SteadyPart(
        slope=slope,
        addition=Addition(
            noise_dbfs=round(float(db_from_power(max(rest_power, 1e-30))) + AES17_OFFSET_DB, 2),
            noise_interval_dbfs=_interval_dbfs(without_hum, rate_hz),
            hum_dbfs=round(float(db_from_power(max(hum_power, 1e-30))) + AES17_OFFSET_DB, 2) if is_hum else None,
            hum_interval_dbfs=_interval_dbfs(np.broadcast_to(hum, left.shape), rate_hz) if is_hum else None,
            mains_hz=round(mains_hz, 3) if is_hum else None,
            lines=tuple(lines) if is_hum else (),
        ),
    )


def _interval_dbfs(signal: Array, rate_hz: int) -> Interval:
    """Interval of a level: the middle 95 of 100 of its sections drawn again and again, and a little more."""
    section = round(_SECTION_S * rate_hz)
    count = max(1, signal.shape[1] // section)
    power = np.mean(signal[:, : count * section].reshape(signal.shape[0], count, -1) ** 2, axis=(0, 2))
    rng = np.random.default_rng(count)
    means = power[rng.integers(0, count, (_DRAWS, count))].mean(axis=1)
    low, high = db_from_power(np.maximum(np.percentile(means, [2.5, 97.5]), 1e-30)) + AES17_OFFSET_DB
    return Interval(low=round(float(low) - _LEAST_SURE_DB, 2), high=round(float(high) + _LEAST_SURE_DB, 2))


def _hum(mono: Array, rate_hz: int) -> tuple[float, list[HumLine], Array]:
    """(mains frequency, its lines, (frames,) of them together) that explain most of a remainder."""
    down = max(1, int(rate_hz / (3.0 * _LINES * _MAINS_HZ[1])))
    slow = mono[: mono.size // down * down].reshape(-1, down).mean(axis=1)
    slow_rate = rate_hz / down
    spectrum = np.abs(np.fft.rfft(slow * np.hanning(slow.size), 4 * slow.size)) ** 2
    step_hz = slow_rate / (4 * slow.size)

    def power_at(mains_hz: float) -> float:
        index = np.rint(np.arange(1, _LINES + 1) * mains_hz / step_hz).astype(int)
        return float(np.sum(spectrum[index[index < spectrum.size]]))

    candidates = np.concatenate(
        [np.arange(hz * (1 - _MAINS_SHARE), hz * (1 + _MAINS_SHARE), step_hz / _LINES) for hz in _MAINS_HZ]
    )
    rough = float(max(candidates, key=power_at))
    fine = scipy.optimize.minimize_scalar(
        lambda hz: -_lines_fit(slow, slow_rate, float(hz))[1], bounds=(rough - step_hz, rough + step_hz), method="bounded",
        options={"xatol": 1e-5, "maxiter": 25},
    )  # fmt: skip
    mains_hz = float(fine.x)
    weights, _ = _lines_fit(slow, slow_rate, mains_hz)
    # the means of `down` samples lower a line a little, and shift it by half of them
    hum = np.zeros(mono.size)
    turn = np.exp(2j * np.pi * mains_hz / rate_hz * (np.arange(mono.size) - 0.5 * (down - 1)))
    wave = np.ones(mono.size, np.complex128)
    lines = []
    total = max(float(np.mean(mono**2)), 1e-30)
    for number in range(1, _LINES + 1):
        hz = number * mains_hz
        droop = abs(np.sinc(hz / slow_rate) / max(abs(np.sinc(hz / rate_hz)), 1e-9))
        cosine, sine = weights[number - 1] / max(droop, 0.1)
        wave *= turn
        hum += cosine * wave.real + sine * wave.imag
        power = 0.5 * float(cosine**2 + sine**2)
        if power > _LINE_SHARE * total:
            lines.append(
                HumLine(frequency_hz=round(hz, 2), level_dbfs=round(float(db_from_power(power)) + AES17_OFFSET_DB, 1))
            )
    return mains_hz, lines, hum


def _lines_fit(signal: Array, rate: float, mains_hz: float) -> tuple[Array, float]:
    """((lines, 2) weights of cosine and sine, power that they explain) by projection: the lines are apart over seconds."""
    time = 2.0 * np.pi * mains_hz / rate * np.arange(signal.size)
    turn = np.exp(1j * time)
    wave = np.ones(signal.size, np.complex128)
    weights = np.zeros((_LINES, 2))
    power = 0.0
    for number in range(_LINES):
        wave = wave * turn
        product = 2.0 * complex(np.vdot(wave, signal)) / signal.size
        weights[number] = product.real, -product.imag
        power += 0.5 * abs(product) ** 2
    return weights, power
