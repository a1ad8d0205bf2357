"""Equal loudness of pure tones against ISO 226:2023: parameters, contours, printed values, and the way back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand.dsp.loudness_level import (
    EXPONENTS,
    FREQUENCIES_HZ,
    THRESHOLD_DB,
    TRANSFER_DB,
    phon_from_spl,
    spl_from_phon,
)
from tests.support.hypotheses import examples
from tests.support.tables import rows, topic

if TYPE_CHECKING:
    from numpy.typing import NDArray

PARAMETERS: Final = rows("iso226_parameters")
CONTOURS: Final = rows("iso226_contours")
PRINTED: Final = topic("iso226_formulas")
LEVELS_PHON: Final = (20, 40, 60, 80, 90)
few: Final = settings(max_examples=examples(80), deadline=None, derandomize=True, database=None)
frequencies = st.floats(20.0, 12500.0)


def spl(phon: float, frequency_hz: float) -> float:
    return float(spl_from_phon(np.array(phon), np.array(frequency_hz)))


def phon(level_db_spl: float, frequency_hz: float) -> float:
    return float(phon_from_spl(np.array(level_db_spl), np.array(frequency_hz)))


@pytest.mark.source("ISO 226:2023, Table 1")
@pytest.mark.parametrize(
    ("ours", "name"),
    [
        (FREQUENCIES_HZ, "freq_hz"),
        (EXPONENTS, "af_2023"),
        (TRANSFER_DB, "Lu_2023_db"),
        (THRESHOLD_DB, "Tf_2023_db"),
    ],
    ids=["frequency", "exponent", "transfer", "threshold"],
)
def test_parameters(ours: NDArray[np.float64], name: str) -> None:
    assert ours == pytest.approx(np.array([float(row[name]) for row in PARAMETERS]), abs=0)


@pytest.mark.source("ISO 226:2023, contours computed from its Table 1, equal to five other transcriptions (to 0.01 dB)")
@pytest.mark.parametrize("row", [pytest.param(row, id=row["freq_hz"]) for row in CONTOURS])
def test_contours(row: dict[str, str]) -> None:
    told = {level: row[f"spl_2023_{level}phon"] for level in LEVELS_PHON}
    assert sum(bool(text) for text in told.values()) >= 4
    for level, text in told.items():
        if text:
            level_db_spl = float(text)
            assert spl(level, float(row["freq_hz"])) == pytest.approx(level_db_spl, abs=0.005 + 1e-9)
            # half of the last digit, 0.005 dB, is at most 0.02 phon (bass, 20 phon)
            assert phon(level_db_spl, float(row["freq_hz"])) == pytest.approx(level, abs=0.02)


@pytest.mark.source("ISO 226:2023, Annex B, Table B.1 (printed to 0.1 dB)")
@pytest.mark.parametrize(("level_phon", "frequency_hz", "printed_db_spl"), PRINTED["table_b1"]["rows"])
def test_printed_levels(level_phon: float, frequency_hz: float, printed_db_spl: float) -> None:
    assert spl(level_phon, frequency_hz) == pytest.approx(printed_db_spl, abs=0.05 + 1e-9)


@pytest.mark.source("ISO 226:2023, Annex B, Table B.2 (printed to 0.1 phon)")
@pytest.mark.parametrize(("level_db_spl", "frequency_hz", "printed_phon"), PRINTED["table_b2"]["rows"])
def test_printed_loudness_levels(level_db_spl: float, frequency_hz: float, printed_phon: float) -> None:
    assert phon(level_db_spl, frequency_hz) == pytest.approx(printed_phon, abs=0.05 + 1e-9)


@pytest.mark.source("ISO 226:2023, 3: the loudness level of a tone of 1 kHz is its sound pressure level")
@given(level=st.floats(2.5, 120.0))
@few
def test_one_kilohertz_is_itself(level: float) -> None:
    assert spl(level, 1000.0) == pytest.approx(level, abs=1e-9)
    assert phon(level, 1000.0) == pytest.approx(level, abs=1e-9)


@pytest.mark.source("ISO 226:2023, 4.1 and 4.2: one is the other's inverse")
@given(level_phon=st.floats(3.0, 100.0), frequency_hz=frequencies)
@few
def test_there_and_back(level_phon: float, frequency_hz: float) -> None:
    assert phon(spl(level_phon, frequency_hz), frequency_hz) == pytest.approx(level_phon, abs=1e-6)


@pytest.mark.source(
    "ISO 226:2023, 4.2: below the threshold of hearing nothing is defined; at it 2.4 phon (1 kHz: Table 1)"
)
@pytest.mark.parametrize("row", [pytest.param(row, id=row["freq_hz"]) for row in PARAMETERS])
def test_threshold(row: dict[str, str]) -> None:
    threshold_db, frequency_hz = float(row["Tf_2023_db"]), float(row["freq_hz"])
    assert np.isnan(phon(threshold_db - 0.01, frequency_hz))
    assert np.isnan(phon(-200.0, frequency_hz))
    assert phon(threshold_db, frequency_hz) == pytest.approx(2.4, abs=1e-6)


@pytest.mark.source("ISO 226:2023: louder sounds have a higher loudness level")
@given(level_db_spl=st.floats(80.0, 110.0), more_db=st.floats(0.01, 20.0), frequency_hz=frequencies)
@few
def test_louder_is_more(level_db_spl: float, more_db: float, frequency_hz: float) -> None:
    assert phon(level_db_spl + more_db, frequency_hz) > phon(level_db_spl, frequency_hz)


@pytest.mark.source("ISO 226:2023, Table 1: between its frequencies a tone's values lie between its neighbours'")
@given(place=st.integers(0, len(PARAMETERS) - 2), share=st.floats(0.0, 1.0), level_phon=st.floats(20.0, 90.0))
@few
def test_between_frequencies(place: int, share: float, level_phon: float) -> None:
    low_hz, high_hz = float(PARAMETERS[place]["freq_hz"]), float(PARAMETERS[place + 1]["freq_hz"])
    ends = sorted((spl(level_phon, low_hz), spl(level_phon, high_hz)))
    assert ends[0] - 0.1 <= spl(level_phon, low_hz * (high_hz / low_hz) ** share) <= ends[1] + 0.1


def test_beyond_the_table_the_nearest_counts() -> None:
    assert spl(60.0, 5.0) == spl(60.0, 20.0)
    assert spl(60.0, 20000.0) == spl(60.0, 12500.0)
    assert phon(90.0, 5.0) == phon(90.0, 20.0)


def test_shapes_are_broadcast() -> None:
    levels = np.array([[60.0], [80.0]])
    hz = np.array([100.0, 1000.0, 4000.0])
    assert phon_from_spl(levels, hz).shape == spl_from_phon(levels, hz).shape == (2, 3)
    assert phon_from_spl(levels, hz)[1, 1] == pytest.approx(80.0)


@pytest.mark.source("ISO 226:2023, contours: in the bass they lie closer together than at 1 kHz")
def test_bass_grows_faster() -> None:
    steps = {row["freq_hz"]: float(row["spl_2023_80phon"]) - float(row["spl_2023_60phon"]) for row in CONTOURS}
    grown = phon(90.0, 63.0) - phon(80.0, 63.0)
    assert grown == pytest.approx(10.0 * 20.0 / steps["63"], rel=0.15)
    assert grown > 10.0
