"""`deskhand store`: looks after the history: examined, written to one open file, read from it, repaired."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from deskhand.cli.options import history_option

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.house import FormerNames
    from deskhand.store.history import History

_MOST_LINES: Final = 20
"""Lines of damage that are printed: one screen. Common practice, no source."""

house_option = click.option(
    "--house", type=click.Path(path_type=Path), help="House file. Default: house.toml in this folder or above it."
)


@click.group()
def store() -> None:
    """Look after the history: check it, write it to one open file, read it back, repair it."""


def _url(history: str | None, house: Path | None) -> str:
    """URL of the history that is meant."""
    from deskhand.errors import UsageError
    from deskhand.house import find_house
    from deskhand.store import history_url

    house_file = house or find_house(Path())
    url = history_url(history, house_file.resolve().parent if house_file else None)
    if url is None:
        raise UsageError("the history", "has no place without a house file", "name it with --history")
    return url


def _names(house: Path | None) -> FormerNames:
    """What the house file says to its history: the one named, or in this folder or above it.

    Raises
    ------
    HouseError
        It cannot be read.
    """
    from deskhand.house import FormerNames, find_house, former_names, read_house, standing_file

    house_file = house or find_house(Path())
    if house_file is None:
        return FormerNames()
    standing = standing_file(house_file)
    return former_names(read_house(standing), standing)


def opened_history(history: str | None, house: Path | None) -> History:
    """History that is meant, opened."""
    from deskhand.errors import UsageError
    from deskhand.store.engine import shown
    from deskhand.store.history import open_history

    url = _url(history, house)
    opened = open_history(url)
    if opened is None:
        raise UsageError(shown(url), "is not there", "name a history with --history")
    return opened


def _rows_text(counts: Mapping[str, int]) -> str:
    """Text on how many rows each table has."""
    return ", ".join(f"{count} {table}" for table, count in counts.items() if count) or "nothing was kept yet"


def _print_damage(lines: Sequence[str]) -> None:
    for line in lines[:_MOST_LINES]:
        click.echo(f"  {line}")
    if len(lines) > _MOST_LINES:
        click.echo(f"  and {len(lines) - _MOST_LINES} more")


@store.command("check")
@house_option
@history_option
def check_store(house: Path | None, history: str | None) -> None:
    """Look for damage in every row: exit 0 where there is none, 1 where `repair` can put it right, 2 where it cannot be read."""
    from deskhand.store.examine import examine

    with closing(opened_history(history, house)) as opened:
        damage = examine(opened)
    if not damage.lines:
        click.echo(f"{opened.where}: whole, {damage.rows} rows.")
        return
    click.echo(f"{opened.where}: damaged; to put it right: deskhand store repair")
    _print_damage(damage.lines)
    raise SystemExit(1)


@store.command("export")
@click.argument("file", type=click.Path(path_type=Path))
@house_option
@history_option
def export_store(file: Path, house: Path | None, history: str | None) -> None:
    """Write the whole history to FILE: JSON Lines, a line a row, for any program and any database."""
    from deskhand.store.exchange import export_history
    from deskhand.store.people import FILE_NAME, StandIns

    names = _names(house)
    names.require_readings_shared()
    stand_ins = None
    if not names.sharing.names:
        stand_ins = StandIns(None if names.folder is None else names.folder / FILE_NAME)
        stand_ins.meet(names.people)
    with closing(opened_history(history, house)) as opened:
        counts = export_history(opened, file, stand_ins=stand_ins)
    click.echo(f"Written: {file}: {_rows_text(counts)}")


@store.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@house_option
@history_option
def import_store(file: Path, house: Path | None, history: str | None) -> None:
    """Read an exported FILE into a new history, every line checked: all of it or nothing."""
    from deskhand.errors import UsageError
    from deskhand.store.exchange import import_history
    from deskhand.store.history import open_history
    from deskhand.store.records import file_of

    url = _url(history, house)
    if not file.is_file():
        raise UsageError(str(file), "is not there", "name a file that store export wrote")
    database = file_of(url)
    was_there = database is None or database.exists()
    opened = open_history(url, create=True, names=_names(house))
    assert opened is not None
    try:
        with closing(opened):
            counts = import_history(opened, file)
    except BaseException:
        # nothing was imported: nothing is left
        if database is not None and not was_there:
            database.unlink(missing_ok=True)
        raise
    click.echo(f"{opened.where}: {_rows_text(counts)}")


@store.command("repair")
@click.option(
    "--copy",
    type=click.Path(path_type=Path),
    help="Where the copy goes that is made first. Default: beside the file; a server's has to be named.",
)
@house_option
@history_option
def repair_store(copy: Path | None, house: Path | None, history: str | None) -> None:
    """Make a copy, then put the history right: what can be read stays, what was lost is said."""
    from deskhand.tasks.store_repair import repair_history

    repaired = repair_history(_url(history, house), copy=copy)
    click.echo(f"Copy of it as it was: {repaired.copy}")
    for line in repaired.unread:
        click.echo(f"  {line}")
    damage = repaired.damage
    if not damage.lines and not repaired.unread:
        click.echo("No row breaks a rule; the months were counted anew.")
        return
    _print_damage(damage.lines)
    if damage.lost:
        click.echo(f"Lost (in the copy only): {_rows_text(damage.lost)}")
    if damage.emptied:
        click.echo(f"Emptied: {_rows_text(damage.emptied)}")
