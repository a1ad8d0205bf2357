"""Shares of the mix by octave, and how its balance shifts to the ear with its level."""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest
import scipy.signal as ss
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.mix.balance import OCTAVES, shares_pct, shift_phon
from deskhand.mix.bus import Strip
from tests.support.feed import figures_of
from tests.support.hypotheses import examples
from tests.support.signals import RATE_HZ, amplitude, at_level, pink
from tests.support.tables import rows

LENGTH_S: Final = 6.0
OFFSET_DB: Final = 100.0
"""DB SPL of a mean square of 1."""
PARAMETERS: Final = {float(row["freq_hz"]): row for row in rows("iso226_parameters")}
CONTOURS: Final = {float(row["freq_hz"]): row for row in rows("iso226_contours")}
few: Final = settings(max_examples=examples(15), deadline=None, derandomize=True, database=None)


def octave(rng: np.random.Generator, middle_hz: float, level_dbfs: float) -> np.ndarray:
    """Noise well inside one octave."""
    sos = ss.butter(8, (middle_hz * 0.8, middle_hz * 1.25), "bandpass", fs=RATE_HZ, output="sos")
    return at_level(ss.sosfilt(sos, rng.standard_normal(round(LENGTH_S * RATE_HZ))), level_dbfs)


def strip(name: str, *rows_: int, fader_db: float = 0.0) -> Strip:
    return Strip(source=name, rows=rows_, fader_db=fader_db)


@pytest.mark.source("ISO 266: octaves")
def test_octaves() -> None:
    assert OCTAVES == (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)


@pytest.mark.source("known truth: levels and faders; a centre lies 3 dB down on both sides (common practice)")
@pytest.mark.parametrize("hz", [125.0, 1000.0, 4000.0])
def test_shares_follow_the_faders(rng: np.random.Generator, hz: float) -> None:
    figures = figures_of(
        [octave(rng, hz, -20.0), octave(rng, hz, -26.0), octave(rng, hz, -23.0), octave(rng, hz, -23.0)]
    )
    read = shares_pct(
        figures, [strip("voice", 0), strip("guitar", 1, fader_db=6.0), strip("keys", 2, 3, fader_db=-3.0)]
    )
    # both sides' mean: a centre has half its power on each; a pair has each side's own
    powers = {
        "voice": 0.5 * 10.0**-2.0,
        "guitar": 0.5 * 10.0**-2.6 * 10.0**0.6,
        "keys": 10.0**-2.3 * 10.0**-0.3,
    }
    total = sum(powers.values())
    assert {name: of[f"{hz:g}"] for name, of in read.items()} == pytest.approx(
        {name: 100.0 * power / total for name, power in powers.items()}, abs=0.6
    )
    # the fader that all have in common does not matter
    lower = shares_pct(
        figures,
        [strip("voice", 0, fader_db=-20.0), strip("guitar", 1, fader_db=-14.0), strip("keys", 2, 3, fader_db=-23.0)],
    )
    assert lower["guitar"] == pytest.approx(read["guitar"], abs=0.1)


@given(levels_dbfs=st.lists(st.floats(-60.0, -10.0), min_size=1, max_size=5))
@few
def test_shares_sum_to_all(levels_dbfs: list[float]) -> None:
    rng = np.random.default_rng(3)
    figures = figures_of([pink(rng, 2.0, level) for level in levels_dbfs])
    read = shares_pct(figures, [strip(f"source {place}", place) for place in range(len(levels_dbfs))])
    for hz in OCTAVES:
        shares = [of.get(f"{hz:g}", 0.0) for of in read.values()]
        assert all(0.0 <= share <= 100.0 for share in shares)
        assert sum(shares) == pytest.approx(100.0, abs=0.06 * len(shares))


def test_each_octave_is_its_own(rng: np.random.Generator) -> None:
    figures = figures_of([octave(rng, 125.0, -20.0), octave(rng, 2000.0, -20.0)])
    read = shares_pct(figures, [strip("bass", 0), strip("voice", 1)])
    assert read["bass"]["125"] > 99.5
    assert read["voice"]["2000"] > 99.5
    assert "2000" not in read["bass"] or read["bass"]["2000"] < 0.5
    assert "125" not in read["voice"] or read["voice"]["125"] < 0.5


