"""Orders and outcomes: what goes to a worker for one show, and what comes back; both are small, so that no memory grows with an archive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

KeepRule = Literal["marked", "faultless", "all", "none"]
KEEP_RULES: tuple[KeepRule, ...] = get_args(KeepRule)
Progress = Literal["checked", "there", "older", "measured-again", "failed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowOrder:
    """Check of one show, as it is handed to a worker."""

    path: str
    """Absolute path, or URL."""
    name: str
    """Path below what was named, by which its result is called."""
    house: str | None = None
    """House file; the one beside the show or above it by default."""
    history: str | None = None
    results: str | None = None
    """Folder of the results; beside the recording by default."""
    keep: KeepRule = "marked"
    by: str
    """Name of the person who runs the archive."""
    measure_again: bool = False
    """Measure shows again whose readings are of an earlier version; without it they are only told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowOutcome:
    """End of an order."""

    path: str
    progress: Progress
    line: str = ""
    """Reason for which it failed."""
    house: str | None = None
    """Name of its house."""
    house_file: str | None = None
    """House file that stands where the command runs; None for one in an object store."""
    shares_names: bool = True
    """False where its house file says that people's names stay in the house."""
    work_s: float = 0.0
    """Processor time that its check took, in seconds."""
    size_bytes: int = 0
    """Bytes of its files."""
