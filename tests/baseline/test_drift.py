"""Drift over the weeks: run lengths against published tables and by simulation, the chart by its definition, planted creeps.

In this order: average run lengths, limits, the chart, the spread, weeks, and what is said of a kept source.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from deskhand.baseline import drift
from deskhand.baseline.drift import (
    BASELINE,
    LEAST_TAKES,
    SHOWS_A_YEAR,
    WEIGHT,
    Chart,
    average_run_length,
    chart,
    limit_for,
    spread_of,
    weeks_of,
)
from deskhand.baseline.kept import Drift, drifts
from deskhand.baseline.numbers import BY_NAME, LEVEL
from deskhand.baseline.predict import Prior
from deskhand.findings import judge_drifts, say
from tests.support.hypotheses import examples
from tests.support.tables import rows
from tests.support.weeks import FIRST, FLAT, Weeks, part

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

few: Final = settings(max_examples=examples(40), deadline=None, derandomize=True, database=None)
ONE: Final = Prior(covariance=np.array([[1.0]]), strength=4.0, player_ratio=1.0)
PUBLISHED: Final = rows("ewma_run_lengths")
CREEP: Final = 0.4
"""DB a week, beside a spread of 1 dB from week to week."""


def every_week(count: int) -> Array:
    return np.arange(float(count))


def charted(values: Array, *, spread: float | None = None, limit: float = 3.0) -> Chart:
    found = chart(values, spread_of(values, ONE) if spread is None else spread, limit, every_week(values.size))
    assert found is not None
    return found


def slope(found: Chart) -> float:
    """Per week, of the line that is laid through the drift."""
    return (found.line[1] - found.line[0]) / found.weeks


# run lengths


def published(paper: str) -> list[object]:
    return [
        pytest.param(row, id=f"weight-{row['weight']}-shift-{row['shift']}")
        for row in PUBLISHED
        if row["paper"] == paper
    ]


def agrees(row: dict[str, str]) -> None:
    printed = row["run_length"]
    half_a_digit = 0.5 * 10.0 ** -len(printed.partition(".")[2])
    found = average_run_length(float(row["weight"]), float(row["limit"]), float(row["shift"]))
    # and the limit is printed to three decimals: at a limit of 3, half of one is a seventh of a percent of the longest run
    assert found == pytest.approx(float(printed), abs=half_a_digit + 0.004 * float(printed))


@pytest.mark.source(
    "Lucas & Saccucci, Technometrics 32 (1990) 1, Table 3 (as quoted in the examples of the CRAN package spc)"
)
@pytest.mark.parametrize("row", published("lucas"))
def test_run_lengths_of_lucas_and_saccucci(row: dict[str, str]) -> None:
    agrees(row)


@pytest.mark.source(
    "Montgomery, Introduction to Statistical Quality Control, run lengths of EWMA schemes (from memory)"
)
@pytest.mark.parametrize("row", published("montgomery"))
def test_run_lengths_as_reprinted(row: dict[str, str]) -> None:
    agrees(row)


@pytest.mark.source("Crowder, Technometrics 29 (1987) 401, Table 1 (as quoted in the examples of the CRAN package spc)")
@pytest.mark.parametrize("row", published("crowder"))
def test_run_lengths_of_crowder(row: dict[str, str]) -> None:
    agrees(row)


@pytest.mark.source("Shewhart chart at three standard deviations: 1 / 0.0027 = 370.4")
def test_with_all_the_weight_on_the_newest_it_is_shewhart_s_chart() -> None:
    assert average_run_length(1.0, 3.0) == pytest.approx(370.4, abs=0.05)
    # one standard deviation off: 1 / (P(z > 2) + P(z < -4))
    assert average_run_length(1.0, 3.0, 1.0) == pytest.approx(43.9, abs=0.05)


@pytest.mark.parametrize(
    ("weight", "limit", "shift"),
    [
        pytest.param(0.2, 2.2, 0.0, id="clean"),
        pytest.param(0.2, 2.962, 1.0, id="shift"),
        pytest.param(0.1, 2.0, 0.5, id="slow"),
    ],
)
def test_run_lengths_by_simulation(rng: np.random.Generator, weight: float, limit: float, shift: float) -> None:
    reach = limit * np.sqrt(weight / (2.0 - weight))
    average, ran, runs = np.zeros(20_000), np.zeros(20_000), np.arange(20_000)
    while runs.size:
        ran[runs] += 1
        average[runs] = weight * rng.normal(shift, 1.0, runs.size) + (1.0 - weight) * average[runs]
        runs = runs[np.abs(average[runs]) <= reach]
    # four standard errors
    found = average_run_length(weight, limit, shift)
    assert found == pytest.approx(ran.mean(), abs=4.0 * ran.std() / np.sqrt(ran.size))


def test_a_shift_either_way_is_seen_as_soon() -> None:
    for shift in (0.3, 1.0, 2.5):
        assert average_run_length(WEIGHT, 2.9, shift) == pytest.approx(average_run_length(WEIGHT, 2.9, -shift))
    lengths = [average_run_length(WEIGHT, 2.9, shift) for shift in (0.0, 0.2, 0.5, 1.0, 2.0, 4.0)]
    assert lengths == sorted(lengths, reverse=True)
    assert lengths[-1] > 1.0


# limits


def test_the_limits_keep_to_one_false_signal_a_year() -> None:
    limits = [limit_for(count) for count in (1, 2, 8, 40, 200, 1000)]
    assert limits == sorted(limits)
    for count, limit in zip((1, 2, 8, 40, 200, 1000), limits, strict=True):
        assert average_run_length(WEIGHT, limit) == pytest.approx(count * SHOWS_A_YEAR, rel=0.01)
    # an average over longer varies less, so that its own limit is nearer
    assert limit_for(8, weight=0.05) < limit_for(8, weight=0.2) < limit_for(8, weight=0.9)


# the chart


def test_the_average_by_its_definition(rng: np.random.Generator) -> None:
    values = rng.normal(-20.0, 1.0, 15)
    found = charted(values)
    centre = values[:BASELINE].mean()
    assert found.centre == pytest.approx(centre)
    # every take after the first ones: a share of it, and of what came before
    for at in range(BASELINE, 15):
        shares = WEIGHT * (1 - WEIGHT) ** np.arange(at - BASELINE + 1)
        newest_first = values[BASELINE : at + 1][::-1]
        expected = float(shares @ newest_first) + (1 - shares.sum()) * centre
        assert found.average[at] == pytest.approx(expected)
    np.testing.assert_allclose(found.average[:BASELINE], centre)
    np.testing.assert_allclose(found.high - centre, centre - found.low)


@pytest.mark.source("ISO 7870-6:2016: variance of an EWMA, w / (2 - w) (1 - (1 - w)^(2 i)) (from memory)")
def test_the_limits_hold_what_the_average_may_wander() -> None:
    count, spread, limit = 40, 2.0, 2.5
    # what each take does to the average; takes are independent. The first ones only say where the centre is
    parts = np.array([charted(one, spread=spread).average for one in np.eye(count)])
    by_takes = (parts[BASELINE:] ** 2).sum(axis=0)
    at = np.arange(1, count - BASELINE + 1)
    np.testing.assert_allclose(by_takes[BASELINE:], WEIGHT / (2 - WEIGHT) * (1 - (1 - WEIGHT) ** (2 * at)))
    found = charted(np.zeros(count), spread=spread, limit=limit)
    reach = (found.high - found.centre)[BASELINE:]
    # what the average may wander from a centre that is itself a mean of takes
    wander = np.array(
        [charted(one, spread=spread).average - charted(one, spread=spread).centre for one in np.eye(count)]
    )
    exact = limit * spread * np.sqrt((wander**2).sum(axis=0))[BASELINE:]
    np.testing.assert_allclose(reach, exact)


def test_too_few_takes_for_a_chart() -> None:
    assert chart(np.zeros(LEAST_TAKES - 1), 1.0, 3.0, every_week(LEAST_TAKES - 1)) is None
    assert chart(np.zeros(LEAST_TAKES), 1.0, 3.0, every_week(LEAST_TAKES)) is not None


@pytest.mark.parametrize("sign", [pytest.param(1.0, id="up"), pytest.param(-1.0, id="down")])
@pytest.mark.parametrize("starts", [pytest.param(0, id="from-the-first"), pytest.param(10, id="later")])
def test_a_planted_creep_is_found(rng: np.random.Generator, sign: float, starts: int) -> None:
    limit, slopes, seen, begins = limit_for(40), [], 0, []
    for _ in range(60):
        values = -18.0 + sign * CREEP * np.maximum(0, np.arange(26) - starts) + rng.standard_normal(26)
        found = charted(values, limit=limit)
        seen += found.drifted
        if found.drifted:
            slopes.append(slope(found))
            begins.append(26 - 1 - found.weeks)
    assert seen >= 57
    assert float(np.mean(slopes)) == pytest.approx(sign * CREEP, abs=0.1)
    assert np.all(np.sign(slopes) == sign)
    # and about when it began
    assert float(np.mean(begins)) == pytest.approx(starts, abs=2.0)


@given(seed=st.integers(0, 10_000), offset=st.floats(-60.0, 60.0), factor=st.floats(0.01, 100.0))
@few
def test_the_unit_does_not_matter(seed: int, offset: float, factor: float) -> None:
    values = np.random.default_rng(seed).standard_normal(20) + 0.15 * np.arange(20)
    one = charted(values, spread=1.0)
    other = charted(factor * values + offset, spread=factor)
    turned = charted(-values, spread=1.0)
    assert one.drifted == other.drifted == turned.drifted
    assert (one.since, one.weeks) == (other.since, other.weeks) == (turned.since, turned.weeks)
    assert slope(other) == pytest.approx(factor * slope(one), rel=1e-6, abs=1e-9 * factor)
    assert slope(turned) == pytest.approx(-slope(one), rel=1e-6, abs=1e-9)


def test_steady_weeks_hardly_ever_drift(rng: np.random.Generator) -> None:
    # one number watched alone, over many years: new signals a year, where one was allowed
    limit, years, signals = limit_for(1), 60, 0
    for _ in range(years):
        values = rng.standard_normal(BASELINE + SHOWS_A_YEAR)
        found = charted(values, limit=limit)
        out = (found.average < found.low) | (found.average > found.high)
        signals += int(np.sum(out[1:] & ~out[:-1]))
    # the spread and the centre are themselves estimated, so that it is not exactly one
    assert 0.4 < signals / years < 2.0
    # and with many numbers watched, the one that is looked at is quiet
    quiet = [charted(rng.standard_normal(30), limit=limit_for(40)).drifted for _ in range(400)]
    assert sum(quiet) <= 4


def test_one_odd_week_is_no_drift(rng: np.random.Generator) -> None:
    limit = limit_for(40)
    for _ in range(30):
        values = rng.standard_normal(20)
        values[12] += 5.0
        assert not charted(values, limit=limit).drifted


@pytest.mark.parametrize("jump", [pytest.param(jump, id=f"{jump:g}-spreads") for jump in (-6.0, 6.0, 12.0, 30.0)])
def test_a_jump_of_the_newest_take_is_no_drift(rng: np.random.Generator, jump: float) -> None:
    limit = limit_for(40)
    for weeks in (LEAST_TAKES, 17, 30):
        for _ in range(10):
            values = rng.standard_normal(weeks)
            values[-1] += jump
            assert not charted(values, spread=spread_of(values, ONE), limit=limit).drifted
            # it stays: after some takes more it is one, and told as where it was and where it is
            stayed = np.concatenate([values, jump + rng.standard_normal(12)])
            assert charted(stayed, limit=limit).drifted


def test_what_came_back_is_no_drift_any_more(rng: np.random.Generator) -> None:
    away = np.concatenate([np.zeros(10), np.full(10, 4.0)]) + 0.5 * rng.standard_normal(20)
    assert charted(away).drifted
    assert not charted(np.concatenate([away, 0.5 * rng.standard_normal(20)])).drifted


# how fast


@pytest.mark.source("known truth: slopes as planted; the interval of a profile likelihood, Venzon & Moolgavkar 1988")
def test_a_pace_is_told_when_it_is_known(rng: np.random.Generator) -> None:
    within, told_right, told, first_weeks = [], [], 0, []
    for _ in range(40):
        creep, starts = float(rng.choice([-0.3, 0.4, 0.6, 1.0])), int(rng.integers(6, 16))
        values = creep * np.maximum(0, np.arange(50) - starts) + 0.8 * rng.standard_normal(50)
        known = False
        for weeks in range(starts + 6, 50, 3):
            found = charted(values[:weeks], limit=limit_for(100))
            if not found.drifted or found.pace is None:
                continue
            within.append(found.pace[0] <= creep <= found.pace[1])
            if found.knows_pace:
                told += 1
                told_right.append(abs(slope(found) / creep - 1.0) <= drift.MOST_PACE_ERROR)
                if not known:
                    first_weeks.append(weeks - starts)
                known = True
        assert known
    # an interval for nine in ten, over some hundreds of looks that are not independent
    assert 0.82 < float(np.mean(within)) < 0.98
    assert float(np.mean(told_right)) > 0.93, (told, first_weeks)
    assert float(np.median(first_weeks)) <= 26


def test_a_step_is_told_as_a_step(rng: np.random.Generator) -> None:
    for size in (-6.0, 5.0):
        values = np.concatenate([np.zeros(14), np.full(9, size)]) + 0.5 * rng.standard_normal(23)
        found = charted(values)
        assert found.is_step
        assert not found.knows_pace
        assert (found.since, found.weeks) == (13, 9.0)
        assert found.line == pytest.approx((0.0, size), abs=0.7)
        crept = say(judge_drifts([Drift(source="piano", number=LEVEL, chart=found)])["piano"][0])
        assert re.search(rf"has been \d(\.\d)? dB {'higher' if size > 0 else 'lower'} for 9 weeks, from ", crept), crept


def test_what_has_stayed_is_a_note(rng: np.random.Generator) -> None:
    """Away in a step, or over ten weeks, and there ever since: raised for some weeks, then a note."""
    for way in (np.where(np.arange(60) > 14, 6.0, 0.0), 0.6 * np.clip(np.arange(60) - 14, 0, 10)):
        values = way + 0.5 * rng.standard_normal(60)
        severities = {}
        for weeks in (19, 20, 22, 26, 28, 35, 50):
            found = Drift(source="piano", number=LEVEL, chart=charted(values[:weeks], spread=0.5))
            for finding in judge_drifts([found]).get("piano", []) if found.chart.drifted else []:
                severities[weeks] = finding.severity
        assert severities[50] == severities[35] == "note"
        assert "listen" in severities.values()


# the spread


def test_the_spread_of_steady_weeks_is_theirs(rng: np.random.Generator) -> None:
    found = [spread_of(3.0 * rng.standard_normal(30), ONE) ** 2 for _ in range(400)]
    # of 29 steps, and a prior of variance 1 that is worth 4 takes
    assert float(np.mean(found)) == pytest.approx((4.0 * 1.0 + 29.0 * 9.0) / 33.0, rel=0.05)


def test_a_creep_is_no_spread(rng: np.random.Generator) -> None:
    steady = rng.standard_normal(40)
    creeping = steady + CREEP * np.arange(40)
    # the takes' own standard deviation would be five times as much
    assert creeping.std() > 4.0 * steady.std()
    assert spread_of(creeping, ONE) < 1.15 * spread_of(steady, ONE)


def test_the_prior_stands_in() -> None:
    assert spread_of(np.array([5.0]), ONE) == 1.0
    calm = spread_of(np.full(10, 5.0), ONE)
    assert 0.0 < calm < 1.0
    lively = spread_of(np.array([5.0, 9.0, 5.0, 9.0]), ONE)
    assert lively > 1.5


# weeks


def days(*offsets: int | None) -> list[str | None]:
    return [None if one is None else (FIRST + timedelta(days=one)).isoformat() for one in offsets]


@pytest.mark.parametrize(
    ("dates", "weeks"),
    [
        pytest.param(days(0, 7, 14), [0, 1, 2], id="weekly"),
        pytest.param(days(0, 7, 28, 31), [0, 1, 4, 4 + 3 / 7], id="a-holiday"),
        pytest.param(days(0, 0, 7), [0, 0, 1], id="twice-a-day"),
        pytest.param(days(None, None, None), [0, 1, 2], id="no-dates"),
        pytest.param(days(0, None, 14), [0, 1, 2], id="one-missing"),
        pytest.param(days(None, None, 3, 10), [0, 1, 2, 3], id="first-ones-missing"),
        pytest.param(days(0, 7, None), [0, 1, 2], id="newest-missing"),
        pytest.param([], [], id="nothing"),
    ],
)
def test_weeks_of_dates(dates: Sequence[str | None], weeks: Sequence[float]) -> None:
    np.testing.assert_allclose(weeks_of(dates), weeks)


@given(
    steps=st.lists(st.integers(0, 30), min_size=1, max_size=20),
    missing=st.lists(st.booleans(), min_size=20, max_size=20),
)
@example(steps=[0, 1, 1, 1], missing=[False, True, True, False] + 16 * [False])
@few
def test_weeks_never_run_backwards(steps: list[int], missing: list[bool]) -> None:
    day, dates = date(2026, 1, 4), []
    for step, gone in zip(steps, missing, strict=False):
        day += timedelta(days=step)
        dates.append(None if gone else day.isoformat())
    found = weeks_of(dates)
    assert found[0] == 0.0
    assert np.all(np.diff(found) >= 0.0)


# of a kept source


def house(rng: np.random.Generator, count: int, *, creep_db: float = 0.0, tail_per_week: float = 1.0) -> Weeks:
    kept = Weeks()
    for at in range(count):
        kept.add(
            part(
                FLAT,
                values={
                    "level_dbfs": -18.0 + creep_db * at + 0.5 * float(rng.standard_normal()),
                    "tail_s": 0.8 * tail_per_week**at * 2.0 ** (0.05 * float(rng.standard_normal())),
                    "articulation_db": 6.0 + 0.5 * float(rng.standard_normal()),
                },
            )
        )
    return kept


def newest(kept: Weeks) -> tuple[Weeks, list[object]]:
    """What was kept before the newest take, and that take as it is judged."""
    before = [item for item in kept.kept if item[1].take < kept.count]
    now = [replace(one, take=0) for _, one in kept.kept if one.take == kept.count]
    return Weeks(kept=before, count=kept.count - 1), now


def test_a_level_that_creeps_is_told_with_its_rate(rng: np.random.Generator) -> None:
    kept, now = newest(house(rng, 21, creep_db=-CREEP))
    (found,) = drifts(kept.baseline(), now)
    assert (found.source, found.number) == ("piano", LEVEL)
    assert slope(found.chart) == pytest.approx(-CREEP, abs=0.08)
    (finding,) = judge_drifts([found])["piano"]
    assert "down" in say(finding)
    assert "up" not in say(finding)
    rate = re.search(r"by ([0-9.]+) dB a week", say(finding))
    assert rate is not None
    assert float(rate[1]) == pytest.approx(CREEP, abs=0.1)


def test_a_number_on_a_scale_of_doublings_is_told_in_its_unit(rng: np.random.Generator) -> None:
    kept, now = newest(house(rng, 21, tail_per_week=1.05))
    (found,) = drifts(kept.baseline(), now)
    assert found.number is BY_NAME["tail"]
    (finding,) = judge_drifts([found])["piano"]
    assert "up by" in say(finding)
    told = re.search(r"from ([0-9.]+) to ([0-9.]+) s", say(finding))
    assert told is not None
    # from 0.8 s by 5 % a week
    assert 0.6 < float(told[1]) < 1.2
    assert 1.5 < float(told[2]) < 0.8 * 1.05**20 * 1.25


def test_steady_weeks_and_short_histories_say_nothing(rng: np.random.Generator) -> None:
    kept, now = newest(house(rng, 30))
    assert drifts(kept.baseline(), now) == []
    kept, now = newest(house(rng, LEAST_TAKES - 1, creep_db=3.0))
    assert drifts(kept.baseline(), now) == []
    kept, now = newest(house(rng, LEAST_TAKES, creep_db=3.0))
    assert [one.number.name for one in drifts(kept.baseline(), now)] == ["level"]


def test_behind_the_chain_where_there_is_one(rng: np.random.Generator) -> None:
    def crests(stage: str, creep_db: float) -> list[object]:
        return [
            part(FLAT, stage=stage, values={"crest_db": 12.0 + creep_db * at + 0.3 * float(rng.standard_normal())})
            for at in range(16)
        ]

    # peaks that grow at the tap and stay what they are behind the chain: nobody hears that
    kept = Weeks()
    for tap, after in zip(crests("tap", 0.6), crests("after", 0.0), strict=True):
        kept.add(tap, after)
    before, now = newest(kept)
    assert drifts(before.baseline(), now) == []
    alone = Weeks()
    for tap in crests("tap", 0.6):
        alone.add(tap)
    before, now = newest(alone)
    assert [(one.number.name, one.source) for one in drifts(before.baseline(), now)] == [("dynamics", "piano")]


@pytest.mark.parametrize(
    ("sign", "word"), [pytest.param(1.0, "higher", id="above"), pytest.param(-1.0, "lower", id="below")]
)
def test_the_words_are_of_the_way_it_went(sign: float, word: str) -> None:
    # away at once, and since then a little back again: what raised it is that it is still far from where it was
    values = sign * np.concatenate([np.zeros(10), np.linspace(6.0, 4.0, 20)])
    found = Drift(source="piano", number=LEVEL, chart=charted(values, spread=0.5))
    assert found.chart.drifted
    assert np.sign(found.chart.average[-1] - found.chart.centre) == sign
    # ten takes at 0, and twenty around 5
    assert f"has been 5 dB {word} for 20 weeks, from 0 to " in say(judge_drifts([found])["piano"][0]).replace("−", "-")


def test_a_weight_is_what_the_newest_take_counts() -> None:
    values = np.zeros(20)
    values[-1] = 1.0
    for weight in (0.1, 0.5):
        found = drift.chart(values, 1.0, 3.0, every_week(20), weight=weight)
        assert found is not None
        assert found.average[-1] == pytest.approx(weight)


@pytest.mark.source("known truth: only the newest take is elsewhere, by 12 dB")
def test_one_take_alone_is_no_drift(rng: np.random.Generator) -> None:
    kept, now = newest(house(rng, 41))
    level_dbfs, width = now[0].values["level_dbfs"]
    jumped = [replace(now[0], values={**now[0].values, "level_dbfs": (level_dbfs + 12.0, width)})]
    assert drifts(kept.baseline(), jumped) == []


@pytest.mark.source("known truth: every take lies elsewhere by a thirtieth of a just noticeable difference")
def test_what_nobody_could_hear_is_no_finding() -> None:
    values = -18.0 + 0.03 * np.arange(20.0)
    quiet = charted(values, spread=0.01)
    assert quiet.drifted
    assert judge_drifts([Drift(source="piano", number=LEVEL, chart=quiet)]) == {}
