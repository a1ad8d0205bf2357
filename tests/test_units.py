"""Values as people say them, to numbers and back.

In order: every kind read and refused, ranges, clock times and back, numbers as printed, decibels.
"""

from __future__ import annotations

import doctest
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deskhand import units
from deskhand.units import (
    AES17_OFFSET_DB,
    Kind,
    amplitude_from_db,
    clock,
    db_from_amplitude,
    db_from_power,
    dbfs_from_mean_square,
    example,
    mean_square_from_dbfs,
    number,
    parse,
    parse_clock,
    parse_range_db,
    power_from_db,
)

if TYPE_CHECKING:
    from collections.abc import Callable

KINDS = get_args(Kind)
# a busy machine may take its time: only the answer counts
unhurried = settings(deadline=None)

SAID = [
    ("-18 dBFS", "level_dbfs", -18.0),
    ("−18 dBFS", "level_dbfs", -18.0),  # a real minus sign, as our own pages print it
    ("-18dbfs", "level_dbfs", -18.0),
    ("0 dBFS", "level_dbfs", 0.0),
    ("+3 dB", "gain_db", 3.0),
    ("-1.5 dB", "gain_db", -1.5),
    (".5 dB", "gain_db", 0.5),
    ("-23 LUFS", "loudness_lufs", -23.0),
    ("-23 LKFS", "loudness_lufs", -23.0),  # ITU-R BS.1770-5 calls the same unit LKFS
    ("88 dBA", "level_dba", 88.0),
    ("88 dB(A)", "level_dba", 88.0),
    ("94 dBC", "level_dbc", 94.0),
    ("50 Hz", "frequency_hz", 50.0),
    ("1.6 kHz", "frequency_hz", 1600.0),
    ("1.6khz", "frequency_hz", 1600.0),
    ("20 ms", "time_s", 0.02),
    ("1.5 s", "time_s", 1.5),
    ("2 min", "time_s", 120.0),
    ("1 h", "time_s", 3600.0),
    ("3.4 m", "distance_m", 3.4),
    ("30 cm", "distance_m", 0.3),
    ("21 °C", "temperature_c", 21.0),
    ("-5 C", "temperature_c", -5.0),
    ("70 %", "share_pct", 70.0),
    ("70%", "share_pct", 70.0),
    ("12 dB/oct", "slope_db_per_octave", 12.0),
    ("24 dB/octave", "slope_db_per_octave", 24.0),
    ("1/12 octave", "interval_octave", 1 / 12),
    ("1/3 oct", "interval_octave", 1 / 3),
    ("2 octaves", "interval_octave", 2.0),
    ("  7   dB  ", "gain_db", 7.0),
]


@pytest.mark.parametrize(("text", "kind", "value"), SAID)
def test_values_as_people_say_them(text: str, kind: Kind, value: float) -> None:
    # one rounding of a double in the factor
    assert parse(text, kind) == pytest.approx(value, rel=1e-15)


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "range_db"])
def test_the_example_in_every_message_is_itself_right(kind: Kind) -> None:
    assert math.isfinite(parse(example(kind), kind))


WRONG = [
    ("-18", "level_dbfs", "'-18' has no unit; write it in dBFS, like '-18 dBFS'"),
    ("-18 dB", "level_dbfs", "'-18 dB' has the unit 'dB'; write it in dBFS"),
    ("3 Hz", "gain_db", "'3 Hz' has the unit 'Hz'; write it in dB, like '+3 dB'"),
    ("1,6 kHz", "frequency_hz", "has the unit ',6 kHz'"),
    ("1 MHz", "frequency_hz", "write it in Hz or kHz"),
    ("loud", "level_dbfs", "'loud' is not a value; write it like '-18 dBFS'"),
    ("", "gain_db", "'' is not a value"),
    ("nan dB", "gain_db", "'nan dB' is not a value"),
    ("inf dB", "gain_db", "'inf dB' is not a value"),
    ("1/0 octave", "interval_octave", "divided by 0"),
    ("1/ octave", "interval_octave", "has the unit '/ octave'"),
    ("1e3 Hz", "frequency_hz", "has the unit 'e3 Hz'"),
    ("- 3 dB", "gain_db", "is not a value"),
    ("3 dB 4", "gain_db", "has the unit 'dB 4'"),
    ("٣ dB x", "gain_db", "write it"),
]


