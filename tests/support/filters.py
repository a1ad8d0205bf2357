"""Filters against their analogue prototypes: grids of settings, and the worst error over them."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import scipy.signal as ss

from deskhand.dsp import filters

if TYPE_CHECKING:
    from collections.abc import Callable

RATES_HZ: Final = (44100.0, 48000.0, 96000.0)

GRID_HZ: Final = np.geomspace(20.0, 20000.0, 241)

CORNERS_HZ: Final = (20.0, 50.0, 120.0, 400.0, 1000.0, 2500.0, 5000.0, 8000.0, 10000.0, 12000.0, 16000.0, 18000.0)

GAINS_DB: Final = (-15.0, -6.0, -1.0, 3.0, 9.0, 15.0)

BELL_QS: Final = (0.3, 0.7, 1.0, 1.4, 2.8, 5.6, 10.0)

SHELF_QS: Final = (0.3, 0.5, 0.707, 1.0, 1.4)

SLOPES_DB: Final = (6.0, 12.0, 18.0, 24.0, 30.0, 36.0, 42.0, 48.0)

CROSSOVERS: Final = (12.0, 24.0, 36.0, 48.0)

SEEN_DB: Final = -60.0

"""What lies lower than this below the top of the prototype is not looked at."""


def analogue(kind: str, gain_db: float, q: float) -> tuple[list[float], list[float]]:
    """Numerator and denominator in s of the Audio EQ Cookbook's prototypes, corner at 1 rad/s."""
    a = 10.0 ** (gain_db / 40.0)
    match kind:
        case "bell":
            return [1.0, a / q, 1.0], [1.0, 1.0 / (a * q), 1.0]
        case "low shelf":
            return [a, a * a**0.5 / q, a * a], [a, a**0.5 / q, 1.0]
        case "high shelf":
            return [a * a, a * a**0.5 / q, a], [1.0, a**0.5 / q, a]
    raise ValueError(kind)


def prototype_db(kind: str, corner_hz: float, gain_db: float, q: float, at_hz: np.ndarray) -> np.ndarray:
    _, response = ss.freqs(*analogue(kind, gain_db, q), worN=at_hz / corner_hz)
    return 20.0 * np.log10(np.abs(response))


def alignment_db(kind: str, order: int, corner_hz: float, at_hz: np.ndarray, *, crossover: bool) -> np.ndarray:
    """Butterworth by scipy's analogue design; Linkwitz-Riley is two of half the order."""
    name: Literal["highpass", "lowpass"] = "highpass" if kind == "high-pass" else "lowpass"
    z, p, k = ss.butter(order // 2 if crossover else order, 1.0, name, analog=True, output="zpk")
    _, response = ss.freqs_zpk(z, p, k, worN=at_hz / corner_hz)  # type: ignore[call-overload]  # a gain is a number to scipy itself
    return (2.0 if crossover else 1.0) * 20.0 * np.log10(np.maximum(np.abs(response), 1e-30))


def magnitude_db(sos: np.ndarray, at_hz: np.ndarray, rate_hz: float) -> np.ndarray:
    _, response = ss.freqz_sos(sos, worN=at_hz, fs=rate_hz)
    return 20.0 * np.log10(np.maximum(np.abs(response), 1e-30))


def error_db(found_db: np.ndarray, wanted_db: np.ndarray) -> float:
    """The worst, where the prototype is less than 60 dB below its top."""
    seen = wanted_db > wanted_db.max() + SEEN_DB
    return float(np.abs(found_db - wanted_db)[seen].max())


EQUALISERS: Final[dict[str, Callable[[float, float, float, float], np.ndarray]]] = {
    "bell": filters.bell,
    "low shelf": filters.low_shelf,
    "high shelf": filters.high_shelf,
}

PASSES: Final[dict[str, Callable[..., np.ndarray]]] = {"high-pass": filters.high_pass, "low-pass": filters.low_pass}


def worst_equaliser_db(kind: str, rate_hz: float) -> tuple[float, tuple[float, ...]]:
    """The worst error of a kind over the grid of settings, and the settings."""
    qs = BELL_QS if kind == "bell" else SHELF_QS
    found = (
        (
            error_db(
                magnitude_db(EQUALISERS[kind](corner_hz, gain_db, q, rate_hz), GRID_HZ, rate_hz),
                prototype_db(kind, corner_hz, gain_db, q, GRID_HZ),
            ),
            (corner_hz, gain_db, q),
        )
        for corner_hz, gain_db, q in itertools.product(CORNERS_HZ, GAINS_DB, qs)
    )
    return max(found)


def worst_pass_db(kind: str, rate_hz: float, *, crossover: bool = False) -> tuple[float, tuple[float, ...]]:
    """As `worst_equaliser_db`, over corners and slopes."""
    slopes_db = CROSSOVERS if crossover else SLOPES_DB
    shape = "linkwitz-riley" if crossover else "butterworth"
    found = (
        (
            error_db(
                magnitude_db(PASSES[kind](corner_hz, slope_db, rate_hz, shape), GRID_HZ, rate_hz),
                alignment_db(kind, round(slope_db / 6.0), corner_hz, GRID_HZ, crossover=crossover),
            ),
            (corner_hz, slope_db),
        )
        for corner_hz, slope_db in itertools.product(CORNERS_HZ, slopes_db)
    )
    return max(found)


def sum_db(corner_hz: float, slope_db: float, rate_hz: float, sign: float) -> np.ndarray:
    """Low-pass plus high-pass."""
    legs = [PASSES[kind](corner_hz, slope_db, rate_hz, "linkwitz-riley") for kind in ("low-pass", "high-pass")]
    low, high = (ss.freqz_sos(sos, worN=GRID_HZ, fs=rate_hz)[1] for sos in legs)
    return 20.0 * np.log10(np.abs(low + sign * high))
