"""Integrated loudness and loudness range from the K-weighted power of 100 ms blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.loudness import ABSOLUTE_GATE_LUFS, OFFSET_LUFS, RELATIVE_GATE_LU
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

_MOMENTARY_BLOCKS: Final = 4
"""Blocks of 100 ms in the 400 ms of ITU-R BS.1770-5, Annex 1, which overlap by 75 %."""
_SHORT_TERM_BLOCKS: Final = 30
"""Blocks of 100 ms in the 3 s of EBU Tech 3342 v4, 3.1."""
_RANGE_GATE_LU: Final = -20.0
"""Relative gate of the loudness range (EBU Tech 3342 v4, 3.1)."""


def lufs(mean_square: float) -> float:
    """Loudness of a K-weighted mean square, summed over channels (ITU-R BS.1770-5, Annex 1, eq. 2); -inf for nothing."""
    return OFFSET_LUFS + db_from_power(mean_square)


def momentary_lufs(weighted: NDArray[np.floating], *, step_s: float) -> NDArray[np.float64]:
    """Loudness of every 400 ms (EBU Tech 3341 v4, 2.2), one a step; shape (steps - 400 ms + 1,)."""
    return OFFSET_LUFS + db_from_power(_sliding(weighted, round(0.4 / step_s)))


def short_term_lufs(weighted: NDArray[np.floating], *, step_s: float) -> NDArray[np.float64]:
    """Loudness of every 3 s (EBU Tech 3341 v4, 2.2), one a step; shape (steps - 3 s + 1,)."""
    return OFFSET_LUFS + db_from_power(_sliding(weighted, round(3.0 / step_s)))


def _sliding(weighted: NDArray[np.floating], blocks: int) -> NDArray[np.float64]:
    """Mean of `blocks` neighbouring blocks, one for each block; empty when there are fewer."""
    power = np.asarray(weighted, dtype=np.float64)
    if power.size < blocks:
        return np.empty(0)
    total = np.concatenate([[0.0], np.cumsum(power)])
    return np.asarray(np.maximum(total[blocks:] - total[:-blocks], 0.0) / blocks)


def _power(loudness_lufs: float) -> float:
    """K-weighted mean square of a loudness."""
    return power_from_db(loudness_lufs - OFFSET_LUFS)


def integrated_lufs(weighted: NDArray[np.floating]) -> float:
    """Gated loudness in LUFS.

    Parameters
    ----------
    weighted : (blocks,) array
        K-weighted mean square of each 100 ms, summed over the channels.

    Returns
    -------
    float, -inf when no 400 ms block passes the absolute gate or there is none.

    References
    ----------
    ITU-R BS.1770-5 (2023), Annex 1, eq. 2 to 7: 400 ms blocks overlapping by 75 %.
    """
    power = _sliding(weighted, _MOMENTARY_BLOCKS)
    power = power[power > _power(ABSOLUTE_GATE_LUFS)]
    if not power.size:
        return -np.inf
    loud = power[power > _power(lufs(float(power.mean())) + RELATIVE_GATE_LU)]
    return lufs(float(loud.mean())) if loud.size else -np.inf


def loudness_range_lu(weighted: NDArray[np.floating]) -> float:
    """Loudness range in LU; NaN when shorter than one short-term window or silent.

    Parameters
    ----------
    weighted : (blocks,) array
        K-weighted mean square of each 100 ms, summed over the channels.

    References
    ----------
    EBU Tech 3342 v4 (2023), 3.1: 3 s windows, gates at -70 LUFS and -20 LU, 10th to 95th percentile.
    """
    power = _sliding(weighted, _SHORT_TERM_BLOCKS)
    power = power[power > _power(ABSOLUTE_GATE_LUFS)]
    if not power.size:
        return float("nan")
    gated = power[power >= _power(lufs(float(power.mean())) + _RANGE_GATE_LU)]
    low, high = np.percentile(db_from_power(gated), (10, 95))
    return float(high - low)
