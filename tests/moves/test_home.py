"""Where a tone is home: within its range, or nearer to the usual than anybody hears."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.baseline.predict import Predictive
from deskhand.moves.tone import is_home

USUAL_DB = np.array([-20.0, -12.0, -8.0, -6.0, -7.0, -10.0, -14.0, -22.0])


@pytest.mark.source("Zwicker & Fastl 2007, 7.1: 1 dB of level is just heard")
@pytest.mark.parametrize(
    ("spread_db", "off_db", "home"),
    [
        pytest.param(0.1, 0.9, True, id="steady-and-not-heard"),
        pytest.param(0.1, 1.1, False, id="steady-and-heard"),
        pytest.param(2.0, 3.0, True, id="varies-anyway"),
        pytest.param(2.0, 12.0, False, id="far-away"),
    ],
)
def test_a_tone_is_home(spread_db, off_db, home):
    expected = Predictive(location=USUAL_DB, scale=spread_db**2 * np.eye(8), dof=20.0)
    tone_db = USUAL_DB.copy()
    tone_db[5] += off_db
    assert is_home(expected, tone_db) == home
