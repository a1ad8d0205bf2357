"""Control charts of numbers that may creep away over the weeks: an exponentially weighted moving average against its control limits."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.predict import Prior

    Array = NDArray[np.float64]

WEIGHT: Final = 0.2
"""Weight of the newest take in the average. Common practice, no source."""
BASELINE: Final = 6
"""Takes at the start that say where a number was. Common practice, no source."""
LEAST_TAKES: Final = 9
"""Takes from which on a chart is drawn: the baseline and three more. Common practice, no source."""
FARTHEST: Final = 3.0
"""Standard deviations from the average beyond which a take counts no more: one take alone is a jump and no drift, however far it is, and
what stays there is one after some takes. A steady take lies farther away once in 370 (normal distribution)."""
SHOWS_A_YEAR: Final = 52
"""One show a week."""
_NEIGHBOURS: Final = 2
"""Takes on either side to which a single one is compared. Common practice, no source."""
_CELLS: Final = 141
"""States of the Markov chain; odd, so that one lies in the middle. With this many the run lengths agree with Lucas & Saccucci (1990)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """An EWMA chart of one number; arrays are (takes,)."""

    values: Array
    average: Array
    low: Array
    high: Array
    centre: float
    spread: float
    """Standard deviation of a take."""
    drifted: bool
    """True when the newest average is beyond its limit."""
    since: int
    """Take after which the average went away for good."""
    line: tuple[float, float]
    """Start and end of the line of least squares from there on."""
    weeks: float
    """From there to the newest take."""


def average_run_length(weight: float, limit: float, shift: float = 0.0) -> float:
    """Takes until an EWMA chart signals, on average, for a mean that is off by `shift` standard deviations from the start.

    Parameters
    ----------
    weight : float
        Of the newest value, 0 to 1.
    limit : float
        Control limit in standard deviations of the average.
    shift : float

    References
    ----------
    Brook & Evans, Biometrika 59 (1972) 539: the chart as a Markov chain. Lucas & Saccucci, Technometrics 32 (1990) 1, tabulate it.
    """
    reach = limit * np.sqrt(weight / (2.0 - weight))
    edges = np.linspace(-reach, reach, _CELLS + 1)
    cell_centres = 0.5 * (edges[1:] + edges[:-1])
    # from the centre of a cell, the next value must bring the average to this edge
    needed = (edges[None, :] - (1.0 - weight) * cell_centres[:, None]) / weight - shift
    stay = np.diff(special.ndtr(needed), axis=1)
    runs = np.linalg.solve(np.eye(_CELLS) - stay, np.ones(_CELLS))
    return float(runs[_CELLS // 2])


@cache
def limit_for(charts: int, *, weight: float = WEIGHT) -> float:
    """Control limit at which so many charts, read once a week, raise one false signal a year between them."""
    wanted = np.log(charts * SHOWS_A_YEAR)
    # few checks ask for it, and it takes longer to import than the rest of this package
    from scipy.optimize import brentq

    return float(brentq(lambda limit: np.log(average_run_length(weight, limit)) - wanted, 1.5, 6.5, xtol=1e-3))


def spread_of(values: Array, prior: Prior) -> float:
    """Standard deviation of a take, from one take to the next, so that what creeps is not taken for spread."""
    steps = np.diff(values)
    return float(
        np.sqrt((prior.strength * prior.covariance[0, 0] + 0.5 * (steps**2).sum()) / (prior.strength + steps.size))
    )


def weeks_of(dates: Sequence[str | None]) -> Array:
    """(takes,) weeks from the first; takes without a date count as a week after the one before."""
    weeks: list[float] = []
    first: date | None = None
    for text in dates:
        when = date.fromisoformat(text) if text else None
        if when is not None and first is None:
            first = when
            shift = weeks[-1] + 1.0 if weeks else 0.0
        if when is None or first is None:
            weeks.append(weeks[-1] + 1.0 if weeks else 0.0)
        else:
            weeks.append(max(shift + (when - first).days / 7.0, weeks[-1] if weeks else 0.0))
    return np.array(weeks)


def chart(values: Array, spread: float, limit: float, weeks: Array, *, weight: float = WEIGHT) -> Chart | None:
    """An EWMA chart; None for too few takes.

    Parameters
    ----------
    values : (takes,) array
        Oldest first, on the number's scale.
    spread : float
        Standard deviation of a take, from the baseline.
    limit : float
        In standard deviations of the average.
    weeks : (takes,) array
        When each was.
    weight : float

    References
    ----------
    ISO 7870-6:2016 (EWMA charts), with the uncertainty of a centre that is itself estimated added to the limits.
    """
    if values.size < LEAST_TAKES:
        return None
    centre = float(values[:BASELINE].mean())
    average = _moving_average(values, centre, weight, FARTHEST * spread)
    count = np.maximum(0, np.arange(values.size) - BASELINE + 1)
    # how far the average has forgotten the baseline is how far the baseline's own error shows
    forgotten = 1.0 - (1.0 - weight) ** count
    average_deviation = spread * np.sqrt(
        weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * count)) + forgotten**2 / BASELINE
    )
    low, high = centre - limit * average_deviation, centre + limit * average_deviation
    newest = float(average[-1])
    since, line = _rise(_without_jumps(values, FARTHEST * spread), weeks, float(np.sign(newest - centre)))
    if line is None:
        # it went away in a step: where its average was last within one standard deviation of its own
        usual = spread * np.sqrt(weight / (2.0 - weight))
        since = values.size - 1
        while since > 0 and (average[since - 1] - centre) * np.sign(newest - centre) > usual:
            since -= 1
        since = max(0, min(since - 1, values.size - 3))
        line = _line(values[since:], weeks[since:], centre, newest)
    return Chart(
        values=values,
        average=average,
        low=low,
        high=high,
        centre=centre,
        spread=spread,
        drifted=not low[-1] <= newest <= high[-1],
        since=since,
        line=line,
        weeks=float(weeks[-1] - weeks[since]),
    )


