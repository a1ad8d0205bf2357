"""What moved the gain: threshold, ratio, knee, attack and release of our own compressor model, fitted to the gain over time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.optimize

from deskhand.compare.linear import GAIN_S
from deskhand.dsp import dynamics as kernels
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

RMS_S: Final = 0.01
"""Of a detector that looks at mean squares, as the house's compressors have it."""
_EXCERPT_S: Final = 12.0
_HOP_S: Final = 0.001
_EVALUATIONS: Final = 70
_ROUNDS: Final = 4
_LOWEST: Final = np.array([-80.0, -5.0, 0.0, -4.0, 1.0])
_HIGHEST: Final = np.array([10.0, 5.5, 24.0, 9.0, 12.0])
_LEAST_ABOVE: Final = 0.05
_ALWAYS: Final = 0.9
"""Above the threshold for longer than this share of the playing, the threshold trades off against the make-up gain."""
_QUIET_DB: Final = 30.0
_WELL_DB: Final = 0.6
_SETTLE_S: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduction:
    """What is taken off while it plays."""

    median: float
    p95: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Dynamics:
    """One gain that moves."""

    on: str
    """both, left, right, mid or side."""
    detector: str
    """linked, dual or mid-side."""
    senses: str
    """peak or rms."""
    threshold_dbfs: float | None
    """Of a sine's RMS; None when it cannot be told."""
    ratio: float | None
    knee_db: float | None
    attack_ms: float | None
    """To 1 - 1/e, like the release."""
    release_ms: float | None
    makeup_db: float
    """What it gives back, so far as that can be told apart from the threshold."""
    reduction_db: Reduction
    above: float
    """Share of the playing in which it is above its threshold."""
    fit_db: float
    """RMS difference of the model's gain over time from the measured one, while it plays."""
    note: str
    """What cannot be told, and why; empty when all can."""


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    levels_db: Array
    """(frames,) of the detector."""
    gain_db: Array
    """(steps,) measured, each 1 ms."""
    weight: Array
    hop: int
    rate_hz: int
    smooth: Array
    power: Array
    """(frames,) of what is heard."""
    under: Array
    """(steps,) the same, smoothed as the gain is."""
    lin: Array
    """Working space."""


def _detected(signals: Array, rms: bool, rate_hz: int) -> Array:
    """(frames,) level of the louder row, dB of a sine's RMS."""
    keep = kernels.keep(RMS_S, rate_hz) if rms else 0.0
    out = np.empty(signals.shape)
    for row, signal in enumerate(signals):
        kernels.detect(np.ascontiguousarray(signal), keep, np.zeros(1), out[row])
    return np.ascontiguousarray(out.max(axis=0))


