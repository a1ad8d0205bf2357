"""Whether a number creeps away over the weeks: an exponentially weighted moving average against its control limits."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import optimize, special

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.reference.predict import Prior

    Array = NDArray[np.float64]

WEIGHT: Final = 0.2
"""Of the newest take in the average."""
BASELINE: Final = 6
"""The first this many takes say where a number was."""
LEAST_TAKES: Final = 9
SHOWS_A_YEAR: Final = 52
_CELLS: Final = 141


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
    """Whether the newest average is beyond its limit."""
    since: int
    """Take after which the average went away for good."""
    line: tuple[float, float]
    """Least squares from there on: where it began, and where it is now."""
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
    centres = 0.5 * (edges[1:] + edges[:-1])
    # from the centre of a cell, the next value must bring the average to this edge
    needed = (edges[None, :] - (1.0 - weight) * centres[:, None]) / weight - shift
    stay = np.diff(special.ndtr(needed), axis=1)
    runs = np.linalg.solve(np.eye(_CELLS) - stay, np.ones(_CELLS))
    return float(runs[_CELLS // 2])


@cache
def limit_for(charts: int, *, weight: float = WEIGHT) -> float:
    """The control limit at which so many charts, read once a week, raise one false signal a year between them."""
    wanted = np.log(charts * SHOWS_A_YEAR)
    return float(optimize.brentq(lambda limit: np.log(average_run_length(weight, limit)) - wanted, 1.5, 6.5, xtol=1e-3))


def spread_of(values: Array, prior: Prior) -> float:
    """Standard deviation of a take, from one take to the next, so that what creeps is not taken for spread."""
    steps = np.diff(values)
    return float(
        np.sqrt((prior.strength * prior.covariance[0, 0] + 0.5 * (steps**2).sum()) / (prior.strength + steps.size))
    )


def weeks_of(dates: Sequence[str | None]) -> Array:
    """(takes,) weeks from the first; takes without a date count as a week after the one before."""
    out: list[float] = []
    first: date | None = None
    for text in dates:
        when = date.fromisoformat(text) if text else None
        if when is not None and first is None:
            first = when
            shift = out[-1] + 1.0 if out else 0.0
        if when is None or first is None:
            out.append(out[-1] + 1.0 if out else 0.0)
        else:
            out.append(max(shift + (when - first).days / 7.0, out[-1] if out else 0.0))
    return np.array(out)


def chart(values: Array, spread: float, limit: float, weeks: Array, *, weight: float = WEIGHT) -> Chart | None:
    """An EWMA chart; None for too few takes.

    Parameters
    ----------
    values : (takes,) array
        Oldest first, on the number's scale.
    spread : float
        Standard deviation of a take, from the reference.
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
    average = np.empty(values.size)
    held = centre
    for at, value in enumerate(values):
        held = held if at < BASELINE else weight * float(value) + (1.0 - weight) * held
        average[at] = held
    count = np.maximum(0, np.arange(values.size) - BASELINE + 1)
    # how far the average has forgotten the baseline is how far the baseline's own error shows
    forgotten = 1.0 - (1.0 - weight) ** count
    deviation = spread * np.sqrt(
        weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * count)) + forgotten**2 / BASELINE
    )
    low, high = centre - limit * deviation, centre + limit * deviation
    newest = float(average[-1])
    drifted = not low[-1] <= newest <= high[-1]
    # it began to go away where its average was last within one standard deviation of its own
    usual = spread * np.sqrt(weight / (2.0 - weight))
    since = values.size - 1
    while since > 0 and (average[since - 1] - centre) * np.sign(newest - centre) > usual:
        since -= 1
    since = max(0, min(since - 1, values.size - 3))
    length = float(weeks[-1] - weeks[since])
    line = (centre, newest)
    if length > 0:
        slope, start = np.polyfit(weeks[since:] - weeks[since], values[since:], 1)
        line = (float(start), float(start + slope * length))
        if (line[1] - line[0]) * (newest - centre) <= 0:
            # it went away in a step and has come back a little: where it was and where it is
            line = (centre, newest)
    return Chart(
        values=values,
        average=average,
        low=low,
        high=high,
        centre=centre,
        spread=spread,
        drifted=drifted,
        since=since,
        line=line,
        weeks=length,
    )
