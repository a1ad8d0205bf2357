"""Passages of a take that were played in kept ones, and its sources' tones in them beside those of then."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from deskhand.baseline.played import played_again
from deskhand.baseline.songs import passages_in
from deskhand.measure.tone_course import tone_course

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from deskhand.baseline.kept import KeptTakes
    from deskhand.baseline.passages import Passage
    from deskhand.baseline.played import PlayedAgain
    from deskhand.tasks.check.measure import TakeReadings

    Courses = Mapping[str, NDArray[np.float64]]


class KnownAgain(NamedTuple):
    """Part of a take that was played in kept ones."""

    passages: list[Passage]
    courses: Courses
    """Source to the course of its tone in the take; none of a line check."""
    again: dict[str, PlayedAgain]
    """Source to what of its playing kept takes hold too."""


def known_again(readings: TakeReadings, takes: KeptTakes | None) -> KnownAgain:
    """Passages of a take that were played in kept ones, and its sources' tones in them; none without fingerprints to compare with.

    Parameters
    ----------
    readings : TakeReadings
    takes : KeptTakes or None
    """
    fingerprint = readings.figures.fingerprint
    courses = {} if fingerprint is None else _courses_of(readings)
    if takes is None or not takes.fingerprints or fingerprint is None:
        return KnownAgain([], courses, {})
    passages = passages_in(fingerprint, takes.fingerprints)
    again = {}
    for source, course in courses.items() if passages else ():
        kept = {take: held[source] for take, held in takes.tone_courses.items() if source in held}
        played = played_again(passages, course, kept)
        if played is not None:
            again[source] = played
    return KnownAgain(passages, courses, again)


def _courses_of(readings: TakeReadings) -> dict[str, NDArray[np.float64]]:
    """Source to the course of its tone at the tap."""
    return {
        source: tone_course(
            np.mean([readings.figures.tracks[track].tone for track in reading.tracks], axis=0), reading.activity.blocks
        )
        for source, reading in readings.before.items()
    }
