"""Second-order sections that keep an analogue magnitude up to half the sample rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray


def response(
    sos: NDArray[np.float64], frequency_hz: NDArray[np.float64], *, sample_rate_hz: float
) -> NDArray[np.complex128]:
    """Frequency response of (sections, 6) second-order sections at frequencies in Hz, shape as given."""
    z = np.exp(-2j * np.pi * np.asarray(frequency_hz, np.float64) / sample_rate_hz)
    transfer = np.ones(z.shape, np.complex128)
    for b0, b1, b2, a0, a1, a2 in np.atleast_2d(sos):
        transfer *= (b0 + b1 * z + b2 * z * z) / (a0 + a1 * z + a2 * z * z)
    return transfer


def tangent(
    numerator: tuple[float, float, float], denominator: tuple[float, float, float], frequency_hz: float, rate_hz: float
) -> NDArray[np.float64]:
    """Section of (n2 s^2 + n1 s + n0) / (d2 s^2 + d1 s + d0), s over its corner, by the tangent mapping: exact at the corner.

    Powers of s from the highest; (6,) b0 b1 b2 1 a1 a2.
    """
    k = float(np.tan(np.pi * frequency_hz / rate_hz))
    first_order = numerator[0] == 0.0 and denominator[0] == 0.0

    def mapped(part: tuple[float, float, float]) -> NDArray[np.float64]:
        second, first, constant = part
        if first_order:
            # without this a pole on the unit circle would lie under a zero
            return np.array([first + constant * k, constant * k - first, 0.0])
        return np.array(
            [
                second + first * k + constant * k * k,
                2.0 * (constant * k * k - second),
                second - first * k + constant * k * k,
            ]
        )

    top, bottom = mapped(numerator), mapped(denominator)
    return np.asarray(np.concatenate([top, bottom]) / bottom[0])


def poles(natural: float, damping: float) -> tuple[float, float]:
    """a1 and a2 of the analogue poles s^2 + 2 damping w s + w^2 by impulse invariance, w being `natural` radians a sample."""
    if damping > 1.0:
        apart = float(np.sqrt(damping**2 - 1.0))
        # the slow pole by the product of both, so that nothing is lost for a damping of thousands
        fast, slow = float(np.exp(-natural * (damping + apart))), float(np.exp(-natural / (damping + apart)))
        return -(fast + slow), fast * slow
    decay = float(np.exp(-damping * natural))
    return -2.0 * decay * float(np.cos(np.sqrt(1.0 - damping**2) * natural)), decay * decay


def matched(
    corner_hz: float,
    damping: float,
    power: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    *,
    sample_rate_hz: float,
    third_hz: float,
) -> NDArray[np.float64] | None:
    """Section with the poles of an analogue one, and with its magnitude at 0 Hz, at half the sample rate and in between.

    The tangent mapping squeezes everything above a quarter of the rate; this keeps the magnitude instead.

    Parameters
    ----------
    corner_hz, damping : float
        Corner and damping of the analogue poles s^2 + 2 damping w s + w^2; damping is 1 / (2 Q), 1 for a double real pole.
    power : callable
        |H|^2 of the analogue section at frequencies in Hz.
    third_hz : float
        The frequency in between, where the magnitude is exact as well.

    Returns
    -------
    (6,) section b0 b1 b2 1 a1 a2, or None where no real section has these three magnitudes.

    References
    ----------
    Vicanek 2016, "Matched Second Order Digital Filters": poles by impulse invariance, zeros from three squared magnitudes.
    """
    w = 2.0 * np.pi * corner_hz / sample_rate_hz
    a1, a2 = poles(w, damping)
    places = np.array([0.0, 0.5 * sample_rate_hz, third_hz])
    half = np.sin(np.pi * places / sample_rate_hz) ** 2
    basis = np.stack([1.0 - half, half, 4.0 * half * (1.0 - half)], axis=1)
    bottom = basis @ np.array([(1.0 + a1 + a2) ** 2, (1.0 - a1 + a2) ** 2, -4.0 * a2])
    return from_powers(np.linalg.solve(basis, power(places) * bottom), a1, a2)


def from_powers(powers: NDArray[np.float64], a1: float, a2: float) -> NDArray[np.float64] | None:
    """Section with poles a1, a2 and a numerator of given squared magnitudes.

    Parameters
    ----------
    powers : (3,) array
        Factors of 1 - s, s and 4 s (1 - s), s being the squared sine of half the angle: the first two are the squared
        magnitudes at 0 Hz and at half the sample rate.
    a1, a2 : float

    Returns
    -------
    (6,) section with its zeros inside the unit circle, or None where no real numerator has these magnitudes.

    References
    ----------
    Vicanek 2016, "Matched Second Order Digital Filters".
    """
    at_0, at_half, between = powers
    if at_0 < 0.0 or at_half < 0.0:
        return None
    middle = 0.5 * (np.sqrt(at_0) + np.sqrt(at_half))
    if middle * middle + between < 0.0:
        return None
    b0 = 0.5 * (middle + np.sqrt(middle * middle + between))
    if b0 <= 0.0:
        return None
    return np.array([b0, 0.5 * (np.sqrt(at_0) - np.sqrt(at_half)), -0.25 * between / b0, 1.0, a1, a2])
