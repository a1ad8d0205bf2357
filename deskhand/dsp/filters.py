"""Equaliser and crossover filters as second-order sections, faithful to their analogue prototypes up to 20 kHz.

The tangent mapping bends everything towards half the sample rate; where that matters the section is matched to the analogue
magnitude instead (see `deskhand.dsp.biquad.matched`). Each section is designed both ways, and the one nearer to its prototype
from 20 Hz to 20 kHz is kept: worst errors are in docs/validation-chain.md.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.dsp.biquad import from_powers, poles, response, tangent
from deskhand.dsp.kernel import kernel
from deskhand.units import db_from_amplitude, db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

Alignment = Literal["butterworth", "linkwitz-riley"]
_GRID_HZ: Final = np.geomspace(20.0, 20000.0, 120)
_FLOOR_DB: Final = -60.0
"""Level against the response's highest below which its error does not count. Common practice, no source."""
Prototype = tuple[tuple[float, float, float], tuple[float, float, float]]
"""Numerator and denominator in s / (2 pi frequency), highest power first."""
_EXACT_DB: Final = 0.01
"""Error of the tangent mapping below which no other design is tried. Common practice, no source."""
_ROUNDS: Final = 12
"""Rounds of Lawson's weights; docs/validation-chain.md has the errors they leave."""
_SMALLEST: Final = 1e-30
"""State below this (-600 dB) is set to 0: numbers too small to be normal take a hundred times as long."""


def analogue_power(
    numerator: tuple[float, float, float], denominator: tuple[float, float, float], ratio: NDArray[np.float64]
) -> NDArray[np.float64]:
    """|H|^2 of (n2 s^2 + n1 s + n0) / (d2 s^2 + d1 s + d0) at s = j ratio, ratio being frequency over corner."""
    n2, n1, n0 = numerator
    d2, d1, d0 = denominator
    squared = ratio * ratio
    return np.asarray(((n0 - n2 * squared) ** 2 + n1 * n1 * squared) / ((d0 - d2 * squared) ** 2 + d1 * d1 * squared))


def _error_db(
    sos: NDArray[np.float64],
    numerator: tuple[float, float, float],
    denominator: tuple[float, float, float],
    frequency_hz: float,
    rate_hz: float,
) -> float:
    """Largest error of a section's response against its analogue prototype from 20 Hz to 20 kHz, in dB."""
    grid = _GRID_HZ[0.49 * rate_hz > _GRID_HZ]
    goal_db = db_from_power(np.maximum(analogue_power(numerator, denominator, grid / frequency_hz), 1e-30))
    response_db = db_from_amplitude(np.maximum(np.abs(response(sos, grid, sample_rate_hz=rate_hz)), 1e-15))
    above_floor = goal_db > goal_db.max() + _FLOOR_DB
    return float(np.abs(response_db - goal_db)[above_floor].max(initial=0.0))


def _section(
    numerator: tuple[float, float, float],
    denominator: tuple[float, float, float],
    frequency_hz: float,
    rate_hz: float,
) -> NDArray[np.float64]:
    """Section nearest to an analogue prototype in s / (2 pi frequency)."""
    prototype = numerator, denominator
    candidates: list[NDArray[np.float64] | None] = []
    if frequency_hz < 0.49 * rate_hz:
        plain = tangent(numerator, denominator, frequency_hz, rate_hz)
        if _error_db(plain, numerator, denominator, frequency_hz, rate_hz) < _EXACT_DB:
            return plain
        candidates.append(plain)
    if numerator[2] == 0.0 and numerator[1] == 0.0:
        candidates.append(_high_pass_matched(prototype, frequency_hz, rate_hz))
    elif numerator[2] == 0.0:
        candidates.append(_first_order_high_pass(prototype, frequency_hz, rate_hz))
    else:
        candidates.append(_fitted(numerator, denominator, frequency_hz, rate_hz))
        if numerator[0] != 0.0:
            # the prototype's zeros kept and its poles fitted: for cuts, whose zeros are the sharp part
            turned = _fitted(denominator, numerator, frequency_hz, rate_hz)
            if turned is not None:
                candidates.append(np.concatenate([turned[3:], turned[:3]]) / turned[0])
    known = [section for section in candidates if section is not None and _is_stable(section)]
    return min(known, key=lambda sos: _error_db(sos, numerator, denominator, frequency_hz, rate_hz))


