"""Drift of inputs over many houses, from the months of the history."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline import drift
from deskhand.store.across import widest_months

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.store.across import Months, Place
    from deskhand.store.history import History

WATCHED: Final = {
    "side_tone_db.4000": "right against left, 4 kHz",
    "balance_db": "balance",
    "tone_db.4000": "tone at 4 kHz",
    "noise_dbfs": "noise",
    "level_dbfs": "level",
}
"""Readings that are looked at in every house, and their words; all in dB."""
LOOKED_AT: Final = 40
"""Inputs of a reading whose months spread the widest, and are charted: half a second in all. Common practice, no source."""
MONTH_SPREADS_DB: Final = {
    "side_tone_db.4000": 0.35,
    "balance_db": 0.35,
    "tone_db.4000": 0.75,
    "noise_dbfs": 0.75,
    "level_dbfs": 0.75,
}
"""Standard deviation of a month's mean that is assumed before an input is known: half of what spreads.py assumes of one evening, rounded,
since a month has about four."""
_KNOWN_STEPS: Final = 10
"""Months as many of which that assumption weighs: few months tell their spread badly. Set on the half to tune on of made years
(docs/validation-houses.md)."""
_LEAST_TOLD_DB: Final = 1.0
"""Least change that is told: just noticeable (Zwicker & Fastl 2007, 7.1)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputDrift:
    """An input whose reading went away from where it was and did not come back."""

    house: str
    room: str
    desk: str
    source: str
    reading: str
    since: str
    """Month after which it went away."""
    change_db: float
    is_step: bool
    """True where it changed from one month to the next."""


def input_drifts(history: History, *, phase: str, place: Place | None = None) -> list[InputDrift]:
    """Inputs that drift in any house, those that went farthest first."""
    months = {
        metric: widest_months(history, metric=metric, phase=phase, most=LOOKED_AT, place=place) for metric in WATCHED
    }
    return drifts_of(months)


def drifts_of(months: Mapping[str, Sequence[Months]]) -> list[InputDrift]:
    """Drifts of the inputs whose months are given, those that went farthest first.

    Parameters
    ----------
    months : mapping
        Reading of `WATCHED` to the inputs that are looked at.
    """
    drifts = []
    for metric, inputs in months.items():
        limit = drift.limit_for(max(1, len(inputs) * len(WATCHED)))
        drifts += [found_drift for each in inputs if (found_drift := _drift_of(each, metric, limit)) is not None]
    return sorted(drifts, key=lambda input_drift: (-abs(input_drift.change_db), input_drift.house, input_drift.source))


def _drift_of(months: Months, metric: str, limit: float) -> InputDrift | None:
    """Drift of a reading over the months; None where its chart stays within its limits."""
    means = np.array(months.means)
    steps = np.diff(means)
    if means.size < drift.LEAST_TAKES:
        return None
    # half of the mean squared step, by the median of the steps: one jump is no spread (normal distribution: 0.6745 of a deviation)
    own = float(np.median(np.abs(steps))) / (0.6745 * np.sqrt(2.0))
    known = _KNOWN_STEPS * MONTH_SPREADS_DB[metric] ** 2
    # few months may scatter less than they will: then what is known counts; where they scatter more, they do
    spread = max(own, float(np.sqrt((steps.size * own**2 + known) / (steps.size + _KNOWN_STEPS))))
    chart = drift.chart(means, spread, limit, _weeks(months))
    if chart is None or not chart.drifted or abs(chart.line[1] - chart.line[0]) < _LEAST_TOLD_DB:
        return None
    return InputDrift(
        house=months.house,
        room=months.room,
        desk=months.desk,
        source=months.source,
        reading=WATCHED[metric],
        since=months.months[chart.since],
        change_db=chart.line[1] - chart.line[0],
        is_step=chart.is_step,
    )


def _weeks(months: Months) -> NDArray[np.float64]:
    """(months,) weeks from the first month."""
    return drift.weeks_of([f"{month}-01" for month in months.months])
