"""Records that go into the history and come out of it, and its URL; needs no database library, so a check without one starts at once."""

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
"""File beside the house file."""
_VARIABLE: Final = "DESKHAND_HISTORY"
"""Environment variable that names another history."""

PartStage = Literal["tap", "after", "sound", "feed", "mix", "turn"]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptPart:
    """Readings of a source in one take at one stage."""

    source: str
    stage: PartStage
    sound: int = 0
    """Number of one of its sounds, from 1; 0 is all of it."""
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
    other_version: frozenset[str] = frozenset()
    """Names of readings that it holds by another definition than today's: they are not among the values."""


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
    start_s: float | None = None
    """Begin of the stretch in the recording; None where nobody wrote it down."""
    digest: str | None = None
    """Digest of the recording's files; None where nobody wrote it down."""
    left_out: Sequence[str] = ()
    """Sources whose readings are not kept."""
    faults: Sequence[str] = ()
    """Ids of the serious findings with which it is kept."""
    measured_at: str | None = None
    """Time at which it was measured again, in UTC; None where it was measured when it was kept."""
    versions: Mapping[str, int] = field(default_factory=dict)
    """Name of a reading to the version of its definition; one that ends in a dot stands for all its bands, others are of version 1."""
    fingerprint: bytes | None = None
    """Packed fingerprint of its band; None where it has none."""
    songs: Sequence[tuple[str, float]] = ()
    """Names of its songs and where each begins, in seconds from the start of the take."""
    tones: bytes | None = None
    """Packed courses of its sources' tones; None where it has none, or no fingerprint."""


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
    sample_rate_hz: int = 0
    start_s: float | None = None
    """Begin of the stretch in the recording; None where nobody wrote it down."""
    digest: str | None = None
    """Digest of the recording's files; None where nobody wrote it down."""
    left_out: tuple[str, ...] = ()
    """Sources whose readings are not kept."""
    faults: tuple[str, ...] = ()
    """Ids of the serious findings with which it is kept."""
    measured_at: str | None = None
    """Time at which it was measured again, in UTC; None where it was measured when it was kept."""
    replaced_by: int | None = None
    """Number of the take that holds it measured again; None where none does."""
    restored_by: str | None = None
    """Name of the person who put it back after it was taken out."""
    restored_at: str | None = None


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
    version: int = 1
    """Version of the definition of those readings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BlindTest:
    """A blind listening test (ABX) of two renderings of a source."""

    id: int = 0
    source: str
    show: str
    date: str | None
    compared: str
    """Two renderings that were compared, in words."""
    trials: int
    """Trials, fixed before it began."""
    answered: int | None = None
    """Trials with an answer: fewer where it was broken off; None where nobody counted, which is all."""
    right: int
    """Trials in which they were told apart rightly."""
    p_value: float
    """Chance of as many right or more by guessing."""
    earlier: int = 0
    """Blind tests of the source in the show before this one, those that were broken off among them."""
    note: str = ""
    said_by: str = ""
    """Person who listened."""
    said_at: str = ""
    """Time of writing, in UTC; empty before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeskChange:
    """A move that a person did or declined: where, from what to what, and in which take it was asked for."""

    id: int = 0
    show: str
    date: str | None
    take: str
    """Digest of the take in which it was asked for."""
    source: str
    move: str
    """Id of the move in the result of that take."""
    where: str
    block: str | None
    """Kind of block; None for what is no block."""
    on: str
    settings: Mapping[str, tuple[float | None, float, str]]
    """Name of each setting to what it was, what it is, and its unit."""
    text: str
    """Sentence of the move, as it was read."""
    findings: tuple[str, ...] = ()
    """Ids of the findings that it answers."""
    level_dbfs: float | None = None
    """Level of its source at the tap of that take."""
    done: bool = True
    """False where it was declined."""
    said_by: str = ""
    said_at: str = ""
    """Time of writing, in UTC; empty before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HandoverNote:
    """Note or job that somebody left for the next evening."""

    id: int = 0
    date: str | None
    """Evening on which it was left."""
    source: str = ""
    """Input that it is about; empty where it is about none."""
    text: str
    is_job: bool = False
    said_by: str
    said_at: str = ""
    """Time of writing, in UTC; empty before."""
    done_by: str | None = None
    """Who did the job; None while it is open."""
    done_at: str | None = None

    def __str__(self) -> str:
        """Note with its input and who left it, in one line."""
        about = f"{self.source}: " if self.source else ""
        return f"{about}{self.text}" + (f" ({self.said_by})" if self.said_by else "")


def history_url(given: str | None, folder: Path | None) -> str | None:
    """URL of the history: as asked, as the environment says, or the file beside the house file.

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
    """URL of an SQLite file; signs that mean something in a URL are written as their numbers."""
    return f"sqlite:///{quote(str(path.resolve()), safe='/:')}"


def file_of(url: str) -> Path | None:
    """SQLite file that a URL means; None for a server."""
    return Path(unquote(url.removeprefix("sqlite:///"))) if url.startswith("sqlite:///") else None