def _is_stable(sos: NDArray[np.float64]) -> bool:
    """True where both poles of a section lie inside the unit circle."""
    return bool(abs(sos[5]) < 1.0 and abs(sos[4]) < 1.0 + sos[5])


def _poles(denominator: tuple[float, float, float], frequency_hz: float, rate_hz: float) -> tuple[float, float]:
    """Coefficients a1 and a2 of a prototype's poles by impulse invariance."""
    d2, d1, d0 = denominator
    w = 2.0 * np.pi * frequency_hz / rate_hz
    if d2 == 0.0:
        return -float(np.exp(-w * d0 / d1)), 0.0
    natural, damping = w * float(np.sqrt(d0 / d2)), 0.5 * d1 / float(np.sqrt(d0 * d2))
    return poles(natural, damping)


def _high_pass_matched(prototype: Prototype, frequency_hz: float, rate_hz: float) -> NDArray[np.float64]:
    """High-pass with both zeros at 0 Hz, poles by impulse invariance, magnitude exact at the corner."""
    a1, a2 = _poles(prototype[1], frequency_hz, rate_hz)
    sos = np.array([1.0, -2.0, 1.0, 1.0, a1, a2])
    exact_hz = np.array([min(frequency_hz, 0.45 * rate_hz)])
    wanted = float(np.sqrt(analogue_power(*prototype, exact_hz / frequency_hz)[0]))
    sos[:3] *= wanted / float(np.abs(response(sos, exact_hz, sample_rate_hz=rate_hz))[0])
    return sos


def _first_order_high_pass(prototype: Prototype, frequency_hz: float, rate_hz: float) -> NDArray[np.float64] | None:
    """First-order high-pass: one zero at 0 Hz, another fitted as in `_fitted`; its pole by impulse invariance."""
    a1, a2 = _poles(prototype[1], frequency_hz, rate_hz)
    grid = _GRID_HZ[0.49 * rate_hz > _GRID_HZ]
    half = np.sin(np.pi * grid / rate_hz) ** 2
    bottom = (1.0 + a1 + a2) ** 2 * (1.0 - half) + (1.0 - a1 + a2) ** 2 * half - 4.0 * a2 * 4.0 * half * (1.0 - half)
    wanted = analogue_power(*prototype, grid / frequency_hz)
    rows = (4.0 * half / (wanted * bottom))[:, None] * np.stack([1.0 - half, half], axis=1)
    at_0, at_half = np.linalg.lstsq(rows, np.ones(grid.size), rcond=None)[0]
    if at_0 < 0.0 or at_half < 0.0:
        return None
    b0, b1 = 0.5 * (np.sqrt(at_0) + np.sqrt(at_half)), 0.5 * (np.sqrt(at_0) - np.sqrt(at_half))
    return np.array([b0, b1 - b0, -b1, 1.0, a1, a2])


def _fitted(
    numerator: tuple[float, float, float], denominator: tuple[float, float, float], frequency_hz: float, rate_hz: float
) -> NDArray[np.float64] | None:
    """Section with poles by impulse invariance and zeros by least squares on the logarithmic magnitude, or None.

    None where no real zeros fit.

    The squared magnitude of a numerator is linear in three numbers (Vicanek 2016, "Matched Second Order Digital Filters",
    who matches it at three frequencies); weights that follow the largest errors bring it near the smallest possible
    one (Lawson 1961).
    """
    a1, a2 = _poles(denominator, frequency_hz, rate_hz)
    grid = _GRID_HZ[0.49 * rate_hz > _GRID_HZ]
    half = np.sin(np.pi * grid / rate_hz) ** 2
    basis = np.stack([1.0 - half, half, 4.0 * half * (1.0 - half)], axis=1)
    bottom = basis @ np.array([(1.0 + a1 + a2) ** 2, (1.0 - a1 + a2) ** 2, -4.0 * a2])
    wanted = analogue_power(numerator, denominator, grid / frequency_hz)
    rows = basis / (wanted * bottom)[:, None]
    weight = np.where(wanted > wanted.max() * 10.0 ** (0.1 * _FLOOR_DB), 1.0, 0.0)
    best, least = None, np.inf
    for _ in range(_ROUNDS):
        powers, *_ = np.linalg.lstsq(rows * weight[:, None], weight, rcond=None)
        ratio = rows @ powers
        off = np.abs(ratio - 1.0) if ratio.min() <= 0.0 else np.abs(np.log(ratio))
        off = np.where(weight > 0.0, off, 0.0)
        sos = from_powers(powers, a1, a2)
        if sos is not None and off.max() < least:
            best, least = sos, float(off.max())
        weight = weight * np.sqrt(off / max(float(off.max()), 1e-15) + 1e-3)
        weight = weight / weight.max()
    return best


