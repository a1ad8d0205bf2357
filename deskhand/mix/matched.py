"""Two renderings at one loudness, so that the louder one does not win: turned down, never up."""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np

CEILING_DBTP: Final = -1.0
"""Highest true peak of matched pairs (-1 dBTP is the maximum permitted by EBU R 128)."""


class RenderingLevels(Protocol):
    """Loudness and true peak of a rendering."""

    @property
    def loudness_lufs(self) -> float | None:
        """Integrated loudness; None, or not finite, when nothing passes the gate."""
        ...

    @property
    def true_peak_dbtp(self) -> float | None:
        """Largest true peak; None when it is silent."""
        ...


def matched_gains_db(before: RenderingLevels, after: RenderingLevels) -> tuple[float, float] | None:
    """Gains that bring both to one loudness, none above 0 dB, true peaks below -1 dBTP; None when one is silent."""
    before_lufs, after_lufs = before.loudness_lufs, after.loudness_lufs
    if before_lufs is None or after_lufs is None or not np.isfinite(before_lufs) or not np.isfinite(after_lufs):
        return None
    target = min(before_lufs, after_lufs)
    gains_db = target - before_lufs, target - after_lufs
    excess_db = max(
        (before.true_peak_dbtp or 0.0) + gains_db[0] - CEILING_DBTP,
        (after.true_peak_dbtp or 0.0) + gains_db[1] - CEILING_DBTP,
        0.0,
    )
    return gains_db[0] - excess_db, gains_db[1] - excess_db
