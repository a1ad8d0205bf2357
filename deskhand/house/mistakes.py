"""Mistakes of a house file told in one line: the line of the file, the key, and the nearest known one."""

from __future__ import annotations

import difflib
import re
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Final

from pydantic import TypeAdapter, ValidationError

from deskhand.errors import HouseError
from deskhand.house.chain_blocks import BLOCK_NAMES, BLOCK_TYPES
from deskhand.house.limits import Limits
from deskhand.house.model import Desk, Equaliser, House, HouseFile, Room, Send, Source, Vocal
from deskhand.house.monitors import MonitorMix
from deskhand.house.roles import ROLES
from deskhand.house.seats import PublicOffset, QuietWork, StaffMember
from deskhand.house.sharing import AUDIO_KEYS, SharingTerms

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

Location = tuple[str | int, ...]
"""Path to a value in the file: ("source", 2, "chain", 0, "gain")."""

HOUSE_ADAPTER: Final = TypeAdapter(HouseFile)
_TABLES: Final[dict[str, Any]] = {
    "house": House, "desk": Desk, "desk.equaliser": Equaliser, "room": Room, "vocal": Vocal, "source": Source, "source.send": Send,
    "source.offset": PublicOffset, "limits": Limits, "staff": StaffMember, "staff.besides": QuietWork,
    "monitor": MonitorMix, "sharing": SharingTerms, "": HouseFile,
}  # fmt: skip
_KEYS_OF_THE_SHOW: Final = {
    "fader": "fader_db", "nominal": "nominal_dbfs", "asked_level": "asked_level_dbfs", "level_listen": "level_listen_db",
    "level_fix": "level_fix_db", "mute": "mute", "player": "player", "group": "group", "effects": "effects", "send": "send",
    "chain": "chain",
}  # fmt: skip
"""Keys of a source that have no meaning for a seat, and their fields."""
_KEYS_OF_SEATS: Final = {"response": "response", "own_noise": "own_noise_dba", "offset": "offset"}
"""Keys that only a seat has, and their fields."""
_UNKNOWN_KEY: Final = ("unexpected_keyword_argument", "extra_forbidden")
_VALIDATOR_NAME: Final = re.compile(r"(function-|constrained-|float$|str$|int$|literal\[|list\[)")
_LIKE, _LIKE_A_BLOCK = 0.5, 0.4
"""Likeness (difflib's ratio) from which on a word is asked about: less among the blocks, which are few. Common practice, no source."""
_LONGEST_VALUE: Final = 60
"""Letters of a wrong value that are printed: about a line of a terminal. Common practice, no source."""


def _keys_of(kind: Any) -> list[str]:
    return [kind.__pydantic_fields__[item.name].alias or item.name for item in fields(kind)]


_HEADER: Final = re.compile(r"^\s*\[(\[)?\s*([^\]]+?)\s*\]")
_ENTRY: Final = re.compile(r"""^\s*(?:"([^"]*)"|'([^']*)'|([A-Za-z0-9_\-.]+))\s*=""")


def lines_of(text: str) -> dict[Location, int]:
    """Line number of each key, by its path in the file. The TOML libraries do not say.

    Parameters
    ----------
    text : str
        The house file.
    """
    numbers: dict[Location, int] = {(): 1}
    counts: dict[Location, int] = {}
    table: Location = ()
    for number, line in enumerate(text.splitlines(), 1):
        header = _HEADER.match(line)
        if header:
            path: Location = ()
            pieces = [piece.strip(" \"'") for piece in header[2].split(".")]
            for depth, piece in enumerate(pieces):
                path = (*path, piece)
                last = depth == len(pieces) - 1
                if header[1] and last:
                    counts[path] = counts.get(path, -1) + 1
                    path = (*path, counts[path])
                elif path in counts:
                    path = (*path, counts[path])
            table = path
            numbers[table] = number
            continue
        entry = _ENTRY.match(line)
        if entry:
            # a key of no letters is one, too
            numbers[(*table, *(entry[1] or entry[2] or entry[3] or "").split("."))] = number
    return numbers


def line_of(numbers: dict[Location, int], location: Location) -> int:
    """Line number of a value, or of the nearest table around it.

    Parameters
    ----------
    numbers : dict
        From `lines_of`.
    location : tuple of str and int
    """
    for length in range(len(location), -1, -1):
        if location[:length] in numbers:
            return numbers[location[:length]]
    return 1


def _table_in_words(data: dict[str, Any], location: Location) -> str:
    """Table of a value in words: `source "bass", chain 2`."""
    if not location:
        return ""
    if location[0] == "source" and len(location) > 1 and isinstance(location[1], int):
        entry = data["source"][location[1]] if isinstance(data.get("source"), list) else {}
        name = entry.get("name") if isinstance(entry, dict) else None
        text = f'source "{name}"' if name else f"source {location[1] + 1}"
        if len(location) > 3 and location[2] == "chain" and isinstance(location[3], int):
            text += f", chain {location[3] + 1}"
        return text
    return f"[{'.'.join(str(piece) for piece in location[:-1]) or location[0]}]"


