"""Keys of the house file about the players' mixes: a wedge or in-ear monitors, and who hears it."""

from __future__ import annotations

from dataclasses import field

from pydantic.dataclasses import dataclass as checked

from deskhand.house.values import STRICT, Name


@checked(config=STRICT, kw_only=True)
class MonitorMix:
    """Mix on the stage that sources are sent to, and the people who hear it."""

    mix: Name
    """Name by which the sends call it."""
    heard_by: list[Name] = field(default_factory=list)
    """People by name; the name of a source stands for whoever plays it tonight."""
