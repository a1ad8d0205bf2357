"""Earlier names of a house and its sources: followed through older files and kept takes, and written where something is renamed."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from deskhand.errors import HouseError, UsageError
from deskhand.house.read import FILE_NAME, parse_house, read_house, standing_file
from deskhand.house.sharing import SharingTerms
from deskhand.recording.names import key

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.house.model import HouseFile


@dataclass(frozen=True, slots=True, kw_only=True)
class FormerNames:
    """Names that a house and its sources had, and those they have today; names as they were written.

    With them what else a house file says to its history: where its takes are made, and what may leave the house.
    """

    house: str = ""
    houses: tuple[str, ...] = ()
    """Earlier names of the house."""
    sources: Mapping[str, str] = field(default_factory=dict)
    """Earlier name of a source to today's."""
    room: str = ""
    desk: str = ""
    sharing: SharingTerms = field(default_factory=SharingTerms)
    people: tuple[tuple[str, str], ...] = ()
    """People whom the house file names, each with the role of what they play."""
    folder: Path | None = None
    """Folder of the house file, where it stays; None where it does not, or there is none."""

    def require_readings_shared(self) -> None:
        """Refuse to let readings out where the house file says that they stay.

        Raises
        ------
        HouseError
            It says so.
        """
        if not self.sharing.readings:
            raise HouseError(
                f"{self.house}, [sharing]",
                "readings = false: nothing is written to a shared history and nothing is exported",
                "take the line out, or use a history file of this house",
            )

    def is_here(self, room: str, desk: str) -> bool:
        """True for a take of this room and desk, as far as both sides name them."""
        pairs = ((self.room, room), (self.desk, desk))
        return all(own == other for own, other in pairs if own and other)

    def houses_of(self, house: str) -> tuple[str, ...]:
        """All names of a house, whichever of them is asked for."""
        names = (self.house, *self.houses)
        return names if house in names else (house,)

    def source(self, name: str) -> str:
        """Today's name of a source."""
        return self.sources.get(name, name)

    def sources_of(self, name: str) -> tuple[str, ...]:
        """All names of a source, today's first, whichever of them is asked for."""
        today = self.source(name)
        return today, *(former for former, new in self.sources.items() if new == today)

    def finding(self, id_: str) -> str:
        """Id of a finding or a move, which begins with its source's name, under today's name."""
        former = next((former for former in self.sources if id_.startswith(f"{former}/")), None)
        return id_ if former is None else self.sources[former] + id_[len(former) :]


def people_of(house: HouseFile) -> tuple[tuple[str, str], ...]:
    """People whom a house file names, each with the role of what they play; empty for those who play nothing."""
    sources = {source.name for source in house.source}
    people = {source.player: str(source.role) for source in house.source if source.player is not None}
    others = [member.name for member in house.staff]
    others += [name for mix in house.monitor for name in mix.heard_by if name not in sources]
    return tuple((people | {name: people.get(name, "") for name in others}).items())


def former_names(house: HouseFile, house_file: Path | None = None) -> FormerNames:
    """Earlier names that a house file tells of, and what else it says to the history.

    Parameters
    ----------
    house : HouseFile
    house_file : Path, optional
        Where it lies; without it nobody can tell the people apart whose names do not leave the house.
    """
    return FormerNames(
        house=house.house.name,
        houses=tuple(name for name in house.house.was if name != house.house.name),
        sources={
            former: source.name
            for source in (*house.source, *house.seat)
            for former in source.was
            if former != source.name
        },
        room=house.house.room or "",
        desk=house.house.desk or "",
        sharing=house.sharing,
        people=people_of(house),
        folder=None if house_file is None else house_file.resolve().parent,
    )


def names_at(house_file: Path | None) -> FormerNames:
    """Earlier names that the standing house file tells of; none where it cannot be read, which is told where it matters.

    People's names stay in the house where it cannot be read: it may say so.
    """
    try:
        return FormerNames() if house_file is None else _names_of_file(house_file)
    except HouseError:
        return FormerNames(sharing=SharingTerms(names=False))


