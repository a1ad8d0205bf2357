"""Moves as changes of a house file: what this week's file says otherwise than the standing one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.house import SourceEdit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.moves.move import Move, Setting

_WITH_UNIT: Final = frozenset({"dB", "Hz", "dBFS", "dB/oct"})


def _value(setting: Setting) -> float | str:
    """A setting as the house file has it."""
    return f"{setting.after:g} {setting.unit}" if setting.unit in _WITH_UNIT else setting.after


def edit_of(moves: Sequence[Move], places: Sequence[int]) -> SourceEdit:
    """Changes of a source in the house file; what is turned at a preamp is not saved.

    Parameters
    ----------
    moves : sequence of Move
        All of the source.
    places : sequence of int
        Index of each new block in the chain, in the order of the moves that add them.
    """
    saved = [move for move in moves if move.block is not None and move.is_saved]
    new_blocks: list[dict[str, Any]] = []
    for move in saved:
        if move.index is None:
            side = {"on": move.on} if move.on != "both" else {}
            settings = {name: _value(setting) for name, setting in move.settings.items()}
            new_blocks.append({"block": move.block, **side, **settings})
    fader = next((move.settings["fader"] for move in reversed(moves) if move.where == "fader"), None)
    return SourceEdit(
        sends={str(move.facts["mix"]): _value(move.settings["send"]) for move in moves if move.where == "send"},
        keys={} if fader is None else {"fader": _value(fader)},
        settings=[
            (move.index, {name: _value(setting) for name, setting in move.settings.items()})
            for move in saved
            if move.index is not None
        ],
        new_blocks=list(zip(places, new_blocks, strict=True)) if saved else [],
    )
