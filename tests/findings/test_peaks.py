"""When flat tops are clipping and when they are chance: at full scale, and below it by how many of them are long."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from deskhand.findings import KINDS
from deskhand.findings.faults.peaks import _clipped, _is_clipped
from deskhand.house import Source

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


@pytest.mark.parametrize(
    ("minutes", "count", "severity"), [(0.0, 9, "listen"), (0.0, 10, "fix"), (5.0, 19, "listen"), (5.0, 20, "fix")]
)
def test_ten_and_two_more_a_minute_are_to_be_put_right(minutes: float, count: int, severity: str) -> None:
    """As docs/findings.md says; `test_limits.py` reads the numbers from there, in six seconds of sound."""
    said: list[str] = []
    gathering: Any = SimpleNamespace(add=lambda _kind, how, *_, **__: said.append(how))
    heard = context(peak=1.0, flats=count, long_flats=count)
    heard.figures.duration_s = 60.0 * minutes
    heard.hop_s, heard.offset_s, heard.side = 0.1, 0.0, lambda *_: None
    _clipped(Source(name="snare", role="snare", tracks=["snare"]), SimpleNamespace(), 0, heard, gathering, None)  # type: ignore[arg-type]
    assert said == [severity]
