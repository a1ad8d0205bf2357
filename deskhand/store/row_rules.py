"""Rules that a row of the history keeps: its keys, the types and ranges of its values, and the rows that it refers to."""

from __future__ import annotations

import json
import math
from array import array
from bisect import bisect_left
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Final, get_args

import sqlalchemy as sa

from deskhand.recording.show import Phase, Tap
from deskhand.store.records import PartStage
from deskhand.store.seats import SEAT_RECORD_KINDS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

LONGEST_TEXT: Final = 1_000_000
"""Characters of a text: a thousand pages; a note has a line. Common practice, no source."""
LARGEST_BYTES: Final = 16_000_000
"""Bytes of a packed fingerprint or of courses of tones: a day of music takes 2 MB (1.3 kB a minute, docs/kept-weeks.md)."""
LARGEST_NUMBER: Final = 2**31 - 1
"""Largest whole number: what an integer column of PostgreSQL holds (its manual, 8.1.1)."""
_SHOWN_LETTERS: Final = 40
"""Letters of a wrong value that are shown. Common practice, no source."""
_CHOICES: Final[dict[tuple[str, str], tuple[str, ...]]] = {
    ("take", "phase"): get_args(Phase),
    ("part", "stage"): get_args(PartStage),
    ("part", "tap"): get_args(Tap),
    ("seat_record", "kind"): SEAT_RECORD_KINDS,
}
"""Columns that hold one of some words."""
_NOT_NEGATIVE: Final = frozenset(
    {"id", "take_id", "part_id", "duration_s", "sample_rate_hz", "playing_s", "sound", "trials", "right", "answered", "earlier", "version"}
)  # fmt: skip
"""Columns whose numbers count or measure something."""
_JSON: Final[dict[tuple[str, str], type]] = {
    ("take", "left_out"): list,
    ("take", "faults"): list,
    ("fingerprint", "songs"): list,
    ("dismissal", "part_values"): dict,
    ("desk_change", "settings"): dict,
    ("desk_change", "findings"): list,
    ("seat_record", "content"): dict,
}
"""Columns whose text is JSON, and of which shape."""


def plain_type(column: sa.Column[Any]) -> Any:
    """Type of a column as the database has it."""
    return column.type.impl if isinstance(column.type, sa.types.TypeDecorator) else column.type


def value_problem(table: sa.Table, column: sa.Column[Any], value: Any) -> str:
    """Problem of a value in a few words; empty where it keeps the rules of its column."""
    if value is None:
        return "" if column.nullable else "is empty, where a value belongs"
    kind = plain_type(column)
    if isinstance(kind, sa.LargeBinary):
        if not isinstance(value, bytes):
            return f"holds {_shown(value)} where bytes belong"
        return f"is larger than {LARGEST_BYTES} bytes" if len(value) > LARGEST_BYTES else ""
    if isinstance(kind, sa.String):
        return _text_problem(table, column, value)
    if isinstance(value, bool) or not isinstance(value, int if isinstance(kind, sa.Integer) else int | float):
        return f"holds {_shown(value)} where a number belongs"
    if isinstance(kind, sa.Integer) and abs(value) > LARGEST_NUMBER:
        return f"holds {_shown(value)}, which is out of range"
    if not math.isfinite(value):
        return f"holds {value}, which is no number"
    return f"holds {_shown(value)}, which is negative" if column.name in _NOT_NEGATIVE and value < 0 else ""


def row_problem(table: sa.Table, row: Mapping[Any, Any]) -> tuple[str, str]:
    """Column and problem of a row's first wrong value; both empty where there is none."""
    for column in table.columns:
        problem = value_problem(table, column, row[column.name])
        if problem:
            return column.name, problem
    return "", ""


def _text_problem(table: sa.Table, column: sa.Column[Any], value: Any) -> str:
    """Problem of a text."""
    if not isinstance(value, str):
        return f"holds {_shown(value)} where text belongs"
    longest = getattr(plain_type(column), "length", None) or LONGEST_TEXT
    if len(value) > longest:
        return f"has {len(value)} letters, where {longest} are allowed"
    if "\x00" in value or any("\ud800" <= letter <= "\udfff" for letter in value):
        return "holds letters that no database takes"
    key = (table.name, column.name)
    if key in _CHOICES and value not in _CHOICES[key]:
        return f"holds {_shown(value)}; allowed: {', '.join(_CHOICES[key])}"
    if key in _JSON and not _is_json(value, key):
        return f"holds {_shown(value)}, which is not the JSON that belongs here"
    reads: Callable[[str], object] | None = None
    if column.name == "date":
        reads = date.fromisoformat
    elif column.name.endswith("_at"):
        reads = datetime.fromisoformat
    if reads is not None:
        try:
            reads(value)
        except ValueError:
            return f"holds {_shown(value)}, which is no {'day' if column.name == 'date' else 'time'}"
    return ""


def _is_json(text: str, key: tuple[str, str]) -> bool:
    """True for JSON of the shape that belongs in a column."""
    try:
        content: Any = json.loads(text)
    except (ValueError, RecursionError):
        return False
    if not issubclass(type(content), _JSON[key]):
        return False
    if key in (("take", "left_out"), ("take", "faults"), ("desk_change", "findings")):
        return all(isinstance(name, str) for name in content)
    if key == ("fingerprint", "songs"):
        return all(isinstance(song, list) and len(song) == 2 and _is_number(song[1]) for song in content)
    if key == ("dismissal", "part_values"):
        return all(map(_is_number, content.values()))
    return True


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _shown(value: Any) -> str:
    """Value as a message shows it, cut short."""
    text = repr(value)
    return text if len(text) <= _SHOWN_LETTERS else f"{text[:_SHOWN_LETTERS]}..."


class RowKeys:
    """Keys of the rows that have passed, in rising order, to look up what later rows refer to; eight bytes a row."""

    def __init__(self) -> None:
        self._numbers: dict[str, array[int]] = {}
        self._newest: dict[str, tuple[Any, ...]] = {}

    def problem(self, table: sa.Table, row: Mapping[Any, Any]) -> tuple[str, str]:
        """Column and problem of a row that is there twice, or refers to one that is not there; adds its key where it is neither."""
        key = tuple(row[column.name] for column in table.primary_key)
        first = next(iter(table.primary_key)).name
        newest = self._newest.get(table.name)
        if newest is not None and key <= newest:
            return first, f"{_shown(key[0])} is there twice, or not in rising order"
        for column in table.columns:
            for foreign in column.foreign_keys:
                number, name = row[column.name], foreign.column.table.name
                if number is not None and not self.holds(name, number):
                    return column.name, f"refers to {name} {number}, which is not there"
        self._newest[table.name] = key
        if len(key) == 1:
            self._numbers.setdefault(table.name, array("q")).append(key[0])
        return "", ""

    def holds(self, table: str, number: int) -> bool:
        """True where a row of this number has passed."""
        numbers = self._numbers.get(table)
        if numbers is None:
            return False
        index = bisect_left(numbers, number)
        return index < len(numbers) and numbers[index] == number
