"""People's names where these do not leave the house: stand-ins written in their place, and read back as the names here.

Who stands behind which lies in a file beside the house file, which never leaves it.
"""

from __future__ import annotations

import os
import re
import time
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, get_args

from sqlalchemy import Text
from sqlalchemy.types import TypeDecorator

from deskhand.errors import HouseError, UsageError
from deskhand.files import write_atomically
from deskhand.house.roles import RoleName
from deskhand.store.records import AGAIN, ARCHIVE_MARKS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    import sqlalchemy as sa

FILE_NAME: Final = "people.toml"
NOBODY: Final = "somebody"
"""Stands for each name where there is no file to tell the people apart by."""
_WAIT_S: Final = 20.0
"""Time that one program waits for another that writes the file. Common practice, no source."""
_PAUSE_S: Final = 0.02
"""Pause before the lock is tried again. Common practice, no source."""
_STALE_S: Final = 10.0
"""Age from which on a lock was left by a program that ended: writing takes milliseconds. Common practice, no source."""
_KINDS: Final[dict[str, str]] = {
    "lead vocal": "singer", "backing vocal": "singer", "speech": "speaker", "guitar": "guitarist", "acoustic guitar": "guitarist",
    "bass": "bassist", "keys": "keyboard player", "kick": "drummer", "snare": "drummer", "toms": "drummer", "overheads": "drummer",
    "percussion": "percussionist", "": "engineer",
}  # fmt: skip
"""Stand-ins' words by the role of what somebody plays; who plays nothing is at the desk."""
_PLAYER: Final = "player"
_STAND_IN: Final = re.compile(rf"(?:{'|'.join(sorted({*_KINDS.values(), _PLAYER}))}) [1-9]\d*|{NOBODY}")
_KEPT_AS_THEY_ARE: Final = frozenset({"", *ARCHIVE_MARKS, AGAIN})
"""Values of a column of names that name nobody."""
_HEAD: Final = """\
# Who stands behind the stand-ins that a shared history and an export hold in place of names. This file stays in the house.
# Where the house file is copied to another computer, copy this one too.
"""


def is_stand_in(text: str) -> bool:
    """True for a text that stands for somebody and names nobody.

    Examples
    --------
    >>> is_stand_in("guitarist 2"), is_stand_in("Selma")
    (True, False)
    """
    return _STAND_IN.fullmatch(text) is not None


def names_nobody(text: str) -> bool:
    """True for a value of a column of names that names nobody: a stand-in, an archive's mark, nothing."""
    return text in _KEPT_AS_THEY_ARE or is_stand_in(text)


@dataclass(slots=True)
class StandIns:
    """Stand-ins of a house's people."""

    file: Path | None
    """None where names are left out: everybody is somebody."""
    _by_name: dict[str, str] = field(default_factory=dict)
    _names: dict[str, str] = field(default_factory=dict)
    _known: re.Pattern[str] | None = None
    _stood_in: re.Pattern[str] | None = None

    def __post_init__(self) -> None:
        self._read()

    def meet(self, people: Iterable[tuple[str, str]]) -> None:
        """Give each person of a name and role a stand-in, and write those down who are new.

        Parameters
        ----------
        people : iterable of (str, str)
            Name, and role of what is played; empty for whoever plays nothing.

        Raises
        ------
        UsageError, HouseError
            The file cannot be written, or is none of people.
        """
        strangers = {name: role for name, role in people if name not in self._by_name and not names_nobody(name)}
        if not strangers or self.file is None:
            return
        lock = _locked(self.file)
        try:
            self._read()
            for name, role in strangers.items():
                if name not in self._by_name:
                    self._by_name[name] = self._new(role)
            rows = [f"{_quoted(name)} = {_quoted(stand_in)}\n" for name, stand_in in self._by_name.items()]
            write_atomically(self.file, _HEAD + "".join(rows))
        finally:
            lock.unlink(missing_ok=True)
        self._take(self._by_name)

    def stand_in(self, name: str) -> str:
        """Stand-in of a person; what names nobody, or stands for somebody already, comes back as it is."""
        if names_nobody(name):
            return name
        self.meet([(name, "")])
        return self._by_name.get(name, NOBODY)

    def name_of(self, stand_in: str) -> str:
        """Name of the person for whom a stand-in stands; an unknown one comes back as it is."""
        return self._names.get(stand_in, stand_in)

    def without_names(self, text: str) -> str:
        """Text with stand-ins in place of the people who are known here."""
        return text if self._known is None else self._known.sub(lambda found: self._by_name[found[0]], text)

    def with_names(self, text: str) -> str:
        """Text with the people in place of their stand-ins."""
        return text if self._stood_in is None else self._stood_in.sub(lambda found: self._names[found[0]], text)

    def outward(self, column: sa.Column[Any], value: str) -> str:
        """Value of a column as it leaves the house."""
        if isinstance(column.type, PersonName):
            return self.stand_in(value)
        return self.without_names(value) if isinstance(column.type, TextWithNames) else value

    def _new(self, role: str) -> str:
        """Stand-in that nobody has."""
        kind = _KINDS.get(role, _PLAYER if role in get_args(RoleName) else _KINDS[""])
        taken = set(self._by_name.values())
        return next(name for number in range(1, len(taken) + 2) if (name := f"{kind} {number}") not in taken)

    def _read(self) -> None:
        if self.file is None or not self.file.is_file():
            return
        try:
            content = tomllib.loads(self.file.read_text("utf-8-sig"))
        except (OSError, ValueError) as error:
            problem = f"cannot be read ({' '.join(str(error).split())[:80]})"
            raise HouseError(
                str(self.file), problem, "put a copy in its place: it says who stands behind whom"
            ) from error
        if not all(isinstance(stand_in, str) and is_stand_in(stand_in) for stand_in in content.values()) or len(
            set(content.values())
        ) < len(content):
            fix = 'write each person once, with a stand-in of their own, like "Selma" = "guitarist 2"'
            raise HouseError(str(self.file), "holds something that is no person's stand-in", fix)
        self._take(content)

    def _take(self, by_name: Mapping[str, str]) -> None:
        self._by_name = dict(by_name)
        self._names = {stand_in: name for name, stand_in in by_name.items()}
        self._known, self._stood_in = _any_of(self._by_name), _any_of(self._names)


