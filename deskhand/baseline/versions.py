"""Versions of the numbers' definitions: those of an earlier one are never mixed with today's, and are counted.

A change of what a reading means raises the version of its number, or of the reading where no number is made of it. Kept takes then
hold the earlier one until they are measured again.
"""

from __future__ import annotations

import functools
from collections import defaultdict
from typing import TYPE_CHECKING, Final

from deskhand.baseline.numbers import BY_NAME, FEED_LEVEL, TONE
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from deskhand.store import KeptPart, TakeRow

WORDS: Final = "words"
"""Name for the audible share of a voice's phrases, by which a house's own limits are set."""
_READINGS: Final[dict[str, str]] = {
    "tone_db.": TONE, "width_octave_db.": "width by octave", "share": "sounds", "phrase_pct.": WORDS,
    FEED_LEVEL: "level in the mix",
}  # fmt: skip
"""Reading to a name for people, for those that no number is made of; one that ends in a dot stands for all its bands."""
READING_VERSIONS: Final[dict[str, int]] = dict.fromkeys(_READINGS, 1) | {
    FEED_LEVEL: BY_NAME["level"].version,
    # 2: the mean over the passages of the playing
    "tone_db.": 2,
}
"""Version of each of them, raised when its definition changes."""


def reading_versions() -> dict[str, int]:
    """Version of each reading that is compared with kept takes; one that ends in a dot stands for all its bands."""
    versions = dict(READING_VERSIONS)
    for number in BY_NAME.values():
        for metric in number.reads:
            versions[metric] = max(versions.get(metric, 1), number.version)
    return versions


def version_of_judged(name: str) -> int:
    """Version of a number that is judged, or of tone."""
    if name == TONE:
        return READING_VERSIONS["tone_db."]
    return max((reading_versions()[metric] for metric in BY_NAME[name].reads), default=1) if name in BY_NAME else 1


@functools.cache
def names_of(metric: str) -> frozenset[str]:
    """Names for people of what is made from a reading."""
    stem, dot, _ = metric.partition(".")
    names = frozenset(number.name for number in BY_NAME.values() if metric in number.reads)
    return names or frozenset({_READINGS.get(stem + dot, _READINGS.get(metric, metric))})


def other_version_takes(kept: Iterable[tuple[TakeRow, KeptPart]]) -> dict[str, int]:
    """Name of a number to how many kept takes hold it by another definition than today's.

    Parameters
    ----------
    kept : iterable of (TakeRow, KeptPart)
    """
    takes: defaultdict[str, set[int]] = defaultdict(set)
    for row, part in kept:
        for metric in part.other_version:
            for name in names_of(metric):
                takes[name].add(row.id)
    return {name: len(numbers) for name, numbers in sorted(takes.items())}


def set_aside_text(other_version: Mapping[str, int], *, command: bool = True) -> str:
    """Sentence on numbers of kept takes that are set aside; empty where there are none.

    Parameters
    ----------
    other_version : mapping
        As `other_version_takes` counts them.
    command : bool
        Whether it ends with the command that measures them again.
    """
    if not other_version:
        return ""
    names = ", ".join(f"{name} ({count})" for name, count in other_version.items())
    fix = phrase(
        "measure those shows again with: deskhand keep --measure-again"
        if command
        else "those shows can be measured again"
    )
    return phrase(
        "Numbers measured by an earlier definition are not compared with: {names}; {fix}.", names=names, fix=fix
    )