def _moving_average(values: Array, centre: float, weight: float, most_pull: float) -> Array:
    """(takes,) exponentially weighted moving average, which starts at the centre after the baseline; no take pulls from farther away."""
    average = np.empty(values.size)
    average[:BASELINE] = newest = centre
    for take in range(BASELINE, values.size):
        newest += weight * float(np.clip(values[take] - newest, -most_pull, most_pull))
        average[take] = newest
    return average


def _without_jumps(values: Array, jump: float) -> Array:
    """Values of which a single one that lies far from its neighbours is the median of these."""
    padded = np.pad(values, _NEIGHBOURS, mode="reflect")
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1), axis=1)
    return np.where(np.abs(values - medians) > jump, medians, values)


def _rise(values: Array, weeks: Array, direction: float) -> tuple[int, tuple[float, float] | None]:
    """Take after which a number has risen or fallen steadily, and start and end of that line; None where a step explains it better.

    Of all lines that are level up to a take and slope from there on, and all steps after a take, that of least squares.
    """
    best, best_step = (np.inf, 0, (0.0, 0.0)), np.inf
    for since in range(values.size - 2):
        before, after = values[: since + 1], values[since + 1 :]
        best_step = min(best_step, float(((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum()))
        gone = np.maximum(weeks - weeks[since], 0.0)
        off = gone - gone.mean()
        if not off.any():
            continue
        slope = float(off @ values / (off @ off))
        start = float(values.mean() - slope * gone.mean())
        squares = float(((values - start - slope * gone) ** 2).sum())
        if slope * direction > 0 and squares < best[0]:
            best = squares, since, (start, start + slope * float(gone[-1]))
    squares, since, line = best
    return since, line if squares <= best_step else None


def _line(values: Array, weeks: Array, centre: float, newest: float) -> tuple[float, float]:
    """Start and end of the line of least squares through a drift; the centre and the newest average where it runs the other way."""
    length = float(weeks[-1] - weeks[0])
    if length <= 0:
        return centre, newest
    slope, start = np.polyfit(weeks - weeks[0], values, 1)
    end = float(start + slope * length)
    # it went away in a step and has come back a little: where it was and where it is
    return (centre, newest) if (end - float(start)) * (newest - centre) <= 0 else (float(start), end)
