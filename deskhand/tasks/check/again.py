"""Passages of a take that were played in kept ones, and its sources' tones in them beside those of then."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from deskhand.baseline.again import played_again
from deskhand.baseline.songs import passages_in
from deskhand.measure.tone_course import tone_course

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.again import PlayedAgain
    from deskhand.baseline.kept import KeptTakes
    from deskhand.baseline.passages import Passage
    from deskhand.tasks.check.measure import TakeReadings

    Courses = Mapping[str, NDArray[np.float64]]


def known_passages(readings: TakeReadings, takes: KeptTakes | None) -> list[Passage]:
    """Passages of the take that were played in kept ones; none where no fingerprint is there to compare with."""
    fingerprint = readings.figures.fingerprint
    if takes is None or not takes.fingerprints or fingerprint is None:
        return []
    return passages_in(fingerprint, takes.fingerprints)


def courses_of(readings: TakeReadings) -> Courses:
    """Source to the course of its tone at the tap; none of a line check, which plays no songs."""
    if readings.figures.fingerprint is None:
        return {}
    return {
        source: tone_course(
            np.mean([readings.figures.tracks[track].tone for track in reading.tracks], axis=0), reading.activity.blocks
        )
        for source, reading in readings.before.items()
    }


def again_of(courses: Courses, takes: KeptTakes, passages: Sequence[Passage]) -> dict[str, PlayedAgain]:
    """Source to what of its playing kept takes hold too.

    Parameters
    ----------
    courses : mapping
        Source to its course in the take.
    takes : KeptTakes
    passages : sequence of Passage
        Of the take, known again in kept ones.
    """
    if not passages:
        return {}
    again = {}
    for source, course in courses.items():
        kept = {take: held[source] for take, held in takes.tone_courses.items() if source in held}
        played = played_again(passages, course, kept)
        if played is not None:
            again[source] = played
    return again
