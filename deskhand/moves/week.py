"""Moves as changes of a house file: what this week's file says otherwise than the standing one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.house import IN_SONGS, SourceEdit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.moves.move import Move, Setting

_WITH_UNIT: Final = frozenset({"dB", "Hz", "dBFS", "dB/oct"})


def _value(setting: Setting) -> float | str:
    """A setting as the house file has it."""
    return f"{setting.after:g} {setting.unit}" if setting.unit in _WITH_UNIT else setting.after


def edit_of(moves: Sequence[Move], chosen: Sequence[Move] | None = None) -> SourceEdit:
    """Changes of a source in the house file; what is turned at a preamp is not saved.

    Parameters
    ----------
    moves : sequence of Move
        All of the source.
    chosen : sequence of Move, optional
        Those of them that are written; all without it.
    """
    ids = {move.id for move in (moves if chosen is None else chosen)}
    left_places = [move.place for move in moves if move.place is not None and move.id not in ids]
    moves = [move for move in moves if move.id in ids]
    saved = [move for move in moves if move.block is not None and move.is_saved]
    new_blocks: list[tuple[int, dict[str, Any]]] = []
    for move in saved:
        if move.place is not None:
            side = {"on": move.on} if move.on != "both" else {}
            settings = {name: _value(setting) for name, setting in move.settings.items()}
            position = move.place - sum(left < move.place for left in left_places)
            new_blocks.append((position, {"block": move.block, **side, **settings}))
    keys: dict[str, Any] = {}
    for move in moves:
        if move.where == "fader":
            keys |= {"mute": IN_SONGS} if "mute" in move.settings else {"fader": _value(move.settings["fader"])}
    return SourceEdit(
        sends={str(move.facts["mix"]): _value(move.settings["send"]) for move in moves if move.where == "send"},
        keys=keys,
        settings=[
            (move.index, {name: _value(setting) for name, setting in move.settings.items()})
            for move in saved
            if move.index is not None
        ],
        new_blocks=new_blocks,
    )
