"""Some shows of the study of what is normal, and a seeded fortieth of it, since a show takes seconds: the whole of it is `validations/normal.py`.

The shows are synthesised, so the truth comes from what was planted, with scipy, and not from what finds it.
"""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.findings.judgements import SHOW_BUDGET
from tests.support.normals import Show, raised, show_of, study
from tests.support.season_data import CLEAN_SHOWS, PLANTED_SHOWS, made

LENGTH_S = 26.0
COUNTS = {"some": (2, 0), "fortieth": (CLEAN_SHOWS // 40, PLANTED_SHOWS // 40)}
"""Clean shows and planted ones."""


@pytest.fixture(scope="module")
def counts(request: pytest.FixtureRequest) -> tuple[int, int]:
    return COUNTS[request.param]


@pytest.fixture(scope="module")
def clean(counts: tuple[int, int]) -> list[Show]:
    return [show_of(made("synthesised", 900 + at, planted=False, length_s=LENGTH_S)) for at in range(counts[0])]


@pytest.fixture(scope="module")
def planted(counts: tuple[int, int]) -> list[Show]:
    return [show_of(made("synthesised", 900 + at, planted=True, length_s=LENGTH_S)) for at in range(counts[1])]


@pytest.mark.parametrize(
    ("counts", "kept"),
    [("some", "one"), ("fortieth", "one"), ("fortieth", "all but two")],
    indirect=["counts"],
    scope="module",
)
def test_clean_shows_are_left_alone(clean, kept):
    outcome = study(clean, [], 1 if kept == "one" else len(clean) - 2, houses=3)
    quiet = [not raised(tests) for tests in outcome.clean]
    # nine of ten in the long study; of so few shows, chance may take some more
    assert np.mean(quiet) >= 0.75, raised(max(outcome.clean, key=lambda tests: len(raised(tests))))
    assert not outcome.mistaken
    assert not outcome.turned_clean


@pytest.mark.parametrize("counts", ["fortieth"], indirect=True, scope="module")
def test_ranges_hold_the_clean_readings(clean):
    outcome = study(clean, [], len(clean) - 2, houses=4)
    inside = [value for values in outcome.covered.values() for value in values]
    assert 0.90 <= np.mean(inside) <= 0.995


@pytest.mark.parametrize("counts", ["fortieth"], indirect=True, scope="module")
def test_faults_are_found(clean, planted):
    """After three kept shows, since these are far shorter than real ones; the long study does it after one."""
    outcome = study(clean, planted, 3, houses=3)
    voices = {"lead voice", "voice 2", "voice 3", "lectern", "handheld"}
    told = [found for pair, several in outcome.pairs.items() if not set(pair) <= voices for found in several]
    assert told
    assert np.mean(told) >= 0.9
    assert all(outcome.turned)
    gone = outcome.planted.get("side gone", [])
    assert all(least < SHOW_BUDGET for least, _ in gone)
