"""Kept takes of houses that a house file does not know: those of its own earlier name, perhaps."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from deskhand.store.history import History


def unknown_houses(history: History, *, house: str) -> dict[str, int]:
    """Other houses whose kept takes in a history's file end before this house's begin, with how many these are.

    Houses that share a file or a server keep takes side by side; a house that was renamed goes on where the other name ends.

    Parameters
    ----------
    history : History
        On a server, which many houses share, none is told.
    house : str
    """
    with history.transaction() as connection:
        if connection.dialect.name != "sqlite":
            return {}
    own = set(history.names.houses_of(house))
    rows = history.takes()
    begin = min((row.kept_at for row in rows if row.house in own), default=None)
    names = dict.fromkeys(row.house for row in rows if row.house not in own)
    kept_at = {name: [row.kept_at for row in rows if row.house == name] for name in names}
    return {name: len(times) for name, times in kept_at.items() if begin is None or max(times) <= begin}


def unknown_house_text(houses: dict[str, int]) -> str:
    """Line for people on kept takes of houses that the house file does not know; empty where there are none."""
    if not houses:
        return ""
    name, count = max(houses.items(), key=lambda item: item[1])
    takes = f'{count} kept {"take" if count == 1 else "takes"} of "{name}"'
    more = f" (and {len(houses) - 1} more {'house' if len(houses) == 2 else 'houses'})" if len(houses) > 1 else ""
    return (
        f"the history beside the house file holds {takes}{more}, a house that it does not know: where that is an earlier name of "
        f'this one, write was = ["{name}"] under [house]'
    )
