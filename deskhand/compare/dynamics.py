"""Threshold, ratio, knee, attack and release of our own compressor model, fitted to a measured gain over time."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import scipy.optimize

from deskhand.chain.blocks import RMS_S
from deskhand.compare.interval import Interval  # noqa: TC001 - the schema is made from the types
from deskhand.compare.linear import GAIN_S, STEP_S
from deskhand.dsp import dynamics as kernels
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Order = Literal["", "first", "second", "cannot be told"]
"""Place of a moving gain against the tone beside it; empty where there is none."""
_EXCERPT_S: Final = 12.0
"""Length of the stretch that the model is fitted on: some tens of releases. Common practice, no source."""
_EVALUATIONS: Final = 70
"""Models that a simplex tries in one round: fourteen for each of five parameters. Common practice, no source."""
_ROUNDS: Final = 4
"""Rounds of the last search at most; it ends as soon as one gains less than a fiftieth. Common practice, no source."""
_LOWEST: Final = np.array([-80.0, -5.0, 0.0, -4.0, 1.0])
_HIGHEST: Final = np.array([10.0, 5.5, 24.0, 9.0, 12.0])
"""Both: threshold in dBFS, log2 of ratio - 1, knee in dB, log2 of attack and of release in ms. Ratios of 1.03 to 46, attacks of 0.06 to
512 ms, releases of 2 ms to 4 s: what people turn. Common practice, no source."""
_LEAST_ABOVE: Final = 0.05
"""Above the threshold for less than this share of the playing, too little is left to tell ratio and times by. Common practice, no source."""
_ALWAYS: Final = 0.9
"""Above the threshold for longer than this share of the playing, the threshold trades off against the make-up gain: the study in
`validations/compare.py` counts compressors up to it."""
_QUIET_DB: Final = 30.0
"""Moments this far below the loud ones count as pauses. Common practice, no source; the study in `validations/compare.py` has the same."""
_WELL_DB: Final = 0.6
"""A model that is nearer to the measured gain than this (RMS) explains it. Common practice, no source."""
_SETTLE_S: Final = 1.0
"""Beginning of a stretch that is left out, while the release of what came before rings on. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReductionPercentiles:
    """Gain reduction while it plays, in dB; negative where soft moments are lifted."""

    median: float
    p95: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Dynamics:
    """Gain that moves, with the settings of a compressor that moves it so."""

    on: str
    """both, left, right, mid or side."""
    detector: str
    """linked, dual or mid-side; empty where the two sides are too alike to tell, or there is one."""
    senses: str
    """peak or rms."""
    threshold_dbfs: float | None
    """Threshold, of a sine's RMS; None when it cannot be told."""
    ratio: float | None
    knee_db: float | None
    attack_ms: float | None
    """Time to 1 - 1/e of a step, like the release."""
    release_ms: float | None
    makeup_db: float
    """Make-up gain, so far as that can be told apart from the threshold."""
    reduction_db: ReductionPercentiles
    above: float
    """Share of the playing in which it is above its threshold."""
    fit_db: float
    """RMS difference of the model's gain over time from the measured one, while it plays."""
    note: str
    """Settings that cannot be told, and why; empty when all can."""
    kind: str = "compressor"
    """compressor, upward compressor, limiter or gate."""
    smooths: str = "gain"
    """gain where attack and release act behind the law, as in our blocks; level where they act on the detector, in front of it."""
    look_ahead_ms: float = 0.0
    range_db: float | None = None
    """Most that a gate takes off, or that an upward compressor lifts."""
    blend: float | None = None
    """Share that is compressed, where some of the untouched signal goes beside it (parallel)."""
    order: Order = ""
    """first where its detector hears what comes in, second where it hears what the tone made of that."""
    intervals: dict[str, Interval] = field(default_factory=dict)
    """Interval of each setting that can be told, by its name here."""


@dataclass(frozen=True, slots=True, eq=False)
class _GainTrace:
    """Measured gain over a stretch, with all that a model of it needs."""

    levels_db: Array
    """(frames,) of the detector."""
    gain_db: Array
    """(steps,) measured, each 1 ms."""
    weight: Array
    """(steps,) by which each counts."""
    hop: int
    """Frames of a step."""
    rate_hz: int
    window: Array
    """Gaussian, in steps, over which the gain is read."""
    power: Array
    """(frames,) of the signal that the gain acts on."""
    window_power: Array
    """(steps,) of the same, summed over the window."""
    model_gain: Array
    """(frames,) of working space."""


