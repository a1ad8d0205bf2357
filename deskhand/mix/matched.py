"""Two renderings at one loudness, so that the louder one does not win: turned down, never up."""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np

CEILING_DBTP: Final = -1.0
"""Of matched pairs."""


class Metered(Protocol):
    """What is known of a rendering."""

    @property
    def loudness_lufs(self) -> float | None:
        """Integrated; None, or not finite, when nothing passes the gate."""
        ...

    @property
    def true_peak_dbtp(self) -> float | None:
        """Its largest; None when it is silent."""
        ...


def matched_gains_db(before: Metered, after: Metered) -> tuple[float, float] | None:
    """Gains that bring both to one loudness, none above 0 dB, true peaks below -1 dBTP; None when one is silent."""
    mine, theirs = before.loudness_lufs, after.loudness_lufs
    if mine is None or theirs is None or not np.isfinite(mine) or not np.isfinite(theirs):
        return None
    target = min(mine, theirs)
    gains_db = target - mine, target - theirs
    over = max(
        (before.true_peak_dbtp or 0.0) + gains_db[0] - CEILING_DBTP,
        (after.true_peak_dbtp or 0.0) + gains_db[1] - CEILING_DBTP,
        0.0,
    )
    return gains_db[0] - over, gains_db[1] - over
