"""A seeded part of the study of moves that are carried out; the whole of it is `validations/evenings.py`."""

from __future__ import annotations

import pytest

from tests.support.evenings import VOICE_POINTS, draw, live_through


@pytest.mark.parametrize("number", [7, 211, 222])
def test_what_was_carried_out_is_not_asked_again(number, tmp_path):
    outcome = live_through(draw(number), tmp_path)
    assert outcome.moves
    assert not outcome.is_bad, outcome
    assert outcome.voice_off_pct is None or abs(outcome.voice_off_pct) <= VOICE_POINTS
    # half a decibel is the step of a trim, one that of a preamp
    assert all(abs(left_db) <= 1.0 for left_db in outcome.partial_db)