def _type_at(location: Location) -> Any:
    """Class of the table in which a value lies."""
    tables = [piece for piece in location[:-1] if isinstance(piece, str)]
    if "chain" in tables and tables[-1] in BLOCK_TYPES:
        return BLOCK_TYPES[tables[-1]]
    return _TABLES.get(".".join(tables), HouseFile)


def _did_you_mean(word: str, known: Sequence[str], likeness: float) -> str:
    """Question with the nearest known word; empty when none is near."""
    near = difflib.get_close_matches(word, known, 1, likeness)
    return f'did you mean "{near[0]}"?' if near else ""


def sentence(error: Any, location: Location) -> tuple[str, str]:
    """Problem and advice, from one of the validator's errors.

    Parameters
    ----------
    error : dict
        As pydantic lists it.
    location : tuple of str and int
        Path to the value.
    """
    kind, context = error["type"], error.get("ctx", {})
    name = str(location[-1]) if location else ""
    given = error.get("input")
    if kind in _UNKNOWN_KEY:
        if location[:1] == ("sharing",) and name.casefold() in AUDIO_KEYS:
            return f'there is no key "{name}": audio never leaves the house, and no key changes that', "take it out"
        known = _keys_of(_type_at(location))
        advice = _did_you_mean(name, known, _LIKE) or f"known keys here are {', '.join(known)}"
        return f'unknown key "{name}"', advice
    if kind in ("missing", "missing_argument"):
        return f'the key "{name}" is missing', "add it"
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", str(context.get("expected", "")))
        question = _did_you_mean(str(given), allowed, _LIKE)
        return f'"{name}" is {given!r}', f"{question} allowed: {', '.join(allowed)}".lstrip()
    if kind == "union_tag_invalid":
        block = str(context.get("tag"))
        question = _did_you_mean(block, BLOCK_NAMES, _LIKE_A_BLOCK)
        return f"unknown block {block!r}", f"{question} blocks are {', '.join(BLOCK_NAMES)}".lstrip()
    if kind == "union_tag_not_found":
        return "this chain entry has no block", f'add block = "..." ({", ".join(BLOCK_NAMES)})'
    if kind == "value_error":
        problem, _, advice = str(context.get("error")).partition("; ")
        return f'"{name}": {problem}', advice or "mend it"
    shown = repr(given) if len(repr(given)) <= _LONGEST_VALUE else f"a {type(given).__name__}"
    advice = str(error["msg"]).replace(" after validation", "")
    return f'"{name}" is {shown}', advice[0].lower() + advice[1:]


def worst(errors: Sequence[Any]) -> Any:
    """Error to tell first, of those the validator lists: a misspelt key is also a missing one, and says more."""
    return min(errors, key=lambda error: error["type"] not in _UNKNOWN_KEY)


def in_the_file(location: Location) -> Location:
    """Path to a value without the validator's own names at its end, such as "function-after" or "float"."""
    while location and location[-1] != "on" and isinstance(location[-1], str) and _VALIDATOR_NAME.match(location[-1]):
        location = location[:-1]
    return location


def first_error(path: Path, text: str, data: dict[str, Any], error: ValidationError) -> HouseError:
    """Error for a person, from all that the validator found wrong with a house file.

    Parameters
    ----------
    path : Path
        Of the file.
    text : str
        The file.
    data : dict
        The file, read as TOML.
    error : ValidationError
    """
    numbers = lines_of(text)
    errors = error.errors(include_url=False)
    worst_error = worst(errors)
    location = in_the_file(tuple(worst_error["loc"]))
    # ("source", 0, "chain", 2, "bell", "gain"): the fifth is the block's kind; "gain" is a key and a kind
    plain = location[:4] + location[5:] if len(location) > 4 and location[2] == "chain" else location
    problem, advice = sentence(worst_error, location)
    if worst_error["type"].startswith("union_tag"):
        plain = (*plain, "block")
    table = _table_in_words(data, plain)
    further = len({listed["loc"][:4] for listed in errors}) - 1
    remark = f" (and {further} more to mend after this one)" if further > 0 else ""
    where = f"{path.name}, line {line_of(numbers, plain)}" + (f", {table}" if table else "")
    return HouseError(where, problem, advice + remark)


def seat_mistake(source: Source) -> str:
    """Mistake in a source about seats, and what to do; empty where there is none.

    Parameters
    ----------
    source : Source
        Of any role.
    """
    if not ROLES[source.role].measures_room:
        wrong = next(
            (name for name, attribute in _KEYS_OF_SEATS.items() if getattr(source, attribute) is not None), None
        )
        return f'"{wrong}" belongs to a source of role "seat"; take it out' if wrong else ""
    if source.is_pair:
        return "a seat is one microphone on one track; make two seats of it"
    wrong = next((name for name, attribute in _KEYS_OF_THE_SHOW.items() if getattr(source, attribute)), None)
    wrong = wrong or ("fader" if source.fader_db is not None else None)
    return f'"{wrong}" has no meaning for a seat, which is no part of the mix; take it out' if wrong else ""
