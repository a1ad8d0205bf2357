"""Words of track names: split alike in names and in the list, and the list itself (`names.toml`)."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

NAMES: Final = "names.toml"
_CAMEL: Final = re.compile(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])")
_CAPITALS_THEN_SMALL: Final = re.compile(r"\b([A-Z]{2,})([a-z]{2,3})\b")
_PLAIN: Final = str.maketrans({"ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "ı": "i"})
_LONGEST_PHRASE: Final = 3
"""Words of the longest phrase in the list: arithmetic, checked by a test."""
_SHORTEST_PART: Final = 3
"""Letters of a part of a compound ("saal" + "mikro"): with two, "Padre" would be a pad. Common practice, no source."""
# letters of a word that two exchanged letters, or a missing one, still tell: shorter ones turn into each other and into people's names.
# Set by the tuning half of `validations/names.py`
_SHORTEST_SWAPPED: Final = 4
_SHORTEST_MISSING: Final = 6  # as above


@dataclass(frozen=True, slots=True)
class WordSense:
    """Role that a word or phrase tells, and how far it is to be trusted."""

    role: str
    strength: str
    """"sure"; "weak": loses to any other role; "local": weak, and only among labels of `languages`."""
    languages: frozenset[str]


@dataclass(frozen=True, slots=True)
class NeighbourRule:
    """Role of a word by what stands beside it on the desk."""

    near: tuple[tuple[str, str], ...]
    """(kind of neighbour, role) in order of trust."""
    numbered: str | None
    """Role when a number follows."""
    lone: str | None
    """Role when nothing is known of the desk."""
    otherwise: str | None
    """Role where no neighbour tells."""
    languages: frozenset[str]
    """Languages among whose labels it holds; empty: among all."""
    anywhere: bool
    """True where a neighbour may stand anywhere on a desk whose order says nothing."""


@dataclass(frozen=True, slots=True)
class SideWords:
    """Words of one language for left and right."""

    language: str
    left: frozenset[str]
    right: frozenset[str]
    letters: tuple[str, str] | None
    """Single letters for left and right, which count only among labels of the language."""


@dataclass(frozen=True, slots=True)
class WordList:
    """Contents of `names.toml`, ready to look up."""

    senses: Mapping[str, WordSense]
    by_neighbour: Mapping[str, NeighbourRule]
    near: Mapping[str, frozenset[str]]
    pairs_of_roles: tuple[tuple[frozenset[str], str], ...]
    sides: tuple[SideWords, ...]
    mix: frozenset[str]
    acoustic: frozenset[str]
    electric: frozenset[str]
    bass_keys: frozenset[str]
    microphone: frozenset[str]
    german_microphone: frozenset[str]
    air: frozenset[str]
    """Words that say that a microphone stands there."""
    player: frozenset[str]
    lead: frozenset[str]
    parts: frozenset[str]
    """Single words that a compound may be made of."""


def folded(text: str) -> str:
    """Text in small letters without accents."""
    decomposed = unicodedata.normalize("NFKD", text.casefold().translate(_PLAIN))
    return "".join(sign for sign in decomposed if not unicodedata.combining(sign))


def split_words(name: str) -> list[str]:
    """Words and numbers of a name: parted at capitals, digits and punctuation, without accents.

    Examples
    --------
    >>> split_words("12-VoceSara")
    ['12', 'voce', 'sara']
    >>> split_words("Aéreo izq")
    ['aereo', 'izq']
    """
    composed = unicodedata.normalize("NFC", name)
    spaced = _CAMEL.sub(" ", _CAPITALS_THEN_SMALL.sub(_parted_capitals, composed))
    # "mp3" of the list and "mp3" of a name are both parted
    return re.findall(r"\d+|[^\W\d_]+", folded(spaced))


def _parted_capitals(match: re.Match[str]) -> str:
    """Capitals and a small ending parted where the ending says a side or a microphone ("OHli", "BDin")."""
    capitals, ending = match.groups()
    return f"{capitals} {ending}" if ending in _endings() else match[0]


@cache
def _endings() -> frozenset[str]:
    table = _table()
    sides = [word for row in table["sides"] for word in (*row["left"], *row["right"])]
    return frozenset(sides) | frozenset(table["microphone"]["words"])


@cache
def _table() -> dict[str, Any]:
    return tomllib.loads(resources.files("deskhand.house").joinpath(NAMES).read_text("utf-8"))


def _phrase(text: str) -> str:
    return " ".join(re.findall(r"\d+|[^\W\d_]+", folded(text)))


def listed_words() -> Iterator[tuple[str, str, str, str]]:
    """Rows of the list as (strength, role, language, phrase)."""
    table = _table()
    for strength in ("sure", "weak", "local"):
        for role, languages in table[strength].items():
            for language, phrases in languages.items():
                for phrase in phrases:
                    yield strength, role, language, _phrase(phrase)


@cache
def word_list() -> WordList:
    """Words of all languages as they are looked up."""
    table = _table()
    languages: dict[tuple[str, str, str], set[str]] = {}
    for strength, role, language, phrase in listed_words():
        languages.setdefault((phrase, strength, role), set()).add(language)
    senses: dict[str, WordSense] = {}
    for (phrase, strength, role), spoken in languages.items():
        senses.setdefault(phrase, WordSense(role, strength, frozenset(spoken)))
    groups = {
        group: frozenset(_phrase(word) for word in table[group]["words"])
        for group in ("mix", "acoustic", "electric", "bass_keys", "microphone", "player", "lead")
    }
    rules = {
        word: NeighbourRule(
            near=tuple((kind, role) for kind, role in row.get("near", [])),
            numbered=row.get("numbered"),
            lone=row.get("lone"),
            otherwise=row.get("otherwise"),
            languages=frozenset(row.get("languages", [])),
            anywhere=row.get("anywhere", False),
        )
        for row in table["by_neighbour"]
        for word in row["words"]
    }
    single = {phrase for phrase in senses if " " not in phrase} | set(rules)
    single |= groups["acoustic"] | groups["microphone"] | groups["player"] | groups["lead"]
    return WordList(
        senses=senses,
        by_neighbour=rules,
        near={kind: frozenset(roles) for kind, roles in table["near"].items()},
        pairs_of_roles=tuple((frozenset(row["roles"]), str(row["role"])) for row in table["both"]),
        sides=tuple(
            SideWords(
                language=row["language"],
                left=frozenset(row["left"]),
                right=frozenset(row["right"]),
                letters=(row["letters"][0], row["letters"][1]) if "letters" in row else None,
            )
            for row in table["sides"]
        ),
        air=frozenset(table["microphone"]["air"]),
        german_microphone=frozenset(table["microphone"]["letters_de"]),
        parts=frozenset(word for word in single if len(word) >= _SHORTEST_PART and word.isalpha()),
        **groups,
    )


def parts_of_compound(word: str) -> list[str]:
    """Words that a word is put together of, such as "saal" and "mikro"; the word alone where it is none."""
    parts = word_list().parts
    for cut in range(len(word) - _SHORTEST_PART, _SHORTEST_PART - 1, -1):
        head, ending = word[:cut], word[cut:]
        # a linking s: "Hintergrundsgesang"
        for first in (head, head.removesuffix("s")):
            if first in parts and ending in parts:
                return [first, ending]
    return [word]


def corrected(word: str) -> str | None:
    """Word of the list that a typing slip made this one of; None where none or several come into question."""
    list_ = word_list()
    candidates = set()
    if len(word) >= _SHORTEST_SWAPPED:
        for index in range(len(word) - 1):
            swapped = word[:index] + word[index + 1] + word[index] + word[index + 2 :]
            if swapped != word and list_.senses.get(swapped, None) is not None:
                candidates.add(swapped)
    if not candidates:
        candidates = {
            phrase
            for phrase in list_.senses
            if len(phrase) == len(word) + 1 >= _SHORTEST_MISSING
            and phrase[0] == word[0]
            and any(phrase[:index] + phrase[index + 1 :] == word for index in range(1, len(phrase) - 1))
        }
    by_role = {
        list_.senses[phrase].role: phrase for phrase in sorted(candidates) if list_.senses[phrase].strength != "local"
    }
    return next(iter(by_role.values())) if len(by_role) == 1 else None


def senses_of(words: list[str]) -> list[tuple[str, WordSense]]:
    """Phrases of the list that a name holds with their senses, the longest first at each word."""
    list_ = word_list()
    listed: list[tuple[str, WordSense]] = []
    index = 0
    while index < len(words):
        for count in range(min(_LONGEST_PHRASE, len(words) - index), 0, -1):
            phrase = " ".join(words[index : index + count])
            sense = list_.senses.get(phrase)
            if sense is None and count == 1 and phrase.endswith("s") and phrase not in list_.by_neighbour:
                sense = list_.senses.get(phrase[:-1]) if len(phrase) > _SHORTEST_PART else None
            if sense is not None:
                listed.append((phrase, sense))
                break
        else:
            count = 1
        index += count
    return listed
