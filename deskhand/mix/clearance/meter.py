"""Meter of the feed: band energies of every source in the mono sum and on both sides, every 10 ms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from deskhand.dsp.intelligibility import BandEnergies
from deskhand.dsp.lanes import LANES
from deskhand.units import amplitude_from_db

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping
    from concurrent.futures import Executor

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Energies = NDArray[np.floating]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FeedEnergies:
    """Energies of a stretch of the feed, source by source."""

    start_s: float
    energies: Mapping[str, tuple[Energies, Energies, Energies]]
    """Source to its energies in the mono sum, left and right: (frames, 18) mean squares every 10 ms. One array three times
    where they are equal."""
    pairs: frozenset[str]
    """Sources whose sides differ."""


def map_sides(
    energies: tuple[Energies, Energies, Energies], change: Callable[[Energies], Energies]
) -> tuple[Energies, Energies, Energies]:
    """Energies (mono, left, right), each changed: once only where all three are one array, which they stay."""
    mono, left, right = energies
    first = change(mono)
    return (first, first, first) if mono is left is right else (first, change(left), change(right))


def trimmed(energies: tuple[Energies, Energies, Energies], trim_db: float) -> tuple[Array, Array, Array]:
    """Energies of a pair (mono, left, right) whose middle is turned down by some dB.

    With M the middle and S the sides, L = M + S and R = M - S: their product is a quarter of the difference of the energies of
    L and R, so that nothing has to be filtered again.
    """
    mono, left, right = (part.astype(np.float64, copy=False) for part in energies)
    gain = amplitude_from_db(-trim_db)
    side = np.maximum(0.5 * (left + right) - mono, 0.0)
    product = 0.25 * (left - right)
    return (
        gain * gain * mono,
        np.maximum(gain * gain * mono + side + 2.0 * gain * product, 0.0),
        np.maximum(gain * gain * mono + side - 2.0 * gain * product, 0.0),
    )


class FeedMeter:
    """Energies of the feed from what comes out of the chains, weighed by faders and pans.

    Parameters
    ----------
    sources : mapping
        Source to its (2, channels) matrix to left and right.
    sample_rate_hz : int
    pairs : collection of str
        Sources of two tracks, whose middle can be turned down.
    """

    def __init__(self, sources: Mapping[str, Array], sample_rate_hz: int, *, pairs: Collection[str] = ()) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._pairs = frozenset(pairs)
        # a single channel in the centre is the same in the mono sum and on both sides
        self._centred = {
            name: to_stereo.shape[1] == 1 and float(to_stereo[0, 0]) == float(to_stereo[1, 0])
            for name, to_stereo in sources.items()
        }
        self._to_rows = {
            name: np.stack([0.5 * (left + right), left, right])[int(self._centred[name]) :].astype(np.float32)
            for name, (left, right) in sources.items()
        }
        """Source to what makes the mono sum, left and right of it; of a channel in the centre left is all three."""
        self.channels = [(name, side) for name, centred in self._centred.items() for side in range(1 if centred else 3)]
        self._meter = BandEnergies(len(self.channels), sample_rate_hz)
        self.step = self._meter.step

    def take(
        self, signals: Mapping[str, NDArray[np.floating]], start_s: float, *, pool: Executor | None = None
    ) -> FeedEnergies:
        """Measure a stretch of whole frames.

        Parameters
        ----------
        signals : mapping
            Source to (channels, samples) after its chain.
        start_s : float
            Start of the stretch in the take.
        pool : Executor, optional
        """
        # eight channels at once, one lane of the filters each; a group's sums are made when its turn comes
        groups = [self.channels[first : first + LANES] for first in range(0, len(self.channels), LANES)]

        def energies_of(group: int) -> NDArray[np.float32]:
            rows = [self._to_rows[name][side] @ np.asarray(signals[name], np.float32) for name, side in groups[group]]
            return self._meter.take(np.stack(rows), group)

        numbers = range(len(groups))
        group_energies = list(map(energies_of, numbers) if pool is None else pool.map(energies_of, numbers))
        columns = np.concatenate(group_energies, axis=2)
        energies: dict[str, list[Array]] = {}
        for column, (name, _) in enumerate(self.channels):
            energies.setdefault(name, []).append(columns[:, :, column].astype(np.float64))
        return FeedEnergies(
            start_s=start_s,
            energies={
                name: (parts[0], parts[0], parts[0]) if len(parts) == 1 else (parts[0], parts[1], parts[2])
                for name, parts in energies.items()
            },
            pairs=self._pairs,
        )
