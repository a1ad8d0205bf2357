"""The house's folder as the page sees it: recordings, this week's files, and checks that were made.

Pages name a recording by a short digest of where it lies, never by a path: what is not found by looking through the folder
cannot be asked for.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
import time
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.errors import DeskhandError, HouseError, RecordingError, UsageError
from deskhand.files import KEPT_IN, write_atomically
from deskhand.house import FILE_NAME, WEEK_PREFIX, HouseFile, parse_house, read_house, week_file, with_todays_names
from deskhand.recording import show_note_of
from deskhand.recording.files import AUDIO_SUFFIXES
from deskhand.recording.names import part_of
from deskhand.recording.probe import probe
from deskhand.result import from_plain, plain
from deskhand.web.details import ShowDetails, write_details
from deskhand.web.stored_pictures import picture_of, plain_picture

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from deskhand.report.pictures import Picture
    from deskhand.result import CheckResult

_DEPTH: Final = 3
"""Folders below the hall in which recordings are looked for: year, show, and a recorder's own. Common practice, no source."""
_LOOK_AGAIN_S: Final = 1.0
"""Seconds between two looks: ten years of weekly shows take a tenth of a second or two to look through. Common practice, no source."""


@lru_cache(maxsize=1000)
def _began(file: Path, changed: float) -> float:
    """Time at which a file's recording began, in seconds since 1970: when it was written, less its length where that can be told."""
    try:
        return changed - probe(file).duration_s
    except RecordingError:
        return changed


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """A recording of the hall: where it lies, its show, and when it changed."""

    id: str
    path: Path
    name: str
    """Name of its show, or of its folder or file."""
    date: str | None
    phase: str | None
    tap: str | None
    changed: float
    """When the newest of its files was written, in seconds since 1970."""
    began: float
    """When its recording began, in seconds since 1970; `changed` where its date is known, or its length is not."""
    size: int
    """Bytes of audio."""
    problem: str | None = None
    """Reason for which its `show.toml` cannot be read."""

    @property
    def written(self) -> datetime:
        """Time at which it was written, by this computer's clock; a desk's clock may have been wrong."""
        return datetime.fromtimestamp(self.changed).astimezone()

    @property
    def evening(self) -> str:
        """Date of its show; without one, of the evening it began, which may lie before midnight (ISO 8601)."""
        if self.date is not None:
            return self.date
        return f"{datetime.fromtimestamp(self.began).astimezone():%Y-%m-%d}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoredCheck:
    """A check of a recording, as it is stored and shown."""

    shelf: Shelf
    result: CheckResult
    pictures: dict[str, Picture]
    house_text: str
    """The house file it was made with."""
    moves_text: str
    """The house file with the moves that were proposed."""
    take: str
    """Digest of the take."""


