"""A seeded fortieth of the study of what is normal, since a show takes seconds: the whole of it is `validations/normal.py`.

The shows are synthesised, so the truth comes from what was planted, with scipy, and not from what finds it.
"""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.findings.judgements import SHOW_BUDGET
from validations.normal import Show, raised, show_of, study
from validations.season_data import CLEAN_SHOWS, PLANTED_SHOWS, made

LENGTH_S = 26.0
CLEAN = CLEAN_SHOWS // 40
PLANTED = PLANTED_SHOWS // 40


@pytest.fixture(scope="module")
def shows() -> tuple[list[Show], list[Show]]:
    clean = [show_of(made("synthesised", 900 + at, planted=False, length_s=LENGTH_S)) for at in range(CLEAN)]
    planted = [show_of(made("synthesised", 900 + at, planted=True, length_s=LENGTH_S)) for at in range(PLANTED)]
    return clean, planted


@pytest.mark.parametrize("kept", [1, CLEAN - 2])
def test_clean_shows_are_left_alone(shows, kept):
    outcome = study(*shows, kept, houses=3)
    quiet = [not raised(tests) for tests in outcome.clean]
    # nine of ten in the long study; of so few shows, chance may take some more
    assert np.mean(quiet) >= 0.75, raised(max(outcome.clean, key=lambda tests: len(raised(tests))))
    assert not outcome.mistaken
    assert not outcome.turned_clean


def test_ranges_hold_the_clean_readings(shows):
    outcome = study(*shows, CLEAN - 2, houses=4)
    inside = [value for values in outcome.covered.values() for value in values]
    assert 0.90 <= np.mean(inside) <= 0.995


def test_faults_are_found(shows):
    """After three kept shows, since these are far shorter than real ones; the long study does it after one."""
    outcome = study(*shows, 3, houses=3)
    voices = {"lead voice", "voice 2", "voice 3", "lectern", "handheld"}
    told = [found for pair, several in outcome.pairs.items() if not set(pair) <= voices for found in several]
    assert told
    assert np.mean(told) >= 0.9
    assert all(outcome.turned)
    gone = outcome.planted.get("side gone", [])
    assert all(least < SHOW_BUDGET for least, _ in gone)