def _names_of_file(house_file: Path) -> FormerNames:
    """Names of the standing house file, and the room and desk of the one that holds."""
    standing = standing_file(house_file)
    names = former_names(read_house(standing), standing)
    if standing == house_file:
        return names
    week = read_house(house_file).house
    return replace(names, room=week.room or "", desk=week.desk or "")


def with_todays_names(text: str, today: HouseFile) -> str:
    """House file of an earlier week, its house and sources called as they are today; its comments and layout kept.

    Parameters
    ----------
    text : str
        What cannot be read comes back as it is.
    today : HouseFile
        Standing one, which tells the earlier names.
    """
    names = former_names(today)
    if not names.sources and not names.houses:
        return text
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return text
    import tomlkit

    by_key = {key(former): new for former, new in names.sources.items()}
    taken = {key(str(table.get("name", ""))) for table in _tables(data.get("source"))}
    was = {key(source.name): list(source.was) for source in (*today.source, *today.seat) if source.was}
    document: Any = tomlkit.parse(text)
    for table in _tables(document.get("source")):
        new = by_key.get(key(str(table.get("name", ""))))
        if new is not None and key(new) not in taken:
            table["name"] = new
        _remember(table, was.get(key(str(table.get("name", ""))), []))
    house, vocal = document.get("house"), document.get("vocal")
    if isinstance(house, dict) and house.get("name") in names.houses_of(names.house):
        if house["name"] != names.house:
            house["name"] = names.house
        _remember(house, list(today.house.was))
    if isinstance(vocal, dict) and key(str(vocal.get("source", ""))) in by_key:
        vocal["source"] = by_key[key(str(vocal["source"]))]
    for member in _tables(document.get("staff")):
        member["seat"] = by_key.get(key(str(member.get("seat", ""))), member.get("seat"))
    return tomlkit.dumps(document)


def _remember(table: Any, was: list[str]) -> None:
    """Write earlier names into a table, where they are not there already."""
    if was and table.get("was") != was:
        table["was"] = was


def _tables(value: Any) -> list[dict[str, Any]]:
    """Tables of a list, as far as it is one."""
    return [table for table in value if isinstance(table, dict)] if isinstance(value, list) else []


def with_new_name(text: str, source: str | None, name: str) -> str:
    """House file in which a source, or the house itself, has another name and remembers the earlier one.

    Parameters
    ----------
    text : str
        The standing house file.
    source : str or None
        None for the house.
    name : str
        New name.

    Raises
    ------
    HouseError
        There is no such source, or what comes out is no house file.
    UsageError
        It is called so already, or the name is empty.
    """
    import tomlkit

    parse_house(text, Path(FILE_NAME))
    document: Any = tomlkit.parse(text)
    table = document["house"] if source is None else _source_table(document, source)
    old, new = str(table["name"]), name.strip()
    if not new:
        raise UsageError(f'"{old}"', "needs a name", "write one")
    if new == old:
        raise UsageError(f'"{old}"', "is called so already", "write another name")
    earlier = [former for former in map(str, table.get("was", [])) if former not in (new, old)]
    table["name"] = new
    table["was"] = [*earlier, old]
    vocal = document.get("vocal", {})
    if source is not None and key(str(vocal.get("source", ""))) == key(old):
        vocal["source"] = new
    for member in _tables(document.get("staff")) if source is not None else ():
        if key(str(member.get("seat", ""))) == key(old):
            member["seat"] = new
    renamed_text = tomlkit.dumps(document)
    parse_house(renamed_text, Path(FILE_NAME))
    return renamed_text


def _source_table(document: Any, source: str) -> Any:
    """Table of a source in a house file."""
    table = next((table for table in document.get("source", []) if key(str(table["name"])) == key(source)), None)
    if table is None:
        raise HouseError(FILE_NAME, f'there is no source "{source}"', "read the page again")
    return table
