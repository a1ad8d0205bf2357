"""Level-dependent gain in settings: which of them can be told, between which ends, and why others cannot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.compare.dynamics import Dynamics, ReductionPercentiles
from deskhand.compare.interval import Interval
from deskhand.compare.laws import ModelMake, settings
from deskhand.compare.search import finished
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.dynamics import Order
    from deskhand.compare.laws import Detector
    from deskhand.compare.search import LawFit

    Array = NDArray[np.float64]

_LIMITER_RATIO: Final = 8.0
"""Ratio from which a compressor is called a limiter: eight decibels more in give one more out. Common practice, no source (10 is as
common); the study `validations/compare_cases.py` finds limiters fitted as 8 to 60."""
_ALWAYS: Final = 0.97
"""Above its threshold for longer than this share of the playing, threshold and make-up trade off."""
_SELDOM: Final = 0.03
"""Above its threshold for less than this share of the playing, ratio and times are not told."""
_CEILING_DB: Final = 0.3
"""Range of the highest peaks of all seconds below which they end at one level. The study `validations/compare_cases.py`."""
_EVEN_DB: Final = 5.0
"""Range of the level (5 to 95 %) below which it is too even to tell a ratio by. Common practice, no source."""
_LITTLE_DB: Final = 0.8
"""Gain reduction at loud moments below which no ratio is told. Common practice, no source."""
_RATIO_WIDTH, _TIME_WIDTH, _THRESHOLD_WIDTH_DB = 1.6, 3.0, 5.0
"""Widest intervals with which a ratio or a time (high over low) and a threshold (high less low) are told. Common practice, no source."""
_RANGE_WIDTH_DB: Final = 8.0
"""Widest interval with which a range is told. Common practice, no source."""
_TOP_SHARE: Final = 99.9
"""Percentile of the peaks that a ceiling is read from. Common practice, no source."""
_WELL_DB: Final = 0.8
"""Misfit above which the settings are not told, unless the gain moves four times as much. Common practice, no source."""
_KNEE_DB: Final = 18.0
"""Knee above which it is bent all the way, and a ratio is that of the loudest only. Common practice, no source."""


def kind_of(fit: LawFit) -> str:
    """Name of what moves the gain: compressor, limiter, gate or upward compressor."""
    if fit.shape.law != "above":
        return "gate" if fit.shape.law == "below" else "upward compressor"
    ratio = settings(fit.values)["ratio"]
    return (
        "limiter"
        if fit.shape.detector == "look-ahead" or (ratio >= _LIMITER_RATIO and not fit.shape.blend)
        else "compressor"
    )


def _share_above(fit: LawFit) -> float:
    """Share of the playing in which the detector is above the threshold."""
    reading = fit.bench.reading
    turned = settings(fit.values)
    level = fit.bench.level_db(fit.shape.detector, fit.shape.ahead_s, turned["attack_ms"], turned["release_ms"])
    strides = reading.hop // reading.stride
    top = level[: reading.gain_db.size * strides].reshape(-1, strides).max(axis=1)
    playing = reading.weight > 0
    return float(
        np.mean(top[playing] > turned["threshold_dbfs"] - 0.5 * turned["knee_db"] * (fit.shape.law == "above"))
    )


def _reasons(fit: LawFit, above: float, reduction: ReductionPercentiles) -> dict[str, str]:
    """Reason for each setting that cannot be told."""
    reading = fit.bench.reading
    playing = reading.weight > 0
    levels = reading.level_db[playing]
    reasons: dict[str, str] = {}
    if fit.misfit_db > max(_WELL_DB, 0.25 * float(np.std(reading.gain_db[playing]))):
        why = f"its gain moves unlike any model's here ({fit.misfit_db:.1f} dB RMS off)"
        reasons |= dict.fromkeys(("threshold_dbfs", "ratio", "attack_ms", "release_ms"), why)
    if fit.shape.law != "above":
        if above > _ALWAYS:
            reasons |= dict.fromkeys(("range_db", "ratio"), "it is hardly ever below its threshold")
        if above < _SELDOM:
            reasons["threshold_dbfs"] = "it is hardly ever above its threshold"
        return reasons
    if above > _ALWAYS and _wide("threshold_dbfs", fit.intervals["threshold_dbfs"]):
        reasons["threshold_dbfs"] = (
            "it is above its threshold all the time: threshold and make-up gain cannot be told apart"
        )
    if above < _SELDOM:
        reasons |= dict.fromkeys(("ratio", "attack_ms", "release_ms"), "it is hardly ever above its threshold")
    if float(np.percentile(levels, 95) - np.percentile(levels, 5)) < _EVEN_DB:
        reasons |= dict.fromkeys(("threshold_dbfs", "ratio"), "the programme is too even")
    if fit.parallel_open:
        reasons["ratio"] = (
            "a gentle ratio for all of it and a steep one with the untouched signal beside it cannot be told apart"
        )
    if reduction.p95 < _LITTLE_DB:
        reasons |= dict.fromkeys(("ratio", "threshold_dbfs", "attack_ms", "release_ms"), "it takes off too little")
    return reasons


def _wide(name: str, interval: Interval) -> bool:
    """True where an interval leaves a setting open."""
    if name == "threshold_dbfs":
        return interval.high - interval.low > _THRESHOLD_WIDTH_DB
    if name == "ratio":
        return (interval.high - 1.0) > 3.0 * (interval.low - 1.0) or interval.high > _RATIO_WIDTH * interval.low
    if name in ("attack_ms", "release_ms"):
        return interval.high > _TIME_WIDTH * interval.low
    if name == "range_db":
        return interval.high - interval.low > _RANGE_WIDTH_DB
    return False


def ceiling_dbfs(fit: LawFit, after: Array) -> float:
    """Peak that a limiter lets pass, in front of its make-up gain.

    Parameters
    ----------
    fit : LawFit
    after : (channels, frames) array
    """
    reading = fit.bench.reading
    peaks = np.abs(after).max(axis=0)[: reading.gain_db.size * reading.hop].reshape(-1, reading.hop).max(axis=1)
    loud = peaks[(reading.weight > 0) & (reading.gain_db < fit.makeup_db - 1.0)]
    top = float(np.percentile(loud, _TOP_SHARE)) if loud.size else float(peaks.max())
    return float(db_from_amplitude(top)) - fit.makeup_db


def _is_steep(fit: LawFit) -> bool:
    """True where a ratio is a limiter's from end to end of its interval, or it looks ahead."""
    return fit.shape.detector == "look-ahead" or fit.intervals["ratio"].low >= 0.6 * _LIMITER_RATIO


