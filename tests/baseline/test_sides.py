"""Sides of a pair against each other: what a filter does to one of them, against how they differ from week to week.

In order: one-sided filters and clean weeks, what a filter takes from the left, kept weeks that hold the top alone, what is left alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from deskhand.baseline.filters import tone_directions
from deskhand.baseline.kept import KeptTakes, against, reading_of
from deskhand.baseline.predict import Predictive
from deskhand.baseline.sides import SIDES, with_sides_told
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.findings.judgements import SHOW_BUDGET, judge_normals
from deskhand.measure.passages import OCTAVES_HZ, side_tones, tone_of
from deskhand.store import Dismissal, KeptPart
from tests.support.repertoires import HZ, PLANTS, kept_weeks

if TYPE_CHECKING:
    from deskhand.baseline.normal import Normal

USUAL_DB = -6.0 * np.abs(np.log2(HZ / 400.0))
SPREAD_DB = 0.4
CHANCE = SHOW_BUDGET / 100
ALL_PLAYING = np.ones(1200, bool)


def pair_part(rng: np.random.Generator, one_sided_db: np.ndarray | float = 0.0, *, take: int = 0) -> KeptPart:
    """A pair's week of two minutes; the right has a filter on it."""
    levels_db = USUAL_DB + np.zeros((120, 1)) + rng.normal(0.0, 2.0, HZ.size)
    apart_db = SPREAD_DB * np.interp(np.log2(HZ), np.log2(HZ[::3]), rng.standard_normal(HZ[::3].size))
    left, right = 10 ** (levels_db / 10), 10 ** ((levels_db + apart_db + one_sided_db) / 10)
    tones = side_tones(left, right, ALL_PLAYING)
    assert tones is not None
    power = 0.5 * (left + right).mean(axis=0)
    values: dict[str, tuple[float, float | None]] = {
        f"tone_db.{hz:g}": (float(10 * np.log10(level)), None) for hz, level in zip(NOMINAL_HZ, power, strict=True)
    }
    values |= {f"side_tone_db.{octave}": (level, None) for octave, level in tones.tone_db.items()}
    values |= {"width_db": (-8.0, None), "side_top_db": (float(rng.normal(0.0, 0.5)), None), "passages": (6.0, None)}
    return KeptPart(
        source="keys", stage="tap", role="keys", player=None, tap="preamp", playing_s=120.0, values=values, take=take
    )  # fmt: skip


def kept_of(parts: list[KeptPart]) -> KeptTakes:
    baseline = kept_weeks([[part] for part in parts])
    by_id = {take.id: take for take in baseline.takes}
    return KeptTakes(
        rows=[(by_id[part.take], part) for part in baseline.parts["keys", "tap"]], takes=list(baseline.takes)
    )


def sides_of(kept: KeptTakes, part: KeptPart) -> Normal:
    _, normals = against(kept, [part], taps={"keys": "preamp"}, chains={})
    return next(normal for normal in normals["keys"] if normal.name == SIDES)


@pytest.fixture
def kept(rng: np.random.Generator) -> KeptTakes:
    return kept_of([pair_part(rng) for _ in range(10)])


@pytest.mark.source("Audio EQ Cookbook (W3C Working Group Note, 8 June 2021), by tests/support/repertoires.py")
def test_a_filter_of_one_side_is_raised_and_told_by_octave(rng: np.random.Generator, kept: KeptTakes) -> None:
    bell_db = PLANTS["bell +6 dB at 3 kHz"].response_db
    normal = sides_of(kept, pair_part(rng, bell_db))
    assert normal.probability < CHANCE
    assert normal.departure is not None
    assert normal.departure.low_db <= 6.0 <= normal.departure.high_db
    assert 1000 < normal.departure.frequency_hz < 6000
    (finding,) = judge_normals(
        {"keys": [normal]}, {"keys": "keys"}, learned=True, hear_s=lambda _: (0.0, 2.0), harsh_s=lambda _: ()
    )["keys"]
    assert finding.kind == "side-tone"
    assert "kHz" in str(finding.facts["band"])
    assert 2.0 < float(finding.facts["off_db"]) < 8.0  # type: ignore[arg-type]


def test_clean_weeks_are_not_raised(rng: np.random.Generator, kept: KeptTakes) -> None:
    chances = [sides_of(kept, pair_part(rng)).probability for _ in range(60)]
    assert min(chances) > CHANCE
    # and the chance is one: a tenth of the weeks lie below a tenth, or fewer
    assert np.mean(np.array(chances) < 0.1) <= 0.2


def test_what_is_taken_from_the_left_is_found(rng: np.random.Generator, kept: KeptTakes) -> None:
    high_pass_db = PLANTS["high-pass 300 Hz, a voice"].response_db
    part = pair_part(rng)
    lost = tone_of(USUAL_DB + high_pass_db) - tone_of(USUAL_DB)
    values = {
        name: (value - float(lost[OCTAVES_HZ.index(int(name.partition(".")[2]))]), deviation)
        for name, (value, deviation) in part.values.items()
        if name.startswith("side_tone_db.")
    }
    normal = sides_of(kept, replace(part, values={**part.values, **values}))
    assert normal.probability < CHANCE
    assert normal.departure is not None
    # the right has more of it
    assert normal.departure.frequency_hz < 500
    assert normal.departure.gain_db > 6.0


