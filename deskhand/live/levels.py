"""Levels of all inputs, ten times a second, with the noise floor under each."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import db_from_power, dbfs_from_mean_square, power_from_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

HOP_S: Final = 0.1
"""Length of a hop: as often as a person reads a meter. Common practice, no source."""
_HISTORY_HOPS: Final = 1200
"""Two minutes: twice what the floor is taken from."""
NOTHING_DBFS: Final = -120.0
"""Reading of digital silence: 20 bits at 6.02 dB each. Common practice, no source."""
_FLOOR_HOPS: Final = 600
"""A minute, in which every player pauses. Common practice, no source."""
_FLOOR_EVERY: Final = 10
"""Hops after which the floor is looked at again: a second, since a percentile over a minute moves slowly."""
_HIGHEST_FLOOR_DBFS: Final = -50.0
"""An input that has never paused is taken to have at most this under it. Common practice, no source."""


class Levels:
    """Newest levels of all inputs.

    Parameters
    ----------
    channels : int
    """

    def __init__(self, channels: int) -> None:
        self._level = np.full((channels, 2 * _HISTORY_HOPS), NOTHING_DBFS, np.float32)
        self._filled = 0
        self.count = 0
        """Hops since the beginning."""
        self._floor: NDArray[np.float64] | None = None
        self._floor_count = 0

    def take(self, hop: NDArray[np.float32]) -> None:
        """Add the levels of the next hop.

        Parameters
        ----------
        hop : (channels, frames) array
        """
        if self._filled == self._level.shape[1]:
            self._level[:, :_HISTORY_HOPS] = self._level[:, -_HISTORY_HOPS:]
            self._filled = _HISTORY_HOPS
        # the mean square in single precision errs by far less than anybody hears
        power = np.einsum("cf,cf->c", hop, hop) / np.float32(hop.shape[1])
        self._level[:, self._filled] = np.maximum(dbfs_from_mean_square(power.astype(np.float64)), NOTHING_DBFS)
        self._filled += 1
        self.count += 1

    def newest_dbfs(self, hops: int = 3) -> NDArray[np.float64]:
        """Level of each input over the newest hops, (channels,); 300 ms unless told otherwise."""
        part = self._level[:, max(0, self._filled - hops) : self._filled].astype(np.float64)
        if not part.shape[1]:
            return np.full(len(self._level), NOTHING_DBFS)
        return db_from_power(np.asarray(np.mean(power_from_db(part), axis=1)))

    def loudest_dbfs(self, row: int, hops: int = 20) -> float:
        """Level of one input in the loudest 300 ms of the newest hops, two seconds unless told otherwise: between strokes a drum is not soft.

        Parameters
        ----------
        row : int
        hops : int
        """
        power = power_from_db(self._level[row, max(0, self._filled - hops) : self._filled].astype(np.float64))
        if not power.size:
            return NOTHING_DBFS
        windows = np.convolve(power, np.full(min(3, power.size), 1 / min(3, power.size)), "valid")
        return float(db_from_power(np.max(windows)))

    def floor_dbfs(self) -> NDArray[np.float64]:
        """Level of each input while nobody plays, (channels,): the 10th percentile of the last minute, at most −50 dBFS."""
        if self._floor is not None and self.count - self._floor_count < _FLOOR_EVERY:
            return self._floor
        part = self._level[:, max(0, self._filled - _FLOOR_HOPS) : self._filled]
        if not part.shape[1]:
            return np.full(len(self._level), _HIGHEST_FLOOR_DBFS)
        # before a link is up there is digital silence, which is nobody's noise
        noise = np.where(part > NOTHING_DBFS + 1.0, part, np.nan)
        silent = np.isnan(noise).all(axis=1)
        noise[silent, 0] = _HIGHEST_FLOOR_DBFS
        floor = np.asarray(np.minimum(np.nanpercentile(noise, 10, axis=1), _HIGHEST_FLOOR_DBFS), np.float64)
        self._floor, self._floor_count = floor, self.count
        return floor
