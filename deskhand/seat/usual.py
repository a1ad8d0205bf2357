"""Usual levels of a house at a seat, from its kept weeks, and what is louder than they lead to expect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

_FEWEST: Final = 3
"""Kept weeks from which on louder than usual is told. Common practice, no source."""
_PRIOR_SPREAD_DB: Final = 1.5
"""Spread of a house's level from week to week that stands in while few are kept. Common practice, no source."""
_PRIOR_WEEKS: Final = 4.0
"""Weeks that this spread counts for. Common practice, no source."""
_SURE: Final = 0.995
"""Share of clean weeks below what is told: one song in 200 is called loud by chance. Common practice, no source."""
_NOTICED_DB: Final = 2.0
"""Least step that is worth a word: twice what is just noticed in music. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualLevel:
    """Level that kept weeks lead to expect."""

    kept: int
    expected_db: float
    high_db: float
    """Level above which a week is louder than usual."""


def usual_level(levels_db: Sequence[float]) -> UsualLevel | None:
    """Usual level of a song, of speech or of a whole show; None for fewer than three weeks.

    The interval is that of a new week among normally distributed ones (Student t) with a prior spread.

    References
    ----------
    Gelman et al., Bayesian Data Analysis, 3rd ed., 3.3: scaled inverse chi-square prior of a variance.
    """
    count = len(levels_db)
    if count < _FEWEST:
        return None
    from scipy.special import stdtrit

    levels = np.asarray(levels_db, np.float64)
    freedom = _PRIOR_WEEKS + count - 1
    variance = (_PRIOR_WEEKS * _PRIOR_SPREAD_DB**2 + float(np.sum((levels - levels.mean()) ** 2))) / freedom
    reach_db = float(stdtrit(freedom, _SURE)) * np.sqrt(variance * (1.0 + 1.0 / count))
    return UsualLevel(
        kept=count, expected_db=float(levels.mean()), high_db=float(levels.mean() + max(reach_db, _NOTICED_DB))
    )


def kept_levels(contents: Sequence[Mapping[str, Any]], *, phase: str, calibrated: bool) -> dict[str, list[float]]:
    """Levels of kept weeks of one phase by what was measured: "whole", "songs", "speech", or "song:" and its name.

    Parameters
    ----------
    contents : sequence of mapping
        As `exposure.level_content` wrote them.
    phase : str
    calibrated : bool
        Relative levels are not compared with others.
    """
    levels: dict[str, list[float]] = {}
    for content in contents:
        table = content.get("levels_db")
        if content.get("phase") != phase or content.get("calibrated") is not calibrated or not isinstance(table, dict):
            continue
        for name, level_db in table.items():
            if isinstance(level_db, int | float) and not isinstance(level_db, bool):
                levels.setdefault(str(name), []).append(float(level_db))
    return levels
