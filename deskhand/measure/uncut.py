"""Height that a wave cut flat would have reached, from how steeply it runs into the cut and how long it stays there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_SAME: Final = 1e-4
"""Share of a magnitude within which neighbours are one plateau, as in `dsp.events.flat_tops`."""
_SAME_STEP: Final = 7.7e-5
"""Two and a half steps of a 16-bit word, as there."""
_REACH: Final = 16
"""Part of a plateau's length over which the slope beside it is taken: hiss and wires on a low note do not count (validations/clipping.py)."""


def uncut_peaks(signal: NDArray[np.float32], starts: NDArray[np.int64]) -> NDArray[np.float32]:
    """(plateaus,) least peak of the wave before it was cut, against the height of the cut: 1 or more.

    Over the plateau the wave is taken for a parabola, which rises above its chord by a quarter of the slope at the edge times its
    length; of the two edges the gentler one counts. For a sine this is right when little is cut and falls 2 dB short when nearly all
    is (a quarter against 1/pi), until the slope beside the plateau is cut as well: then 20 dB are the most that is told.

    Parameters
    ----------
    signal : (frames,) array
    starts : (plateaus,) array
        First sample of each plateau.
    """
    height = np.abs(signal[starts]).astype(np.float64)
    leaves = np.flatnonzero(np.abs(np.diff(signal)) > np.maximum(_SAME * np.abs(signal[:-1]), _SAME_STEP))
    # a plateau that goes on beyond what is seen of it ends there: what is told stays the least
    ends = np.append(leaves, signal.size - 1)[np.searchsorted(leaves, starts)]
    length = ends - starts + 1
    reach = np.maximum(length // _REACH, 1)
    polarity = np.where(signal[starts] < 0, -1.0, 1.0)
    # one sample beside the plateau lies at the edge's other side; beyond it the slope is whole
    rise = np.minimum(
        _rise(signal, polarity, starts - 1, starts - 1 - reach), _rise(signal, polarity, ends + 1, ends + 1 + reach)
    )
    # half the reach and a sample away from the edge, a parabola is steeper than at it
    slope = rise / reach / (1.0 + (reach + 2.0) / length)
    return np.asarray(1.0 + np.maximum(slope, 0.0) * length / 4.0 / np.maximum(height, _SAME), np.float32)


def _rise(
    signal: NDArray[np.float32], polarity: NDArray[np.float64], near: NDArray[np.int64], far: NDArray[np.int64]
) -> NDArray[np.float64]:
    """(plateaus,) rise of the wave from the farther sample to the nearer one, towards the cut."""
    near, far = np.clip(near, 0, signal.size - 1), np.clip(far, 0, signal.size - 1)
    return np.asarray(polarity * (signal[near].astype(np.float64) - signal[far]))