def bell_prototype(gain_db: float, q: float) -> Prototype:
    """Numerator and denominator of a bell (Audio EQ Cookbook, W3C Note 2021: peakingEQ)."""
    a = 10.0 ** (gain_db / 40.0)
    return (1.0, a / q, 1.0), (1.0, 1.0 / (a * q), 1.0)


def low_shelf_prototype(gain_db: float, q: float) -> Prototype:
    """Numerator and denominator of a low shelf (Audio EQ Cookbook: lowShelf); q above 0.707 bumps at its corner."""
    a = 10.0 ** (gain_db / 40.0)
    root = float(np.sqrt(a))
    return (a, a * root / q, a * a), (a, root / q, 1.0)


def high_shelf_prototype(gain_db: float, q: float) -> Prototype:
    """Numerator and denominator of a high shelf (Audio EQ Cookbook: highShelf)."""
    a = 10.0 ** (gain_db / 40.0)
    root = float(np.sqrt(a))
    return (a * a, a * root / q, a), (1.0, root / q, a)


def bell_or_shelf_prototype(acts: Literal["below", "above"] | None, gain_db: float, q: float) -> Prototype:
    """Numerator and denominator of the shelf that turns this side of its corner; of a bell without a side."""
    if acts is None:
        return bell_prototype(gain_db, q)
    return low_shelf_prototype(gain_db, q) if acts == "below" else high_shelf_prototype(gain_db, q)


