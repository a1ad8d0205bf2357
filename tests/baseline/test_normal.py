"""A take against what was kept: the right number is found, and only that; what is no change is not one; people are believed.

The kept takes are made of numbers (made.py), so that the range can be worked out here by the textbook's formulas. What the
spread of a role is, and how much it is worth, are read from the package: they may be tuned.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import FrozenInstanceError, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from deskhand.baseline import normal
from deskhand.baseline.filters import tone_directions
from deskhand.baseline.house_spread import Scatter, Worths, house_spread
from deskhand.baseline.kept import MIX, KeptTakes, against, load, reading_of
from deskhand.baseline.model import house_prior
from deskhand.baseline.normal import (
    LEARNED,
    LEAST_PLAYING_S,
    TONE,
    judge_parts,
    number_predictive,
    usual_tone_db,
)
from deskhand.baseline.numbers import (
    BY_NAME,
    NUMBERS,
    noise_of,
    third_octaves_db,
    tone_noise,
    tone_vector,
)
from deskhand.baseline.predict import Predictive
from deskhand.baseline.role_priors import BY_SONG_STRENGTH
from deskhand.baseline.spreads import tone_covariance
from deskhand.baseline.versions import reading_versions, version_of_judged
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.measure.passages import FLOOR_DB
from deskhand.store import Dismissal, KeptTake
from deskhand.store.history import open_history
from tests.support.hypotheses import examples
from tests.support.weeks import CYMBALS, FLAT, HOUSE, LONG_S, PIANO, Weeks, part, row

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from deskhand.baseline.normal import Baseline, Normal
    from deskhand.store import KeptPart

    Array = NDArray[np.float64]

few: Final = settings(max_examples=examples(25), deadline=None, derandomize=True, database=None)
AT_THE_TAP: Final = {"articulation_db": 6.0, "tail_s": 0.8, "width_db": -8.0, "balance_db": 0.5, "side_top_db": 0.3}
BEHIND: Final = {"crest_db": 14.0, "harsh_sone": 4.0, "loudness_sone": 20.0}
WIDE: Final = 0.3
"""Spread of made-up weeks, in units of a number's prior: a house that is steadier than most."""


def varied(rng: np.random.Generator, values: Mapping[str, float], factor: float = WIDE) -> dict[str, float]:
    """Readings of another week, spread on each number's own scale."""
    out = dict(values)
    for number in NUMBERS:
        step = factor * number.prior.spread * rng.standard_normal()
        if number.metric == "harsh_share" and "harsh_sone" in out:
            out["harsh_sone"] = out["harsh_sone"] * 2.0**step
        elif number.metric in out:
            out[number.metric] = number.from_scale(number.to_scale(out[number.metric]) + step)
    return out


def week(rng: np.random.Generator, tone: Array = PIANO, factor: float = WIDE, **more: object) -> list[KeptPart]:
    """A stereo piano with a chain, as it was in one week."""
    told: dict[str, object] = {"chain": "as ever", **more}
    chain = told.pop("chain")
    heard = tone + factor * np.sqrt(np.diag(tone_covariance("keys"))) * rng.standard_normal(tone.size)
    return [
        part(heard, values=varied(rng, AT_THE_TAP, factor), **told),
        part(heard, values=varied(rng, BEHIND, factor), **{**told, "stage": "after", "chain": chain}),
    ]


def weeks(rng: np.random.Generator, count: int, **more: object) -> Weeks:
    out = Weeks()
    for _ in range(count):
        out.add(*week(rng, **more))
    return out


def clean(**more: object) -> list[KeptPart]:
    """A take that is as usual to the dot."""
    told: dict[str, object] = {"chain": "as ever", **more}
    chain = told.pop("chain")
    return [
        part(PIANO, values=AT_THE_TAP, **told),
        part(PIANO, values=BEHIND, **{**told, "stage": "after", "chain": chain}),
    ]


def changed(parts: Sequence[KeptPart], stage: str, **values: float) -> list[KeptPart]:
    return [
        replace(one, values={**one.values, **{name: (value, None) for name, value in values.items()}})
        if one.stage == stage
        else one
        for one in parts
    ]


def judged(baseline: Baseline, parts: Sequence[KeptPart], source: str = "piano") -> dict[str, Normal]:
    return {one.name: one for one in judge_parts(baseline, parts)[source]}


# nothing to set it against


def test_nothing_is_said_before_anything_is_kept(rng: np.random.Generator) -> None:
    assert judge_parts(Weeks().baseline(), clean()) == {"piano": []}
    # nor of a source that is new to a house that has kept others
    known = weeks(rng, 4).baseline()
    new = [replace(one, source="organ") for one in clean()]
    assert judge_parts(known, new) == {"organ": []}


