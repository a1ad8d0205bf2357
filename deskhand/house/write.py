"""Values and chains written into a house file, its comments kept."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from deskhand.errors import HouseError
from deskhand.house.read import FILE_NAME, made_blocks, parse_house
from deskhand.recording.names import key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceEdit:
    """Changes of one source in a house file, in the words of the file."""

    keys: Mapping[str, Any] = field(default_factory=dict)
    """Such as `{"fader": "-6 dB"}`."""
    sends: Mapping[str, Any] = field(default_factory=dict)
    """Mix to the level of the source's send to it; the send is there."""
    settings: Sequence[tuple[int, Mapping[str, Any]]] = ()
    """Index of a block in the chain as it stands, and the settings of it that change."""
    new_blocks: Sequence[tuple[int, Mapping[str, Any]]] = ()
    """Index of a new block in the chain with all of them, and the block."""


def write_values(text: str, changes: dict[tuple[str | int, ...], Any]) -> str:
    """House file with some values changed, its comments and layout kept.

    Parameters
    ----------
    text : str
        The file as it is.
    changes : dict
        Path to new value, such as `{("source", 2, "nominal"): "-20 dBFS"}`.

    Raises
    ------
    HouseError
        A path that is not in the file.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for path, value in changes.items():
        table: Any = document
        for piece in path[:-1]:
            try:
                table = table[piece]
            except (KeyError, IndexError) as error:
                dotted_path = ".".join(map(str, path))
                raise HouseError(FILE_NAME, f"there is no {dotted_path} to change", "add it first") from error
        table[path[-1]] = value
    return tomlkit.dumps(document)


def written_source(text: str, source: str) -> dict[str, Any]:
    """Keys and chain of a source, in the words of the house file.

    Raises
    ------
    HouseError
        A mistake in the file, or there is no such source.
    """
    parse_house(text, Path(FILE_NAME))
    tables = tomllib.loads(text).get("source", [])
    table = next((table for table in tables if key(str(table["name"])) == key(source)), None)
    if table is None:
        raise HouseError(FILE_NAME, f'there is no source "{source}"', "read the page again")
    return dict(table)


def with_source(text: str, source: str, *, chain: Sequence[Mapping[str, Any]], keys: Mapping[str, Any]) -> str:
    """House file with another chain, and other keys, of one source; its comments and layout kept.

    Parameters
    ----------
    text : str
        The file as it is.
    source : str
    chain : sequence of mapping
        Blocks in the words of the file, like `{"block": "bell", "frequency": "400 Hz", "gain": "-1.5 dB"}`.
    keys : mapping
        Such as `{"fader": "-6 dB"}`; a key with None is taken out.

    Raises
    ------
    HouseError
        There is no such source, or what comes out is no house file.
    """
    import tomlkit

    written_source(text, source)
    made_blocks(chain)
    document = tomlkit.parse(text)
    table = _table_of(document, source)
    for name, value in keys.items():
        if value is None:
            table.pop(name, None)
        else:
            table[name] = value
    written = [dict(block) for block in table.get("chain", [])]
    if not chain and not written:
        table.pop("chain", None)
    elif isinstance(table.get("chain"), tomlkit.items.Array):
        if not chain:
            table.pop("chain")
        elif written != [dict(block) for block in chain]:
            table["chain"] = in_one_line(chain)
    else:
        # a comment behind an empty line is on what follows, and stays in front of that
        behind = _cut_off(table["chain"][-1] if written else table)
        if not written:
            table.append("chain", tomlkit.aot())
        _write_chain(table["chain"], chain)
        last = table["chain"][-1] if chain else table
        if not chain:
            table.pop("chain")
        last.value.body.extend(behind)
    changed_text = tomlkit.dumps(document)
    parse_house(changed_text, Path(FILE_NAME))
    return changed_text


def _table_of(document: Any, source: str) -> Any:
    """Table of a source in a house file; it is there."""
    return next(table for table in document["source"] if key(str(table["name"])) == key(source))


def with_setup(text: str, source: str, keys: Mapping[str, Any]) -> str:
    """House file with other set-up keys of one source; its comments and layout kept.

    Parameters
    ----------
    text : str
        The file as it is.
    source : str
    keys : mapping
        Such as `{"preamp": "46 dB", "phantom": True, "send": [{"mix": "wedge 1", "level": "-6 dB"}]}`; a key with None is taken
        out.

    Raises
    ------
    HouseError
        There is no such source, or what comes out is no house file.
    """
    import tomlkit

    written_source(text, source)
    document = tomlkit.parse(text)
    table = _table_of(document, source)
    for name, value in keys.items():
        if value is None:
            table.pop(name, None)
        elif isinstance(table.get(name), tomlkit.items.AoT):
            _write_entries(table[name], value)
        elif name not in table or table[name] != value:
            table[name] = _tables_in_lines(value)
    changed_text = tomlkit.dumps(document)
    parse_house(changed_text, Path(FILE_NAME))
    return changed_text


def _tables_in_lines(value: Any) -> Any:
    """Value of a key, tables of a list written in one line each."""
    return in_one_line(value) if isinstance(value, list) and any(isinstance(entry, dict) for entry in value) else value


def _write_entries(entries: Any, wanted: Sequence[Mapping[str, Any]]) -> None:
    """Bring tables of a list to other values, one after the other; those that stay keep their comments."""
    for index, values in enumerate(wanted):
        if index == len(entries):
            entries.append(as_entry(entries, values))
            continue
        entry = entries[index]
        for name in [name for name in entry if name not in values]:
            del entry[name]
        for name, value in values.items():
            if name not in entry or entry[name] != value:
                entry[name] = value
    while len(entries) > len(wanted):
        del entries[len(entries) - 1]


def with_edits(text: str, edits: Mapping[str, SourceEdit]) -> str:
    """The house file with changes of some sources, its comments and layout kept.

    Parameters
    ----------
    text : str
        The file as it is.
    edits : mapping
        Source to its changes; each source is in the file.

    Raises
    ------
    HouseError
        A block that is to be changed is not in its source's chain.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for source, edit in edits.items():
        table = _table_of(document, source)
        for name, value in edit.keys.items():
            table[name] = value
        for send in table.get("send", []):
            if str(send["mix"]) in edit.sends:
                send["level"] = edit.sends[str(send["mix"])]
        if not edit.settings and not edit.new_blocks:
            continue
        if "chain" not in table:
            table.append("chain", tomlkit.aot())
        chain = table["chain"]
        for index, settings in edit.settings:
            if not 0 <= index < len(chain):
                raise HouseError(source, f"its chain has no block {index + 1} any more", "check the recording again")
            for name, value in settings.items():
                chain[index][name] = value
        for index, block in sorted(edit.new_blocks, key=lambda entry: entry[0]):
            chain.insert(index, as_entry(chain, block))
    return tomlkit.dumps(document)


