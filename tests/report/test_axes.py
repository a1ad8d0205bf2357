"""Axes of the pictures of a comparison: their marks, as they are printed."""

from __future__ import annotations

import re

import pytest

from deskhand.report.compare_pictures import _chart


def marks(*, across: tuple[float, float], up: tuple[float, float], words: str) -> list[str]:
    """Numbers of one axis."""
    picture = _chart("a course", "time in s", "level in dB", [(0.0, 0.0), (1.0, 1.0)], across=across, up=up)
    return re.findall(rf'text-anchor="{words}">([−\d.]+)<', picture)


@pytest.mark.parametrize(
    ("across", "printed"),
    [
        ((0.0, 8.4), ["0", "2", "4", "6", "8"]),
        ((0.0, 8.0), ["0", "2", "4", "6", "8"]),
        ((0.0, 6.4), ["0", "1.6", "3.2", "4.8", "6.4"]),
    ],
)
def test_seconds_have_decimals_only_where_they_are_few(across: tuple[float, float], printed: list[str]) -> None:
    assert marks(across=across, up=(0.0, 1.0), words="middle") == printed


@pytest.mark.parametrize(
    ("up", "printed"),
    [
        ((-8.4, 0.0), ["−8", "−6", "−4", "−2", "0"]),
        ((-4.4, 0.0), ["−4.4", "−3.3", "−2.2", "−1.1", "0"]),
        ((0.0, 0.44), ["0", "0.11", "0.22", "0.33", "0.44"]),
    ],
)
def test_a_level_is_printed_as_finely_as_its_axis_is(up: tuple[float, float], printed: list[str]) -> None:
    assert marks(across=(0.0, 1.0), up=up, words="end") == printed
