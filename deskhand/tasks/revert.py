"""Settings of moves that are taken back, put back in this week's house file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.house import IN_SONGS, with_source, written_source
from deskhand.units import parse

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.store import DeskChange
    from deskhand.units import Kind

_KIND_OF_UNIT: Final[dict[str, Kind]] = {
    "dB": "gain_db", "dBFS": "level_dbfs", "Hz": "frequency_hz", "dB/oct": "slope_db_per_octave",
}  # fmt: skip
_ALIKE: Final = 0.005
"""Two values that are the same setting: half of the last digit that a move is written with (arithmetic)."""


def reverted(house_text: str, changes: Sequence[DeskChange]) -> str:
    """House file without what moves turned in it, the newest first; what somebody has set otherwise since stays.

    Parameters
    ----------
    house_text : str
    changes : sequence of DeskChange
        In the order in which they were done.
    """
    for change in reversed(changes):
        if not change.done or change.where == "preamp":
            continue
        table = written_source(house_text, change.source)
        chain = [dict(block) for block in table.get("chain", [])]
        keys: dict[str, Any] = {}
        if "mute" in change.settings:
            if table.get("mute") == IN_SONGS:
                keys["mute"] = None
        elif change.where == "fader":
            before, after, _ = change.settings["fader"]
            if _is(table.get("fader"), after, "dB"):
                keys["fader"] = None if before is None else f"{before:g} dB"
        elif change.block is not None:
            chain = _without(chain, change)
        house_text = with_source(house_text, change.source, chain=chain, keys=keys)
    return house_text


def _without(chain: list[dict[str, Any]], change: DeskChange) -> list[dict[str, Any]]:
    """Chain in the words of the file without what a move did to one of its blocks."""
    for position, block in enumerate(chain):
        if block["block"] != change.block or block.get("on", "both") != change.on:
            continue
        if not all(_is(block.get(name), after, unit) for name, (_, after, unit) in change.settings.items()):
            continue
        if all(before is None for before, _, _ in change.settings.values()):
            return [*chain[:position], *chain[position + 1 :]]
        earlier = {
            name: f"{before:g} {unit}" if unit in _KIND_OF_UNIT else before
            for name, (before, _, unit) in change.settings.items()
            if before is not None
        }
        return [*chain[:position], {**block, **earlier}, *chain[position + 1 :]]
    return chain


def _is(written: Any, value: float, unit: str) -> bool:
    """True where a value of the file is a setting."""
    if written is None:
        return False
    read = parse(str(written), _KIND_OF_UNIT[unit]) if unit in _KIND_OF_UNIT else float(written)
    return abs(read - value) <= _ALIKE * max(1.0, abs(value) / 1000.0)