def test_what_hardly_played_is_not_judged(rng: np.random.Generator) -> None:
    short = LEAST_PLAYING_S - 0.1
    assert judge_parts(weeks(rng, 4).baseline(), clean(playing_s=short)) == {}
    # and says nothing of what is normal
    assert judge_parts(weeks(rng, 4, playing_s=short).baseline(), clean()) == {"piano": []}


def test_a_house_has_learned_after_some_shows(rng: np.random.Generator) -> None:
    assert not weeks(rng, LEARNED - 1).baseline().learned
    assert weeks(rng, LEARNED).baseline().learned


# the range, by the textbook


def by_hand(
    values: Array, noise: Array, value: float, next_noise: float, spread: float, strength: float
) -> tuple[float, float, float]:
    """Probability of a value as far out, and the 95 % range, of one number of takes that count for 1 / noise each."""
    weight = 1.0 / noise
    mean = float(weight @ values / weight.sum())
    dof = strength + 2 + values.size - 1
    variance = (strength * spread**2 + float(weight @ (values - mean) ** 2)) / dof
    there = stats.t(dof, loc=mean, scale=np.sqrt(variance * (next_noise + 1.0 / weight.sum())))
    return 2 * min(there.cdf(value), there.sf(value)), *there.interval(0.95)


@pytest.mark.source(
    "Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 3.3, with known weights as in 14.6 (from memory)"
)
@pytest.mark.parametrize("name", [pytest.param(number.name, id=number.name) for number in NUMBERS])
def test_a_number_by_hand(rng: np.random.Generator, name: str) -> None:
    number = BY_NAME[name]
    lengths = rng.uniform(20.0, 900.0, 7)
    kept = Weeks()
    for playing_s in lengths:
        kept.add(*week(rng, factor=1.0, playing_s=float(playing_s)))
    now = week(rng, factor=2.0, playing_s=77.0)
    found = judged(kept.baseline(), now)[name]

    def read(parts: Sequence[KeptPart]) -> float:
        values = {metric: one[0] for each in parts for metric, one in each.values.items()}
        if name == "harsh":
            return float(np.log2(100.0 * values["harsh_sone"] / values["loudness_sone"]))
        return float(np.log2(values["tail_s"])) if name == "tail" else values[number.metric]

    takes = [[each for _, each in kept.kept if each.take == at + 1] for at in range(7)]
    probability, low, high = by_hand(
        np.array([read(one) for one in takes]),
        1.0 + number.prior.sure_after_s / lengths,
        read(now),
        1.0 + number.prior.sure_after_s / 77.0,
        spread := number.prior.spread_of("keys"),
        # what varies more in a role goes by the song: a few weeks show little of how it varies
        BY_SONG_STRENGTH if spread > number.prior.spread else normal.STRENGTH,
    )
    back = np.exp2 if name in ("tail", "harsh") else float
    assert (found.low, found.high) == pytest.approx((back(low), back(high)), rel=1e-6)
    assert found.measured == pytest.approx(back(read(now)), rel=1e-9)
    assert found.noticeable == pytest.approx(abs(read(now) - (low + high) / 2) / number.jnd, rel=1e-6)
    if name == "harsh":
        # less harsh is nothing to say
        probability = probability / 2 if read(now) > (low + high) / 2 else 1.0
    assert found.probability == pytest.approx(probability, rel=1e-6)
    assert found.kept == 7


@pytest.mark.source("Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 3.6 (from memory)")
def test_tone_by_hand(rng: np.random.Generator) -> None:
    kept = weeks(rng, 9, factor=1.0)
    now = week(rng, factor=1.0)
    found = judged(kept.baseline(), now)[TONE]
    vectors = np.array([tone_vector(each.values) for _, each in kept.kept if each.stage == "tap"])
    here = tone_vector(now[0].values)
    noise = tone_noise(600.0)
    mean = vectors.mean(axis=0)
    dof = normal.STRENGTH + 2 + 9 - 1
    scattered = (vectors - mean).T @ (vectors - mean) / noise
    # the house has no other source that was kept long enough to share its shape with
    house = house_spread(
        {"piano": Scatter(scatter=scattered, dof=8, covariance=tone_covariance("keys"))},
        8, Worths(shape=80.0, own_shape=10.0, scale=1.5, house_scale=10.0),
    )  # fmt: skip
    scatter = normal.STRENGTH * house.covariance_of("piano", tone_covariance("keys")) + scattered
    beneath = 10 ** ((FLOOR_DB - mean) / 10)
    scale = scatter / dof * noise * (1 + 1 / 9) + np.diag((1.5 * beneath) ** 2)
    # what tests/baseline/test_filters.py holds against draws of scipy.stats.multivariate_t
    levels_db = np.mean([third_octaves_db(each.values) for _, each in kept.kept if each.stage == "tap"], axis=0)
    expected = Predictive(location=mean, scale=scale, dof=dof)
    assert found.probability == pytest.approx(tone_directions(expected, levels_db).tail(here), rel=1e-6)
    reach = stats.t.ppf(0.975, dof) * np.sqrt(np.diag(scale))
    for at, (measured, expected, low, high) in enumerate(found.bands_db.values()):
        assert (measured, expected) == pytest.approx((here[at], mean[at]))
        assert (low, high) == pytest.approx((mean[at] - reach[at], mean[at] + reach[at]))
    # as far as the worst octave is from what most of them do
    off = here - mean - np.median(here - mean)
    assert found.noticeable == pytest.approx(np.abs(off).max())


