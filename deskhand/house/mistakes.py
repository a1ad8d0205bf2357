"""Mistakes of a house file: where they stand and what is near, in one line."""

from __future__ import annotations

import difflib
import re
from dataclasses import fields
from typing import TYPE_CHECKING, Any, Final

from pydantic import TypeAdapter, ValidationError

from deskhand.errors import HouseError
from deskhand.house.model import BLOCK_NAMES, BLOCK_TYPES, Desk, Equaliser, House, HouseFile, Room, Source, Vocal

if TYPE_CHECKING:
    from pathlib import Path

HOUSE_ADAPTER: Final = TypeAdapter(HouseFile)
_TABLES: Final[dict[str, Any]] = {
    "house": House, "desk": Desk, "desk.equaliser": Equaliser, "room": Room, "vocal": Vocal, "source": Source, "": HouseFile,
}  # fmt: skip


def _keys_of(kind: Any) -> list[str]:
    return [kind.__pydantic_fields__[item.name].alias or item.name for item in fields(kind)]


_HEADER: Final = re.compile(r"^\s*\[(\[)?\s*([^\]]+?)\s*\]")
_ENTRY: Final = re.compile(r"""^\s*(?:"([^"]*)"|'([^']*)'|([A-Za-z0-9_\-.]+))\s*=""")


def lines_of(text: str) -> dict[tuple[str | int, ...], int]:
    """Where each key stands: (table, index ..., key) to line number. The TOML libraries do not say."""
    where: dict[tuple[str | int, ...], int] = {(): 1}
    counts: dict[tuple[str | int, ...], int] = {}
    table: tuple[str | int, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        header = _HEADER.match(line)
        if header:
            path: tuple[str | int, ...] = ()
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
            where[table] = number
            continue
        entry = _ENTRY.match(line)
        if entry:
            where[(*table, *(entry[1] or entry[2] or entry[3]).split("."))] = number
    return where


def line_of(where: dict[tuple[str | int, ...], int], loc: tuple[str | int, ...]) -> int:
    for length in range(len(loc), -1, -1):
        if loc[:length] in where:
            return where[loc[:length]]
    return 1


def _place(data: dict[str, Any], loc: tuple[str | int, ...]) -> str:
    """The table in words: `source "bass", chain 2`."""
    if not loc:
        return ""
    if loc[0] == "source" and len(loc) > 1 and isinstance(loc[1], int):
        entry = data["source"][loc[1]] if isinstance(data.get("source"), list) else {}
        name = entry.get("name") if isinstance(entry, dict) else None
        text = f'source "{name}"' if name else f"source {loc[1] + 1}"
        if len(loc) > 3 and loc[2] == "chain" and isinstance(loc[3], int):
            text += f", chain {loc[3] + 1}"
        return text
    return f"[{'.'.join(str(piece) for piece in loc[:-1]) or loc[0]}]"


def _kind_at(loc: tuple[str | int, ...]) -> Any:
    tables = [piece for piece in loc[:-1] if isinstance(piece, str)]
    if "chain" in tables and tables[-1] in BLOCK_TYPES:
        return BLOCK_TYPES[tables[-1]]
    return _TABLES.get(".".join(tables), HouseFile)


def sentence(error: Any, loc: tuple[str | int, ...]) -> tuple[str, str]:
    """What is wrong and what to do, from one of the validator's errors."""
    kind, context = error["type"], error.get("ctx", {})
    name = str(loc[-1]) if loc else ""
    given = error.get("input")
    if kind in ("unexpected_keyword_argument", "extra_forbidden"):
        known = _keys_of(_kind_at(loc))
        near = difflib.get_close_matches(name, known, 1, 0.5)
        fix = f'did you mean "{near[0]}"?' if near else f"known keys here are {', '.join(known)}"
        return f'unknown key "{name}"', fix
    if kind in ("missing", "missing_argument"):
        return f'the key "{name}" is missing', "add it"
    if kind == "literal_error":
        allowed = re.findall(r"'([^']*)'", str(context.get("expected", "")))
        near = difflib.get_close_matches(str(given), allowed, 1, 0.5)
        return f'"{name}" is {given!r}', (
            f'did you mean "{near[0]}"? ' if near else ""
        ) + f"allowed: {', '.join(allowed)}"
    if kind == "union_tag_invalid":
        near = difflib.get_close_matches(str(context.get("tag")), BLOCK_NAMES, 1, 0.4)
        return (
            f"unknown block {str(context.get('tag'))!r}",
            (f'did you mean "{near[0]}"? ' if near else "") + f"blocks are {', '.join(BLOCK_NAMES)}",
        )
    if kind == "union_tag_not_found":
        return "this chain entry has no block", f'add block = "..." ({", ".join(BLOCK_NAMES)})'
    if kind == "value_error":
        problem, _, fix = str(context.get("error")).partition("; ")
        return f'"{name}": {problem}', fix or "mend it"
    shown = repr(given) if len(repr(given)) <= 60 else f"a {type(given).__name__}"
    said = str(error["msg"]).replace(" after validation", "")
    return f'"{name}" is {shown}', said[0].lower() + said[1:]


def first_error(path: Path, text: str, data: dict[str, Any], found: ValidationError) -> HouseError:
    where = lines_of(text)
    errors = found.errors(include_url=False)
    # a misspelt key is also a missing one: the misspelling says more
    error = min(errors, key=lambda item: item["type"] not in ("unexpected_keyword_argument", "extra_forbidden"))
    loc = tuple(piece for piece in error["loc"])
    while loc and loc[-1] != "on" and isinstance(loc[-1], str) and is_union_member(loc[-1]):
        loc = loc[:-1]
    # ("source", 0, "chain", 2, "bell", "gain"): the fifth is the block's kind; "gain" is a key and a kind
    plain = loc[:4] + loc[5:] if len(loc) > 4 and loc[2] == "chain" else loc
    problem, fix = sentence(error, loc)
    if error["type"].startswith("union_tag"):
        plain = (*plain, "block")
    place = _place(data, plain)
    others = len({item["loc"][:4] for item in errors}) - 1
    more = f" (and {others} more to mend after this one)" if others > 0 else ""
    at = f"{path.name}, line {line_of(where, plain)}" + (f", {place}" if place else "")
    return HouseError(at, problem, fix + more)


def is_union_member(piece: str) -> bool:
    return bool(re.match(r"(function-|constrained-|float$|str$|int$|literal\[|list\[)", piece))
