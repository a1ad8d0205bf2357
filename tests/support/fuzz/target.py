"""Kind of input that is fuzzed: how a case is drawn, and how it is taken in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from deskhand.errors import DeskhandError
from tests.support.fuzz.audio import Wrong

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from random import Random

LONGEST_LINE = 2000
"""Signs of a line that a person can still read; a name that is given may be a line long itself."""


class Session(Protocol):
    """One run of a target in a folder of its own."""

    def draw(self, random: Random) -> bytes:
        """Draw a case; all of it is in the bytes."""

    def take(self, case: bytes) -> None:
        """Take a case in; a DeskhandError is a refusal, any other error a failure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One kind of input."""

    name: str
    open: Callable[[Path, bool], Session]
    """Session in a folder; with seeds that other programs write where the second is true."""
    tested: int
    """Cases in `make test`."""
    share: float
    """Share of a long run's time."""
    inputs: str
    """Input in words, for the page."""
    may_die: bool = False
    """Libraries of C read it: the case is written down before it is taken, lest the process dies of it."""


def is_taken(session: Session, case: bytes) -> bool:
    """True where a case was read, False where it was refused in one line.

    Raises
    ------
    Wrong
        Refused in a way that nobody can read.
    Exception
        Whatever else came of it.
    """
    try:
        session.take(case)
    except DeskhandError as error:
        line = str(error)
        if not line.strip() or len(line.splitlines()) != 1 or len(line) > LONGEST_LINE or "Traceback" in line:
            raise Wrong(f"refused, but not in one line: {line[:300]!r}") from error
        line.encode("utf-8", "surrogateescape")
        return False
    return True