# clean takes


def test_a_clean_number_is_as_probable_as_the_model_says(rng: np.random.Generator) -> None:
    number, tails, inside = BY_NAME["articulation"], [], 0
    for _ in range(500):
        # what the prior says of the house, drawn anew for each
        variance = stats.invgamma.rvs(
            a=(normal.STRENGTH + 2) / 2, scale=normal.STRENGTH * number.prior.spread**2 / 2, random_state=rng
        )
        kept = Weeks()
        lengths = rng.uniform(5.0, 200.0, 5)
        values = 6.0 + rng.standard_normal(5) * np.sqrt(
            variance * np.array([noise_of(number, None, playing_s) for playing_s in lengths])
        )
        for playing_s, value in zip(lengths[:-1], values[:-1], strict=True):
            kept.add(part(playing_s=float(playing_s), values={"articulation_db": float(value)}))
        now = part(playing_s=float(lengths[-1]), values={"articulation_db": float(values[-1])})
        found = judged(kept.baseline(), [now])["articulation"]
        tails.append(found.probability)
        inside += found.low <= found.measured <= found.high
    assert stats.kstest(tails, "uniform").pvalue > 0.01
    # three standard errors
    assert inside / 500 == pytest.approx(0.95, abs=0.03)


@pytest.mark.parametrize("factor", [pytest.param(factor, id=f"{factor:g}-of-the-prior") for factor in (0.3, 1.0)])
def test_a_clean_take_is_rarely_out(rng: np.random.Generator, factor: float) -> None:
    # weeks that are no wider than a role's usual ones, and a house that is much steadier: hardly ever more than nominal
    tests = out = 0
    for _ in range(60):
        found = judged(weeks(rng, 6, factor=factor).baseline(), week(rng, factor=factor))
        tests += len(found)
        out += sum(one.probability < 0.01 for one in found.values())
    assert tests == 60 * 8
    assert out <= 0.02 * tests


def test_several_sources_together_are_rarely_out(rng: np.random.Generator) -> None:
    # what the others say of the spread is taken on
    names, tests, out = ("piano", "organ", "synth", "second piano"), 0, 0
    for _ in range(15):
        kept = Weeks()
        for _ in range(6):
            kept.add(*(replace(one, source=name) for name in names for one in week(rng, factor=0.5)))
        now = [replace(one, source=name) for name in names for one in week(rng, factor=0.5)]
        for several in judge_parts(kept.baseline(), now).values():
            tests += len(several)
            out += sum(one.probability < 0.01 for one in several)
    assert tests == 15 * 4 * 8
    assert out <= 0.03 * tests


