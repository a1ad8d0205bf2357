"""Settings sheet of a checked show: the house file that was read, the moves written in, set beside an earlier house file.

The command and the page print the same sheet because both come here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.house import parse_house, read_house, with_todays_names
from deskhand.report import sheet as report
from deskhand.tasks.week import text_with_moves

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.house import HouseFile
    from deskhand.report.sheet import Paper, Sheet
    from deskhand.result import CheckResult


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetOptions:
    """Choices of the person who prints a sheet."""

    since: Path | None = None
    """House file that changes are told against; by default the newest earlier week, or the standing house file."""
    paper: Paper = "a4"
    notes: tuple[str, ...] = ()
    jobs: tuple[str, ...] = ()
    """Jobs for next week, typed by a person."""


def _set_since(result: CheckResult, checked: HouseFile, saved: HouseFile) -> list[str]:
    """Sources with moves whose chain or fader was saved after the check: those moves start from settings that are gone."""
    before, after = (
        {source.name: (source.chain, source.fader_db, source.mute) for source in house.source}
        for house in (checked, saved)
    )
    return [
        source.name
        for source in result.sources
        if any(move.is_saved for move in source.moves) and before.get(source.name) != after.get(source.name)
    ]


def _read_from(house_file: Path, moves: int, set_since: Sequence[str]) -> str:
    """House file that the settings were read from, in words."""
    text = house_file.name
    if moves:
        text += f", with {moves} {'move' if moves == 1 else 'moves'} written in"
    if set_since:
        text += f"; {', '.join(set_since)} saved after the check: check again for what is left to turn there"
    return text


def _with_todays_names(since: Path, standing_file: Path) -> HouseFile:
    """House file of an earlier week, its sources called as they are today: what was renamed is no new input."""
    house = read_house(since)
    today = house if since == standing_file else read_house(standing_file)
    return parse_house(with_todays_names(since.read_text("utf-8-sig"), today), since)


def show_sheet(
    result: CheckResult,
    *,
    house_file: Path,
    standing_file: Path,
    house_text: str,
    saved_text: str | None = None,
    options: SheetOptions | None = None,
) -> Sheet:
    """Settings sheet of a checked show.

    Parameters
    ----------
    result : CheckResult
    house_file : Path
        House file that the check read: this week's, or the standing one.
    standing_file : Path
        The standing house file beside it.
    house_text : str
        Text of the house file as the check read it.
    saved_text : str, optional
        Text of the show's house file now, where it differs. Sources whose settings somebody saved after the check are printed as they
        stand; moves are written in for the others.
    options : SheetOptions, optional

    Raises
    ------
    HouseError
        A house file cannot be read.
    """
    options = options or SheetOptions()
    checked = parse_house(house_text, house_file)
    stands = house_text if saved_text is None else saved_text
    set_since = _set_since(result, checked, parse_house(stands, house_file))
    moves = {
        move.id for source in result.sources if source.name not in set_since for move in source.moves if move.is_saved
    }
    text = text_with_moves(stands, house_file, result, moves)
    since = options.since or report.find_since(standing_file, result.show.date)
    return report.make_sheet(
        result,
        parse_house(text, house_file),
        since=_with_todays_names(since, standing_file),
        since_name=report.since_name(since, standing_file),
        read_from=_read_from(house_file, len(moves), set_since),
        paper=options.paper,
        notes=options.notes,
        jobs=options.jobs,
    )
