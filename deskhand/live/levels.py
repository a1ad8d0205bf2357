"""How loud each input is, ten times a second, for as long as it takes: told while it happens."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import dbfs_from_mean_square

if TYPE_CHECKING:
    from numpy.typing import NDArray

HOP_S: Final = 0.1
_KEPT: Final = 1200
"""Two minutes."""
NOTHING_DBFS: Final = -120.0
_FLOOR_HOPS: Final = 600
_FLOOR_EVERY: Final = 10
"""Hops after which the floor is looked at again."""
_HIGHEST_FLOOR_DBFS: Final = -50.0
"""An input that has never paused is taken to have at most this under it. Common practice, no source."""


class Levels:
    """Keeps the newest levels of all inputs.

    Parameters
    ----------
    channels : int
    """

    def __init__(self, channels: int) -> None:
        self._level = np.full((channels, 2 * _KEPT), NOTHING_DBFS, np.float32)
        self._filled = 0
        self.count = 0
        """Hops since the beginning."""
        self._floor: NDArray[np.float64] | None = None
        self._floor_at = 0

    def take(self, hop: NDArray[np.float32]) -> None:
        """Go on with (channels, frames of a hop)."""
        if self._filled == self._level.shape[1]:
            self._level[:, :_KEPT] = self._level[:, -_KEPT:]
            self._filled = _KEPT
        # the mean square in single precision errs by far less than anybody hears
        power = np.einsum("cf,cf->c", hop, hop) / np.float32(hop.shape[1])
        self._level[:, self._filled] = np.maximum(dbfs_from_mean_square(power.astype(np.float64)), NOTHING_DBFS)
        self._filled += 1
        self.count += 1

    def newest_dbfs(self, hops: int = 3) -> NDArray[np.float64]:
        """(channels,) level over the newest hops, 300 ms without a word."""
        part = self._level[:, max(0, self._filled - hops) : self._filled].astype(np.float64)
        if not part.shape[1]:
            return np.full(len(self._level), NOTHING_DBFS)
        return np.asarray(10.0 * np.log10(np.mean(10.0 ** (part / 10.0), axis=1)))

    def floor_dbfs(self) -> NDArray[np.float64]:
        """(channels,) what an input keeps when nobody plays: the 10th percentile of the last minute, within reason."""
        if self._floor is not None and self.count - self._floor_at < _FLOOR_EVERY:
            return self._floor
        part = self._level[:, max(0, self._filled - _FLOOR_HOPS) : self._filled]
        if not part.shape[1]:
            return np.full(len(self._level), _HIGHEST_FLOOR_DBFS)
        # before a link is up there is digital silence, which is nobody's noise
        there = np.where(part > NOTHING_DBFS + 1.0, part, np.nan)
        silent = np.isnan(there).all(axis=1)
        there[silent, 0] = _HIGHEST_FLOOR_DBFS
        floor = np.asarray(np.minimum(np.nanpercentile(there, 10, axis=1), _HIGHEST_FLOOR_DBFS), np.float64)
        self._floor, self._floor_at = floor, self.count
        return floor
