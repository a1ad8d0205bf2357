"""This week's chains as a house file of their own, and how the moves of a source were found."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import tomlkit

from deskhand.errors import HouseError, UsageError
from deskhand.house import WEEK_PREFIX, parse_house
from deskhand.recording.names import key, nearest
from deskhand.report.result import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.check import Checked
    from deskhand.moves.move import Move

_WITH_UNIT = frozenset({"dB", "Hz", "dBFS", "dB/oct"})


def _value(value: float, unit: str) -> Any:
    """A setting as the house file has it."""
    return f"{value:g} {unit}" if unit in _WITH_UNIT else value


def week_text(checked: Checked) -> str:
    """The house file that holds this week, with the moves in its chains and its comments kept; what is turned at a preamp is not saved.

    Raises
    ------
    HouseError
        There is no house file to start from.
    """
    house_file = checked.house_file
    if house_file is None:
        raise HouseError(
            "house.toml", "is not beside the recording or above it", "write one with: deskhand new RECORDING"
        )
    document = tomlkit.parse(house_file.read_text("utf-8-sig"))
    tables: Any = document.get("source", [])
    for source in checked.result.sources:
        moves = [move for move in source.moves if move.block is not None and move.is_saved]
        faders = [move.settings["fader"] for move in source.moves if move.where == "fader"]
        if not moves and not faders:
            continue
        table = next(one for one in tables if key(str(one["name"])) == key(source.name))
        for fader in faders:
            table["fader"] = _value(fader.after, fader.unit)
        if moves:
            _write_chain(table, moves, checked.plans[source.name].places)
    text = tomlkit.dumps(document)
    parse_house(text, house_file)
    return text


def write_week(checked: Checked, target: Path) -> None:
    """Write the house file with this week's moves in its chains, its comments kept; the standing file is not touched.

    Raises
    ------
    HouseError
        There is no house file to start from.
    UsageError
        The target is the standing house file.
    """
    # the file that was read may be written again where it is a week's own
    house_file = checked.house_file
    own = house_file if house_file is not None and not house_file.name.startswith(WEEK_PREFIX) else None
    kept = [path.resolve() for path in (checked.standing_file, own) if path is not None]
    if target.exists() and target.resolve() in kept:
        raise UsageError(str(target), "is the standing house file", "name another place for this week's")
    write_atomically(target, week_text(checked))


def _write_chain(table: Any, moves: list[Move], places: list[int]) -> None:
    """Change a source's chain: what is there in place, then new blocks at theirs."""
    if "chain" not in table:
        table.append("chain", tomlkit.aot())
    chain = table["chain"]
    for move in moves:
        if move.index is not None:
            for name, setting in move.settings.items():
                chain[move.index][name] = _value(setting.after, setting.unit)
    made = []
    for move in moves:
        if move.index is None:
            block = tomlkit.table()
            block.append("block", move.block)
            if move.on != "both":
                block.append("on", move.on)
            for name, setting in move.settings.items():
                block.append(name, _value(setting.after, setting.unit))
            made.append(block)
    for place, block in sorted(zip(places, made, strict=True), key=lambda item: item[0]):
        chain.insert(place, block)


def reasons(checked: Checked, source: str) -> list[str]:
    """How the moves of a source were found, a line each.

    Raises
    ------
    UsageError
        There is no such source.
    """
    names = [one.name for one in checked.result.sources]
    found = next((one for one in checked.result.sources if key(one.name) == key(source)), None)
    if found is None:
        near = nearest(source, names, count=1)
        raise UsageError(
            f'--why "{source}"',
            "is no source of this take",
            f'did you mean "{near[0]}"?' if near else "see the list above",
        )
    lines = [f"Why, at {found.name}:"]
    lines += [f"  found: {finding.text}" for finding in found.findings]
    plan = checked.plans.get(found.name)
    if plan is None:
        return [
            *lines,
            "  nothing is out of place that a setting of the desk could mend"
            if not found.findings
            else "  no move follows from it",
        ]
    lines += [f"  {text}" for text in plan.why]
    lines += [f"  move: {move.text}; undo: {move.undo}" for move in plan.moves]
    return lines + [f"  stays: {text}" for text in plan.left_over]