def test_silence_and_nothing(rng: np.random.Generator) -> None:
    figures = figures_of([np.zeros(round(LENGTH_S * RATE_HZ)), pink(rng, LENGTH_S, -20.0)])
    read = shares_pct(figures, [strip("silent", 0), strip("loud", 1)])
    assert read["silent"] == {}
    assert read["loud"] == pytest.approx(dict.fromkeys((f"{hz:g}" for hz in OCTAVES), 100.0))
    assert shares_pct(figures, [strip("silent", 0)]) == {"silent": {}}
    assert shares_pct(figures, []) == {}


def loudness_level_phon(level_db_spl: float, hz: float) -> float:
    """ISO 226:2023, formula (2), from its table."""
    row = PARAMETERS[hz]
    exponent, transfer, threshold = (float(row[name]) for name in ("af_2023", "Lu_2023_db", "Tf_2023_db"))
    above = 10.0 ** (exponent * (level_db_spl + transfer) / 10.0) - 10.0 ** (exponent * (threshold + transfer) / 10.0)
    return 100.0 / 3.0 * float(np.log10(above / 4e-10 ** (0.3 - exponent) + 10.0**0.072))


@pytest.mark.source("ISO 226:2023, 4.2, with the parameters of its Table 1; noise of known level in each octave")
@pytest.mark.parametrize("change_db", [-20.0, -6.0, 3.0, 10.0])
def test_shift(rng: np.random.Generator, change_db: float) -> None:
    level_db_spl = 80.0
    # an octave's level in dB SPL: a mean square of 1 is OFFSET_DB; AES17 levels are 3.01 dB above the mean square
    mix = sum(octave(rng, hz, level_db_spl - OFFSET_DB + 3.0103) for hz in OCTAVES)
    read = shift_phon(figures_of([mix, mix]), (0, 1), offset_db=OFFSET_DB, change_db=change_db)
    wanted = {
        f"{hz:g}": loudness_level_phon(level_db_spl + change_db, hz) - loudness_level_phon(level_db_spl, hz) - change_db
        for hz in OCTAVES
    }
    assert read == pytest.approx(wanted, abs=0.25)
    assert read["1000"] == 0.0
    # the bass comes and goes first
    assert np.sign(read["63"]) == np.sign(change_db)


@pytest.mark.source("ISO 226:2023, contours: from 80 to 60 phon the level at 63 Hz falls by less than 20 dB")
def test_shift_between_contours(rng: np.random.Generator) -> None:
    loud = {hz: float(CONTOURS[hz]["spl_2023_80phon"]) for hz in OCTAVES}
    mix = sum(octave(rng, hz, level - OFFSET_DB - 20.0 + 3.0103) for hz, level in loud.items())
    read = shift_phon(figures_of([mix]), (0,), offset_db=OFFSET_DB + 20.0, change_db=-20.0)
    # all octaves have 80 phon; 20 dB lower, the level that has 60 phon is missed by this much, and a phon is less than a dB
    for hz in (63.0, 125.0):
        missed_db = loud[hz] - 20.0 - float(CONTOURS[hz]["spl_2023_60phon"])
        assert missed_db < -5.0
        assert 1.0 < read[f"{hz:g}"] / missed_db < 2.5


def test_no_change_is_no_shift(rng: np.random.Generator) -> None:
    read = shift_phon(figures_of([pink(rng, LENGTH_S, -20.0)]), (0,), offset_db=OFFSET_DB, change_db=0.0)
    assert set(read) == {f"{hz:g}" for hz in OCTAVES}
    assert set(read.values()) == {0.0}


@pytest.mark.source("ISO 226:2023, 4.2: below the threshold of hearing there is no loudness level")
def test_octaves_that_cannot_be_heard_are_left_out(rng: np.random.Generator) -> None:
    # 30 dB SPL: below the threshold at 63 Hz (37.5 dB), above it at 1 kHz
    mix = octave(rng, 63.0, -70.0 + 3.0103) + octave(rng, 1000.0, -70.0 + 3.0103)
    read = shift_phon(figures_of([mix]), (0,), offset_db=OFFSET_DB, change_db=3.0)
    assert "63" not in read
    assert read["1000"] == 0.0
    # heard before, and not after
    assert "1000" not in shift_phon(figures_of([mix]), (0,), offset_db=OFFSET_DB, change_db=-30.0)
    assert shift_phon(figures_of([0.0 * mix]), (0,), offset_db=OFFSET_DB, change_db=3.0) == {}


def test_fader_of_a_strip() -> None:
    assert strip("keys", 0, 1, fader_db=-6.0).matrix() == pytest.approx(amplitude(-6.0) * np.eye(2))
    assert strip("voice", 0).matrix() == pytest.approx(np.full((2, 1), np.sqrt(0.5)), rel=1e-3)
