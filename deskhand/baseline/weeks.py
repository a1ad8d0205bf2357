"""Weeks so far: each number of a source over its kept takes, with its normal range and its drift."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from deskhand.baseline import drift
from deskhand.baseline.model import Baseline, house_prior
from deskhand.baseline.normal import number_predictive
from deskhand.baseline.numbers import CHARTED, LEVEL, Number, number_of, of_tones, tone_vector
from deskhand.units import number as number_text
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.predict import Predictive
    from deskhand.store import KeptPart, TakeRow

SHOWN: tuple[Number, ...] = CHARTED


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """One number of one source over the kept takes."""

    source: str
    number: Number
    takes: tuple[TakeRow, ...]
    players: tuple[str | None, ...]
    values: NDArray[np.float64]
    """(takes,) in the number's unit."""
    weeks: NDArray[np.float64]
    """(takes,) from the first."""
    low: float
    high: float
    """End of the range in which the next clean take should lie, in its unit; `low` is its start."""
    usual: float
    chart: drift.Chart | None
    """On the number's scale; None for fewer takes than a chart needs."""
    nominal: float | None = None
    """Nominal level, around which `low` and `high` are what is allowed; None for what has none."""

    @property
    def measured_against(self) -> tuple[TakeRow, TakeRow]:
        """First and last of the takes that say where the chart's number was."""
        return self.takes[0], self.takes[min(drift.BASELINE, len(self.takes)) - 1]


def crept(number: Number, chart: drift.Chart) -> str:
    """Text on a number that creeps: its direction, how far and for how long, and how fast once that is known, while it goes on."""
    start, newest = (number.from_scale(float(value)) for value in chart.line)
    length = weeks_text(chart.weeks)
    if chart.is_step:
        change, way = number.told(abs(newest - start)), phrase("higher" if newest > start else "lower")
        return phrase(
            "{change} {unit} {way} for {length}", change=change, unit=phrase(number.step_unit), way=way, length=length
        )
    word = phrase("up" if newest > start else "down")
    ended = phrase(", until {weeks} ago", weeks=weeks_text(chart.stayed_weeks)) if chart.stayed_weeks else ""
    values = {"word": word, "unit": phrase(number.step_unit), "length": length, "ended": ended}
    if not chart.knows_pace:
        return phrase(
            "crept {word} by about {gone} {unit} in {length}{ended}", gone=number.told(abs(newest - start)), **values
        )
    rate = number_text(abs(newest - start) / max(chart.weeks, 1.0), 2)
    return phrase("crept {word} by {rate} {unit} a week for {length}", rate=rate, **values)


def pace_text(number: Number, chart: drift.Chart) -> str:
    """Text on the least and most that a number creeps in a week, where it is not known as one number; empty elsewhere."""
    if chart.pace is None or chart.knows_pace or chart.stayed_weeks or not chart.weeks:
        return ""
    start, newest = (number.from_scale(value) for value in chart.line)
    # on the number's own scale a week's change is that share of the whole
    shares = sorted(abs(pace * chart.weeks / (chart.line[1] - chart.line[0])) for pace in chart.pace)
    if chart.pace[0] * chart.pace[1] < 0:
        shares[0] = 0.0
    least, most = (number_text(share * abs(newest - start) / chart.weeks, 1) for share in shares)
    return phrase("{least} to {most} {unit} a week", least=least, most=most, unit=phrase(number.step_unit))


def weeks_text(weeks: float) -> str:
    """Text on a number of weeks."""
    whole = max(1, round(weeks))
    return phrase("1 week") if whole == 1 else phrase("{weeks} weeks", weeks=whole)


def tones_of(parts: Sequence[KeptPart]) -> dict[int, NDArray[np.float64]]:
    """Tones of a source's parts, oldest first, by their `id`, without what most octaves do together; of those that hold one."""
    read = [(part, vector) for part in parts if (vector := tone_vector(part.values)) is not None]
    if not read:
        return {}
    tones_db = np.array([vector for _, vector in read])
    off = tones_db - tones_db[: drift.BASELINE].mean(axis=0)
    # a bump in the loudest octaves lowers all others against the whole: that is no change of theirs
    tones_db = tones_db - np.median(off, axis=1, keepdims=True)
    return {id(part): vector for (part, _), vector in zip(read, tones_db, strict=True)}


def courses(
    baseline: Baseline, source: str, *, charts: int, nominal_dbfs: tuple[float, float] | None = None
) -> list[Course]:
    """Courses of a source's numbers, each over the takes in which it was read.

    Parameters
    ----------
    baseline : Baseline
        With the takes and readings to be shown.
    source : str
    charts : int
        Number of charts of all sources; the control limits allow them one false signal a year together.
    nominal_dbfs : (level in dBFS, dB allowed), optional
        Nominal level of the source, and how far from it a level is allowed to be, where its level is judged.
    """
    takes = {take.id: take for take in baseline.takes}
    source_courses: list[Course] = []
    tones = tones_of(baseline.parts.get((source, "tap"), ()))
    for number in SHOWN:
        stage = number.stage_of(chained=bool(baseline.parts.get((source, "after"))))
        parts = [part for part in baseline.parts.get((source, stage), []) if number.is_watched_of(part.role)]
        if number.is_of_tone:
            readings = [(float(of_tones(number, tones[id(part)])), part) for part in parts if id(part) in tones]
        else:
            readings = [(reading[0], part) for part in parts if (reading := number_of(number, part.values)) is not None]
        expected = number_predictive(baseline, readings[-1][1], number) if readings else None
        if expected is not None:
            course = _course(baseline, source, number, stage, readings, expected, takes, charts)
            if number is LEVEL and nominal_dbfs is not None:
                level, allowed_db = nominal_dbfs
                course = replace(course, low=level - allowed_db, high=level + allowed_db, nominal=level)
            source_courses.append(course)
    return source_courses


def _course(
    baseline: Baseline,
    source: str,
    number: Number,
    stage: str,
    readings: Sequence[tuple[float, KeptPart]],
    expected: Predictive,
    takes: dict[int, TakeRow],
    charts: int,
) -> Course:
    """Course of a number from its kept readings (on its scale) and the range of the next."""
    newest = readings[-1][1]
    rows = tuple(takes[part.take] for _, part in readings)
    scaled = np.array([value for value, _ in readings])
    weeks = drift.weeks_of([row.date for row in rows])
    prior = house_prior(baseline, number.name, source, newest.role, stage)
    low, high = expected.interval()
    return Course(
        source=source,
        number=number,
        takes=rows,
        players=tuple(part.player for _, part in readings),
        values=np.array([number.from_scale(float(value)) for value in scaled]),
        weeks=weeks,
        low=number.from_scale(float(low[0])),
        high=number.from_scale(float(high[0])),
        usual=number.from_scale(float(expected.location[0])),
        chart=drift.chart(scaled, drift.spread_of(scaled, prior), drift.limit_for(max(1, charts)), weeks),
    )
