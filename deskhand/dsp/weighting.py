"""A and C frequency weightings and the time weightings F and S of sound level meters."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.dsp.biquad import matched, response
from deskhand.dsp.kernel import kernel
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

Weighting = Literal["A", "C", "Z"]
F1_HZ: Final = 20.598997057618316  # IEC 61672-1:2013, Annex E
F2_HZ: Final = 107.65264864304629  # IEC 61672-1:2013, Annex E
F3_HZ: Final = 737.8622307362901  # IEC 61672-1:2013, Annex E
F4_HZ: Final = 12194.217147998012  # IEC 61672-1:2013, Annex E
FAST_S: Final = 0.125
"""Time constant F (IEC 61672-1:2013, 5.8.1)."""
SLOW_S: Final = 1.0
"""Time constant S (IEC 61672-1:2013, 5.8.1)."""


def weighting_db(weighting: Weighting, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """Design goal of a weighting in dB at frequencies in Hz, shape as given (IEC 61672-1:2013, 5.5 and Annex E)."""
    f = np.asarray(frequency_hz, np.float64)
    if weighting == "Z":
        return np.zeros(f.shape)

    def curve(hz: NDArray[np.float64]) -> NDArray[np.float64]:
        gain = F4_HZ**2 * hz**2 / ((hz**2 + F1_HZ**2) * (hz**2 + F4_HZ**2))
        if weighting == "A":
            gain = gain * hz**2 / np.sqrt((hz**2 + F2_HZ**2) * (hz**2 + F3_HZ**2))
        return np.asarray(gain, np.float64)

    with np.errstate(divide="ignore"):
        goal: NDArray[np.float64] = np.asarray(db_from_amplitude(curve(f) / curve(np.array(1000.0))))
    return goal


def _high_pass(first_hz: float, second_hz: float, sample_rate_hz: float) -> NDArray[np.float64]:
    """Section of s^2 / ((s + w1)(s + w2)) by the tangent mapping: both corners are far below the sample rate."""
    k, m = float(np.tan(np.pi * first_hz / sample_rate_hz)), float(np.tan(np.pi * second_hz / sample_rate_hz))
    a0 = (1.0 + k) * (1.0 + m)
    return np.array([1.0, -2.0, 1.0, a0, 2.0 * (k * m - 1.0), (1.0 - k) * (1.0 - m)]) / a0


def weighting_sos(weighting: Weighting, *, sample_rate_hz: float) -> NDArray[np.float64]:
    """A or C weighting as second-order sections (3 or 2, 6), 0 dB at 1 kHz.

    The upper double pole keeps its magnitude instead of being squeezed by the tangent mapping: from 10 Hz to 20 kHz within
    0.7 dB of the design goal at 44.1 and 48 kHz (where that mapping is off by 24 and 16 dB), within 0.1 dB from 88.2 kHz on.

    Raises
    ------
    ValueError
        Z, which is no filter, or a rate below 32 kHz.

    References
    ----------
    IEC 61672-1:2013, 5.5, Table 3 and Annex E.
    """
    if weighting not in {"A", "C"} or sample_rate_hz < 32000:
        raise ValueError(f"no {weighting} weighting at {sample_rate_hz:g} Hz")
    top = matched(
        F4_HZ,
        1.0,
        lambda hz: (F4_HZ**2 / (hz**2 + F4_HZ**2)) ** 2,
        sample_rate_hz=sample_rate_hz,
        third_hz=min(0.35 * sample_rate_hz, 16800.0),
    )
    if top is None:
        raise ValueError(f"no {weighting} weighting at {sample_rate_hz:g} Hz")
    sections = [_high_pass(F1_HZ, F1_HZ, sample_rate_hz), top]
    if weighting == "A":
        sections.append(_high_pass(F2_HZ, F3_HZ, sample_rate_hz))
    sos = np.array(sections)
    sos[1, :3] /= abs(response(sos, np.array(1000.0), sample_rate_hz=sample_rate_hz))
    return sos


@kernel("void(float64[::1], float64, float64[::1], float64[::1])")
def _time_weighted(square: np.ndarray, keep: float, state: np.ndarray, averages: np.ndarray) -> None:
    """Fill in the exponential average of (frames,) squares; state (1,), updated."""
    held = state[0]
    for index in range(square.shape[0]):
        held = keep * held + (1.0 - keep) * square[index]
        averages[index] = held
    state[0] = held


def time_weighted(
    weighted: NDArray[np.float64], *, time_s: float, sample_rate_hz: float, state: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Exponentially averaged square of a frequency-weighted signal.

    Parameters
    ----------
    weighted : (frames,) array
    time_s : float
        `FAST_S` or `SLOW_S`, or another time constant.
    state : (1,) array, optional
        The average so far; updated.

    Returns
    -------
    (frames,) mean squares.

    References
    ----------
    IEC 61672-1:2013, 5.8 and Table 4 (toneburst responses).
    """
    held = np.zeros(1) if state is None else state
    averages: NDArray[np.float64] = np.empty(weighted.size)
    _time_weighted(np.ascontiguousarray(weighted) ** 2, float(np.exp(-1.0 / (time_s * sample_rate_hz))), held, averages)
    return averages
