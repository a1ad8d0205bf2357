"""Files written whole and synced, or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Final

from deskhand.errors import UsageError
from deskhand.leftovers import unfinished_prefix

KEPT_IN: Final = ".deskhand"
"""Hidden folder for what is kept beside recordings or a house file and can be made again."""
_MEASURED: Final = "measured-"


def kept_beside(recording: Path) -> Path:
    """Folder in which measurements of a recording are kept: beside it, hidden, under its name."""
    whole = recording.absolute()
    whole = whole if whole.name else whole.resolve()
    return whole.parent / KEPT_IN / f"{_MEASURED}{whole.name}"


def kept_folders(beside: Path) -> list[Path]:
    """Folders of kept measurements in a folder with recordings."""
    try:
        return [path for path in (beside / KEPT_IN).glob(f"{_MEASURED}*") if path.is_dir()]
    except OSError:
        return []


def _sync_folder(folder: Path) -> None:
    """Have the folder's entry written out as well, where the system knows how (POSIX does, Windows does not)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def replace_synced(written: Path, target: Path) -> None:
    """Give a whole file its final name, on the disk before the name is: a power cut leaves the old or the new, never an empty one.

    Raises
    ------
    OSError
        It cannot be synced or renamed.
    """
    with written.open("rb+") as file:
        os.fsync(file.fileno())
    written.replace(target)
    _sync_folder(target.parent)


def write_atomically(path: Path, text: str | bytes) -> None:
    """Write a file whole or not at all.

    Raises
    ------
    UsageError
        The folder is not there or cannot be written.
    """
    data = text.encode("utf-8", "replace") if isinstance(text, str) else text
    try:
        handle, name = tempfile.mkstemp(dir=path.parent or Path(), prefix=unfinished_prefix())
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            Path(name).chmod(0o644)
            replace_synced(Path(name), path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise UsageError(str(path), f"cannot be written ({error.strerror})", "choose another place") from error
