"""House files read: the standing one, a week's, and the one that is meant."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any, Final

from pydantic import ValidationError

from deskhand.errors import HouseError
from deskhand.house.chain_blocks import ChainBlock, make_block
from deskhand.house.mistakes import (
    HOUSE_ADAPTER,
    Location,
    first_error,
    in_the_file,
    line_of,
    lines_of,
    seat_mistake,
    sentence,
    worst,
)
from deskhand.language import follow_house
from deskhand.recording.names import key, nearest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from deskhand.house.model import HouseFile

FILE_NAME: Final = "house.toml"
WEEK_PREFIX: Final = "week-"
_LONGEST_STEM: Final = 100
"""Bytes of the middle of such a file's name, well under the 255 that file systems take. Common practice, no source."""


def parse_house(text: str, path: Path) -> HouseFile:
    """House from the text of its file.

    Raises
    ------
    HouseError
        The line, the key, the value, what is allowed and the nearest known key.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        line = re.search(r"\(at line (\d+), column \d+\)", message)
        where = f"{path.name}, line {line[1]}" if line else path.name
        problem = re.sub(r"\s*\(at [^)]*\)", "", message)
        raise HouseError(where, f"not readable as TOML: {problem[0].lower()}{problem[1:]}", "mend that line") from error
    except RecursionError as error:
        raise HouseError(path.name, "not readable as TOML: brackets inside brackets without end", "mend it") from error
    try:
        house = HOUSE_ADAPTER.validate_python(data)
    except ValidationError as error:
        raise first_error(path, text, data, error) from error
    if house.seat:
        seat_line = line_of(lines_of(text), ("seat", 0))
        raise HouseError(
            f"{path.name}, line {seat_line}", 'unknown table "seat"', 'write it as [[source]] with role = "seat"'
        )
    _check_names(path, text, house)
    house = house.with_seats_apart
    _check_seats(path, text, house)
    _check_monitors(path, text, house)
    return house


def _check_names(path: Path, text: str, house: HouseFile) -> None:
    """Refuse names used twice, tracks claimed twice, and a vocal that is no source."""
    numbers = lines_of(text)
    seen: dict[str, str] = {}
    claimed: dict[str, str] = {}
    for index, source in enumerate(house.source):
        where = f'{path.name}, line {line_of(numbers, ("source", index, "tracks"))}, source "{source.name}"'
        if key(source.name) in seen:
            raise HouseError(where, f'there is a source "{seen[key(source.name)]}" already', "give each its own name")
        seen[key(source.name)] = source.name
        if mistake := seat_mistake(source):
            problem, _, fix = mistake.partition("; ")
            raise HouseError(where, problem, fix)
        for track in source.tracks:
            if isinstance(track, int) and track < 1:
                raise HouseError(where, f"there is no channel {track}", "channels of a recording count from 1")
            name = str(track) if isinstance(track, int) else key(track)
            if name in claimed:
                owner = claimed[name]
                raise HouseError(
                    where, f'track "{track}" belongs to source "{owner}" already', "give each track to one source"
                )
            claimed[name] = source.name
    _check_former_names(path, numbers, house)
    if house.vocal and key(house.vocal.source) not in seen:
        near = nearest(house.vocal.source, [source.name for source in house.source], count=1)
        fix = f'did you mean "{near[0]}"?' if near else "name one of the sources"
        where = f"{path.name}, line {line_of(numbers, ('vocal', 'source'))}, [vocal]"
        raise HouseError(where, f'there is no source "{house.vocal.source}"', fix)


def _check_seats(path: Path, text: str, house: HouseFile) -> None:
    """Refuse limits that are none, and staff or a vocal at a source that is no seat, or is one."""
    numbers = lines_of(text)
    if house.limits is not None and house.limits.mistake:
        problem, _, fix = house.limits.mistake.partition("; ")
        raise HouseError(f"{path.name}, line {line_of(numbers, ('limits',))}, [limits]", problem, fix)
    seats = [source.name for source in house.seat]
    for index, member in enumerate(house.staff):
        where = f'{path.name}, line {line_of(numbers, ("staff", index, "seat"))}, staff "{member.name}"'
        if key(member.seat) not in map(key, seats):
            near = nearest(member.seat, seats, count=1)
            fix = f'did you mean "{near[0]}"?' if near else 'name a source of role "seat"'
            raise HouseError(where, f'there is no seat "{member.seat}"', fix)
        if member.to_s is not None and member.to_s <= member.from_s:
            raise HouseError(where, '"to" does not come after "from"', "swap the two")
    if house.vocal and key(house.vocal.source) in map(key, seats):
        where = f"{path.name}, line {line_of(numbers, ('vocal', 'source'))}, [vocal]"
        raise HouseError(where, f'"{house.vocal.source}" is a seat', "name a voice")


def _check_monitors(path: Path, text: str, house: HouseFile) -> None:
    """Refuse a mix on the stage that is written down twice: one of the two would be forgotten."""
    numbers = lines_of(text)
    seen: dict[str, str] = {}
    for index, monitor in enumerate(house.monitor):
        if key(monitor.mix) in seen:
            where = f'{path.name}, line {line_of(numbers, ("monitor", index, "mix"))}, monitor "{monitor.mix}"'
            raise HouseError(
                where, f'there is a monitor "{seen[key(monitor.mix)]}" already', "write all who hear it into one"
            )
        seen[key(monitor.mix)] = monitor.mix


def _check_former_names(path: Path, numbers: dict[Location, int], house: HouseFile) -> None:
    """Refuse an earlier name that another source has, or had: kept takes under it would belong to two."""
    owners = {key(source.name): source.name for source in house.source}
    for index, source in enumerate(house.source):
        for former in source.was:
            owner = owners.setdefault(key(former), source.name)
            if owner != source.name:
                where = f'{path.name}, line {line_of(numbers, ("source", index, "was"))}, source "{source.name}"'
                raise HouseError(
                    where, f'was "{former}", which belongs to source "{owner}"', "take it out of one of them"
                )


def read_house(path: Path) -> HouseFile:
    """House described by a file.

    Raises
    ------
    HouseError
        Not there, no text, or a mistake in it.
    """
    try:
        text = path.read_text("utf-8-sig")
    except FileNotFoundError as error:
        raise HouseError(str(path), "no such file", "write one with: deskhand new RECORDING") from error
    except (OSError, UnicodeDecodeError) as error:
        reason = (isinstance(error, OSError) and error.strerror) or error
        raise HouseError(path.name, f"cannot be read as text ({reason})", "name a house file") from error
    house = parse_house(text, path)
    follow_house(house.house.language)
    return house


def find_house(recording: Path) -> Path | None:
    """`house.toml` beside the recording or above it; None when there is none."""
    start = recording.resolve()
    for folder in (start, *start.parents):
        if (folder / FILE_NAME).is_file():
            return folder / FILE_NAME
    return None


def week_file(folder: Path, *, date: str | None, name: str) -> Path | None:
    """House file of one show's week, there or not: `week-DATE.toml`, or by the show's name where it has no date.

    Parameters
    ----------
    folder : Path
        Of the standing house file.
    date : str, optional
        Of the show, ISO 8601.
    name : str
        Of the show, or of its folder or file.

    Returns
    -------
    Path or None
        None for a name that no file can have.
    """
    stem = "".join(sign if sign.isalnum() or sign in "-_." else "-" for sign in (date or name)).strip(".-")
    fits = 0 < len(stem.encode("utf-8", "replace")) <= _LONGEST_STEM
    return folder / f"{WEEK_PREFIX}{stem}.toml" if fits else None


def standing_file(house_file: Path) -> Path:
    """The standing house file beside a week's; any other is its own."""
    beside = house_file.with_name(FILE_NAME)
    return beside if house_file.name.startswith(WEEK_PREFIX) and beside.is_file() else house_file


