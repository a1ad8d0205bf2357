"""Playing of a source that kept takes hold too: which cells of its course, and what its tone was there then."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.tone_course import CELL_S

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.passages import Passage

    Array = NDArray[np.float64]

_MOST_TRANSPOSED: Final = 1
"""Semitones up to which a song in another key is the same passage: a voice's lowest octaves go by the key. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlayedAgain:
    """Cells of a source's course that kept takes hold too."""

    apart_db: Array
    """(cells, 8) tone of each in the kept takes, less that of its take: the mean over those takes."""
    takes: tuple[tuple[int, ...], ...]
    """Numbers of those takes, of each cell."""
    cells: int
    """Cells in which the source plays, known again or not."""

    @property
    def share(self) -> float:
        """Share of the playing that kept takes hold too."""
        return len(self.takes) / self.cells


def played_again(passages: Sequence[Passage], course: Array, kept: Mapping[int, Array]) -> PlayedAgain | None:
    """Cells of a source's course that kept takes hold too; None where there is none.

    Parameters
    ----------
    passages : sequence of Passage
        Of the take, known again in kept ones.
    course : (cells, 8) array
        Of the source in the take (`deskhand.measure.tone_course`).
    kept : mapping
        Number of a kept take to the source's course in it.
    """
    means = {take: np.nanmean(old, axis=0) for take, old in kept.items() if not np.isnan(old).all()}
    apart_db: defaultdict[int, dict[int, Array]] = defaultdict(dict)
    plays = ~np.isnan(course[:, 0])
    middles_s = CELL_S * (np.arange(len(course)) + 0.5)
    for passage in passages:
        if passage.take_id not in means or abs(passage.transpose_semitones) > _MOST_TRANSPOSED:
            continue
        old = kept[passage.take_id]
        ratio = (passage.kept_to_s - passage.kept_from_s) / passage.length_s
        inside = np.flatnonzero(plays & (middles_s >= passage.from_s) & (middles_s <= passage.to_s))
        old_cells = (passage.kept_from_s + ratio * (middles_s[inside] - passage.from_s)) // CELL_S
        for cell, old_cell in zip(inside.tolist(), old_cells.astype(int).tolist(), strict=True):
            if old_cell < len(old) and not np.isnan(old[old_cell, 0]):
                apart_db[cell][passage.take_id] = old[old_cell] - means[passage.take_id]
    if not apart_db:
        return None
    cells = sorted(apart_db)
    return PlayedAgain(
        apart_db=np.array([np.mean(list(apart_db[cell].values()), axis=0) for cell in cells]),
        takes=tuple(tuple(apart_db[cell]) for cell in cells),
        cells=int(plays.sum()),
    )