def _detector_levels_db(signals: Array, rms: bool, rate_hz: int) -> Array:
    """(frames,) level of the louder row, dB of a sine's RMS."""
    keep = kernels.keep(RMS_S, rate_hz) if rms else 0.0
    levels_db = np.empty(signals.shape)
    for row, signal in enumerate(signals):
        kernels.detect(np.ascontiguousarray(signal), keep, np.zeros(1), levels_db[row])
    return np.ascontiguousarray(levels_db.max(axis=0))


def _summed(series: Array, steps: int, hop: int) -> Array:
    """(steps,) sums of a hop's length around each moment at which the gain was read."""
    return np.asarray(np.add.reduceat(series, np.maximum(0, np.arange(steps) * hop - hop // 2)))


def _model_gain_db(trace: _GainTrace, values: Array) -> Array:
    """(steps,) gain of the compressor model, in the parameters of `_LOWEST`; without make-up."""
    threshold, ratio, knee, attack, release = _settings(values)
    levels = trace.levels_db.copy()
    kernels.compress(levels, threshold, ratio, knee)
    kernels.smooth(
        levels, kernels.keep(attack / 1000.0, trace.rate_hz), kernels.keep(release / 1000.0, trace.rate_hz), np.zeros(3)
    )
    kernels.to_gain(-levels, trace.model_gain)
    steps = trace.gain_db.size
    # read as the measured gain is: weighed by the power there, over a few milliseconds
    weighed = _summed(trace.model_gain * trace.power, steps, trace.hop)
    gain = np.convolve(weighed, trace.window, "same") / trace.window_power
    return np.asarray(db_from_amplitude(np.maximum(gain, 1e-6)))


def _settings(values: Array) -> tuple[float, float, float, float, float]:
    """(threshold in dBFS, ratio, knee in dB, attack in ms, release in ms) from the parameters of `_LOWEST`."""
    threshold, ratio, knee, attack, release = map(float, np.clip(values, _LOWEST, _HIGHEST))
    return threshold, 1.0 + 2.0**ratio, knee, 2.0**attack, 2.0**release


def _misfit_db(trace: _GainTrace, values: Array) -> tuple[float, float]:
    """(RMS difference from the measured gain with the best make-up, that make-up), both in dB."""
    off = trace.gain_db - _model_gain_db(trace, values)
    makeup = float(np.sum(trace.weight * off) / np.sum(trace.weight))
    return float(np.sqrt(np.sum(trace.weight * (off - makeup) ** 2) / np.sum(trace.weight))), makeup


def _liveliest(gain_db: Array, steps: int) -> slice:
    """Stretch of some steps in which the gain moves most."""
    if gain_db.size <= steps:
        return slice(0, gain_db.size)
    hop = max(1, steps // 8)
    starts = list(range(0, gain_db.size - steps + 1, hop))
    best = max(starts, key=lambda start: float(np.std(gain_db[start : start + steps])))
    return slice(best, best + steps)


def _search(trace: _GainTrace, start: Array, *, rounds: int) -> tuple[Array, float]:
    """(parameters, RMS difference in dB) of the nearest model from a start on: trust-region steps, a simplex between them."""
    root = np.sqrt(trace.weight / np.sum(trace.weight))

    def off(values: Array) -> Array:
        apart = trace.gain_db - _model_gain_db(trace, values)
        return np.asarray(root * (apart - float(np.sum(trace.weight * apart) / np.sum(trace.weight))))

    best, left = np.clip(start, _LOWEST + 0.01, _HIGHEST - 0.01), _misfit_db(trace, start)[0]
    for round_ in range(rounds):
        stepped = scipy.optimize.least_squares(
            off, best, diff_step=[1e-3 if round_ else 1e-2] * 5, x_scale=[3.0, 0.5, 3.0, 1.0, 1.0], max_nfev=12,
            bounds=(_LOWEST, _HIGHEST),
        )  # fmt: skip
        stepped_db = _misfit_db(trace, stepped.x)[0]
        gained = left - stepped_db
        if stepped_db < left:
            best, left = np.asarray(stepped.x), stepped_db
        wide = np.array([1.5, 0.4, 2.0, 0.7, 0.5]) * (0.4**round_)
        tried = scipy.optimize.minimize(
            lambda values: _misfit_db(trace, values)[0],
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Start:
    """Settings from which a search may begin."""

    misfit_db: float
    values: Array
    rms: bool
    trace: _GainTrace


def fit(signals: Array, gain_db: Array, level_db: Array, sample_rate_hz: int) -> tuple[Array, float, float, bool]:
    """Parameters of the compressor model that moves a gain like the measured one.

    Parameters
    ----------
    signals : (rows, frames) array
        Input of the detector: the linear part.
    gain_db, level_db : (steps,) arrays
        Measured gain, and level of the linear part, each 1 ms.
    sample_rate_hz : int

    Returns
    -------
    (values, misfit_db, makeup_db, rms), `rms` telling which detector fits.

    References
    ----------
    Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60 (2012) 399: the model. Nelder & Mead 1965: the search.
    """
    starts = _starts(signals, gain_db, level_db, sample_rate_hz)
    # the nearest of each detector, and the next
    chosen = [next(start for start in starts if start.rms is rms) for rms in (False, True)]
    chosen.append(next(start for start in starts if all(start is not nearest for nearest in chosen)))
    searches = [(*_search(start.trace, start.values, rounds=2), start) for start in chosen]
    values, _, start = min(searches, key=lambda search: search[1])
    values, misfit_db = _search(start.trace, values, rounds=_ROUNDS)
    return values, misfit_db, _misfit_db(start.trace, values)[1], start.rms


def _starts(signals: Array, gain_db: Array, level_db: Array, sample_rate_hz: int) -> list[_Start]:
    """Settings from which a search may begin, nearest first: for each detector, some thresholds, ratios and times."""
    hop = round(STEP_S * sample_rate_hz)
    part = _liveliest(gain_db, round(_EXCERPT_S / STEP_S))
    frames = slice(part.start * hop, part.stop * hop)
    level = level_db[part]
    # what came before the excerpt still rings in the first moments
    settling = np.arange(level.size) < _SETTLE_S / STEP_S
    weight = (level > np.percentile(level, 98) - _QUIET_DB).astype(np.float64) * ~settling
    # where the gain is read over 2 ms, the model's is too
    step_ms = np.arange(-7, 8)
    window = np.exp(-0.5 * (step_ms / (1000.0 * GAIN_S)) ** 2)
    window /= window.sum()
    rows_power = np.sum(signals[:, frames] ** 2, axis=0)
    starts: list[_Start] = []
    for rms in (False, True):
        levels = _detector_levels_db(signals[:, frames], rms, sample_rate_hz)
        steps = min(gain_db[part].size, levels.size // hop)
        power = rows_power[: levels.size]
        window_power = np.maximum(np.convolve(_summed(power, steps, hop), window, "same"), 1e-30)
        trace = _GainTrace(
            levels, gain_db[part][:steps], weight[:steps] + 1e-6, hop, sample_rate_hz, window, power, window_power, np.empty(levels.size)
        )  # fmt: skip
        step_levels = levels[::hop]
        middle = float(np.percentile(step_levels[weight[: step_levels.size] > 0], 50))
        for shift in (-6.0, 0.0, 5.0):
            for ratio in (2.0, 5.0):
                for attack, release in ((3.0, 60.0), (3.0, 250.0), (20.0, 150.0)):
                    values = np.array([middle + shift, np.log2(ratio - 1.0), 3.0, np.log2(attack), np.log2(release)])
                    misfit_db = _misfit_db(trace, values)[0]
                    starts.append(_Start(misfit_db=misfit_db, values=values, rms=rms, trace=trace))
    return sorted(starts, key=lambda start: start.misfit_db)


def describe_gain(
    signals: Array, gain_db: Array, level_db: Array, sample_rate_hz: int, *, on: str, detector: str
) -> Dynamics:
    """Moving gain in numbers, and what of them can be told.

    Parameters
    ----------
    signals : (rows, frames) array
        Input of its detector.
    gain_db, level_db : (steps,) arrays
        Measured gain, and level of the signal it acts on, each 1 ms.
    sample_rate_hz : int
    on : str
        Part of the pair that it acts on: both, left, right, mid or side.
    detector : str
        linked, dual or mid-side.
    """
    playing = level_db > np.percentile(level_db, 98) - _QUIET_DB
    values, misfit_db, makeup_db, rms = fit(signals, gain_db, level_db, sample_rate_hz)
    threshold, ratio, knee, attack, release = _settings(values)
    hop = round(STEP_S * sample_rate_hz)
    levels = _detector_levels_db(signals, rms, sample_rate_hz)[::hop]
    count = min(levels.size, playing.size)
    above = float(np.mean(levels[:count][playing[:count]] > threshold)) if playing[:count].any() else 0.0
    reduction_db = makeup_db - gain_db[playing]
    notes = []
    well = misfit_db <= max(_WELL_DB, 0.25 * float(np.std(gain_db[playing])))
    if not well:
        notes.append(
            f"its gain moves unlike our compressor's ({misfit_db:.1f} dB RMS off): the settings cannot be told"
        )
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
        reduction_db=ReductionPercentiles(
            median=round(float(np.median(reduction_db)), 2), p95=round(float(np.percentile(reduction_db, 95)), 2)
        ),
        above=round(above, 3),
        fit_db=round(misfit_db, 3),
        note="; ".join(notes),
    )
