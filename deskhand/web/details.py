"""Details of a recording that a person puts right on the page, written where the command reads them: its `show.toml`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.errors import DeskhandError
from deskhand.recording.show import show_note_of, write_show_note

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowDetails:
    """Date, phase, tap and players of a recording, as a person put them right; None where the note says it."""

    date: str | None = None
    phase: str | None = None
    tap: str | None = None
    players: dict[str, str]

    @property
    def options(self) -> str:
        """Options of the command that say what only the page knows; empty where there is nothing."""
        values = {"date": self.date, "phase": self.phase, "tap": self.tap}
        return " ".join(f"--{name} {value}" for name, value in values.items() if value is not None)


def write_details(recording: Path, root: Path, details: ShowDetails) -> ShowDetails:
    """Write details into the `show.toml` beside a recording; return those that only the page knows.

    A recording that is a single file shares its folder with others, and a card is only read: there nothing is written.

    Parameters
    ----------
    recording : Path
    root : Path
        Folder of the house.
    details : ShowDetails
    """
    changes: dict[str, str | None] = {"date": details.date, "phase": details.phase, "tap": details.tap}
    own_folder = recording.is_dir() and recording != root and recording.resolve().is_relative_to(root)
    try:
        note = show_note_of(recording)
        before = {"date": note.date, "phase": note.phase, "tap": note.tap}
        changes = {name: value for name, value in changes.items() if value != before[name]}
        if changes and own_folder:
            write_show_note(recording, changes)
            changes = {}
    except DeskhandError:
        pass  # a note that nobody can read or write: the page remembers what was put right
    return ShowDetails(**changes, players=details.players)