@pytest.mark.parametrize(("text", "kind", "said"), WRONG)
def test_a_wrong_value_is_told_how_to_write_it(text: str, kind: Kind, said: str) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        parse(text, kind)


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown kind 'volume'; allowed: level_dbfs"):
        parse("1 dB", "volume")  # type: ignore[arg-type]


@unhurried
@given(st.text(max_size=20), st.sampled_from(KINDS))
def test_any_text_gives_a_number_or_a_sentence(text: str, kind: Kind) -> None:
    for read in (lambda: parse(text, kind), lambda: sum(parse_range_db(text)), lambda: parse_clock(text)):
        try:
            value = read()
        except ValueError as error:
            assert str(error)  # noqa: PT017  (not to fail is right as well)
        else:
            assert math.isfinite(value)


NUMBERS = st.integers(-99999, 99999).map(lambda thousandths: thousandths / 1000)


@unhurried
@given(NUMBERS)
def test_what_is_printed_can_be_read_again(value: float) -> None:
    # three decimals printed of a number that has three
    assert parse(f"{number(value, 3)} dB", "gain_db") == value


@unhurried
@given(st.integers(1, 999), st.integers(1, 99))
def test_fractions(top: int, bottom: int) -> None:
    assert parse(f"{top}/{bottom} octave", "interval_octave") == top / bottom


@unhurried
@given(st.integers(1, 20000))
def test_prefixes_mean_a_thousand(hertz: int) -> None:
    # 0.001 is no exact double: one rounding
    assert parse(f"{hertz / 1000} kHz", "frequency_hz") == pytest.approx(
        parse(f"{hertz} Hz", "frequency_hz"), rel=1e-15
    )


class TestRange:
    @pytest.mark.parametrize(
        "text", ["1 to 2 dB", "2 to 1 dB", "1..2 dB", "1–2 dB", " 1  to  2  dB ", "+1 to +2 db", "2/2 to 2 dB"]
    )
    def test_lowest_first(self, text: str) -> None:
        assert parse_range_db(text) == (1.0, 2.0)

    @pytest.mark.parametrize("text", ["−3 to -1.5 dB", "-1.5..-3 dB"])
    def test_below_nought(self, text: str) -> None:
        assert parse_range_db(text) == (-3.0, -1.5)

    @pytest.mark.parametrize("text", ["2 dB", "1 to 2", "1 to 2 Hz", "1 and 2 dB", "", "to dB"])
    def test_what_is_no_range(self, text: str) -> None:
        with pytest.raises(ValueError, match="1 to 2 dB"):
            parse_range_db(text)


