"""Tone of what is played again, compared with itself: what a song is in the kept weeks is known of the same passage this week.

The same passage of the same song differs less from week to week than songs do, so that a take of which much was played
before is expected nearer to its own tone, and within a narrower range. Nothing is judged twice.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.numbers import tone_vector
from deskhand.measure.tone_course import CELL_S

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.model import Baseline
    from deskhand.baseline.passages import Passage
    from deskhand.baseline.predict import Predictive
    from deskhand.store import KeptPart

    Array = NDArray[np.float64]

_AGAIN_SHARE: Final = 0.5
"""Variance of the same passage from week to week over that between songs. Of two guitarists 0.85 dB against 2.0 and 1.1 against 4.2 were
read, which are 0.22 and 0.07; with more, clean weeks are raised no oftener than without it (validations/played_again.py)."""
_WEEK_SHARE: Final = 0.3
"""Share of the variance from week to week that all songs have alike (validations/played_again.py)."""
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
    found: defaultdict[int, dict[int, Array]] = defaultdict(dict)
    plays = ~np.isnan(course[:, 0])
    for passage in passages:
        if passage.take_id not in means or abs(passage.transpose_semitones) > _MOST_TRANSPOSED:
            continue
        old = kept[passage.take_id]
        ratio = (passage.kept_to_s - passage.kept_from_s) / passage.length_s
        for cell in np.flatnonzero(plays):
            middle_s = CELL_S * (cell + 0.5)
            if not passage.from_s <= middle_s <= passage.to_s:
                continue
            old_cell = int((passage.kept_from_s + ratio * (middle_s - passage.from_s)) // CELL_S)
            if old_cell < len(old) and not np.isnan(old[old_cell, 0]):
                found[int(cell)][passage.take_id] = old[old_cell] - means[passage.take_id]
    if not found:
        return None
    cells = sorted(found)
    return PlayedAgain(
        apart_db=np.array([np.mean(list(found[cell].values()), axis=0) for cell in cells]),
        takes=tuple(tuple(found[cell]) for cell in cells),
        cells=int(plays.sum()),
    )


def again_share(baseline: Baseline, part: KeptPart) -> float | None:
    """Share of a source's playing that kept takes hold too; None where there is none."""
    again = baseline.again.get(part.source) if part.stage == "tap" else None
    return None if again is None else again.share


def expected_again(expected: Predictive, baseline: Baseline, part: KeptPart) -> Predictive:
    """Tone expected of a take, of which kept takes hold some passages.

    Parameters
    ----------
    expected : Predictive
        Of any songs.
    baseline : Baseline
    part : KeptPart
        What is judged.

    References
    ----------
    Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 5.4: the mean of a group of n readings is drawn towards that of all by the
    variance within a group over n, against that between groups.
    """
    again = baseline.again.get(part.source) if part.stage == "tap" else None
    if again is None:
        return expected
    tones = {
        past.take: tone
        for past in baseline.parts.get((part.source, part.stage), ())
        if (past.player is None or part.player is None or past.player == part.player)
        and (tone := tone_vector(past.values)) is not None
    }
    shift = np.zeros_like(expected.location)
    variance = float(again.cells - len(again.takes))
    for apart_db, takes in zip(again.apart_db, again.takes, strict=True):
        held = [tones[take] for take in takes if take in tones]
        if not held:
            variance += 1.0
            continue
        trust = len(held) / (len(held) + _AGAIN_SHARE)
        shift += trust * (np.mean(held, axis=0) + apart_db - expected.location)
        variance += (1.0 + _AGAIN_SHARE - trust) / (1.0 + _AGAIN_SHARE)
    left = _WEEK_SHARE + (1.0 - _WEEK_SHARE) * variance / again.cells
    return replace(expected, location=expected.location + shift / again.cells, scale=left * expected.scale)
