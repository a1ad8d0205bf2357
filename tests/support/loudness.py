"""Signals of EBU Tech 3341 and 3342."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from tests.support.feed import figures_of
from tests.support.signals import (
    RATE_HZ,
    tones,
)
from tests.support.tables import topic

if TYPE_CHECKING:
    from deskhand.measure.figures import Figures

TECH_3341: Final = topic("ebu_tech3341")

TECH_3342: Final = topic("ebu_tech3342")

CASES: Final[dict[int, dict[str, Any]]] = {case["id"]: case for case in TECH_3341["case"]}

SURROUND: Final = (1.0, 1.0, 1.0, 1.41, 1.41)

"""ITU-R BS.1770-5 Annex 1, Table 3: left, right, centre, left surround, right surround."""


def summed(figures: Figures, weights: tuple[float, ...] | None = None) -> np.ndarray:
    """K-weighted mean squares of 100 ms, summed over the channels (eq. 2)."""
    parts = np.array([track.weighted for track in figures.tracks], dtype=np.float64)
    return np.asarray((weights or (1.0,) * len(parts)) @ parts)


def stereo(wave: np.ndarray) -> np.ndarray:
    return np.stack([wave, wave])


def of_case(case: dict[str, Any], *, rate_hz: int = RATE_HZ) -> np.ndarray:
    return tones([tuple(segment) for segment in case["segments"]] * case.get("repeat", 1), rate_hz=rate_hz)


def of_series(case: dict[str, Any], i: int) -> np.ndarray:
    """One unit of a series whose lengths and levels are formulas in i."""
    parts = []
    for length, level in case["segments_of_i"]:
        # the table's own formulas: arithmetic in i
        seconds = eval(str(length), {"__builtins__": {}}, {"i": i})
        silent = level == "silence"
        dbfs = -np.inf if silent else float(eval(str(level), {"__builtins__": {}}, {"i": i}))
        parts.append((seconds, dbfs))
    return tones(parts)


def side_by_side(waves: list[np.ndarray]) -> Figures:
    """Files of different lengths as stereo pairs of one recording, silence to the longest: maxima do not see it."""
    out = np.zeros((2 * len(waves), max(wave.size for wave in waves)))
    for place, wave in enumerate(waves):
        out[2 * place : 2 * place + 2, : wave.size] = wave
    return figures_of(out, pairs=[(2 * place, 2 * place + 1) for place in range(len(waves))])