class TestClock:
    @pytest.mark.parametrize(
        ("text", "seconds"),
        [
            ("0", 0.0),
            ("90", 90.0),
            ("90.5", 90.5),
            ("90 s", 90.0),
            ("500 ms", 0.5),
            ("2 min", 120.0),
            ("1:30", 90.0),
            ("01:30", 90.0),
            ("75:00", 4500.0),
            ("0:01:30.5", 90.5),
            ("1:05:30", 3930.0),
            (" 1:30 ", 90.0),
        ],
    )
    def test_times_as_people_write_them(self, text: str, seconds: float) -> None:
        assert parse_clock(text) == seconds

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "abc",
            "1:60",
            "1:75:00",
            "1:2:3:4",
            "::",
            "1:",
            "1:3x",
            "90 Hz",
            "nan",
            "inf",
            "-inf",
            "infinity",
            "1e999",
        ],
    )
    def test_what_is_no_time(self, text: str) -> None:
        with pytest.raises(ValueError, match="is not a time"):
            parse_clock(text)

    @unhurried
    @given(st.integers(0, 10 * 3600))
    def test_whole_seconds_there_and_back(self, seconds: int) -> None:
        assert parse_clock(clock(seconds)) == seconds

    @pytest.mark.parametrize(
        ("seconds", "text"), [(0.0, "0:00"), (59.99, "0:59"), (192.4, "3:12"), (3599.9, "59:59"), (3792.0, "1:03:12")]
    )
    def test_written(self, seconds: float, text: str) -> None:
        assert clock(seconds) == text


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (-18.0, 1, "−18"),
        (-18.04, 1, "−18"),
        (-18.06, 1, "−18.1"),
        (0.0, 1, "0"),
        (-0.0, 1, "0"),
        (-0.04, 1, "0"),
        (100.0, 0, "100"),
        (1200.0, 1, "1200"),
        (1.50, 2, "1.5"),
        (44.1, 1, "44.1"),
    ],
)
def test_numbers_as_printed(value: float, digits: int, text: str) -> None:
    assert number(value, digits) == text


class TestDecibels:
    @pytest.mark.source("AES17-2020, 3.12.1: a full-scale sine reads 0 dBFS")
    def test_a_full_scale_sine_reads_nought(self) -> None:
        assert float(dbfs_from_mean_square(np.array(0.5))) == pytest.approx(0.0, abs=1e-12)
        # 10 lg 2 to seven places
        assert pytest.approx(3.0102999566, abs=1e-10) == AES17_OFFSET_DB
        # a square wave at full scale has twice the power of the sine
        assert float(dbfs_from_mean_square(np.array(1.0))) == pytest.approx(3.0103, abs=1e-4)

    # arithmetic: 20 lg 2 and 10 lg 2 to four places
    @pytest.mark.parametrize(
        ("convert", "ratio", "level_db"),
        [(db_from_amplitude, 2.0, 6.0206), (db_from_amplitude, -0.5, -6.0206), (db_from_power, 2.0, 3.0103)],
    )
    def test_doubling(self, convert: Callable[[float], float], ratio: float, level_db: float) -> None:
        assert convert(ratio) == pytest.approx(level_db, abs=5e-5)

    @unhurried
    @given(st.floats(-200.0, 200.0))
    def test_there_and_back(self, level_db: float) -> None:
        # a double has 15 digits and 10**x loses one or two of them for large x
        assert db_from_amplitude(amplitude_from_db(level_db)) == pytest.approx(level_db, abs=1e-10)
        assert db_from_power(power_from_db(level_db)) == pytest.approx(level_db, abs=1e-10)
        assert float(dbfs_from_mean_square(np.array(mean_square_from_dbfs(level_db)))) == pytest.approx(
            level_db, abs=1e-10
        )

    @pytest.mark.parametrize("convert", [db_from_power, db_from_amplitude])
    def test_nothing_is_minus_infinity_and_no_warning(self, convert: Callable[[float], float]) -> None:
        assert convert(0.0) == -math.inf

    def test_one_number_and_many(self) -> None:
        many = db_from_power(np.array([1.0, 10.0, 0.0]))
        assert isinstance(db_from_power(10.0), float)
        assert list(many) == [0.0, 10.0, -math.inf]


def test_the_examples_in_the_docstrings_are_true() -> None:
    """Run by Python's own doctest."""
    results = doctest.testmod(units)
    assert results.attempted >= 7
    assert results.failed == 0


def test_amplitudes_become_decibels_in_one_place() -> None:
    """No module but `units` has a bare 20 * log10."""
    package = Path(units.__file__).parent
    bare = re.compile(r"\b20(\.0)?\s*\*\s*(np|math)\.log10|log10\(.*\)\s*\*\s*20\b")
    places = [path.name for path in package.rglob("*.py") if bare.search(path.read_text("utf-8"))]
    assert places == ["units.py"]