@given(seed=st.integers(0, 10_000), count=st.integers(1, 7))
@few
def test_what_always_holds(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    kept, now = weeks(rng, count, factor=1.0), week(rng, factor=3.0)
    found = judged(kept.baseline(), now)
    assert set(found) == {TONE, *(number.name for number in NUMBERS)}
    for one in found.values():
        assert 0.0 <= one.probability <= 1.0
        assert one.low < one.expected < one.high
        assert one.noticeable >= 0.0
        assert one.kept == count
        assert one.by_player == 0
    # the oldest first or last
    turned = Weeks(kept=kept.kept[::-1], count=count)
    for name, one in judged(turned.baseline(), now).items():
        assert one.probability == pytest.approx(found[name].probability, rel=1e-6, abs=1e-12)


# one thing that is different


SHIFTS: Final[dict[str, tuple[str, dict[str, float]]]] = {
    "articulation": ("tap", {"articulation_db": 0.0}),
    "tail": ("tap", {"tail_s": 3.0}),
    "width": ("tap", {"width_db": -16.0}),
    "balance": ("tap", {"balance_db": 7.0}),
    "dynamics": ("after", {"crest_db": 7.0}),
    "harsh": ("after", {"harsh_sone": 11.0}),
}


@pytest.mark.parametrize("name", [pytest.param(name, id=name) for name in SHIFTS])
def test_a_shift_is_found_where_it_is(rng: np.random.Generator, name: str) -> None:
    stage, values = SHIFTS[name]
    found = judged(weeks(rng, 10).baseline(), changed(clean(), stage, **values))
    assert found[name].probability < 1e-3
    assert found[name].noticeable > 3.0
    assert found[name].stage == stage
    assert not found[name].low <= found[name].measured <= found[name].high
    assert all(one.probability > 0.2 for other, one in found.items() if other != name)


@pytest.mark.parametrize("at", [pytest.param(at, id=f"octave-{at + 1}") for at in range(1, 7)])
def test_another_tone_is_found_and_nothing_else(rng: np.random.Generator, at: int) -> None:
    baseline = weeks(rng, 20, factor=0.2).baseline()
    turned = PIANO.copy()
    # a bump of an octave is less at its centre once smoothed, and quiet octaves are near the floor
    turned[at] += 9.0
    found = judged(baseline, [replace(clean()[0], values=part(turned, values=AT_THE_TAP).values), clean()[1]])
    plain = judged(baseline, clean())
    assert found[TONE].probability < 0.02
    assert found[TONE].probability < 0.05 * plain[TONE].probability
    off = {band: one[0] - one[1] for band, one in found[TONE].bands_db.items()}
    assert max(off, key=off.get) == list(off)[at]
    assert all(one.probability > 0.2 for name, one in found.items() if name != TONE)


def test_further_off_is_less_probable(rng: np.random.Generator) -> None:
    baseline = weeks(rng, 8).baseline()
    for name, (stage, values) in SHIFTS.items():
        (metric, value), usual = next(iter(values.items())), {**AT_THE_TAP, **BEHIND}
        tails = [
            judged(baseline, changed(clean(), stage, **{metric: usual[metric] + part * (value - usual[metric])}))[
                name
            ].probability
            for part in (0.25, 0.5, 1.0, 2.0)
        ]
        assert tails == sorted(tails, reverse=True)
        assert tails[-1] < tails[0]


def test_less_harsh_is_nothing_to_say(rng: np.random.Generator) -> None:
    found = judged(weeks(rng, 10).baseline(), changed(clean(), "after", harsh_sone=0.5))
    assert found["harsh"].probability == 1.0


@given(gain_db=st.floats(-40.0, 20.0))
@few
def test_louder_is_no_other_tone(gain_db: float) -> None:
    baseline = weeks(np.random.default_rng(7), 6).baseline()
    louder = [
        replace(
            one,
            values={
                name: (value + gain_db if name.startswith("tone_db.") else value, pm)
                for name, (value, pm) in one.values.items()
            },
        )
        for one in clean()
    ]
    before, after = judged(baseline, clean()), judged(baseline, louder)
    assert after[TONE].probability == pytest.approx(before[TONE].probability, rel=1e-6)
    assert after[TONE].noticeable == pytest.approx(before[TONE].noticeable, rel=1e-6, abs=1e-9)


def test_one_channel_has_no_width_or_balance(rng: np.random.Generator) -> None:
    mono = changed(clean(), "tap")
    values = {name: one for name, one in mono[0].values.items() if name not in ("width_db", "balance_db")}
    found = judged(weeks(rng, 5).baseline(), [replace(mono[0], values=values), mono[1]])
    assert set(found) == {TONE, "articulation", "tail", "dynamics", "harsh"}


def test_without_a_chain_everything_is_judged_at_the_tap(rng: np.random.Generator) -> None:
    kept = Weeks()
    for _ in range(8):
        kept.add(part(PIANO, values=varied(rng, {**AT_THE_TAP, **BEHIND})))
    found = judged(kept.baseline(), [part(PIANO, values={**AT_THE_TAP, **BEHIND, "crest_db": 7.0})])
    assert {one.stage for one in found.values()} == {"tap"}
    assert found["dynamics"].probability < 1e-3


def test_a_reading_that_is_unsure_is_not_out(rng: np.random.Generator) -> None:
    baseline = weeks(rng, 8).baseline()
    sure, unsure = (
        [replace(one, values={**one.values, "articulation_db": (1.0, pm)}) for one in clean()] for pm in (0.2, 12.0)
    )
    assert judged(baseline, sure)["articulation"].probability < 1e-3
    assert judged(baseline, unsure)["articulation"].probability > 0.05


def test_a_short_take_is_not_as_sure_as_a_long_one(rng: np.random.Generator) -> None:
    baseline = weeks(rng, 8).baseline()
    off = changed(clean(), "tap", articulation_db=3.0)
    short = [replace(one, playing_s=5.0) for one in off]
    assert judged(baseline, off)["articulation"].probability < 0.2 * judged(baseline, short)["articulation"].probability


# several sounds


DRIVEN: Final = np.array([-30.0, -20.0, -12.0, -6.0, -4.0, -3.0, -6.0, -14.0])
"""Beside the piano's tone, another sound of the same source."""


def of_two_sounds(
    rng: np.random.Generator, share: float, equaliser: Array = FLAT, factor: float = 0.2
) -> list[KeptPart]:
    """A guitar that plays one sound for a share of the time and another for the rest; `equaliser` stands behind both."""
    tones = [tone + equaliser + factor * 1.5 * rng.standard_normal(tone.size) for tone in (PIANO, DRIVEN)]
    powers = [10 ** (tone / 10) / np.sum(10 ** (tone / 10)) for tone in tones]
    whole = 10 * np.log10(share * powers[0] + (1 - share) * powers[1])
    told = {"source": "guitar", "role": "guitar"}
    shares = (share, 1 - share)
    return [
        part(whole, **told),
        *(
            part(tone, **told, stage="sound", sound=at, playing_s=600.0 * own, values={"share": own})
            for at, (tone, own) in enumerate(zip(tones, shares, strict=True), 1)
            if own > 0.0
        ),
    ]


def test_more_of_a_known_sound_is_no_other_tone(rng: np.random.Generator) -> None:
    kept = Weeks()
    for _ in range(15):
        kept.add(*of_two_sounds(rng, float(rng.uniform(0.75, 0.85))))
    baseline = kept.baseline()
    other = of_two_sounds(rng, 0.2)
    # as a whole it is another tone ...
    whole_only = judged(baseline, other[:1], "guitar")[TONE].probability
    plain = Weeks(kept=[item for item in kept.kept if item[1].stage == "tap"], count=15)
    alone = judged(plain.baseline(), other[:1], "guitar")[TONE].probability
    assert alone < 0.01
    # ... but both its sounds are known
    assert judged(baseline, other, "guitar")[TONE].probability > 0.2
    # and also when it plays but one of them and that is the whole
    assert judged(baseline, of_two_sounds(rng, 0.0)[:1], "guitar")[TONE].probability > 0.2
    assert whole_only >= alone
    # an equaliser that somebody turned is in both
    turned = of_two_sounds(rng, 0.2, np.array([0.0, 0.0, 0.0, 0.0, 0.0, 9.0, 9.0, 0.0]))
    assert judged(baseline, turned, "guitar")[TONE].probability < 0.01


def test_one_new_sound_among_known_ones_is_not_hidden_by_them(rng: np.random.Generator) -> None:
    # the whole has moved, and so have both sounds: each of them must be at home for the tone to be
    kept = Weeks()
    for _ in range(15):
        kept.add(*of_two_sounds(rng, 0.5))
    turned = of_two_sounds(rng, 0.5, np.array([9.0, 9.0, 0.0, 0.0, 0.0, 0.0, 9.0, 9.0]))
    assert judged(kept.baseline(), turned, "guitar")[TONE].probability < 0.01


# who plays


def test_a_player_is_set_against_their_own_weeks(rng: np.random.Generator) -> None:
    kept = Weeks()
    for at in range(12):
        who, articulation = (("Ana", 4.0), ("Ben", 8.0))[at % 2]
        kept.add(part(PIANO, player=who, values={"articulation_db": articulation + 0.2 * rng.standard_normal()}))
    baseline = kept.baseline()

    def probability(player: str | None, value: float) -> tuple[float, int]:
        found = judged(baseline, [part(PIANO, player=player, values={"articulation_db": value})])["articulation"]
        return found.probability, found.by_player

    assert probability("Ana", 4.0)[0] > 0.5
    assert probability("Ben", 8.0)[0] > 0.5
    assert probability("Ana", 8.0)[0] < 0.1 * probability("Cyd", 8.0)[0]
    assert probability("Ana", 4.0)[1] == 6
    assert probability("Cyd", 4.0)[1] == 0
    assert probability(None, 4.0)[1] == 0
    ana, new = (
        judged(baseline, [part(PIANO, player=who, values={"articulation_db": 6.0})])["articulation"]
        for who in ("Ana", "Cyd")
    )
    assert new.high - new.low > ana.high - ana.low


# what the others of the house say of the spread


def steady(rng: np.random.Generator, source: str, role: str, factor: float, count: int = 12) -> list[KeptPart]:
    spread = factor * BY_NAME["articulation"].prior.spread_of(role)
    return [
        part(
            source=source, role=role, playing_s=LONG_S, values={"articulation_db": 6.0 + spread * rng.standard_normal()}
        )
        for _ in range(count)
    ]


def width_of(others: Sequence[Sequence[KeptPart]]) -> float:
    kept = Weeks()
    for parts in zip(*others, strict=True):
        kept.add(*parts)
    kept.add(part(playing_s=LONG_S, values={"articulation_db": 6.0}))
    found = judged(kept.baseline(), [part(playing_s=LONG_S, values={"articulation_db": 6.0})])["articulation"]
    return found.high - found.low


def test_a_source_kept_once_takes_its_spread_from_the_house(rng: np.random.Generator) -> None:
    alone = width_of([])
    lively, calm = (
        width_of([steady(rng, name, "bass", factor) for name in ("bass", "bass two", "bass three")])
        for factor in (3.0, 0.1)
    )
    assert calm < 0.7 * alone
    assert lively > 1.5 * alone
    # of two houses of which one source is as lively, the one where it is of the same role widens more
    other, peer = (
        width_of(
            [
                steady(np.random.default_rng(3), "organ", role, 3.0),
                steady(np.random.default_rng(4), "bass", "bass", 1.0),
            ]
        )
        for role in ("speech", "keys")
    )
    assert peer > 1.05 * other


def test_another_drummer_may_sound_otherwise() -> None:
    # kept of one player; the same reading by another is within the range of drums, which he may have brought, not of keys
    def range_db(role: str, player: str) -> float:
        kept = Weeks()
        for _ in range(3):
            kept.add(part(role=role, player="Ana", playing_s=LONG_S, values={"articulation_db": 15.0}))
        now = part(role=role, player=player, playing_s=LONG_S, values={"articulation_db": 15.0})
        found = judged(kept.baseline(), [now])["articulation"]
        return found.high - found.low

    assert range_db("snare", "Ben") > 1.4 * range_db("keys", "Ben")
    assert range_db("snare", "Ana") == pytest.approx(range_db("keys", "Ana"), rel=0.25)


def test_its_own_weeks_do_not_count_twice(rng: np.random.Generator) -> None:
    # a source's own spread is in its takes already: its prior is that of the others
    kept = Weeks()
    for one, other in zip(steady(rng, "piano", "keys", 5.0), steady(rng, "bass", "bass", 1.0), strict=True):
        kept.add(one, other)
    without = Weeks(kept=[item for item in kept.kept if item[1].source == "bass"], count=kept.count)
    with_it, alone = (house_prior(one.baseline(), "articulation", "piano", "keys", "tap") for one in (kept, without))
    np.testing.assert_allclose(with_it.covariance, alone.covariance)
    assert with_it.strength == alone.strength


def test_unnamed_players_do_not_make_a_house_look_steadier(rng: np.random.Generator) -> None:
    # the same weeks, by one named player all along, or by nobody named: the same spread
    def prior(player: str | None) -> float:
        kept = Weeks()
        fresh = np.random.default_rng(11)
        for parts in zip(*(steady(fresh, f"bass {n}", "bass", 1.0) for n in range(6)), strict=True):
            kept.add(*(replace(one, player=player) for one in parts))
        return float(house_prior(kept.baseline(), "articulation", "piano", "keys", "tap").covariance[0, 0])

    assert prior(None) == pytest.approx(prior("Ana"), rel=1e-6)


# what is not like it


def test_readings_of_another_tap_are_set_aside_and_counted(rng: np.random.Generator) -> None:
    kept = weeks(rng, 4)
    for _ in range(3):
        kept.add(*(replace(one, tap="after-gain") for one in week(rng, tone=CYMBALS)))
    baseline = kept.baseline(taps={"piano": "preamp"})
    assert baseline.other_tap == {"piano": 3}
    assert {one.kept for one in judged(baseline, clean()).values()} == {4}
    assert kept.baseline(taps={"piano": "after-gain"}).other_tap == {"piano": 4}
    # without a word about taps all are alike
    assert {one.kept for one in judged(kept.baseline(), clean()).values()} == {7}


def test_readings_behind_another_chain_are_set_aside_and_counted(rng: np.random.Generator) -> None:
    kept = weeks(rng, 4, chain="as before")
    for _ in range(2):
        kept.add(*week(rng))
    baseline = kept.baseline(chains={"piano": "as ever"})
    assert baseline.set_aside == {"piano": 4}
    found = judged(baseline, clean())
    # what is read at the tap does not depend on the chain
    assert {found[name].kept for name in (TONE, "articulation", "tail", "width", "balance")} == {6}
    assert {found[name].kept for name in ("dynamics", "harsh")} == {2}
    # a chain that was taken out altogether
    assert kept.baseline(chains={"piano": None}).set_aside == {"piano": 6}


def test_a_chain_that_was_never_kept_is_not_judged(rng: np.random.Generator) -> None:
    found = judged(weeks(rng, 5).baseline(chains={"piano": "new"}), clean(chain="new"))
    assert "dynamics" not in found
    assert TONE in found


# what people said


def liked(parts: Sequence[KeptPart], name: str, *, for_good: bool = True, source: str = "piano") -> Dismissal:
    return Dismissal(
        source=source,
        kind=name,
        metric=name,
        show="week 9",
        date=None,
        for_good=for_good,
        measured=None,
        values=reading_of(parts, source, name),
        version=version_of_judged(name),
    )


@pytest.mark.parametrize("player", [pytest.param(None, id="nobody-named"), pytest.param("Ana", id="by-name")])
@pytest.mark.parametrize("name", [pytest.param(name, id=name) for name in (TONE, "articulation", "dynamics")])
def test_what_is_liked_is_normal_from_then_on(rng: np.random.Generator, name: str, player: str | None) -> None:
    kept = weeks(rng, 8, player=player)
    now = changed(clean(player=player), "tap", articulation_db=1.0)
    now = changed(now, "after", crest_db=8.0)
    turned = PIANO + np.array([0.0, 0.0, 0.0, 0.0, 10.0, 10.0, 0.0, 0.0])
    now = [replace(now[0], values={**now[0].values, **part(turned).values}), now[1]]
    before = judged(kept.baseline(), now)
    after = judged(kept.baseline([liked(now, name)]), now)
    assert before[name].probability < 0.05
    # liked once, it counts as several weeks: no longer out of the ordinary, whoever is named
    assert after[name].probability > max(0.02, 10 * before[name].probability)
    assert after[name].noticeable < 0.85 * before[name].noticeable
    # nothing else is learned from it
    for other, one in after.items():
        if other != name:
            assert one.probability == pytest.approx(before[other].probability, rel=1e-6)
    # and what was usual before still is
    assert judged(kept.baseline([liked(now, name)]), clean(player=player))[name].probability > 0.05


def test_what_is_left_alone_for_tonight_teaches_nothing(rng: np.random.Generator) -> None:
    kept, now = weeks(rng, 8), changed(clean(), "tap", articulation_db=1.0)
    tonight = liked(now, "articulation", for_good=False)
    before, after = judged(kept.baseline(), now), judged(kept.baseline([tonight]), now)
    assert after["articulation"].probability == before["articulation"].probability
    # nor does a word about a fault, which is no number
    fault = Dismissal(
        source="piano", kind="hum", metric=None, show="week 9", date=None, for_good=True, measured=-50.0, values={}
    )
    assert judged(kept.baseline([fault]), now)["articulation"].probability == before["articulation"].probability


def test_a_reading_that_was_liked_is_the_one_that_is_judged(rng: np.random.Generator) -> None:
    now = clean()
    assert reading_of(now, "piano", "dynamics") == {"0": BEHIND["crest_db"]}
    assert reading_of(now[:1], "piano", "tail") == {"0": pytest.approx(np.log2(AT_THE_TAP["tail_s"]))}
    vector = reading_of(now, "piano", TONE)
    np.testing.assert_allclose([vector[name] for name in sorted(vector)], tone_vector(now[0].values))
    assert reading_of(now, "piano", "hum") == {}
    assert reading_of(now, "organ", TONE) == {}


# the mix, and voices


def mix_of(tone: Array, **values: float) -> KeptPart:
    return part(tone, source=MIX, role=MIX, stage="mix", values={"mono_loss_db": -1.0, **BEHIND, **values})


def test_the_mix_is_judged_by_its_own_numbers(rng: np.random.Generator) -> None:
    kept = Weeks()
    for _ in range(10):
        tone = FLAT + 0.3 * rng.standard_normal(FLAT.size)
        kept.add(mix_of(tone, mono_loss_db=-1.0 + 0.1 * rng.standard_normal()))
    found = judged(kept.baseline(), [mix_of(FLAT, mono_loss_db=-6.0)], MIX)
    assert set(found) == {TONE, "mono-loss", "harsh"}
    assert {one.stage for one in found.values()} == {"mix"}
    assert found["mono-loss"].probability < 1e-3
    assert found[TONE].probability > 0.2


def test_a_tone_of_the_mix_that_is_liked_can_be_learned() -> None:
    assert len(reading_of([mix_of(FLAT)], MIX, TONE)) == FLAT.size
    assert reading_of([mix_of(FLAT)], MIX, "mono-loss") == {"0": -1.0}


def test_words_are_clear_by_the_house_s_own_weeks() -> None:
    def feed(low: float, quarter: float) -> KeptPart:
        values = {"phrase_pct.5": low, "phrase_pct.25": quarter}
        return part(source="lead voice", role="lead vocal", stage="feed", values=values)

    def kept(pairs: Sequence[tuple[float, float]]) -> KeptTakes:
        rows = [(row(at), replace(feed(*pair), take=at)) for at, pair in enumerate(pairs, 1)]
        return KeptTakes(rows=rows, takes=[one for one, _ in rows])

    pairs = [(50.0 + at, 80.0 + at) for at in range(LEARNED)]
    words = kept(pairs).words()["lead voice"]
    assert words.clear_pct == pytest.approx(np.median([high for _, high in pairs]))
    assert words.covered_pct == pytest.approx(np.median([low for low, _ in pairs]))
    assert kept(pairs[1:]).words() == {}
    # there is room between clear and covered even where all phrases are alike
    even = kept([(80.0, 80.0)] * LEARNED).words()["lead voice"]
    assert even.covered_pct < even.clear_pct == 80.0


# from the history and back


def test_a_show_is_not_set_against_itself(rng: np.random.Generator, tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'history.sqlite'}"
    assert load(url, house=HOUSE, phase="show", show=("week 1", None)) is None
    history = open_history(url, create=True)
    assert history is not None
    for at in range(1, 4):
        for phase in ("show", "rehearsal"):
            one = row(at)
            history.keep(
                KeptTake(
                    house=HOUSE,
                    show=one.show,
                    date=one.date,
                    phase=phase,
                    duration_s=one.duration_s,
                    sample_rate_hz=48000,
                    recording=one.recording,
                    house_hash="",
                    deskhand="0",
                    parts=week(rng),
                    versions=reading_versions(),
                )
            )
    history.dismiss(liked(clean(), TONE), house=HOUSE)
    history.close()
    given = {"taps": {"piano": "preamp"}, "chains": {"piano": "as ever"}}
    other = load(url, house=HOUSE, phase="show", show=("week 4", row(4).date))
    own = load(url, house=HOUSE, phase="show", show=("week 2", row(2).date))
    assert other is not None
    assert own is not None
    # three weeks of this phase, or the two others
    assert [len(one.takes) for one in (other, own)] == [3, 2]
    baseline, normals = against(other, clean(), **given)
    assert {one.kept for one in normals["piano"]} == {3}
    assert set(baseline.liked) == {("piano", TONE)}
    # what comes back is what was kept: the same as without the history
    direct = Weeks(kept=other.rows, count=3).baseline(other.dismissals)
    for one in normals["piano"]:
        assert one.probability == pytest.approx(judged(direct, clean())[one.name].probability)
    assert load(url, house="another hall", phase="show", show=("week 1", None)).takes == []


def test_where_the_next_one_should_lie(rng: np.random.Generator) -> None:
    baseline = weeks(rng, 6).baseline()
    found = judged(baseline, clean())["articulation"]
    expected = number_predictive(baseline, clean()[0], BY_NAME["articulation"])
    assert expected is not None
    low, high = expected.interval()
    assert (low[0], high[0]) == pytest.approx((found.low, found.high))
    assert number_predictive(baseline, replace(clean()[0], source="organ"), BY_NAME["articulation"]) is None


def test_what_tone_is_usual_band_by_band() -> None:
    kept = Weeks()
    for player, tone in (("Ana", PIANO), ("Ben", CYMBALS), ("Ben", CYMBALS)):
        kept.add(part(tone, player=player))
    baseline = kept.baseline()
    levels = [
        np.array([one.values[f"tone_db.{band:g}"][0] for band in NOMINAL_HZ]) for one in (part(PIANO), part(CYMBALS))
    ]
    # all alike where it is not said who plays; else that player's own takes count for more, by so much
    np.testing.assert_allclose(usual_tone_db(baseline, part(FLAT)), (levels[0] + 2 * levels[1]) / 3)
    own = normal._PLAYER_WEIGHT
    assert own > 1.0
    expected = (own * levels[0] + 2 * levels[1]) / (own + 2)
    np.testing.assert_allclose(usual_tone_db(baseline, part(FLAT, player="Ana")), expected)
    assert usual_tone_db(Weeks().baseline(), part(FLAT)) is None
    assert usual_tone_db(baseline, part(FLAT, source="organ")) is None


def test_judging_leaves_the_reference_as_it_was_made(rng: np.random.Generator) -> None:
    # it is asked from several threads at once, for numbers at stages where they are not judged as well
    baseline = weeks(rng, 6).baseline()
    readings, spreads = dict(baseline.readings), {key: dict(spread) for key, spread in baseline.spreads.items()}
    tap, after = clean()
    alone = judge_parts(baseline, [tap, after])
    assert number_predictive(baseline, after, BY_NAME["dynamics"]) is not None
    assert normal.tone_predictive(baseline, after) is not None
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(lambda _: judge_parts(baseline, [tap, after]), range(8)))
    assert together == [alone] * 8
    assert baseline.readings == readings
    assert {key: dict(spread) for key, spread in baseline.spreads.items()} == spreads
    with pytest.raises(FrozenInstanceError):
        baseline.readings = {}  # type: ignore[misc]
