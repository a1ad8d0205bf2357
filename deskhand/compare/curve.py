"""Response of a leg over frequency, with how sure it is, and the delay that no filter of its magnitude explains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

from deskhand.compare.filter_shapes import response_db
from deskhand.compare.result import ResponsePoint
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.compare.linear import Transfer
    from deskhand.compare.shapes import ShapeFit

    Array = NDArray[np.float64]

_POINTS_PER_OCTAVE: Final = 12
"""Points of the response in an octave. Common practice, no source."""
_GRID_HZ: Final = 1000.0 * 2.0 ** (np.arange(-67, 52) / _POINTS_PER_OCTAVE)
"""21 Hz to 19 kHz, 1 kHz among them."""
_TOP_SHARE: Final = 0.46
"""Share of the sample rate up to which the response is told: below the filters of converters. Common practice, no source."""
_DB_PER_NEPER: Final = 20.0 / float(np.log(10.0))
_SAME_RESPONSE_DB: Final = 0.15
"""Difference (RMS) of two legs' responses up to which they are described together. Common practice, no source."""
_NORMAL_95: Final = 1.96
"""Half of the interval that holds 95 % of a normal distribution, in standard deviations (tables of the normal distribution)."""
_LEAST_SURE_DB, _LEAST_SURE_MOVING_DB = 0.025, 0.1
"""Uncertainty that `validations/compare.py` shows to be left beside chance; more where a gain moves."""
_SMEAR_HZ: Final = 90.0
"""Frequency at which the windows of the spectra smear a response twice as much as far above. Common practice, no source."""
_STRAIGHT_RAD: Final = 0.3
"""RMS of a phase beside a straight line up to which it tells a delay. Common practice, no source."""
_LEAST_BINS: Final = 16
"""Bins that must hold something for a delay to be told. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LegCurve:
    """Response of one leg at the frequencies of the grid."""

    hz: Array
    level_db: Array
    sure_db: Array
    """Half of the interval that holds 95 %."""
    phase_rad: Array


def leg_curve(transfer: Transfer, rate: int, *, moving: bool, top_hz: float = np.inf) -> LegCurve | None:
    """Response at the frequencies of the grid, each over its twelfth of an octave, where the programme excites it; None where nowhere.

    Parameters
    ----------
    transfer : Transfer
    rate : int
        Sample rate in Hz.
    moving : bool
        True behind a moving gain, where the response is known less surely.
    top_hz : float
        Frequency above which nothing is known.

    References
    ----------
    Bendat & Piersol, Random Data, 4th ed., table 9.6.
    """
    least_sure_db = _LEAST_SURE_MOVING_DB if moving else _LEAST_SURE_DB
    top_hz = min(_TOP_SHARE * rate, top_hz)
    spacing = transfer.frequency_hz[1]
    weight = np.where(transfer.excited, 1.0, 0.0) * transfer.coherence / np.maximum(1.0 - transfer.coherence, 1e-6)
    rows = []
    for hz in map(float, _GRID_HZ):
        if hz > top_hz:
            break
        low, high = hz * 2.0 ** (-0.5 / _POINTS_PER_OCTAVE), hz * 2.0 ** (0.5 / _POINTS_PER_OCTAVE)
        first, last = int(np.ceil(low / spacing)), int(np.floor(high / spacing))
        if last < first:
            first = last = round(hz / spacing)
        bins = slice(first, last + 1)
        if not transfer.excited[bins].any() or not weight[bins].any():
            continue
        share = weight[bins] / weight[bins].sum()
        response = transfer.response[bins]
        # magnitudes by their logarithm: a mean of turning phasors would be too small
        level = float(np.sum(share * db_from_amplitude(np.maximum(np.abs(response), 1e-9))))
        coherence = transfer.coherence[bins]
        # Bendat & Piersol, Random Data, 4th ed., table 9.6: standard error of a magnitude; neighbouring bins of a Hann window are two thirds one
        error = np.sqrt((1.0 - coherence) / np.maximum(2.0 * coherence * transfer.averages, 1e-12))
        count = max(1.0, (last - first + 1) / 1.5)
        sure = _NORMAL_95 * _DB_PER_NEPER * float(np.sqrt(np.sum(share * error**2) / count))
        turn = float(np.angle(np.sum(share * response / np.maximum(np.abs(response), 1e-12))))
        # windows smear what is steep: more, the fewer bins there are to it
        smear = least_sure_db * (1.0 + (_SMEAR_HZ / hz) ** 2)
        rows.append((hz, level, float(np.hypot(1.2 * sure, smear)), turn))
    if not rows:
        return None
    table = np.array(rows).T
    return LegCurve(hz=table[0], level_db=table[1], sure_db=table[2], phase_rad=table[3])


def excess_delay_samples(transfer: Transfer, rate: int, fit: ShapeFit) -> float | None:
    """Delay beyond what a filter of this magnitude holds back at least (minimum phase, by the cepstrum); None where none can be told.

    Parameters
    ----------
    transfer : Transfer
    rate : int
        Sample rate in Hz.
    fit : ShapeFit
        Shapes that tell the magnitude where the programme holds nothing.
    """
    phase = _minimum_phase(transfer, rate, fit)
    if phase is None:
        return None
    excess = np.exp(1j * (np.angle(transfer.response) - phase))
    hz = transfer.frequency_hz
    inside = transfer.excited & (hz > 300.0) & (hz < min(12000.0, 0.4 * rate)) & (transfer.coherence > 0.8)
    if inside.sum() < _LEAST_BINS:
        return None
    turn = 2.0 * np.pi * np.arange(hz.size) / (2 * (hz.size - 1))
    weight = np.where(inside, transfer.coherence / np.maximum(1.0 - transfer.coherence, 1e-4), 0.0)
    weight = np.minimum(weight, 1e3)
    delay = 0.0
    turned = np.zeros(hz.size)
    for _ in range(6):
        turned = np.angle(excess * np.exp(1j * turn * delay))
        delay -= float(np.sum(weight * turn * turned) / np.sum(weight * turn * turn))
    left = float(np.sqrt(np.sum(weight * turned**2) / np.sum(weight)))
    # a phase that no delay straightens says nothing of one
    return delay if left < _STRAIGHT_RAD else None


def _minimum_phase(transfer: Transfer, rate: int, fit: ShapeFit) -> Array | None:
    """(bins,) phase in radians that a filter of this magnitude has at least; None where too little is known."""
    count = 2 * (transfer.response.size - 1)
    level = np.log(np.maximum(np.abs(transfer.response), 1e-9))
    known = np.flatnonzero(transfer.excited & (transfer.coherence > 0.5))
    if known.size < _LEAST_BINS:
        return None
    named = response_db(fit.shapes, np.maximum(transfer.frequency_hz, 1.0), rate, warped=fit.warped) / _DB_PER_NEPER
    apart = np.interp(np.arange(level.size), known, (level - named)[known])
    # far from what is known, the shapes alone
    apart[: known[0]] = apart[known[0] + 1 : known[0] + 50].mean()
    apart[known[-1] :] = apart[known[-1] - 200 : known[-1]].mean()
    level = named + apart
    cepstrum = scipy.fft.irfft(level, count)
    fold = np.zeros(count)
    fold[0] = fold[count // 2] = 1.0
    fold[1 : count // 2] = 2.0
    return np.asarray(np.imag(scipy.fft.rfft(cepstrum * fold)))


def same_legs(curves: Sequence[LegCurve]) -> list[list[int]]:
    """Groups of legs that have the same response, by their positions."""
    if len(curves) == 1:
        return [[0]]
    first, second = curves
    shared, in_first, in_second = np.intersect1d(first.hz, second.hz, return_indices=True)
    if not shared.size:
        return [[0], [1]]
    apart = first.level_db[in_first] - second.level_db[in_second]
    sure = np.sqrt(first.sure_db[in_first] ** 2 + second.sure_db[in_second] ** 2)
    weight = 1.0 / (sure**2 + 0.05**2)
    rms = float(np.sqrt(np.sum(weight * apart**2) / np.sum(weight)))
    expected = float(np.sqrt(np.sum(weight * (0.5 * sure) ** 2) / np.sum(weight)))
    return [[0, 1]] if rms < _SAME_RESPONSE_DB + 2.0 * expected else [[0], [1]]


def mean_curve(curves: Sequence[LegCurve], group: Sequence[int]) -> LegCurve:
    """Mean of the curves of one or two legs, each weighted by how sure it is; the phase is the first one's."""
    if len(group) == 1:
        return curves[group[0]]
    first, second = (curves[leg] for leg in group)
    shared, in_first, in_second = np.intersect1d(first.hz, second.hz, return_indices=True)
    weights = 1.0 / first.sure_db[in_first] ** 2, 1.0 / second.sure_db[in_second] ** 2
    total = weights[0] + weights[1]
    return LegCurve(
        hz=shared,
        level_db=(weights[0] * first.level_db[in_first] + weights[1] * second.level_db[in_second]) / total,
        sure_db=np.asarray(1.0 / np.sqrt(total)),
        phase_rad=first.phase_rad[in_first],
    )


def response_points(
    legs: Sequence[str], curves: Sequence[LegCurve], delay_samples: float, rate: int
) -> list[ResponsePoint]:
    """Points of the response of all legs as the result has them, a delay taken out of the phase."""
    points = []
    for leg, curve in zip(legs, curves, strict=True):
        turned = curve.phase_rad + 2.0 * np.pi * curve.hz / rate * delay_samples
        turned = np.angle(np.exp(1j * turned))
        points += [
            ResponsePoint(
                frequency_hz=round(float(hz), 2), magnitude_db=round(float(level), 3), low_db=round(float(level - sure), 3),
                high_db=round(float(level + sure), 3), phase_deg=round(float(np.degrees(phase)), 1), leg=leg,
            )
            for hz, level, sure, phase in zip(curve.hz, curve.level_db, curve.sure_db, turned, strict=True)
        ]  # fmt: skip
    return points
