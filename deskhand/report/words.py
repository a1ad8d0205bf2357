"""The words of the local page and of the report, in `words.toml` and the files of single readings."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from deskhand.language import in_language, language, read_catalogue
from deskhand.measure.provider import providers

if TYPE_CHECKING:
    from collections.abc import Iterable

    from deskhand.measure.provider import ReadingProvider


def words() -> dict[str, dict[str, Any]]:
    """All words, by their table."""
    return _words_in(language())


@cache
def _words_in(code: str) -> dict[str, dict[str, Any]]:
    english = with_readings(read_catalogue("deskhand.report", "words"), providers())
    return in_language("deskhand.report", "words", english, code)


def with_readings(tables: dict[str, dict[str, Any]], readings: Iterable[ReadingProvider]) -> dict[str, dict[str, Any]]:
    """Tables with the label, unit and explanation of readings that stand in a file of their own.

    Raises
    ------
    ValueError
        A reading whose words stand in two files.
    """
    for reading in readings:
        if reading.name in tables["reading"]:
            raise ValueError(f"the words of {reading.name} stand in two files")
        for table, entry in (("reading", reading.label), ("unit", reading.unit), ("explain", reading.explain)):
            tables[table] = _inserted(tables[table], reading.name, entry, before=reading.label_before)
    return tables


def _inserted(table: dict[str, Any], name: str, entry: str, *, before: str | None) -> dict[str, Any]:
    """Table with an entry at its place."""
    entries = list(table.items())
    entries.insert(list(table).index(before) if before in table else len(entries), (name, entry))
    return dict(entries)


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