def _summed(series: Array, steps: int, hop: int) -> Array:
    """(steps,) sums of a hop's length around each place at which the gain was read."""
    return np.asarray(np.add.reduceat(series, np.maximum(0, np.arange(steps) * hop - hop // 2)))


def _model(data: _Data, values: Array) -> Array:
    """(steps,) gain in dB for threshold, log2 of ratio - 1, knee, log2 of attack and release in ms; without make-up."""
    threshold, ratio, knee, attack, release = _plain(values)
    levels = data.levels_db.copy()
    kernels.compress(levels, threshold, ratio, knee)
    kernels.smooth(
        levels, kernels.keep(attack / 1000.0, data.rate_hz), kernels.keep(release / 1000.0, data.rate_hz), np.zeros(3)
    )
    kernels.to_gain(-levels, data.lin)
    steps = data.gain_db.size
    # read as the measured gain is: weighed by the power there, over a few milliseconds
    heard = _summed(data.lin * data.power, steps, data.hop)
    made = np.convolve(heard, data.smooth, "same") / data.under
    return np.asarray(db_from_amplitude(np.maximum(made, 1e-6)))


def _plain(values: Array) -> tuple[float, float, float, float, float]:
    return (
        float(np.clip(values[0], -80.0, 10.0)),
        1.0 + 2.0 ** float(np.clip(values[1], -5.0, 5.5)),
        float(np.clip(values[2], 0.0, 24.0)),
        2.0 ** float(np.clip(values[3], -4.0, 9.0)),
        2.0 ** float(np.clip(values[4], 1.0, 12.0)),
    )


def _left(data: _Data, values: Array) -> tuple[float, float]:
    """(RMS difference in dB with the best make-up, that make-up)."""
    off = data.gain_db - _model(data, values)
    makeup = float(np.sum(data.weight * off) / np.sum(data.weight))
    return float(np.sqrt(np.sum(data.weight * (off - makeup) ** 2) / np.sum(data.weight))), makeup


def _lively(gain_db: Array, steps: int) -> slice:
    """The stretch in which the gain moves most."""
    if gain_db.size <= steps:
        return slice(0, gain_db.size)
    hop = max(1, steps // 8)
    starts = list(range(0, gain_db.size - steps + 1, hop))
    return slice(best := max(starts, key=lambda at: float(np.std(gain_db[at : at + steps]))), best + steps)


def _searched(data: _Data, start: Array, *, rounds: int) -> tuple[Array, float]:
    """From a start to where the model is nearest, and how near that is: Levenberg-Marquardt steps, a simplex between them."""
    root = np.sqrt(data.weight / np.sum(data.weight))

    def off(values: Array) -> Array:
        apart = data.gain_db - _model(data, values)
        return np.asarray(root * (apart - float(np.sum(data.weight * apart) / np.sum(data.weight))))

    best, left = np.clip(start, _LOWEST + 0.01, _HIGHEST - 0.01), _left(data, start)[0]
    for round_ in range(rounds):
        stepped = scipy.optimize.least_squares(
            off, best, diff_step=[1e-3 if round_ else 1e-2] * 5, x_scale=[3.0, 0.5, 3.0, 1.0, 1.0], max_nfev=12,
            bounds=(_LOWEST, _HIGHEST),
        )  # fmt: skip
        now = _left(data, stepped.x)[0]
        gained = left - now
        if now < left:
            best, left = np.asarray(stepped.x), now
        wide = np.array([1.5, 0.4, 2.0, 0.7, 0.5]) * (0.4**round_)
        tried = scipy.optimize.minimize(
            lambda values: _left(data, values)[0],
            best,
            method="Nelder-Mead",
            options={
                "maxfev": _EVALUATIONS,
                "xatol": 0.003,
                "fatol": 1e-5,
                "initial_simplex": np.vstack([best, np.clip(best + np.diag(wide), _LOWEST, _HIGHEST)]),
            },
        )  # type: ignore[call-overload]
        gained = max(gained, left - float(tried.fun))
        if tried.fun < left:
            best, left = np.asarray(tried.x), float(tried.fun)
        best = np.clip(best, _LOWEST + 0.001, _HIGHEST - 0.001)
        if gained < 0.02 * left:
            break
    return best, left


def fit(signals: Array, gain_db: Array, level_db: Array, sample_rate_hz: int) -> tuple[Array, float, float, bool]:
    """Parameters of the compressor model that moves a gain like the measured one.

    Parameters
    ----------
    signals : (rows, frames) array
        What the detector hears: the linear part.
    gain_db, level_db : (steps,) arrays
        Measured gain, and level of the linear part, each 1 ms.
    sample_rate_hz : int

    Returns
    -------
    (values, left_db, makeup_db, rms), `rms` telling which detector fits.

    References
    ----------
    Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60 (2012) 399: the model. Nelder & Mead 1965: the search.
    """
    hop = round(_HOP_S * sample_rate_hz)
    part = _lively(gain_db, round(_EXCERPT_S / _HOP_S))
    frames = slice(part.start * hop, part.stop * hop)
    level = level_db[part]
    # what came before the excerpt still rings in the first moments
    settling = np.arange(level.size) < _SETTLE_S / _HOP_S
    weight = (level > np.percentile(level, 98) - _QUIET_DB).astype(np.float64) * ~settling
    # where the gain is read over 2 ms, the model's is too
    place = np.arange(-7, 8)
    smooth = np.exp(-0.5 * (place / (1000.0 * GAIN_S)) ** 2)
    smooth /= smooth.sum()
    every = np.sum(signals[:, frames] ** 2, axis=0)
    candidates: list[tuple[float, Array, bool, _Data]] = []
    for rms in (False, True):
        levels = _detected(signals[:, frames], rms, sample_rate_hz)
        steps = min(gain_db[part].size, levels.size // hop)
        power = every[: levels.size]
        under = np.maximum(np.convolve(_summed(power, steps, hop), smooth, "same"), 1e-30)
        data = _Data(
            levels, gain_db[part][:steps], weight[:steps] + 1e-6, hop, sample_rate_hz, smooth, power, under, np.empty(levels.size)
        )  # fmt: skip
        here = levels[::hop]
        middle = float(np.percentile(here[weight[: here.size] > 0], 50))
        for shift in (-6.0, 0.0, 5.0):
            for ratio in (2.0, 5.0):
                for attack, release in ((3.0, 60.0), (3.0, 250.0), (20.0, 150.0)):
                    values = np.array([middle + shift, np.log2(ratio - 1.0), 3.0, np.log2(attack), np.log2(release)])
                    candidates.append((_left(data, values)[0], values, rms, data))
    candidates.sort(key=lambda one: one[0])
    # the nearest of each detector, and the next
    chosen = [next(one for one in candidates if one[2] is rms) for rms in (False, True)]
    chosen.append(next(one for one in candidates if all(one is not other for other in chosen)))
    searched = [(*_searched(data, values, rounds=2), rms, data) for _, values, rms, data in chosen]
    values, left_db, rms, data = min(searched, key=lambda one: one[1])
    values, left_db = _searched(data, values, rounds=_ROUNDS)
    return values, left_db, _left(data, values)[1], rms


def described(
    signals: Array, gain_db: Array, level_db: Array, sample_rate_hz: int, *, on: str, detector: str
) -> Dynamics:
    """One moving gain in numbers, and what of them can be told.

    Parameters
    ----------
    signals : (rows, frames) array
        What its detector hears.
    gain_db, level_db : (steps,) arrays
    sample_rate_hz : int
    on, detector : str
    """
    heard = level_db > np.percentile(level_db, 98) - _QUIET_DB
    values, left_db, makeup_db, rms = fit(signals, gain_db, level_db, sample_rate_hz)
    threshold, ratio, knee, attack, release = _plain(values)
    hop = round(_HOP_S * sample_rate_hz)
    levels = _detected(signals, rms, sample_rate_hz)[::hop]
    count = min(levels.size, heard.size)
    above = float(np.mean(levels[:count][heard[:count]] > threshold)) if heard[:count].any() else 0.0
    taken = makeup_db - gain_db[heard]
    notes = []
    well = left_db <= max(_WELL_DB, 0.25 * float(np.std(gain_db[heard])))
    if not well:
        notes.append(f"its gain moves unlike our compressor's ({left_db:.1f} dB RMS off): the settings cannot be told")
    always = above > _ALWAYS
    if well and always:
        notes.append("it is above its threshold nearly all the time: threshold and make-up gain cannot be told apart")
    if well and above < _LEAST_ABOVE:
        notes.append("it is above its threshold too seldom for its ratio and times to be sure")
    # where the make-up is not known, what is taken off is counted from the gain at which it rests
    return Dynamics(
        on=on,
        detector=detector,
        senses="rms" if rms else "peak",
        threshold_dbfs=round(threshold, 2) if well and not always else None,
        ratio=round(ratio, 3) if well else None,
        knee_db=round(knee, 1) if well else None,
        attack_ms=round(attack, 2) if well else None,
        release_ms=round(release, 1) if well else None,
        makeup_db=round(makeup_db, 2),
        reduction_db=Reduction(median=round(float(np.median(taken)), 2), p95=round(float(np.percentile(taken, 95)), 2)),
        above=round(above, 3),
        fit_db=round(left_db, 3),
        note="; ".join(notes),
    )
