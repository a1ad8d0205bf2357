"""Course of a source's tone over a take, ten seconds by ten, as a kept take holds it: by it a passage is compared with itself."""

from __future__ import annotations

import json
import zlib
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.passages import OCTAVES_HZ, tone_of
from deskhand.measure.tone import playing_seconds
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CELL_S: Final = 10
"""Seconds of a cell: a passage that is known again has three and more. Common practice, no source."""
VERSION: Final = 1
"""Version of the definition: courses of another are not compared with."""
_LEAST_SECONDS: Final = 5
"""Seconds of playing from which a cell has a tone: half of it. Common practice, no source."""
_STEPS_A_DB: Final = 4.0
"""Steps of a stored level: a quarter of a decibel. Common practice, no source."""
_NOTHING: Final = 255
"""Stands for a cell in which the source does not play."""


def tone_course(tone: NDArray[np.floating], blocks: NDArray[np.bool_]) -> Array:
    """(cells, 8) tone of each cell; nan where the source plays for less than half of it.

    Parameters
    ----------
    tone : (seconds, 31) array
        Mean power of each second in third-octaves.
    blocks : (blocks,) array of bool
        True for the blocks of 100 ms in which it plays.
    """
    chosen = playing_seconds(tone, blocks)
    course = np.full((-(-len(tone) // CELL_S), len(OCTAVES_HZ)), np.nan)
    for cell in range(len(course)):
        seconds = slice(CELL_S * cell, CELL_S * (cell + 1))
        playing = tone[seconds][chosen[seconds]].astype(np.float64)
        if len(playing) >= _LEAST_SECONDS and playing.sum() > 0:
            course[cell] = tone_of(db_from_power(np.maximum(playing.mean(axis=0), 1e-20)))
    return course


def packed(courses: Mapping[str, Array]) -> bytes:
    """Bytes of the courses of a take's sources as the history keeps them: half a kilobyte for ten minutes of a source."""
    steps = {
        source: np.where(np.isnan(course), _NOTHING, np.clip(np.round(-_STEPS_A_DB * course), 0, _NOTHING - 1))
        for source, course in courses.items()
    }
    head = json.dumps({source: len(course) for source, course in courses.items()}).encode()
    # an octave after the other: neighbours in time are alike
    body = b"".join(course.T.astype(np.uint8).tobytes() for course in steps.values())
    return bytes([VERSION]) + zlib.compress(len(head).to_bytes(4, "big") + head + body, 9)


def unpacked(data: bytes) -> dict[str, Array]:
    """Source to its course, from its bytes.

    Raises
    ------
    ValueError
        They are no courses of this version.
    """
    if not data or data[0] != VERSION:
        raise ValueError("no tone courses of this version")
    try:
        text = zlib.decompress(data[1:])
        size = int.from_bytes(text[:4], "big")
        cells = {str(source): int(count) for source, count in json.loads(text[4 : 4 + size]).items()}
    except (zlib.error, UnicodeDecodeError, AttributeError, TypeError) as error:
        raise ValueError("damaged tone courses") from error
    body = np.frombuffer(text[4 + size :], np.uint8)
    ends = len(OCTAVES_HZ) * np.cumsum(list(cells.values()), dtype=np.int64)
    if min(cells.values(), default=0) < 0 or body.size != (ends[-1] if ends.size else 0):
        raise ValueError("damaged tone courses")
    courses = {}
    for source, steps in zip(cells, np.split(body, ends[:-1]) if ends.size else [], strict=True):
        levels = steps.reshape(len(OCTAVES_HZ), -1).T
        courses[source] = np.where(levels == _NOTHING, np.nan, levels / -_STEPS_A_DB)
    return courses
