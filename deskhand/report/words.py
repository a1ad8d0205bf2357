"""The words of the local page and of the report, all in `words.toml`: one file to translate."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any


@cache
def words() -> dict[str, dict[str, Any]]:
    """All words, by their table."""
    return tomllib.loads(resources.files("deskhand.report").joinpath("words.toml").read_text("utf-8"))


def text(name: str, /, **values: object) -> str:
    """The words of a name like "week.keep", with values put in.

    Raises
    ------
    KeyError
        There are none.
    """
    table, _, entry = name.partition(".")
    return str(words()[table][entry]).format(**values) if values else str(words()[table][entry])


def explained(reading: str) -> str | None:
    """Explanation of a reading in one sentence; None for one that needs none."""
    sentence = words()["explain"].get(reading)
    return None if sentence is None else str(sentence)