def _any_of(words: Iterable[str]) -> re.Pattern[str] | None:
    """Pattern of whole words, the longest first; None where there are none."""
    longest_first = sorted(words, key=len, reverse=True)
    return re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, longest_first))})(?!\w)") if longest_first else None


def _quoted(text: str) -> str:
    """Text as a basic string of TOML."""
    import tomlkit

    return tomlkit.string(text).as_string()


def _locked(file: Path) -> Path:
    """Lock beside a file, taken when no other program has it; whoever takes it removes it.

    Raises
    ------
    UsageError
        The folder cannot be written, or another program does not let go.
    """
    lock = file.with_name(f".{file.name}.lock")
    end_s = time.monotonic() + _WAIT_S
    while True:
        try:
            os.close(os.open(lock, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        except FileExistsError:
            _remove_stale(lock)
            if time.monotonic() > end_s:
                raise UsageError(
                    str(file), "is being written by another program", f"try again, or remove {lock}"
                ) from None
            time.sleep(_PAUSE_S)
        except OSError as error:
            fix = "let this user write there: it says who stands behind whom"
            raise UsageError(str(file), f"cannot be written ({error.strerror})", fix) from error
        else:
            return lock


def _remove_stale(lock: Path) -> None:
    """Remove a lock that a program left behind which ended."""
    try:
        if time.time() - lock.stat().st_mtime > _STALE_S:
            lock.unlink()
    except FileNotFoundError:
        pass


def stand_ins_of(dialect: Any) -> StandIns | None:
    """Stand-ins of the history that a dialect belongs to; None where names are written as they are."""
    return getattr(dialect, "stand_ins", None)


def use_stand_ins(engine: sa.Engine, stand_ins: StandIns) -> None:
    """Have an engine write stand-ins in place of names, and read them back."""
    # an engine has a dialect of its own, which is all that a column's type is told
    engine.dialect.stand_ins = stand_ins  # type: ignore[attr-defined]


class PersonName(TypeDecorator[str]):
    """Name of a person: as it is, or a stand-in where names do not leave the house."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Any) -> str | None:
        """Name on its way into the database."""
        stand_ins = stand_ins_of(dialect)
        return value if value is None or stand_ins is None else stand_ins.stand_in(value)

    def process_result_value(self, value: Any, dialect: Any) -> Any:
        """Name on its way out; a damaged row may hold anything."""
        stand_ins = stand_ins_of(dialect)
        return value if stand_ins is None or not isinstance(value, str) else stand_ins.name_of(value)


class TextWithNames(TypeDecorator[str]):
    """Text that a person wrote, in which people may be named."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Any) -> str | None:
        """Text on its way into the database."""
        stand_ins = stand_ins_of(dialect)
        return value if value is None or stand_ins is None else stand_ins.without_names(value)

    def process_result_value(self, value: Any, dialect: Any) -> Any:
        """Text on its way out."""
        stand_ins = stand_ins_of(dialect)
        return value if stand_ins is None or not isinstance(value, str) else stand_ins.with_names(value)


class PlayerName(PersonName):
    """Name of a player; left out where there is no file to tell the players apart by."""

    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Any) -> str | None:
        """Name on its way into the database."""
        name = super().process_bind_param(value, dialect)
        return None if name == NOBODY else name