def digest(text: str) -> str:
    """A number that tells one text from another (SHA-256, FIPS 180-4), in hexadecimal digits."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


class Hall:
    """One house folder.

    Parameters
    ----------
    root : Path
        Where the house file lies, or will lie; recordings are looked for in it.
    also : sequence of Path
        Other folders in which recordings appear, such as a card; only read.

    Raises
    ------
    UsageError
        No such folder.
    """

    def __init__(self, root: Path, also: Sequence[Path] = ()) -> None:
        for folder in (root, *also):
            if not folder.is_dir():
                raise UsageError(str(folder), "is no folder", "name the folder of the house file and its recordings")
        self.root = root.resolve()
        self.also = tuple(folder.resolve() for folder in also)
        self.lock = threading.Lock()
        """Held while a file of the house is read, changed and written."""
        self._looking = threading.Lock()
        self._looked_s = -np.inf
        self._recordings: list[Shelf] = []

    # --- the house file and this week's

    @property
    def house_file(self) -> Path:
        """The standing house file, there or not."""
        return self.root / FILE_NAME

    @property
    def has_house(self) -> bool:
        """True where the standing house file was written already."""
        return self.house_file.is_file()

    def house(self) -> HouseFile:
        """The standing house.

        Raises
        ------
        HouseError
            There is none, or a mistake in it.
        """
        return read_house(self.house_file)

    def week_file(self, shelf: Shelf) -> Path:
        """This week's house file of a show, there or not."""
        named = week_file(self.root, date=shelf.date, name=shelf.name)
        return named if named is not None else self.root / f"{WEEK_PREFIX}{shelf.id}.toml"

    def file_of(self, shelf: Shelf) -> Path:
        """The house file that holds for a show: this week's when there is one."""
        week = self.week_file(shelf)
        return week if week.is_file() else self.house_file

    def text_of(self, shelf: Shelf) -> str:
        """The text of the house file that holds for a show, its sources called as they are today.

        Raises
        ------
        HouseError
            It cannot be read.
        """
        file = self.file_of(shelf)
        house_text = self._text(file)
        if file == self.house_file or not self.has_house:
            return house_text
        # a week that was written before something was renamed
        return with_todays_names(house_text, self.house())

    def standing_text(self) -> str:
        """The text of the standing house file.

        Raises
        ------
        HouseError
            It cannot be read.
        """
        return self._text(self.house_file)

    def _text(self, path: Path) -> str:
        try:
            return path.read_text("utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            reason = (isinstance(error, OSError) and error.strerror) or error
            raise HouseError(path.name, f"cannot be read ({reason})", "see that it is there and may be read") from error

    def house_of(self, shelf: Shelf) -> HouseFile:
        """The house as it holds for a show."""
        return parse_house(self.text_of(shelf), self.file_of(shelf))

    # --- recordings

    def recordings(self) -> list[Shelf]:
        """All recordings, newest first; looked for at most once a second."""
        with self._looking:
            if time.monotonic() - self._looked_s > _LOOK_AGAIN_S:
                self._recordings = self._look()
                self._looked_s = time.monotonic()
            return self._recordings

    def look_again(self) -> None:
        """Forget the recordings that were found: something was said or written."""
        self._looked_s = -np.inf

    def _look(self) -> list[Shelf]:
        shelves: dict[str, Shelf] = {}
        for base in (self.root, *self.also):
            for path, files in _walk(base, base, 0):
                shelf = self._shelf(path, files, base)
                if shelf is not None:
                    shelves.setdefault(shelf.id, shelf)
        return sorted(
            shelves.values(),
            key=lambda shelf: (shelf.evening, shelf.changed),
            reverse=True,
        )

    def recording(self, id_: str) -> Shelf | None:
        """Recording of an id; None when there is none."""
        return next((shelf for shelf in self.recordings() if shelf.id == id_), None)

    def _shelf(self, path: Path, files: list[Path], base: Path) -> Shelf | None:
        try:
            stats = [file.stat() for file in files]
        except OSError:
            return None  # a card that was just pulled out
        problem = None
        note = None
        try:
            note = show_note_of(path)
        except DeskhandError as error:
            problem = str(error)
        where = f"{base}\0{path.relative_to(base)}" if base != self.root else str(path.relative_to(base))
        details = self.details(id_ := digest(where)[:12])
        date = details.date or (note.date if note else None)
        changed = max(stat.st_mtime for stat in stats)
        first_s, first_file = min((stat.st_mtime, file) for file, stat in zip(files, stats, strict=True))
        return Shelf(
            id=id_,
            path=path,
            name=(note.name if note and note.name else None) or (path.name if path.is_dir() else path.stem),
            date=date,
            phase=details.phase or (note.phase if note else None),
            tap=details.tap or (note.tap if note else None),
            changed=changed,
            began=changed if date is not None else _began(first_file, first_s),
            size=sum(stat.st_size for stat in stats),
            problem=problem,
        )

    # --- details and checks

    def own_folder(self) -> Path:
        """The hidden folder in which the page keeps what can be made again; made where it is not there.

        Raises
        ------
        UsageError
            It cannot be made.
        """
        folder = self.root / KEPT_IN
        try:
            folder.mkdir(exist_ok=True)
        except OSError as error:
            raise UsageError(str(folder), f"cannot be made ({error.strerror})", "let this user write there") from None
        return folder

    def _stored_path(self, name: str) -> Path:
        return self.own_folder() / name

    def details(self, id_: str) -> ShowDetails:
        """Details of a recording as a person put them right; empty when nobody did."""
        data = self._read(f"asked-{id_}.json")
        if not isinstance(data, dict):
            return ShowDetails(players={})
        known = {name: data.get(name) for name in ("date", "phase", "tap")}
        players = data.get("players")
        return ShowDetails(
            **{name: value for name, value in known.items() if isinstance(value, str)},
            players={str(source): str(player) for source, player in players.items()}
            if isinstance(players, dict)
            else {},
        )

    def set_details(self, shelf: Shelf, details: ShowDetails) -> None:
        """Write the details of a recording into its `show.toml`, and store those that cannot be written there."""
        path = self._stored_path(f"asked-{shelf.id}.json")
        write_atomically(path, json.dumps(plain(write_details(shelf.path, self.root, details)), indent=1))
        self.look_again()

    def store_check(self, check: StoredCheck) -> None:
        """Store a check, so that the page opens at once next time."""
        shelf = check.shelf
        data = {
            **_stamp(shelf),
            "result": plain(check.result),
            "pictures": {name: plain_picture(picture) for name, picture in check.pictures.items()},
            "house": check.house_text,
            "moves": check.moves_text,
            "take": check.take,
        }
        write_atomically(
            self._stored_path(f"check-{shelf.id}.json"), json.dumps(data, allow_nan=False, separators=(",", ":"))
        )

    def check_of(self, shelf: Shelf) -> StoredCheck | None:
        """The check of a recording; None when there is none of it as it is now."""
        data = self._read(f"check-{shelf.id}.json")
        if not isinstance(data, dict) or data.get("files") != [shelf.size, shelf.changed]:
            return None
        try:
            return StoredCheck(
                shelf=shelf,
                result=from_plain(data["result"]),
                pictures={name: picture_of(drawn) for name, drawn in data["pictures"].items()},
                house_text=str(data["house"]),
                moves_text=str(data["moves"]),
                take=str(data["take"]),
            )
        except (ValueError, KeyError, TypeError, AttributeError):
            return None  # of another version: it is made again

    def is_checked(self, shelf: Shelf) -> bool:
        """True where there is a check of it as it is now; told from the first bytes of the file."""
        begin = json.dumps(_stamp(shelf), separators=(",", ":")).removesuffix("}").encode()
        try:
            with (self.root / KEPT_IN / f"check-{shelf.id}.json").open("rb") as file:
                return file.read(len(begin) + 1) == begin + b","
        except OSError:
            return False

    def check_written_ns(self, shelf: Shelf) -> float:
        """Time at which the check of a recording was written, in nanoseconds since 1970; 0 where there is none."""
        try:
            return (self.root / KEPT_IN / f"check-{shelf.id}.json").stat().st_mtime_ns
        except OSError:
            return 0.0

    def _read(self, name: str) -> Any:
        try:
            return json.loads((self.root / KEPT_IN / name).read_bytes())
        except (OSError, ValueError, RecursionError):
            return None


def _stamp(shelf: Shelf) -> dict[str, Any]:
    """Size and time that tell a changed recording; they stand first in its stored check."""
    return {"files": [shelf.size, shelf.changed]}


def _walk(folder: Path, base: Path, depth: int) -> Iterator[tuple[Path, list[Path]]]:
    """Folders with audio, and single files that lie at the top; none that would bring in files from elsewhere by a link."""
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:
        return
    files, elsewhere = [], []
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if entry.is_symlink() and not _stays(Path(entry.path), base):
            if Path(entry.path).is_file():
                elsewhere.append(Path(entry.path))
        elif entry.is_dir():
            if depth < _DEPTH and not entry.name.endswith("-audio"):
                yield from _walk(Path(entry.path), base, depth + 1)
        elif Path(entry.name).suffix.casefold() in AUDIO_SUFFIXES and entry.is_file():
            files.append(Path(entry.path))
    if depth:
        if files and not elsewhere:
            yield folder, files
    else:
        # a file whose name says that it is a part is read with its other parts
        parts = {part_of(path.stem) for path in elsewhere}
        shut = {part[0] for part in parts if part is not None}
        yield from ((file, [file]) for file in files if (part_of(file.stem) or ("",))[0] not in shut)


def _stays(path: Path, base: Path) -> bool:
    """True where a link leads to a place under the base."""
    try:
        return path.resolve().is_relative_to(base)
    except (OSError, RuntimeError):
        return False  # links in a ring
