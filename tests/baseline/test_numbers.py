"""The numbers that are judged: tone as the ear weighs it, against the published contour; scales, their units and differences.

The tone is worked out again by hand from the table of ISO 226:2023. What each number's just noticeable difference comes from
is asserted where it is arithmetic.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.baseline import numbers
from deskhand.baseline.numbers import (
    BY_NAME,
    LEVEL,
    MIX_NUMBERS,
    NUMBERS,
    OCTAVES_HZ,
    TONE_JND_DB,
    TONE_JND_SOURCE,
    Number,
    metrics,
    noise_of,
    number_of,
    tone_noise,
    tone_vector,
)
from deskhand.baseline.spreads import player_ratio_of, tone_covariance
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.house import ROLES
from deskhand.measure import passages
from tests.support.hypotheses import examples
from tests.support.tables import rows
from tests.support.weeks import CYMBALS, FLAT, PIANO, third_octaves

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CONTOUR: Final = "ISO 226:2023, contour of 80 phon"
few: Final = settings(max_examples=examples(40), deadline=None, derandomize=True, database=None)
levels: Final = st.lists(st.floats(-60.0, 0.0), min_size=len(NOMINAL_HZ), max_size=len(NOMINAL_HZ)).map(np.array)
EVERY: Final = tuple(BY_NAME.values())
FLOOR: Final = 10 ** (passages.FLOOR_DB / 10)


def readings(levels_db: Array, leave_out: tuple[float, ...] = ()) -> dict[str, tuple[float, float | None]]:
    """Third-octave levels under their names."""
    return {
        f"tone_db.{band:g}": (float(level), None)
        for band, level in zip(NOMINAL_HZ, levels_db, strict=True)
        if band not in leave_out
    }


def tone_of(levels_db: Array) -> Array:
    found = tone_vector(readings(levels_db))
    assert found is not None
    return found


def by_hand(levels_db: Array) -> Array:
    """The tone at each octave from the printed contour, band by band."""
    printed = {
        float(row["freq_hz"]): float(row[f"spl_2023_{passages._LOUDNESS_PHON:.0f}phon"])
        for row in rows("iso226_contours")
        if row[f"spl_2023_{passages._LOUDNESS_PHON:.0f}phon"]
    }
    out = []
    for octave in OCTAVES_HZ:
        power = 0.0
        for band, level in zip(NOMINAL_HZ, levels_db, strict=True):
            # the contour ends at 12.5 kHz; what lies above is weighed like that
            heard_db = level + passages._LOUDNESS_PHON - printed[min(band, 12500.0)]
            # third-octaves lie a tenth of a decade apart
            exact = 1000.0 * 10.0 ** (round(10.0 * np.log10(band / 1000.0)) / 10.0)
            near = np.exp(-0.5 * (np.log2(exact / octave) / passages._SMOOTHING_OCTAVE) ** 2)
            power += near * 10.0 ** (heard_db / 10.0)
        out.append(power)
    shares = np.array(out) / sum(out)
    return 10 * np.log10(shares + FLOOR)


@pytest.mark.source(CONTOUR)
@pytest.mark.parametrize(
    "name", [pytest.param(name, id=name) for name in ("flat", "falling", "piano", "cymbals", "drawn")]
)
def test_tone_by_the_printed_contour(rng: np.random.Generator, name: str) -> None:
    spectrum = {
        "flat": np.zeros(len(NOMINAL_HZ)),
        "falling": np.linspace(0.0, -50.0, len(NOMINAL_HZ)),
        "piano": np.array([level for level, _ in third_octaves(PIANO).values()]),
        "cymbals": np.array([level for level, _ in third_octaves(CYMBALS).values()]),
        "drawn": rng.uniform(-40.0, 0.0, len(NOMINAL_HZ)),
    }[name]
    # the contour is printed at nominal frequencies, up to 1 % off the exact ones, and falls and rises by 6 dB a third-octave
    np.testing.assert_allclose(tone_of(spectrum), by_hand(spectrum), atol=0.2)


@given(spectrum=levels, gain_db=st.floats(-60.0, 40.0))
@few
def test_louder_is_no_other_tone(spectrum: Array, gain_db: float) -> None:
    np.testing.assert_allclose(tone_of(spectrum + gain_db), tone_of(spectrum), atol=1e-9)


@given(spectrum=levels, octave=st.integers(0, len(OCTAVES_HZ) - 1), more_db=st.floats(0.5, 20.0))
@few
def test_more_of_an_octave_is_more_of_it_and_less_of_others(spectrum: Array, octave: int, more_db: float) -> None:
    bumped = spectrum.copy()
    bumped[NOMINAL_HZ.index(OCTAVES_HZ[octave])] += more_db
    change = tone_of(bumped) - tone_of(spectrum)
    # the octaves are taken against the whole: what one of them wins, those far from it lose
    assert -1e-9 <= change[octave] <= more_db
    far = np.abs(np.arange(len(OCTAVES_HZ)) - octave) > 2
    assert change[far].max() <= 1e-3
    assert change.min() <= 1e-9


@pytest.mark.parametrize("octave", [pytest.param(at, id=f"{hz}-Hz") for at, hz in enumerate(OCTAVES_HZ)])
def test_more_of_an_octave_shows_there(octave: int) -> None:
    # a spectrum whose octaves all stand clear of the floor
    raised = FLAT.copy()
    raised[octave] += 6.0
    change = tone_of(np.array([level for level, _ in third_octaves(raised).values()]))
    change -= tone_of(np.array([level for level, _ in third_octaves(FLAT).values()]))
    off = change - np.median(change)
    assert int(np.argmax(off)) == octave
    assert 2.0 < off[octave] <= 6.0


@given(spectrum=levels)
@few
def test_the_whole_is_the_whole(spectrum: Array) -> None:
    found = tone_of(spectrum)
    power = 10 ** (found / 10)
    assert power.sum() == pytest.approx(1.0 + len(OCTAVES_HZ) * FLOOR)
    assert found.min() >= passages.FLOOR_DB - 1e-9


def test_what_is_hardly_there_is_not_told_apart() -> None:
    # hiss 65 and 75 dB below: both at the floor, where plain levels would differ by 10 dB
    quiet, quieter = (np.where(np.array(NOMINAL_HZ) > 1000.0, level, 0.0) for level in (-65.0, -75.0))
    np.testing.assert_allclose(tone_of(quiet)[-2:], passages.FLOOR_DB, atol=0.1)
    assert np.abs(tone_of(quiet) - tone_of(quieter))[-2:].max() < 0.1
    # just above the floor it still counts
    assert tone_of(np.where(np.array(NOMINAL_HZ) > 1500.0, -15.0, 0.0))[-2] > passages.FLOOR_DB + 3.0


def test_a_note_across_the_edge_of_an_octave_is_nearly_the_same_tone() -> None:
    # the octaves of 125 and 250 Hz meet at 177 Hz, between these two third-octaves; as plain octaves one would lose all of it
    low, high = (np.where(np.array(NOMINAL_HZ) == band, 0.0, -40.0) for band in (160.0, 200.0))
    change = tone_of(high) - tone_of(low)
    assert change[1] < -1.0
    assert change[2] > 1.0
    assert np.abs(change[1:3]).max() < 8.0


def test_a_band_that_is_missing_is_silent() -> None:
    spectrum = np.array([level for level, _ in third_octaves(PIANO).values()])
    without = tone_vector(readings(spectrum, (2000.0, 2500.0)))
    silent = spectrum.copy()
    silent[[NOMINAL_HZ.index(2000.0), NOMINAL_HZ.index(2500.0)]] = -300.0
    assert without is not None
    np.testing.assert_allclose(without, tone_of(silent), atol=1e-9)


@pytest.mark.parametrize("values", [pytest.param({}, id="none"), pytest.param({"tail_s": (1.0, None)}, id="no-tone")])
def test_no_tone_where_there_is_none(values: dict[str, tuple[float, float | None]]) -> None:
    assert tone_vector(values) is None


# priors


@pytest.mark.parametrize("role", [pytest.param(role, id=role.replace(" ", "-")) for role in (*ROLES, "the mix")])
def test_the_prior_of_tone_is_a_covariance(role: str) -> None:
    covariance = tone_covariance(role)
    assert covariance.shape == (len(OCTAVES_HZ),) * 2
    np.testing.assert_allclose(covariance, covariance.T)
    assert np.linalg.eigvalsh(covariance).min() > 0.0
    spread = np.sqrt(np.diag(covariance))
    assert spread.min() > 0.2
    correlation = covariance / np.outer(spread, spread)
    # neighbours go together, more than octaves that are further apart
    apart = [np.diag(correlation, gap).max() for gap in range(len(OCTAVES_HZ))]
    assert all(0.0 < far < near for near, far in zip(apart, apart[1:], strict=False))


def test_who_plays_the_drums_may_bring_the_drums() -> None:
    ratios = {role: player_ratio_of(0.5, role) for role in ROLES}
    drums = {role for role, ratio in ratios.items() if ratio > 0.5}
    assert drums == {"kick", "snare", "toms", "overheads", "percussion"}
    assert {ratios[role] for role in drums} == {3.0}


# numbers


@pytest.mark.parametrize("number", [pytest.param(number, id=number.name) for number in EVERY])
def test_a_number_says_what_it_is(number: Number) -> None:
    assert number.stage in ("tap", "after", "mix")
    assert number.unit
    assert number.label
    assert number.jnd > 0.0
    assert len(number.jnd_source) > 10
    assert number.prior.spread > 0.0
    assert number.prior.sure_after_s > 0.0
    assert number.prior.player_ratio > 0.0
    assert BY_NAME[number.name] is number


def test_names_are_unique() -> None:
    assert len({number.name for number in NUMBERS}) == len(NUMBERS)
    assert {number.name for number in (*NUMBERS, *MIX_NUMBERS, LEVEL)} <= set(BY_NAME)
    assert TONE_JND_DB > 0.0
    assert TONE_JND_SOURCE


@pytest.mark.source("ISO 3382-1:2009, Table A.1: clarity 1 dB, decay time 5 % (from memory)")
def test_differences_in_a_room() -> None:
    assert BY_NAME["articulation"].jnd == 1.0
    tail = BY_NAME["tail"]
    for seconds in (0.2, 1.0, 3.0):
        assert tail.to_scale(1.05 * seconds) - tail.to_scale(seconds) == pytest.approx(tail.jnd, abs=0.001)


@pytest.mark.source(
    "Zwicker & Fastl, Psychoacoustics, 3rd ed. 2007, 7.1 and 8.2: 1 dB; loudness doubles in 10 dB (from memory)"
)
def test_a_difference_in_loudness() -> None:
    harsh = BY_NAME["harsh"]
    for share in (5.0, 20.0, 60.0):
        assert harsh.to_scale(share * 2.0 ** (1.0 / 10.0)) - harsh.to_scale(share) == pytest.approx(harsh.jnd)


@pytest.mark.parametrize("number", [pytest.param(number, id=number.name) for number in EVERY])
@given(value=st.floats(0.002, 300.0), more=st.floats(1.001, 3.0))
@few
def test_a_scale_goes_up_and_comes_back(number: Number, value: float, more: float) -> None:
    assert number.from_scale(number.to_scale(value)) == pytest.approx(value, rel=1e-9)
    assert number.to_scale(value * more) > number.to_scale(value)


@pytest.mark.parametrize(
    "number", [pytest.param(number, id=number.name) for number in EVERY if number.reads == (number.metric,)]
)
def test_a_number_is_its_reading(number: Number) -> None:
    found = number_of(number, {number.metric: (0.8, None)})
    assert found is not None
    assert number.from_scale(found[0]) == pytest.approx(0.8)
    assert found[1] is None
    assert number_of(number, {}) is None
    assert number_of(number, {"other": (0.8, None)}) is None


def test_an_uncertainty_is_half_of_a_95_percent_interval() -> None:
    # of a normal variable that is 1.96 standard deviations
    crest = number_of(BY_NAME["dynamics"], {"crest_db": (14.0, 0.98)})
    assert crest == (pytest.approx(14.0), pytest.approx(0.5, rel=1e-3))
    # on a scale of doublings, where 1 s more or less is half of one
    tail = number_of(BY_NAME["tail"], {"tail_s": (1.0, 2**0.5 - 1)})
    assert tail == (pytest.approx(0.0), pytest.approx(0.5 / 1.96))


def test_no_tail_at_all_is_a_number() -> None:
    found = number_of(BY_NAME["tail"], {"tail_s": (0.0, 0.01)})
    assert found is not None
    assert np.isfinite(found[0])
    assert np.isfinite(found[1])


def test_the_harsh_share_is_one_loudness_of_another() -> None:
    harsh = BY_NAME["harsh"]
    found = number_of(harsh, {"harsh_sone": (5.0, None), "loudness_sone": (20.0, None)})
    assert found is not None
    assert harsh.from_scale(found[0]) == pytest.approx(25.0)
    # louder in all its parts is no harsher
    again = number_of(harsh, {"harsh_sone": (10.0, None), "loudness_sone": (40.0, None)})
    assert again == found


@pytest.mark.parametrize(
    "values",
    [
        pytest.param({"harsh_sone": (5.0, None)}, id="no-loudness"),
        pytest.param({"loudness_sone": (5.0, None)}, id="no-share"),
        pytest.param({"harsh_sone": (0.0, None), "loudness_sone": (5.0, None)}, id="none-of-it"),
        pytest.param({"harsh_sone": (0.0, None), "loudness_sone": (0.0, None)}, id="nothing-heard"),
    ],
)
def test_no_share_of_nothing(values: dict[str, tuple[float, float | None]]) -> None:
    assert number_of(BY_NAME["harsh"], values) is None


def test_the_range_of_levels_is_one_percentile_above_another() -> None:
    levels = {"level_distribution_dbfs.90": (-12.0, None), "level_distribution_dbfs.10": (-20.5, None)}
    assert number_of(BY_NAME["range"], levels) == (pytest.approx(8.5), None)
    # louder altogether is no other range
    louder = {name: (value + 6.0, None) for name, (value, _) in levels.items()}
    assert number_of(BY_NAME["range"], louder) == (pytest.approx(8.5), None)
    for name in levels:
        assert number_of(BY_NAME["range"], {name: levels[name]}) is None


def test_everything_that_is_judged_is_asked_of_the_store() -> None:
    names = metrics()
    everything = {name: (3.0, None) for name in names if not name.endswith(".")}
    everything |= {f"{name}{band:g}": (-10.0, None) for name in names if name.endswith(".") for band in NOMINAL_HZ}
    for number in EVERY:
        assert number_of(number, everything) is not None
    assert tone_vector(everything) is not None
    # whether a side is upside down is told octave by octave
    assert {f"width_octave_db.{band}" for band in OCTAVES_HZ} <= set(everything)
    # sounds of a source are chosen by how much of it they are
    assert "share" in everything


# how sure a reading is


@pytest.mark.parametrize("number", [pytest.param(number, id=number.name) for number in EVERY])
def test_a_take_counts_for_less_the_shorter_it_is(number: Number) -> None:
    prior = number.prior
    # where its own variance has come down to that between takes, a take has twice a long one's
    assert noise_of(number, None, prior.sure_after_s) == pytest.approx(2.0)
    assert noise_of(number, None, 1e9) == pytest.approx(1.0)
    lengths = [noise_of(number, None, seconds) for seconds in (0.0, 2.0, 20.0, 200.0)]
    assert all(np.isfinite(lengths))
    assert lengths == sorted(lengths, reverse=True)
    # one that says itself how sure it is, is believed
    assert noise_of(number, prior.spread, 5.0) == pytest.approx(2.0)
    assert noise_of(number, 2 * prior.spread, 5.0) == pytest.approx(5.0)
    assert noise_of(number, 0.0, 5.0) == 1.0


def test_the_same_of_a_role_that_varies_more() -> None:
    harsh = BY_NAME["harsh"]
    assert harsh.prior.spread_of("bass") == pytest.approx(2 * harsh.prior.spread_of("keys"))
    assert harsh.prior.spread_of("keys") == harsh.prior.spread
    # a reading that is as unsure as its role's weeks are apart has twice a sure one's variance
    assert noise_of(harsh, harsh.prior.spread_of("bass"), 5.0, "bass") == pytest.approx(2.0)
    # every role that is named is one
    assert {role for number in EVERY for role, _ in number.prior.wider} <= set(ROLES)


def test_the_same_of_a_tone() -> None:
    lengths = [tone_noise(seconds) for seconds in (0.0, 5.0, 50.0, 500.0, 1e9)]
    assert lengths == sorted(lengths, reverse=True)
    assert np.isfinite(lengths[0])
    assert lengths[-1] == pytest.approx(1.0)
    assert tone_noise(numbers.TONE_SURE_AFTER_S) == pytest.approx(2.0)
