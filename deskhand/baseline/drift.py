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
SURE_SHARE: Final = 0.9
"""Share of the drifts whose pace lies within the one that is told. Common practice, no source."""
MOST_PACE_ERROR: Final = 0.2
"""Share of a pace by which it may be wrong and still be told as one number: what a reading of a slope off a chart by eye is good for. Common
practice, no source; what comes of it is counted in docs/validation-year.md."""
SHOWS_A_YEAR: Final = 52
"""One show a week."""
_NEIGHBOURS: Final = 2
"""Takes on either side to which a single one is compared. Common practice, no source."""
_WITHIN: Final = float(special.chdtri(1, 1.0 - SURE_SHARE))
"""Squares, in variances of a take, by which a line may fit worse than the best and still be the true one (chi-square, one degree of freedom)."""
_ENDED: Final = float(special.chdtri(1, 0.001))
"""Squares, in variances of a take, by which a line has to fit better with an end before the newest takes: by chance in one of a thousand
lines (chi-square, one degree of freedom)."""
_FEWEST_STAYED: Final = 3
"""Takes behind the end of a line: fewer do not show that it ended. Common practice, no source."""
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
    """Take after which the number went away for good."""
    line: tuple[float, float]
    """Start and end of the line of least squares from there on; of a step the means before and after it."""
    until: int
    """Last take of that line: the newest, unless the number stayed where it was by then."""
    weeks: float
    """From the first of them to the last; of a step to the newest take."""
    stayed_weeks: float
    """From there to the newest take."""
    pace: tuple[float, float] | None = None
    """Least and most change a week that the takes allow, `SURE_SHARE` of the time; None for a step."""

    @property
    def is_step(self) -> bool:
        """True where it changed from one take to the next and stayed there."""
        return self.pace is None

    @property
    def knows_pace(self) -> bool:
        """True where it still goes on, and its change a week is known well enough to be told as one number."""
        if self.pace is None or not self.weeks or self.stayed_weeks:
            return False
        told = (self.line[1] - self.line[0]) / self.weeks
        return max(abs(end - told) for end in self.pace) <= MOST_PACE_ERROR * abs(told)


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
    drifted = not low[-1] <= newest <= high[-1]
    steadied = _without_jumps(values, FARTHEST * spread)
    course = _course(steadied, weeks, float(np.sign(newest - centre)), spread, ends=drifted)
    if course is None:
        since = _left_at(average, centre, newest, spread, weight)
        course = _Rise(since=since, until=values.size - 1, line=(centre, newest), pace=None)
    return Chart(
        values=values,
        average=average,
        low=low,
        high=high,
        centre=centre,
        spread=spread,
        drifted=drifted,
        since=course.since,
        line=course.line,
        until=course.until,
        weeks=float(weeks[course.until] - weeks[course.since]),
        stayed_weeks=float(weeks[-1] - weeks[course.until]),
        pace=course.pace,
    )


def _moving_average(values: Array, centre: float, weight: float, most_pull: float) -> Array:
    """(takes,) exponentially weighted moving average, which starts at the centre after the baseline; no take pulls from farther away."""
    average = np.empty(values.size)
    average[:BASELINE] = newest = centre
    for take in range(BASELINE, values.size):
        newest += weight * min(max(float(values[take]) - newest, -most_pull), most_pull)
        average[take] = newest
    return average


def _without_jumps(values: Array, jump: float) -> Array:
    """Values of which a single one that lies far from its neighbours is the median of these."""
    padded = np.pad(values, _NEIGHBOURS, mode="reflect")
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1), axis=1)
    return np.where(np.abs(values - medians) > jump, medians, values)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rise:
    """How a number went away: after which take, from where to where, and how fast at least and at most."""

    since: int
    until: int
    line: tuple[float, float]
    pace: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ramp:
    """Line of least squares that is level up to a take, slopes from there on, and is level again from another take on."""

    since: int
    until: int
    squares: float
    slope: float
    slope_deviation: float
    line: tuple[float, float]


