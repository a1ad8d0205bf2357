"""Language in which people are told things, and the catalogues of sentences in it.

English stands in the catalogues and in the code; `NAME.de.toml` beside a catalogue, and `phrases.de.toml` for sentences of the code,
hold the German. A sentence that a language lacks is told in English.
"""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final

ENGLISH: Final = "en"
LANGUAGES: Final = {ENGLISH: "English", "de": "Deutsch"}
"""Codes of ISO 639-1, and what speakers call their language."""
VARIABLE: Final = "DESKHAND_LANGUAGE"
"""Environment variable that goes before the house file."""


@dataclass(slots=True)
class _Choice:
    code: str = ENGLISH


_CHOICE: Final = _Choice()
"""Choice of this process: one house, one language."""


def language() -> str:
    """Code of the language that was chosen; English at first."""
    return _CHOICE.code


def choose_language(code: str) -> None:
    """Tell everything from now on in a language; of a code like "de_DE.UTF-8" its beginning counts.

    Raises
    ------
    ValueError
        A language that there is no catalogue of.
    """
    short = code.strip().lower()[:2]
    if short not in LANGUAGES:
        raise ValueError(f"there are no sentences in the language {code!r}; choose {' or '.join(LANGUAGES)}")
    _CHOICE.code = short


def follow_house(code: str) -> None:
    """Tell everything in the language of a house, unless the environment asks for another."""
    choose_language(os.environ.get(VARIABLE) or code)


def in_language(package: str, name: str, tables: dict[str, Any], code: str) -> dict[str, Any]:
    """Tables of a catalogue with the sentences of a language in their place.

    Parameters
    ----------
    package, name : str
        Where the catalogue lies, and its name without ".toml".
    tables : dict
        Its English sentences, which stay where the language has none.
    code : str
    """
    if code == ENGLISH:
        return tables
    return _merged(tables, read_catalogue(package, f"{name}.{code}"))


def read_catalogue(package: str, name: str) -> dict[str, Any]:
    """Tables of one file of sentences.

    Parameters
    ----------
    package, name : str
        Where it lies, and its name without ".toml".
    """
    return tomllib.loads(resources.files(package).joinpath(f"{name}.toml").read_text("utf-8"))


def translated(english: str) -> str:
    """Sentence of the code in the chosen language, its values still in braces; in English where the language has none."""
    return english if _CHOICE.code == ENGLISH else _phrases(_CHOICE.code).get(english, english)


@cache
def _phrases(code: str) -> dict[str, str]:
    """Sentences of the code by their English, from all tables of the language's file."""
    return {
        english: text
        for table in read_catalogue("deskhand", f"phrases.{code}").values()
        for english, text in table.items()
    }


def _merged(tables: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    """Tables with the leaves of others in their place, in the order of the first."""
    merged = dict(tables)
    for name, entry in other.items():
        known = merged.get(name)
        merged[name] = _merged(known, entry) if isinstance(entry, dict) and isinstance(known, dict) else entry
    return merged
