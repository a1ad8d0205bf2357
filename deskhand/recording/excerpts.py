"""Excerpts of many sources read together: what lies in one file at about one time is read once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

MOST_BYTES: Final = 32 << 20
"""Samples of excerpts held at once: a sixteenth of the memory that a check may take (a standing goal, 500 MB)."""
_SPREAD: Final = 2
"""Excerpts are read together while the stretch that holds them all is at most so many times their length: what lies between two is
read for nothing. Common practice, no source."""


class ExcerptPlace(NamedTuple):
    """Excerpt that is wanted: which one of all, its tracks and its frames."""

    number: int
    tracks: tuple[int, ...]
    first_frame: int
    last_frame: int
    """Frame after its last."""
    lanes: tuple[int, ...]
    """Lanes of the take that hold its tracks."""

    @property
    def size_bytes(self) -> int:
        """Memory that its samples take."""
        return (self.last_frame - self.first_frame) * len(self.tracks) * np.dtype(np.float32).itemsize


def read_groups(places: Sequence[ExcerptPlace]) -> Iterator[list[ExcerptPlace]]:
    """Places in groups that are read in one go: those of the same lanes that lie near each other in time.

    A group's samples take no more than `MOST_BYTES`, unless one excerpt alone takes more.
    """
    group: list[ExcerptPlace] = []
    held_bytes = 0
    for place in sorted(places, key=lambda place: (place.lanes, place.first_frame, place.number)):
        fits = bool(group) and (
            place.lanes == group[0].lanes
            and place.last_frame - group[0].first_frame <= _SPREAD * (place.last_frame - place.first_frame)
            and held_bytes + place.size_bytes <= MOST_BYTES
        )
        if group and not fits:
            yield group
            group, held_bytes = [], 0
        group.append(place)
        held_bytes += place.size_bytes
    if group:
        yield group


class ExcerptBuffer:
    """Samples of one excerpt while the blocks that hold it go by."""

    def __init__(self, place: ExcerptPlace, rows: Sequence[int]) -> None:
        self._place = place
        self._rows = list(rows)
        self.samples: NDArray[np.float32] = np.empty((len(rows), place.last_frame - place.first_frame), np.float32)
        """(tracks, frames), filled so far."""

    def take(self, block: NDArray[np.float32], first_frame: int) -> None:
        """Copy what belongs to it from a block (rows, frames) that begins at a frame."""
        begin = max(self._place.first_frame, first_frame)
        end = min(self._place.last_frame, first_frame + block.shape[1])
        if begin < end:
            self.samples[:, begin - self._place.first_frame : end - self._place.first_frame] = block[
                self._rows, begin - first_frame : end - first_frame
            ]
