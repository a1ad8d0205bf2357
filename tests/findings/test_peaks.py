"""When flat tops are clipping and when they are chance: at full scale, and below it by how many of them are long."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from deskhand.findings import KINDS
from deskhand.findings.faults.peaks import _is_clipped

FEW = round(KINDS["clipped"]["few"])


def context(*, peak: float, flats: int, long_flats: int) -> Any:
    """Two blocks: the flat tops in the first, nothing in the second."""
    track = SimpleNamespace(
        flats=np.array([flats, 0]),
        long_flats=np.array([long_flats, 0]),
        flat_level=np.array([peak, 0.0]),
        peak=np.array([peak, 0.1]),
    )
    return SimpleNamespace(figures=SimpleNamespace(tracks=[track]))


@pytest.mark.parametrize(
    ("peak", "flats", "long_flats", "clipped"),
    [
        # at full scale the converter itself says so, however short they are
        (1.0, FEW, 0, True),
        (1.0, FEW - 1, FEW - 1, False),
        # further down only where they are longer than chance makes them
        (0.5, FEW, FEW, True),
        (0.5, 100, 6, True),
        (0.5, 100, 5, False),
        (0.5, 100, 0, False),
    ],
)
def test_flat_tops(peak: float, flats: int, long_flats: int, clipped: bool) -> None:
    assert _is_clipped(0, context(peak=peak, flats=flats, long_flats=long_flats)) == clipped
