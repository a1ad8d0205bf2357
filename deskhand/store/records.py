"""What goes into the history and comes out of it, and where it lies; needs no database library, so a check without one starts at once."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal
from urllib.parse import quote, unquote

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

DEFAULT_NAME: Final = "history.sqlite"
_VARIABLE: Final = "DESKHAND_HISTORY"

Place = Literal["tap", "after", "sound", "feed", "mix"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPart:
    """What was read of a source at one place."""

    source: str
    stage: Place
    sound: int = 0
    """Which of its sounds, from 1; 0 is all of it."""
    role: str
    player: str | None = None
    tap: str
    chain: str | None = None
    """Digest of the blocks that were run; None where none were."""
    playing_s: float
    values: Mapping[str, tuple[float, float | None]]
    """Name of the reading to its value and half the width of its 95 % interval."""
    take: int = 0
    """Number of its take; 0 before it is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptTake:
    """A take as it is written."""

    house: str
    show: str
    date: str | None
    phase: str
    duration_s: float
    sample_rate_hz: int
    recording: str
    house_hash: str
    deskhand: str
    note: str = ""
    kept_by: str = ""
    parts: Sequence[KeptPart] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeRow:
    """A take as it is listed."""

    id: int
    house: str
    show: str
    date: str | None
    phase: str
    duration_s: float
    recording: str
    house_hash: str
    note: str
    kept_by: str
    kept_at: str
    forgotten_by: str | None
    forgotten_at: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Dismissal:
    """A finding that nobody wants to hear of."""

    id: int = 0
    source: str
    kind: str
    metric: str | None
    show: str
    date: str | None
    for_good: bool
    measured: float | None
    values: Mapping[str, float] = field(default_factory=dict)
    """The readings that were found to be as liked, for the reference to learn from."""
    note: str = ""
    said_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindTest:
    """A blind listening test (ABX): whether a person could tell two renderings of a source apart."""

    id: int = 0
    source: str
    show: str
    date: str | None
    compared: str
    """What against what, in words."""
    trials: int
    right: int
    """How many of the trials were told right."""
    p_value: float
    """Chance of as many right or more by guessing."""
    note: str = ""
    said_by: str = ""
    """Who listened."""
    said_at: str = ""
    """When it was written, in UTC; empty before."""


def history_url(given: str | None, folder: Path | None) -> str | None:
    """The URL of the history: as asked, as the environment says, or the file beside the house file.

    Parameters
    ----------
    given : str, optional
        A URL, or the path of an SQLite file.
    folder : Path, optional
        Where the house file lies; None when there is none.
    """
    text = given or os.environ.get(_VARIABLE)
    if text:
        # a single letter before a colon is a drive
        return text if re.match(r"^[A-Za-z][A-Za-z0-9+]+:", text) else _url_of(Path(text))
    return None if folder is None else _url_of(folder / DEFAULT_NAME)


def _url_of(path: Path) -> str:
    """The URL of an SQLite file; signs that mean something in a URL are written as their numbers."""
    return f"sqlite:///{quote(str(path.resolve()), safe='/:')}"


def file_of(url: str) -> Path | None:
    """The SQLite file a URL means; None for a server."""
    return Path(unquote(url.removeprefix("sqlite:///"))) if url.startswith("sqlite:///") else None
