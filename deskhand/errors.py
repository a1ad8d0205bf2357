"""The one tree of errors.

    DeskhandError
    ├── UsageError       wrong use of a command or a function
    ├── RecordingError   a file or folder of audio
    ├── HouseError       the house file or show.toml
    ├── HistoryError     the store of kept shows
    ├── MeasureError     a signal that cannot be measured
    └── LiveError        an audio interface, or what comes from it

Each says where (file, channel, time or key), what the problem is, and what to do; `str()` is one line of the three.
They are caught, and told to a person, by `cli.group` and by the local page (`web`); a few callers catch one to go on without.
"""

from __future__ import annotations


class DeskhandError(Exception):
    """A mistake a person can put right.

    Parameters
    ----------
    where : str
        The file, channel, time or key.
    problem : str
        What was found, and what is allowed.
    fix : str
        What to do about it.
    """

    def __init__(self, where: str, problem: str, fix: str) -> None:
        super().__init__(where, problem, fix)
        self.where = where
        self.problem = problem
        self.fix = fix

    def __str__(self) -> str:
        line = f"{self.where}: {self.problem}; {self.fix}"
        return " ".join(line.split())


class UsageError(DeskhandError):
    """A command or function was used wrongly."""


class RecordingError(DeskhandError):
    """A recording cannot be read as asked."""


class HouseError(DeskhandError):
    """The house file or show.toml holds a mistake."""


class HistoryError(DeskhandError):
    """The store of kept shows cannot be opened, read or written."""


class MeasureError(DeskhandError):
    """A signal that cannot be measured: wrong shape, or values that are not finite."""


class LiveError(DeskhandError):
    """An audio interface cannot be opened, went away or changed."""