def as_entry(entries: Any, block: Mapping[str, Any]) -> Any:
    """A block as an entry of a chain: in one line where the chain is written so, else a table of its own."""
    import tomlkit

    entry: Any = tomlkit.inline_table() if isinstance(entries, tomlkit.items.Array) else tomlkit.table()
    for name, value in block.items():
        entry.append(name, value)
    return entry


def in_one_line(chain: Sequence[Mapping[str, Any]]) -> Any:
    """Chain in the layout of a file that has `chain = [...]`."""
    import tomlkit

    rows = tomlkit.array()
    for block in chain:
        rows.append(as_entry(rows, block))
    return rows


def _cut_off(table: Any) -> list[Any]:
    """Take the lines after a table's last key and an empty line out of it, and return them."""
    import tomlkit

    body = table.value.body
    first = next((index for index in range(len(body), 0, -1) if body[index - 1][0] is not None), 0)
    while first < len(body) and not isinstance(body[first][1], tomlkit.items.Whitespace):
        first += 1
    behind = list(body[first:])
    del body[first:]
    return behind


def _write_chain(entries: Any, chain: Sequence[Mapping[str, Any]]) -> None:
    """Bring a chain in a document to other blocks: what is there in the same order is changed in place and keeps its comments."""
    index = 0

    def take_out() -> None:
        # what stands in front of the next block is kept for it
        behind = "".join(item.as_string() for _, item in _cut_off(entries[index]))
        del entries[index]
        if index < len(entries) and "#" in behind:
            entries[index].trivia.indent = behind.lstrip("\n") + entries[index].trivia.indent

    for block in chain:
        kinds = [entry["block"] for entry in entries[index:]]
        if block["block"] in kinds:
            # those between were taken out
            for _ in range(kinds.index(block["block"])):
                take_out()
            entry = entries[index]
            for name in [name for name in entry if name not in block]:
                del entry[name]
            for name, value in block.items():
                if name not in entry or entry[name] != value:
                    entry[name] = value
        else:
            entries.insert(index, as_entry(entries, block))
        index += 1
    while len(entries) > index:
        take_out()
