"""Mixes on the stage in a house file, one at a time: who hears it and what is sent to it, read and written with the comments kept."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from deskhand.errors import HouseError
from deskhand.house.read import FILE_NAME, parse_house
from deskhand.house.write import as_entry, in_one_line
from deskhand.recording.names import key

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenSend:
    """Send of one source to a mix, in the words of the file."""

    level: str
    after_fader: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenMix:
    """Mix on the stage, in the words of the file."""

    mix: str
    heard_by: tuple[str, ...] = ()
    sends: Mapping[str, WrittenSend] = field(default_factory=dict)
    """Source to its send; none of a source that is not in it."""


def written_mixes(text: str) -> list[WrittenMix]:
    """Mixes on the stage: those with somebody who hears them first, then those that something is sent to; a source's effect is none.

    Raises
    ------
    HouseError
        A mistake in the file.
    """
    parse_house(text, Path(FILE_NAME))
    tables = tomllib.loads(text)
    names = {key(entry["mix"]): str(entry["mix"]) for entry in tables.get("monitor", [])}
    heard_by = {key(entry["mix"]): tuple(map(str, entry.get("heard_by", []))) for entry in tables.get("monitor", [])}
    sends: dict[str, dict[str, WrittenSend]] = {}
    for source in tables.get("source", []):
        effects = {key(effect) for effect in source.get("effects", [])}
        for send in source.get("send", []):
            if key(send["mix"]) in effects:
                continue
            names.setdefault(key(send["mix"]), str(send["mix"]))
            sends.setdefault(key(send["mix"]), {})[str(source["name"])] = WrittenSend(
                level=str(send["level"]), after_fader=bool(send.get("after_fader", False))
            )
    return [
        WrittenMix(mix=name, heard_by=heard_by.get(mix_key, ()), sends=sends.get(mix_key, {}))
        for mix_key, name in names.items()
    ]


def with_mix(text: str, mix: str, wanted: WrittenMix | None) -> str:
    """House file with another mix on the stage in the place of one; its comments and layout kept.

    Parameters
    ----------
    text : str
        The file as it is.
    mix : str
        Name of the mix as it is written there; empty for a new one.
    wanted : WrittenMix or None
        None: it is taken out, and so is every send to it.

    Raises
    ------
    HouseError
        There is no such mix, there is one of its new name already, a source that is not there, or what comes out is no house file.
    """
    import tomlkit

    standing = {key(written.mix): written for written in written_mixes(text)}
    document = tomlkit.parse(text)
    tables = {key(str(table["name"])): table for table in document.get("source", [])}
    if mix and key(mix) not in standing:
        raise HouseError(FILE_NAME, f'there is no mix "{mix}"', "read the page again")
    if wanted is not None:
        if key(wanted.mix) in standing and key(wanted.mix) != key(mix):
            raise HouseError(FILE_NAME, f'there is a mix "{wanted.mix}" already', "choose it, or another name")
        for source in wanted.sends:
            if key(source) not in tables:
                raise HouseError(FILE_NAME, f'there is no source "{source}"', "read the page again")
    _write_monitor(document, mix, wanted)
    sends = {} if wanted is None else {key(source): send for source, send in wanted.sends.items()}
    for source_key, table in tables.items():
        _write_send(table, mix, "" if wanted is None else wanted.mix, sends.get(source_key))
    changed_text = tomlkit.dumps(document)
    parse_house(changed_text, Path(FILE_NAME))
    return changed_text


def _write_monitor(document: Any, mix: str, wanted: WrittenMix | None) -> None:
    """Bring the table of who hears a mix to what is wanted."""
    import tomlkit

    entries = document.get("monitor")
    index = next(
        (index for index, entry in enumerate(entries or []) if mix and key(str(entry["mix"])) == key(mix)), None
    )
    if wanted is None:
        if index is not None:
            del entries[index]
            if not entries:
                document.pop("monitor")
        return
    values = {"mix": wanted.mix, "heard_by": list(wanted.heard_by)}
    if index is None:
        if entries is None:
            document.append("monitor", tomlkit.aot())
            entries = document["monitor"]
        entries.append(as_entry(entries, values))
        return
    for name, value in values.items():
        if entries[index].get(name, []) != value:
            entries[index][name] = value


def _write_send(table: Any, mix: str, name: str, wanted: WrittenSend | None) -> None:
    """Bring the send of one source to a mix to what is wanted; the others stay as they are."""
    entries = table.get("send")
    sent_to = mix or name
    index = next((index for index, send in enumerate(entries or []) if key(str(send["mix"])) == key(sent_to)), None)
    if wanted is None:
        if index is not None:
            del entries[index]
            if not entries:
                table.pop("send")
        return
    values: dict[str, Any] = {"mix": name, "level": wanted.level, "after_fader": wanted.after_fader}
    if index is None:
        if not wanted.after_fader:
            del values["after_fader"]
        if entries is None:
            table["send"] = in_one_line([values])
        else:
            entries.append(as_entry(entries, values))
        return
    for word, value in values.items():
        if entries[index].get(word, False if word == "after_fader" else None) != value:
            entries[index][word] = value