def _butterworth_qs(order: int) -> list[float]:
    """Q of each second-order section; a first-order one comes on top when the order is odd."""
    return [1.0 / (2.0 * float(np.sin(np.pi * (2 * k + 1) / (2 * order)))) for k in range(order // 2)]


def pass_prototypes(*, order: int, high: bool, alignment: Alignment) -> list[Prototype]:
    """Sections of a low- or high-pass of an order (6 dB/octave each); Linkwitz-Riley is two Butterworths of half of it."""
    base = order // 2 if alignment == "linkwitz-riley" else order
    top = (1.0, 0.0, 0.0) if high else (0.0, 0.0, 1.0)
    prototypes: list[Prototype] = [(top, (1.0, 1.0 / q, 1.0)) for q in _butterworth_qs(base)]
    if base % 2:
        prototypes.append(((0.0, 1.0, 0.0) if high else (0.0, 0.0, 1.0), (0.0, 1.0, 1.0)))
    return prototypes * (2 if alignment == "linkwitz-riley" else 1)


def _designed(
    prototypes: list[Prototype], frequency_hz: float, rate_hz: float, *, plain: bool = False
) -> NDArray[np.float64]:
    """Sections of all prototypes; `plain` by the tangent mapping alone."""
    design = tangent if plain and frequency_hz < 0.49 * rate_hz else _section
    return np.array([design(top, bottom, frequency_hz, rate_hz) for top, bottom in prototypes])


@functools.lru_cache(maxsize=4096)
def bell(frequency_hz: float, gain_db: float, q: float, sample_rate_hz: float) -> NDArray[np.float64]:
    """(1, 6) bell; read only.

    References
    ----------
    Audio EQ Cookbook (W3C Working Group Note, 8 June 2021), peakingEQ; matched near half the rate (Vicanek 2016).
    """
    return _designed([bell_prototype(gain_db, q)], frequency_hz, sample_rate_hz)


@functools.lru_cache(maxsize=4096)
def low_shelf(frequency_hz: float, gain_db: float, q: float, sample_rate_hz: float) -> NDArray[np.float64]:
    """(1, 6) low shelf; read only. Audio EQ Cookbook, lowShelf."""
    return _designed([low_shelf_prototype(gain_db, q)], frequency_hz, sample_rate_hz)


@functools.lru_cache(maxsize=4096)
def high_shelf(frequency_hz: float, gain_db: float, q: float, sample_rate_hz: float) -> NDArray[np.float64]:
    """(1, 6) high shelf; read only. Audio EQ Cookbook, highShelf."""
    return _designed([high_shelf_prototype(gain_db, q)], frequency_hz, sample_rate_hz)


@functools.lru_cache(maxsize=1024)
def high_pass(
    frequency_hz: float, slope_db_per_octave: float, sample_rate_hz: float, alignment: Alignment = "butterworth"
) -> NDArray[np.float64]:
    """(sections, 6) high-pass; read only. Butterworth 1930: 3.01 dB down at its corner; Linkwitz 1976: 6.02 dB."""
    return _pass(frequency_hz, slope_db_per_octave, sample_rate_hz, alignment, high=True)


@functools.lru_cache(maxsize=1024)
def low_pass(
    frequency_hz: float, slope_db_per_octave: float, sample_rate_hz: float, alignment: Alignment = "butterworth"
) -> NDArray[np.float64]:
    """(sections, 6) low-pass; read only. Butterworth 1930: 3.01 dB down at its corner; Linkwitz 1976: 6.02 dB."""
    return _pass(frequency_hz, slope_db_per_octave, sample_rate_hz, alignment, high=False)


def _pass(
    frequency_hz: float, slope_db_per_octave: float, sample_rate_hz: float, alignment: Alignment, *, high: bool
) -> NDArray[np.float64]:
    """(sections, 6) low- or high-pass of a slope and an alignment."""
    sections = pass_prototypes(order=round(slope_db_per_octave / 6.0), high=high, alignment=alignment)
    # a crossover's legs must add up flat, which only the tangent mapping keeps for both
    return _designed(sections, frequency_hz, sample_rate_hz, plain=alignment == "linkwitz-riley")


@kernel("void(float64[:, ::1], float64[:, ::1], float64[:, :, ::1])")
def cascade(signal: np.ndarray, sos: np.ndarray, state: np.ndarray) -> None:
    """Filter in place through second-order sections (transposed direct form II), block after block.

    Shapes: signal (channels, frames), sos (sections, 6) with a0 = 1, state (channels, sections, 2), updated.
    """
    size = signal.shape[1]
    # section after section over a stretch that stays in the cache, two channels at once: each hides the other's latency
    for first in range(0, size, 4096):
        last = min(size, first + 4096)
        for section in range(sos.shape[0]):
            b0, b1, b2 = sos[section, 0], sos[section, 1], sos[section, 2]
            a1, a2 = sos[section, 4], sos[section, 5]
            channel = 0
            while channel + 1 < signal.shape[0]:
                first_row, second_row = signal[channel, first:last], signal[channel + 1, first:last]
                s0, s1 = state[channel, section, 0], state[channel, section, 1]
                t0, t1 = state[channel + 1, section, 0], state[channel + 1, section, 1]
                for index in range(last - first):
                    x, u = first_row[index], second_row[index]
                    y, v = b0 * x + s0, b0 * u + t0
                    s0, t0 = (b1 * x + s1) - a1 * y, (b1 * u + t1) - a1 * v
                    s1, t1 = b2 * x - a2 * y, b2 * u - a2 * v
                    first_row[index], second_row[index] = y, v
                state[channel, section, 0] = s0 if abs(s0) > _SMALLEST else 0.0
                state[channel, section, 1] = s1 if abs(s1) > _SMALLEST else 0.0
                state[channel + 1, section, 0] = t0 if abs(t0) > _SMALLEST else 0.0
                state[channel + 1, section, 1] = t1 if abs(t1) > _SMALLEST else 0.0
                channel += 2
            if channel < signal.shape[0]:
                row = signal[channel, first:last]
                s0, s1 = state[channel, section, 0], state[channel, section, 1]
                for index in range(last - first):
                    x = row[index]
                    y = b0 * x + s0
                    s0 = (b1 * x + s1) - a1 * y
                    s1 = b2 * x - a2 * y
                    row[index] = y
                state[channel, section, 0] = s0 if abs(s0) > _SMALLEST else 0.0
                state[channel, section, 1] = s1 if abs(s1) > _SMALLEST else 0.0