def test_the_smallest_change_that_would_be_said_is_one_that_is(rng: np.random.Generator, kept: KeptTakes) -> None:
    part = pair_part(rng)
    baseline, normals = against(kept, [part], taps={"keys": "preamp"}, chains={})
    told = with_sides_told(baseline, [part], normals, chance=CHANCE, least_jnd=1.5)
    least_db = next(normal for normal in told["keys"] if normal.name == SIDES).least_told
    assert least_db is not None
    assert least_db.keys() == {"lows", "middle", "top"}
    # a shelf of that size at 2 kHz is raised in nine weeks of ten
    shelf_db = shelf_db_at(2000.0, least_db["top"])
    raised = [sides_of(kept, pair_part(rng, shelf_db)).probability < CHANCE for _ in range(40)]
    assert np.mean(raised) >= 0.75


def shelf_db_at(corner_hz: float, gain_db: float) -> np.ndarray:
    """Shelf of first order."""
    low = 1.0 / (1.0 + 1j * HZ / corner_hz)
    return np.asarray(20 * np.log10(np.abs(low + 10 ** (gain_db / 20) * (1.0 - low))))


def test_what_rolls_off_may_do_so_on_either_side() -> None:
    step = tone_of(USUAL_DB + PLANTS["high-pass 300 Hz, a voice"].response_db) - tone_of(USUAL_DB)
    expected = Predictive(location=np.zeros(len(OCTAVES_HZ)), scale=np.eye(len(OCTAVES_HZ)), dof=20.0)
    one, either = (tone_directions(expected, USUAL_DB, of_sides=of_sides) for of_sides in (False, True))
    length = float(np.linalg.norm(step))
    # a step of the right goes all of its length along its own direction; so does one of the left, which a shelf alone nearly tells
    assert float((one.units @ step).max()) == pytest.approx(length, rel=0.01)
    assert float((either.units @ -step).max()) == pytest.approx(length, rel=0.01)
    assert float((one.units @ -step).max()) < 0.995 * length


def test_weeks_without_octaves_compare_the_top(rng: np.random.Generator) -> None:
    def without_octaves(part: KeptPart) -> KeptPart:
        values = {name: value for name, value in part.values.items() if not name.startswith("side_tone_db.")}
        return replace(part, values=values)

    old = [without_octaves(pair_part(rng)) for _ in range(6)]
    now = pair_part(rng, PLANTS["bell +6 dB at 3 kHz"].response_db)
    few = sides_of(kept_of([*old, *(pair_part(rng) for _ in range(4))]), now)
    assert few.side_bands_db is None
    assert few.measured == pytest.approx(now.values["side_top_db"][0])
    enough = sides_of(kept_of([*old, *(pair_part(rng) for _ in range(5))]), now)
    assert enough.side_bands_db is not None
    assert enough.kept == 5


def test_left_alone_for_good_is_learned(rng: np.random.Generator, kept: KeptTakes) -> None:
    part = pair_part(rng, PLANTS["shelf -10 dB above 2.5 kHz"].response_db)
    before = sides_of(kept, part)
    values = reading_of([part], "keys", SIDES)
    assert len(values) == len(OCTAVES_HZ)
    liked = Dismissal(
        source="keys", kind=SIDES, metric=SIDES, show="", date=None, for_good=True, measured=0.0, values=values,
        said_by="Ana", version=1,
    )  # fmt: skip
    after = sides_of(replace(kept, dismissals=[liked]), part)
    assert before.probability < CHANCE < after.probability


def test_two_inputs_of_one_instrument_are_learned_as_a_pair(rng: np.random.Generator) -> None:
    def inputs(one_sided_db: np.ndarray | float = 0.0) -> list[KeptPart]:
        """DI and microphone of a guitar: what differs from week to week is in both, but for a little."""
        song_db = USUAL_DB + np.interp(np.log2(HZ), np.log2(HZ[::6]), rng.normal(0.0, 3.0, HZ[::6].size))
        apart_db = SPREAD_DB * np.interp(np.log2(HZ), np.log2(HZ[::3]), rng.standard_normal(HZ[::3].size))
        levels = {"guitar di": song_db, "guitar mic": song_db + apart_db - 3.0 * (HZ > 3000) + one_sided_db}
        return [
            KeptPart(
                source=name, stage="tap", role="guitar", player=None, tap="preamp", playing_s=120.0,
                values={f"tone_db.{hz:g}": (float(level), None) for hz, level in zip(NOMINAL_HZ, levels_db, strict=True)},
            )
            for name, levels_db in levels.items()
        ]  # fmt: skip

    baseline = kept_weeks([inputs() for _ in range(10)])
    by_id = {take.id: take for take in baseline.takes}
    rows = [(by_id[part.take], part) for several in baseline.parts.values() for part in several]
    kept = KeptTakes(rows=sorted(rows, key=lambda row: row[0].id), takes=list(baseline.takes))
    groups = [("guitar di", "guitar mic")]

    def numbers_of(parts: list[KeptPart]) -> dict[str, dict[str, Normal]]:
        taps = {part.source: part.tap for part in parts}
        _, normals = against(kept, parts, taps=taps, chains={}, groups=groups)
        return {source: {normal.name: normal for normal in several} for source, several in normals.items()}

    bright = numbers_of(inputs(PLANTS["bell +6 dB at 3 kHz"].response_db))
    assert SIDES not in bright["guitar di"]
    assert bright["guitar mic"][SIDES].probability < CHANCE < bright["guitar mic"]["tone"].probability
    assert bright["guitar mic"][SIDES].against == "guitar di"
    assert min(numbers_of(inputs())["guitar mic"][SIDES].probability for _ in range(30)) > CHANCE
    (finding,) = judge_normals(
        {"guitar mic": [bright["guitar mic"][SIDES]]}, {"guitar mic": "guitar"}, learned=True,
        hear_s=lambda _: (0.0, 2.0), harsh_s=lambda _: (),
    )["guitar mic"]  # fmt: skip
    assert (finding.what, finding.other) == ("more-than", "guitar di")