def has_ceiling(fit: LawFit, after: Array) -> bool:
    """True where the peaks of all seconds in which gain is reduced end at one level: what a limiter is for.

    Parameters
    ----------
    fit : LawFit
    after : (channels, frames) array
    """
    reading = fit.bench.reading
    reduced = (reading.weight > 0) & (reading.gain_db < fit.makeup_db - 1.0)
    peaks = np.abs(after).max(axis=0)[: reading.gain_db.size * reading.hop].reshape(-1, reading.hop).max(axis=1)
    peaks = np.where(reduced, peaks, 0.0)
    seconds = peaks.size // 1000
    tops = peaks[: seconds * 1000].reshape(seconds, 1000).max(axis=1)
    tops = tops[tops > 0]
    if tops.size < 4:
        return False
    low, high = np.percentile(tops, [15, 100])
    return float(db_from_amplitude(high / low)) < _CEILING_DB


def _told_kind(fit: LawFit, after: Array) -> str:
    """Name of what moves the gain, a limiter by the level at which its peaks end."""
    if fit.shape.law != "above":
        return kind_of(fit)
    return "limiter" if has_ceiling(fit, after) or (kind_of(fit) == "limiter" and _is_steep(fit)) else "compressor"


def _all_reasons(kind: str, reasons: dict[str, str], intervals: dict[str, Interval], level_open: str) -> dict[str, str]:
    """Reason for each setting that cannot be told, with those that its interval gives."""
    if kind == "limiter":
        reasons = {name: why for name, why in reasons.items() if name != "threshold_dbfs"}
    elif level_open:
        reasons["threshold_dbfs"] = level_open
    for name, interval in intervals.items():
        if name not in reasons and _wide(name, interval) and not (kind == "limiter" and name == "ratio"):
            reasons[name] = "this programme does not tell it"
    return reasons


def _turned(
    fit: LawFit, kind: str, after: Array, flat_db: float, other_threshold_dbfs: float | None
) -> tuple[dict[str, float], dict[str, Interval]]:
    """(settings, their intervals), a limiter's threshold being where its peaks end."""
    turned, intervals = dict(settings(fit.values)), dict(fit.intervals)
    if kind == "limiter":
        ceiling = ceiling_dbfs(fit, after)
        turned["threshold_dbfs"] = ceiling
        intervals["threshold_dbfs"] = Interval(low=round(ceiling - 0.5, 2), high=round(ceiling + 0.5, 2))
    turned["threshold_dbfs"] -= flat_db
    intervals["threshold_dbfs"] = _lowered(intervals["threshold_dbfs"], flat_db, other_threshold_dbfs)
    return turned, intervals