def settings_file(standing: Path, *, date: str | None, name: str) -> Path:
    """House file that holds for a show: this week's where there is one, else the standing one.

    Parameters
    ----------
    standing : Path
        The standing house file.
    date, name
        As for `week_file`.
    """
    week = week_file(standing.parent, date=date, name=name)
    return week if week is not None and week.is_file() else standing


def week_note(week: Path, standing: Path) -> str:
    """Note for people that this week's house file was read in place of the standing one; empty where it was not."""
    if week == standing:
        return ""
    return f"with this week's settings, {week.name}; --house {standing.name} for the standing ones"


def made_blocks(written: Sequence[Mapping[str, Any]]) -> list[ChainBlock]:
    """Blocks from their keys as the house file has them.

    Raises
    ------
    HouseError
        Which block of the chain, the key, the value, and what is allowed.
    """
    blocks = []
    for number, keys in enumerate(written, 1):
        try:
            blocks.append(make_block(keys))
        except ValidationError as error:
            first = worst(error.errors(include_url=False))
            location = ("source", 0, "chain", number - 1, *in_the_file(tuple(first["loc"])))
            problem, advice = sentence(first, location)
            name = keys.get("block")
            where = f"chain {number}" + (f", {name}" if isinstance(name, str) else "")
            raise HouseError(where, problem, advice) from None
    return blocks
