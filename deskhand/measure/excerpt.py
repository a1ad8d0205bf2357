"""Excerpt of a source: the most telling stretch, in which it plays, and plays as it usually does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.tone import octaves
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.measure.activity import Activity
    from deskhand.measure.figures import Figures

LENGTH_S: Final = 20.0
"""Length of the excerpt: several bars, and short enough to be run and measured again. Common practice, no source."""
_SHARES: Final = (10, 50, 90)
"""Percentiles by which levels are compared: soft, usual and loud playing. Common practice, no source."""
_NO_PLAYING_DB: Final = 12.0
"""A stretch without any playing is as bad as one this far from the usual level. Common practice, no source."""
_FLOOR_DB: Final = -40.0
"""Octaves further below the sum do not count for the shape of a spectrum. Common practice, no source."""


def telling_start_s(
    figures: Figures, tracks: tuple[int, ...], playing: Activity, *, length_s: float = LENGTH_S
) -> float:
    """Start of the most telling stretch, in whole seconds.

    Parameters
    ----------
    figures : Figures
    tracks : one or two track positions
    playing : Activity
    length_s : float

    Returns
    -------
    float
        The start of the stretch in which the source plays most, with levels (10th, 50th and 90th percentile) and an octave
        spectrum nearest to those of all its playing, everything counted in dB. 0 for a shorter take, or one without playing.
    """
    hop = 10
    seconds = playing.blocks.size // hop
    span = round(length_s)
    windows = playing.windows
    if seconds <= span or not windows.any():
        return 0.0
    usual = np.percentile(playing.level_dbfs[windows], _SHARES)
    tone: NDArray[np.float64] = np.mean([figures.tracks[track].tone[:seconds] for track in tracks], axis=0)
    bands = octaves(np.nan_to_num(tone))
    active = playing.blocks[: seconds * hop].reshape(seconds, hop).mean(axis=1)
    played = bands * active[:, None]
    shares = np.lib.stride_tricks.sliding_window_view(active, span).mean(axis=1)
    sums = played[: shares.size].copy()
    for second in range(1, span):
        sums += played[second : second + shares.size]
    # what is missing and the tone cost at least so much; levels are looked at only where that may be the best
    least_db = _NO_PLAYING_DB * (1.0 - shares)
    least_db += np.abs(_shape_db(sums) - _shape_db(played.sum(axis=0))).mean(axis=1)
    best, best_db = 0, np.inf
    for first in np.argsort(least_db, kind="stable"):
        if least_db[first] > best_db:
            break
        inside = slice(first * hop, (first + span) * hop)
        levels = playing.level_dbfs[inside][windows[inside]]
        if shares[first] == 0.0 or not levels.size:
            continue
        off_db = least_db[first] + float(np.abs(np.percentile(levels, _SHARES) - usual).mean())
        # of equal ones the first
        if (off_db, first) < (best_db, best):
            best, best_db = int(first), off_db
    return float(best)


def _shape_db(bands: NDArray[np.float64]) -> NDArray[np.float64]:
    """Octave levels (..., 8) in dB against their sum."""
    sums = np.maximum(bands.sum(axis=-1, keepdims=True), 1e-30)
    return np.asarray(np.maximum(db_from_power(bands / sums + 1e-12), _FLOOR_DB))
