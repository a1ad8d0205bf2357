"""Sources of the limits: few are common practice, and a page or a number that a source names is there.

In order: how many; pages of the docs; the table of docs/findings.md; sources that are arithmetic or a standard, worked out anew.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest

from deskhand.findings import KINDS
from tests.support.tables import rows

if TYPE_CHECKING:
    from deskhand.findings.kind import Limit

ROOT: Final = Path(__file__).parents[2]
LIMITS: Final = {(kind.name, name): limit for kind in KINDS.values() for name, limit in kind.limits.items()}
STUDY: Final = "docs/validation-limits.md"
PAGE_NAME: Final = re.compile(r"docs/[\w-]+\.md")
MOST_WITHOUT_SOURCE: Final = 1 / 3
THRESHOLD_DB: Final = {float(row["freq_hz"]): float(row["Tf_2023_db"]) for row in rows("iso226_parameters")}
"""Frequency to the threshold of hearing."""


def text_of(page: str) -> str:
    return (ROOT / page).read_text("utf-8")


def pages_of(limit: Limit) -> list[str]:
    return PAGE_NAME.findall(limit.source)


def test_at_most_a_third_is_common_practice() -> None:
    without = [key for key, limit in LIMITS.items() if "common practice" in limit.source]
    assert len(without) <= MOST_WITHOUT_SOURCE * len(LIMITS), without


def test_every_source_says_something() -> None:
    assert not [key for key, limit in LIMITS.items() if len(limit.source) < len("arithmetic: -3 dB")]


@pytest.mark.parametrize(
    "key", [pytest.param(key, id=".".join(key)) for key, limit in LIMITS.items() if pages_of(limit)]
)
def test_a_page_that_a_source_names_is_there_and_speaks_of_the_kind(key: tuple[str, str]) -> None:
    kind, name = key
    for page in pages_of(LIMITS[key]):
        assert (ROOT / page).exists(), page
        words = {kind, kind.replace("-", " "), KINDS[kind].words}
        assert any(word in text_of(page) for word in words), (page, kind)
        if page == STUDY:
            assert re.search(rf"^\| `{kind}` \| `{name}` \|", text_of(page), re.MULTILINE), key


@pytest.mark.parametrize("key", [pytest.param(key, id=".".join(key)) for key in LIMITS])
def test_the_page_of_findings_has_every_limit_with_its_source(key: tuple[str, str]) -> None:
    kind, name = key
    (row,) = re.findall(rf"^\| `{kind}` \| `{name}` \|.*$", text_of("docs/findings.md"), re.MULTILINE)
    plain = re.sub(r"\[([\w-]+\.md)\]\([\w-]+\.md\)", r"docs/\1", row)
    assert LIMITS[key].source in plain


# worked out anew


def db(power: float) -> float:
    return float(10 * np.log10(power))


@pytest.mark.source("definition: a level is ten times the logarithm of a ratio of powers")
@pytest.mark.parametrize(
    ("kind", "name", "level_db"),
    [
        pytest.param("mono-loss", "mix_db", db(1 / 2), id="sides with nothing in common"),
        pytest.param("mono-loss", "listen_db", db(1 / 4), id="a quarter is left"),
        pytest.param("delay", "pick_ups_loss_db", db(1 / 4), id="a quarter of the power is left"),
        pytest.param("polarity", "unlike_fix_db", db(2.0), id="twice the power"),
    ],
)
def test_levels_that_are_arithmetic(kind: str, name: str, level_db: float) -> None:
    # limits are printed as whole dB
    assert KINDS[kind][name] == round(level_db)


@pytest.mark.source(
    "definition of correlation: noise at a power of 1 / snr beside a signal makes it (1 + 1 / snr) ** -1/2"
)
def test_what_differs_in_a_duplicate_is_34_db_down() -> None:
    same = KINDS["duplicate"]["same"]
    assert same == pytest.approx((1 + 10 ** (-34 / 10)) ** -0.5, abs=5e-6)


@pytest.mark.source("ISO 16:1975: A4 is 440 Hz; equal temperament: twelve equal ratios to the octave")
def test_the_highest_sung_note_lies_below_the_limit_and_the_next_semitone_above() -> None:
    c6_hz, c_sharp6_hz = (440.0 * 2 ** (semitones / 12) for semitones in (15, 16))
    assert c6_hz < KINDS["howl"]["above_singing_hz"] < c_sharp6_hz


@pytest.mark.source("ITU-R BS.1770-5 (2023), Annex 2, Attachment 1: under-read 20 log cos(pi f / (n fs))")
def test_headroom_is_what_a_four_times_oversampled_meter_under_reads_up_to_20_khz() -> None:
    under_read_db = float(20 * np.log10(np.cos(np.pi * 20000 / 48000 / 4)))
    for name in ("fix_dbtp", "chain_dbtp"):
        assert KINDS["headroom"][name] == pytest.approx(under_read_db, abs=0.05)


@pytest.mark.source("ISO 226:2023, Table 1, hearing threshold at 200 Hz")
def test_the_quietest_hum_lies_below_the_threshold_of_hearing() -> None:
    # 80 dB for -18 dBFS: the level at which it is listened to, and the nominal level of a house file that names none
    spl_db = 80.0 + 18.0 + KINDS["hum"]["least_dbfs"]
    assert spl_db < THRESHOLD_DB[200.0] < THRESHOLD_DB[100.0] < THRESHOLD_DB[50.0]
    assert spl_db > THRESHOLD_DB[250.0]
