"""Writes this week's chains as a house file of their own, and tells how the moves of a source were found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.errors import HouseError, UsageError
from deskhand.files import write_atomically
from deskhand.house import WEEK_PREFIX, parse_house, with_edits
from deskhand.moves.text import remark_text
from deskhand.moves.week import edit_of
from deskhand.tasks.check.named import require_source

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    from deskhand.result import CheckResult
    from deskhand.tasks.check import ShowCheck


def text_with_moves(
    house_text: str, house_file: Path, result: CheckResult, chosen: Collection[str] | None = None
) -> str:
    """House file with moves in its chains and its comments kept; what is turned at a preamp is not saved.

    Parameters
    ----------
    house_text : str
        The file as the check read it.
    house_file : Path
        For messages.
    result : CheckResult
    chosen : collection of str, optional
        Ids of the moves that are written; all without it.

    Raises
    ------
    HouseError
        What comes out is no house file.
    """
    edits = {}
    for source in result.sources:
        moves = [move for move in source.moves if chosen is None or move.id in chosen]
        if any(move.is_saved for move in moves):
            edits[source.name] = edit_of(source.moves, moves)
    text = with_edits(house_text, edits)
    parse_house(text, house_file)
    return text


def require_house(checked: ShowCheck) -> tuple[Path, Path]:
    """House file that a check read, and the standing one beside it.

    Raises
    ------
    HouseError
        There is no house file to start from.
    """
    if checked.house_file is None or checked.standing_file is None:
        raise HouseError(
            "house.toml", "is not beside the recording or above it", "write one with: deskhand new RECORDING"
        )
    return checked.house_file, checked.standing_file


def week_text(checked: ShowCheck) -> str:
    """House file that holds this week, with the moves in its chains and its comments kept; what is turned at a preamp is not saved.

    Raises
    ------
    HouseError
        There is no house file to start from.
    """
    house_file, _ = require_house(checked)
    return text_with_moves(house_file.read_text("utf-8-sig"), house_file, checked.result)


def write_week(checked: ShowCheck, target: Path) -> None:
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
    read_file = house_file if house_file is not None and not house_file.name.startswith(WEEK_PREFIX) else None
    untouched = [path.resolve() for path in (checked.standing_file, read_file) if path is not None]
    if target.exists() and target.resolve() in untouched:
        raise UsageError(str(target), "is the standing house file", "name another place for this week's")
    write_atomically(target, week_text(checked))


def reasons(checked: ShowCheck, source: str) -> list[str]:
    """Lines that tell how the moves of a source were found.

    Raises
    ------
    UsageError
        There is no such source.
    """
    name = require_source("--why", source, [listed.name for listed in checked.result.sources])
    result = next(listed for listed in checked.result.sources if listed.name == name)
    lines = [f"Why, at {result.name}:"]
    lines += [f"  found: {finding.text}" for finding in result.findings]
    plan = checked.plans.get(result.name)
    if plan is None:
        return [
            *lines,
            "  nothing is out of place that a setting of the desk could mend"
            if not result.findings
            else "  no move follows from it",
        ]
    lines += [f"  {remark_text(remark)}" for remark in plan.why]
    lines += [f"  move: {move.text}; undo: {move.undo}" for move in result.moves]
    return lines + [f"  stays: {remark_text(remark)}" for remark in plan.left_over]