def _course(values: Array, weeks: Array, direction: float, spread: float, *, ends: bool) -> _Rise | None:
    """Course of a number that went this way: the ramp or the step of least squares; None where the best is a step the other way.

    Parameters
    ----------
    values, weeks : (takes,) array
    direction : float
        1 for up, -1 for down.
    spread : float
    ends : bool
        Look for an end of the ramp before the newest take, too.
    """
    last = values.size - 1
    ramps = _ramps(values, weeks, spread, until=last)
    best = _best(ramps, direction)
    if ends and best is not None:
        ramps += [ramp for until in range(2, last) for ramp in _ramps(values, weeks, spread, until=until)]
        shorter = _best([ramp for ramp in ramps if ramp.until <= last - _FEWEST_STAYED], direction)
        if shorter is not None and shorter.squares < best.squares - _ENDED * spread**2:
            best = shorter
    last_before, levels, step_squares = _step(values)
    if best is not None and best.squares <= step_squares:
        return _Rise(since=best.since, until=best.until, line=best.line, pace=_pace(ramps, best, spread))
    if (levels[1] - levels[0]) * direction <= 0:
        return None
    return _Rise(since=last_before, until=last, line=levels, pace=None)


def _best(ramps: Sequence[_Ramp], direction: float) -> _Ramp | None:
    """Ramp of least squares among those that go this way; None where none does."""
    return min((ramp for ramp in ramps if ramp.slope * direction > 0), key=lambda ramp: ramp.squares, default=None)


def _ramps(values: Array, weeks: Array, spread: float, *, until: int) -> list[_Ramp]:
    """Ramps to a take, from each one on but the last two before it."""
    since = np.arange(until - 1)
    gone = np.clip(weeks[None, :] - weeks[since][:, None], 0.0, (weeks[until] - weeks[since])[:, None])
    off = gone - gone.mean(axis=1, keepdims=True)
    squared_lengths = (off**2).sum(axis=1)
    since, gone, off, squared_lengths = (rows[squared_lengths > 0] for rows in (since, gone, off, squared_lengths))
    slopes = off @ values / squared_lengths
    starts = values.mean() - slopes * gone.mean(axis=1)
    squares = ((values - starts[:, None] - slopes[:, None] * gone) ** 2).sum(axis=1)
    return [
        _Ramp(
            since=int(since[row]), until=until, squares=float(squares[row]), slope=float(slopes[row]),
            slope_deviation=spread / float(np.sqrt(squared_lengths[row])),
            line=(float(starts[row]), float(starts[row] + slopes[row] * gone[row, -1])),
        )
        for row in range(since.size)
    ]  # fmt: skip


def _pace(ramps: Sequence[_Ramp], best: _Ramp, spread: float) -> tuple[float, float]:
    """Least and most slope of all ramps that fit about as well as the best: the interval of its likelihood, wherever it began and ended.

    References
    ----------
    Venzon & Moolgavkar, Applied Statistics 37 (1988) 87: the interval of a profile likelihood, by the quantile of chi-square.
    """
    ends = []
    for ramp in ramps:
        left = _WITHIN - (ramp.squares - best.squares) / spread**2
        if left >= 0:
            reach = float(np.sqrt(left)) * ramp.slope_deviation
            ends += [ramp.slope - reach, ramp.slope + reach]
    return min(ends), max(ends)


def _step(values: Array) -> tuple[int, tuple[float, float], float]:
    """Last take before the step of least squares, the means before and after it, and its squares."""
    # about their middle, so that nothing cancels: squares of each part are its sum of squares less its sum squared over its number
    off = values - values.mean()
    counts = np.arange(1, values.size)
    sums, powers = np.cumsum(off), np.cumsum(off**2)
    before_squares = powers[:-1] - sums[:-1] ** 2 / counts
    after_squares = (powers[-1] - powers[:-1]) - (sums[-1] - sums[:-1]) ** 2 / (values.size - counts)
    squares = np.maximum(before_squares, 0.0) + np.maximum(after_squares, 0.0)
    last_before = int(np.argmin(squares))
    before, after = values[: last_before + 1], values[last_before + 1 :]
    return last_before, (float(before.mean()), float(after.mean())), float(squares[last_before])


def _left_at(average: Array, centre: float, newest: float, spread: float, weight: float) -> int:
    """Take before which an average was last within one standard deviation of its own."""
    usual = spread * np.sqrt(weight / (2.0 - weight))
    since = average.size - 1
    while since > 0 and (average[since - 1] - centre) * np.sign(newest - centre) > usual:
        since -= 1
    return max(0, min(since - 1, average.size - 3))
