"""Left and right in track names, in the words of each language."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from deskhand.house.name_words import folded, word_list
from deskhand.recording.names import key

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from deskhand.house.name_words import SideWords

_LAST_WORD: Final = re.compile(r"^(.*?)[\s_.\-(]*(?<![^\W\d_])([^\W\d_]+)[.)]*$")
_GLUED: Final = re.compile(r"^(.*[^\W_])(L|R)$")
_SPACE: Final = " _.-("
_SHORTEST_STEM: Final = 2
"""Letters of the word that a side is glued to in small letters or capitals ("ohl", "OHR"); "Gtr SL" is stage left. Common practice, no source."""


def _side_words(languages: frozenset[str] | None) -> Iterator[tuple[SideWords, frozenset[str], frozenset[str]]]:
    """Words for left and for right of each language; letters only for the `languages` that are spoken on the desk."""
    for row in word_list().sides:
        left, right = row.left, row.right
        if row.letters is not None and languages is not None and row.language in languages:
            left, right = left | {row.letters[0]}, right | {row.letters[1]}
        yield row, left, right


def sides_of(name: str, languages: frozenset[str] | None = None) -> list[tuple[str, str, str]]:
    """Readings of a name's last word as a side: (language, name without it, "left" or "right").

    Parameters
    ----------
    name : str
    languages : frozenset of str, optional
        Languages spoken on the desk, in which a single letter may be a side.

    Examples
    --------
    >>> sides_of("Aéreo izq")
    [('es', 'Aéreo', 'left')]
    """
    readings = []
    match = _LAST_WORD.match(name)
    if match and match[1].strip(_SPACE):
        word = folded(match[2])
        for row, left, right in _side_words(languages):
            if word in left | right:
                readings.append((row.language, match[1].strip(_SPACE), "left" if word in left else "right"))
    if readings:
        return readings
    return _glued_sides(name)


def _glued_sides(name: str) -> list[tuple[str, str, str]]:
    """Readings of an ending that only capitals part from the name: "KeysL", "OHli", "TastSx"."""
    readings = []
    for row, left, right in _side_words(None):
        for side, words in (("left", left), ("right", right)):
            for word in words:
                stem, ending = name[: -len(word)], name[-len(word) :]
                if len(stem) < 1 or folded(ending) != word:
                    continue
                parted = (ending[0].isupper() and (stem[-1].islower() or stem[-1].isdigit())) or (
                    len(word) > 1 and ending.islower() and stem[-1].isupper()
                )
                if parted:
                    readings.append((row.language, stem.strip(_SPACE), side))
    return readings


def side_of(name: str) -> tuple[str, str] | None:
    """Name without its side, and "left" or "right", when the name ends with one.

    Examples
    --------
    >>> side_of("gtr a L")
    ('gtr a', 'left')
    """
    readings = sides_of(name)
    return (readings[0][1], readings[0][2]) if readings else None


def pair_sides(names: Sequence[str], languages: frozenset[str]) -> list[tuple[str, tuple[int, ...]]]:
    """Sources as (name, track positions): tracks whose names differ only in their side are pairs.

    Parameters
    ----------
    names : sequence of str
    languages : frozenset of str
        Languages spoken on the desk.
    """
    sides: dict[tuple[str, str], dict[str, tuple[int, str]]] = {}
    for position, name in enumerate(names):
        for language, stem, side in (*sides_of(name, languages), *_small_glued(name, names)):
            sides.setdefault((language, key(stem)), {}).setdefault(side, (position, stem))
    paired: dict[int, tuple[str, tuple[int, int]]] = {}
    for both_sides in sides.values():
        if len(both_sides) == 2:
            (left, stem), (right, right_stem) = both_sides["left"], both_sides["right"]
            if left not in paired and right not in paired:
                pair = (stem if left < right else right_stem, (left, right))
                paired[left] = paired[right] = pair
    sources: list[tuple[str, tuple[int, ...]]] = []
    for position, name in enumerate(names):
        if position not in paired:
            sources.append((name, (position,)))
        elif position == min(paired[position][1]):
            sources.append(paired[position])
    return sources


def _small_glued(name: str, names: Sequence[str]) -> list[tuple[str, str, str]]:
    """Side glued on in letters of one size ("OHL", "keysr"), where the track of the other side stands on the desk."""
    stem, ending = name[:-1], name[-1:]
    word = re.split(r"[\W_]", stem)[-1]
    if len(word) < _SHORTEST_STEM or ending.casefold() not in ("l", "r") or not stem[-1].isalpha():
        return []
    if ending.isupper() != stem[-1].isupper():
        return []
    opposite = "r" if ending.casefold() == "l" else "l"
    if key(stem + opposite) not in {key(track) for track in names}:
        return []
    return [("en", stem.strip(_SPACE), "left" if ending.casefold() == "l" else "right")]
