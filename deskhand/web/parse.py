"""Values that a browser sends, checked: each function returns the value or refuses it in one line."""

from __future__ import annotations

import tomllib
import unicodedata
from typing import TYPE_CHECKING, Any, Final

from starlette.exceptions import HTTPException

from deskhand.errors import UsageError
from deskhand.house import BLOCK_NAMES, IN_SONGS, sole_units
from deskhand.report.words import text
from deskhand.result import plain

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from pathlib import Path

    from deskhand.result import SourceResult
    from deskhand.web.hall import StoredCheck

_LARGEST_NUMBER: Final = 1e9
"""Largest number: more seconds than anybody records. Common practice, no source."""
_MOST_BLOCKS: Final = 64
"""Most blocks of a chain: more than any desk has. Common practice, no source."""
_SHORT_TEXT: Final = 500
"""Most letters of a note or a name. Common practice, no source."""
_NAME_BYTES: Final = 200
"""Most bytes of a file's name: below the 255 that file systems take, with room for an ending (POSIX NAME_MAX)."""
_DEVICES: Final = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{digit}" for port in ("com", "lpt") for digit in (*range(10), *"¹²³"))]
)
"""Names that no file can have on Windows, whatever they end in: a folder is carried from one computer to another."""


def source_at(check: StoredCheck, index: int) -> SourceResult:
    """Source of a check by its place.

    Raises
    ------
    HTTPException
        There is none there.
    """
    if not 0 <= index < len(check.result.sources):
        raise HTTPException(404, text("error.no_source"))
    return check.result.sources[index]


def number_of(value: Any, name: str) -> float:
    """A number.

    Raises
    ------
    UsageError
        It is none.
    """
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        raise UsageError(name, f"{str(value)[:60]!r} is no number", "read the page again") from None
    if not abs(number) < _LARGEST_NUMBER:
        raise UsageError(name, f"{value!r} is no number", "read the page again")
    return number


def chain_of(value: Any) -> list[dict[str, Any]]:
    """Blocks of a chain as data, not checked further.

    Raises
    ------
    UsageError
        It is no list of blocks.
    """
    if not isinstance(value, list) or not all(isinstance(block, dict) for block in value) or len(value) > _MOST_BLOCKS:
        raise UsageError("the chain", "is no list of blocks", "read the page again")
    chain: list[dict[str, Any]] = plain(value)
    return chain


def with_units(chain: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Chain whose numbers have the unit of their key, where there is one unit only: people leave it out."""
    units = {name: sole_units(name) for name in BLOCK_NAMES}
    return [
        {
            key: f"{value} {unit}"
            if (unit := units.get(str(block.get("block")), {}).get(key)) and _is_number(value)
            else value
            for key, value in block.items()
        }
        for block in chain
    ]


def _is_number(value: Any) -> bool:
    """True for a number, and for text that is one."""
    if isinstance(value, str):
        return value.strip().lstrip("+-−").replace(".", "", 1).isdecimal()
    return isinstance(value, int | float) and not isinstance(value, bool)


def choice_of(value: Any, known: Collection[str]) -> str | None:
    """One of the known words; None for everything else."""
    return value if isinstance(value, str) and value in known else None


def short_text(value: Any) -> str:
    """Text of a field, at most 500 letters; empty for everything else."""
    return str(value)[:_SHORT_TEXT].strip() if isinstance(value, str) else ""


SETUP_KEYS: Final = (
    "channel", "patch", "microphone", "stand", "player", "preamp", "pad", "phantom", "mute", "group", "effects", "send",
)  # fmt: skip
"""Keys of a source that are typed on its page, in the order in which a channel is set up."""
_IN_DB: Final = ("preamp", "pad")
_PHANTOM: Final = {"on": True, "off": False}
_MUTE: Final[Mapping[str, bool | str]] = {"open": False, "songs": IN_SONGS, "muted": True}


def in_db(written: str) -> str:
    """A gain with its unit, which people leave out."""
    return f"{written} dB" if _is_number(written) else written


def setup_keys(data: Any) -> dict[str, Any]:
    """Set-up of a source as the page sends it, in the words of the house file; None for what is empty.

    Raises
    ------
    UsageError
        It is no set-up, or a send lacks its mix or its level.
    """
    if not isinstance(data, dict):
        raise UsageError("the set-up", "is missing", "read the page again")
    keys: dict[str, Any] = {name: short_text(data.get(name)) or None for name in SETUP_KEYS[:-5]}
    for name in _IN_DB:
        keys[name] = None if keys[name] is None else in_db(keys[name])
    keys["phantom"] = _PHANTOM.get(short_text(data.get("phantom")))
    keys["mute"] = _MUTE.get(short_text(data.get("mute")))
    keys["group"] = short_text(data.get("group")) or None
    keys["effects"] = [name for name in map(str.strip, short_text(data.get("effects")).split(",")) if name] or None
    keys["send"] = _sends_of(data.get("send")) or None
    return keys


def _sends_of(value: Any) -> list[dict[str, Any]]:
    """Sends as the page sends them; rows without anything in them are passed over."""
    rows = [row for row in value if isinstance(row, dict)] if isinstance(value, list) else []
    sends: list[dict[str, Any]] = []
    for row in rows[:_MOST_BLOCKS]:
        mix, level = short_text(row.get("mix")), short_text(row.get("level"))
        if not mix and not level:
            continue
        if not mix or not level:
            raise UsageError(
                f"the send {mix or level!r}", "has no " + ("level" if mix else "mix"), "type both, or neither"
            )
        sends.append({"mix": mix, "level": in_db(level), **({"after_fader": True} if row.get("after_fader") else {})})
    return sends


def setup_fields(written: Mapping[str, Any]) -> dict[str, Any]:
    """Set-up of a source's table in a house file, as the fields of the page show it."""
    fields: dict[str, Any] = {name: str(written.get(name, "")) for name in SETUP_KEYS}
    fields["phantom"] = {True: "on", False: "off"}.get(written.get("phantom"), "")  # type: ignore[arg-type]
    fields["mute"] = next((word for word, value in _MUTE.items() if value == written.get("mute")), "")
    fields["effects"] = ", ".join(map(str, written.get("effects", [])))
    fields["send"] = [
        {
            "mix": str(send.get("mix", "")),
            "level": str(send.get("level", "")),
            "after_fader": bool(send.get("after_fader", False)),
        }
        for send in written.get("send", [])
    ]
    return fields


def file_name(given: str, label: str) -> str:
    """A name that a file can have everywhere, and no way elsewhere.

    Raises
    ------
    UsageError
        It is none.
    """
    name = unicodedata.normalize("NFC", given).strip()
    bad = (
        not name
        or name.startswith(".")
        or len(name.encode("utf-8", "replace")) > _NAME_BYTES
        or any(sign in '/\\:*?"<>|' or unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp") for sign in name)
        or name.endswith(".")
        or name.split(".")[0].rstrip().casefold() in _DEVICES
    )
    if bad:
        raise UsageError(label, f"{given[:60]!r} is no name for it", "give it another name")
    return name


def lies_in(folder: Path, name: str) -> bool:
    """True where a name leads to a place under a folder, links followed."""
    try:
        return (folder / name).resolve().is_relative_to(folder)
    except (OSError, RuntimeError, ValueError):
        return False


def source_table(house_text: str, name: str) -> dict[str, Any]:
    """Table of a source in a house file's text; empty when there is none."""
    for table in tomllib.loads(house_text).get("source", []):
        if table.get("name") == name:
            return dict(table)
    return {}
