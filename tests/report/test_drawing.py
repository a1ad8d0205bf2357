"""Places in the pictures of the report: levels lie in proportion, and inside."""

from __future__ import annotations

import pytest

from deskhand.report.drawing import BOTTOM, HEIGHT, TOP, grid, y_of


def test_levels_lie_in_proportion_between_the_margins() -> None:
    assert y_of(-60.0, -60.0, 0.0) == HEIGHT - BOTTOM
    assert y_of(0.0, -60.0, 0.0) == TOP
    assert y_of(-30.0, -60.0, 0.0) == pytest.approx((TOP + HEIGHT - BOTTOM) / 2)
    # a quarter down from the top
    assert y_of(-15.0, -60.0, 0.0) == pytest.approx(TOP + 0.25 * (HEIGHT - TOP - BOTTOM))
    assert y_of(-90.0, -60.0, 0.0) == HEIGHT - BOTTOM
    assert y_of(6.0, -60.0, 0.0) == TOP


def test_lines_lie_where_their_levels_do() -> None:
    parts = "".join(grid((-18, -60), -60.0, 0.0))
    for mark_db in (-18.0, -60.0):
        assert f'y1="{y_of(mark_db, -60.0, 0.0):.1f}"' in parts