def describe_law(
    fit: LawFit,
    after: Array,
    flat_db: float,
    *,
    on: str = "both",
    detector: str = "linked",
    order: Order = "",
    level_open: str = "",
    other_threshold_dbfs: float | None = None,
) -> Dynamics:
    """Level-dependent gain in settings.

    Parameters
    ----------
    fit : LawFit
    after : (channels, frames) array
    flat_db : float
        Gain that all frequencies share, in front of which its detector is taken to listen; 0 where BEFORE went in as it is.
    on : str
        Legs that it acts on: both, left, right, mid or side.
    detector : str
        linked, dual or mid-side; empty where that cannot be told.
    order : str
        Place against a tone beside it.
    level_open : str
        Reason for which the level at its detector is not known; empty where it is.
    other_threshold_dbfs : float, optional
        Threshold on the other side of a tone, where its place is open.
    """
    kind = _told_kind(fit, after)
    turned, intervals = _turned(fit, kind, after, flat_db, other_threshold_dbfs)
    above, reduction = _share_above(fit), _reduction(fit)
    reasons = _all_reasons(kind, _reasons(fit, above, reduction), intervals, level_open)
    return Dynamics(
        on=on,
        detector=detector,
        order=order,
        senses="rms" if fit.shape.detector.endswith("rms") else "peak",
        threshold_dbfs=_told(turned, reasons, "threshold_dbfs", 2),
        ratio=_told(turned, reasons, "ratio", 3),
        knee_db=None if kind != "compressor" or "ratio" in reasons else round(turned["knee_db"], 1),
        attack_ms=None if fit.shape.detector == "look-ahead" else _told(turned, reasons, "attack_ms", 2),
        release_ms=_told(turned, reasons, "release_ms", 1),
        makeup_db=round(fit.makeup_db + flat_db, 2),
        reduction_db=reduction,
        above=round(above, 3),
        fit_db=round(fit.misfit_db, 3),
        note="; ".join(_sentences(reasons)),
        kind=kind,
        smooths="level" if fit.shape.detector.startswith("level") else "gain",
        look_ahead_ms=round(1000.0 * fit.shape.ahead_s, 1),
        range_db=_told(turned, reasons, "range_db", 1) if fit.shape.law != "above" else None,
        blend=round(turned["blend"], 3) if fit.shape.blend else None,
        intervals={name: interval for name, interval in intervals.items() if name not in reasons},
    )


def _lowered(interval: Interval, by_db: float, other: float | None) -> Interval:
    """Interval of a threshold, lowered, and as wide as another one that may be the truth."""
    ends = [interval.low - by_db, interval.high - by_db]
    if other is not None:
        half = 0.5 * (ends[1] - ends[0])
        ends += [other - half, other + half]
    return Interval(low=round(min(ends), 3), high=round(max(ends), 3))


def _reduction(fit: LawFit) -> ReductionPercentiles:
    """Gain reduction while it plays; of what lifts, the most that it lifts."""
    reading = fit.bench.reading
    reductions_db = fit.makeup_db - reading.gain_db[reading.weight > 0]
    return ReductionPercentiles(
        median=round(float(np.median(reductions_db)), 2),
        p95=round(float(np.percentile(reductions_db, 5 if fit.shape.law == "lift" else 95)), 2),
    )


def _told(turned: dict[str, float], reasons: dict[str, str], name: str, digits: int) -> float | None:
    return None if name in reasons else round(turned[name], digits)


_NOUNS: Final = {"threshold_dbfs": "threshold", "ratio": "ratio", "attack_ms": "attack", "release_ms": "release", "range_db": "range", "blend": "blend", "knee_db": "knee"}  # fmt: skip


def _sentences(reasons: dict[str, str]) -> list[str]:
    """Reasons, each with the settings that it keeps from being told."""
    by_reason: dict[str, list[str]] = {}
    for name, why in reasons.items():
        by_reason.setdefault(why, []).append(_NOUNS[name])
    return [
        why if "cannot be told apart" in why else f"{why}: {' and '.join(names)} cannot be told"
        for why, names in by_reason.items()
    ]


def as_our_block(fit: LawFit) -> LawFit:
    """Nearest model that smooths the gain behind its law, as our compressor does.

    Parameters
    ----------
    fit : LawFit
    """
    if not fit.shape.detector.startswith("level") or fit.shape.law != "above":
        return fit
    detector: Detector = "gain rms" if fit.shape.detector == "level rms" else "gain peak"
    return finished(fit.bench, ModelMake(detector=detector, law="above", ahead_s=0.0, blend=False), fit.values)
