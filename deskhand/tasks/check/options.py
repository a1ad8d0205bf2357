"""Options of a check, as the command line or the page gives them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from deskhand.recording.show import Phase, Tap


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckOptions:
    """Facts about the show that the caller knows; None where nothing is given."""

    phase: Phase | None = None
    tap: Tap | None = None
    date: str | None = None
    players: tuple[tuple[str, str], ...] = ()
    history: str | None = None
    """URL or file of the history; the one beside the house file by default."""
    leave: tuple[tuple[str, bool], ...] = ()
    """Findings to leave alone, by their id, and whether for good."""
    by: str = ""
    """Name of the person who leaves them alone."""
    named_sources: tuple[tuple[str, str], ...] = ()
    """Options that name a source, and the name: refused before anything is measured where the take has no such source."""
    named_moves: tuple[str, ...] = ()
    """Ids of moves, or sources, that the caller will ask for: refused likewise."""
    without: tuple[str, ...] = ()
    """Sources, or the mix, that are left out of what is kept: refused likewise where there is none."""
    to_be_kept: bool = False
    """Refuse a show that is kept already."""
