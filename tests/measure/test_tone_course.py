"""Course of a tone over a take: its cells, where the source does not play, and its bytes."""

from __future__ import annotations

import numpy as np
import pytest

from deskhand.measure.passages import tone_of
from deskhand.measure.tone_course import CELL_S, VERSION, packed, tone_course, unpacked

FALLING_DB = -np.abs(np.arange(31) - 14.0)
BRIGHT_DB = FALLING_DB + np.where(np.arange(31) > 20, 6.0, 0.0)


def seconds_of(levels_db: np.ndarray, count: int) -> np.ndarray:
    return np.tile(10 ** (levels_db / 10), (count, 1))


def test_cells_follow_the_playing() -> None:
    tone = np.vstack([seconds_of(FALLING_DB, CELL_S), seconds_of(BRIGHT_DB, CELL_S), seconds_of(FALLING_DB, 14)])
    blocks = np.ones(340, bool)
    # of the third cell it plays four seconds, of the last all four
    blocks[240:300] = False
    course = tone_course(tone, blocks)
    assert course.shape == (4, 8)
    assert course[0] == pytest.approx(tone_of(FALLING_DB))
    assert course[1] == pytest.approx(tone_of(BRIGHT_DB))
    assert np.isnan(course[2:]).all()


def test_bytes_hold_a_quarter_of_a_decibel(rng: np.random.Generator) -> None:
    courses = {
        "lead voice": rng.uniform(-38, 0, (12, 8)),
        "Ülf's bass": rng.uniform(-38, 0, (3, 8)),
        "spare": np.empty((0, 8)),
    }
    courses["lead voice"][4] = np.nan
    read = unpacked(packed(courses))
    assert read.keys() == courses.keys()
    for source, course in courses.items():
        assert read[source] == pytest.approx(course, abs=0.126, nan_ok=True)
    assert unpacked(packed({})) == {}


def test_half_an_hour_of_a_source_is_about_a_kilobyte(rng: np.random.Generator) -> None:
    course = np.repeat(rng.normal(-12.0, 3.0, (6, 8)), 30, axis=0) + rng.normal(0.0, 0.5, (180, 8))
    assert len(packed({"keys": course})) < 1400


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(bytes([VERSION + 1]) + packed({})[1:], id="another version"),
        pytest.param(packed({"keys": np.zeros((3, 8))})[:-4], id="cut short"),
        pytest.param(bytes([VERSION]) + b"what is no zlib", id="other bytes"),
    ],
)
def test_what_is_damaged_says_so(data: bytes) -> None:
    with pytest.raises(ValueError, match="tone courses"):
        unpacked(data)
