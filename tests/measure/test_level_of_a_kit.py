"""Levels of a kit from week to week at one gain: other songs, other patterns, the same reading."""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from deskhand.house import ROLES
from deskhand.measure.activity import activity
from tests.support.grooves import RATE_HZ, through_gate, week_of_drums

WEEKS: Final = 12


def levels_dbfs(role: str, *, is_gated: bool) -> np.ndarray:
    """(weeks,) level of one microphone."""
    readings = []
    for week in range(WEEKS):
        sound = week_of_drums("BJA_Pacific", week)[role]
        blocks = (through_gate(sound) if is_gated else sound)[: round(29.9 * RATE_HZ)].reshape(-1, RATE_HZ // 10)
        mean_square = np.mean(blocks**2, axis=1).astype(np.float32)
        playing = activity(mean_square, strikes=ROLES[role].strikes, parted=not ROLES[role].hears_kit)
        readings.append(playing.level_of(playing.level_dbfs[playing.windows]))
    return np.array(readings, np.float64)


@pytest.mark.source("known truth: one gain, one kit, one touch (BJA_Pacific, CC BY-SA 3.0); other songs each week")
@pytest.mark.parametrize(
    ("role", "is_gated", "most_db"),
    [
        pytest.param("kick", False, 1.2, id="kick"),
        pytest.param("kick", True, 1.2, id="kick-gated"),
        pytest.param("snare", False, 1.2, id="snare"),
        pytest.param("snare", True, 1.2, id="snare-gated"),
        pytest.param("overheads", False, 1.5, id="overheads"),
    ],
)
def test_the_song_does_not_move_the_level(role: str, is_gated: bool, most_db: float) -> None:
    levels = levels_dbfs(role, is_gated=is_gated)
    assert np.abs(levels - np.median(levels)).max() < most_db
