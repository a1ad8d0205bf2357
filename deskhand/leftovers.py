"""Unfinished files of runs that were killed: named so that their owner can be told, and cleared once it is gone."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import socket
import time
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

_NAME: Final = re.compile(r"\.?deskhand-(?P<host>[0-9a-f]{8})-(?P<process>\d+)-")
_OLD_S: Final = 2 * 24 * 3600.0
"""Age from which an unfinished file is given up where no system call tells whether its owner runs: longer than any show."""


@cache
def _host() -> str:
    """Eight hexadecimal digits for this computer: a folder may be shared with others, whose processes nobody here can see."""
    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]


def unfinished_prefix(*, hidden: bool = True) -> str:
    """First part of the name of an unfinished file or folder of this process.

    Parameters
    ----------
    hidden : bool
        With the dot of a hidden file, for folders that people look into.
    """
    return f"{'.' if hidden else ''}deskhand-{_host()}-{os.getpid()}-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleared:
    """Unfinished files and folders that were removed."""

    count: int
    size_bytes: int


def clear_leftovers(folders: Iterable[Path]) -> Cleared:
    """Remove what killed processes of this computer left unfinished; what cannot be read or removed stays.

    Parameters
    ----------
    folders : iterable of Path
        Looked into without those below.
    """
    count = size_bytes = 0
    for folder in dict.fromkeys(folder.resolve() for folder in folders):
        try:
            entries = list(os.scandir(folder))
        except OSError:
            continue
        for entry in entries:
            size = _removed_bytes(entry)
            if size is not None:
                count, size_bytes = count + 1, size_bytes + size
    return Cleared(count=count, size_bytes=size_bytes)


def _removed_bytes(entry: os.DirEntry[str]) -> int | None:
    """Size in bytes of a leftover that was removed; None where it is none, or stays."""
    match = _NAME.match(entry.name)
    if match is None or match["host"] != _host() or entry.is_symlink():
        return None
    try:
        status = entry.stat(follow_symlinks=False)
        if not _is_gone(int(match["process"]), status.st_mtime):
            return None
        if entry.is_dir(follow_symlinks=False):
            size = sum(path.lstat().st_size for path in Path(entry.path).rglob("*") if path.is_file())
            shutil.rmtree(entry.path)
            return size
        Path(entry.path).unlink()
    except OSError:
        return None
    return status.st_size


def _is_gone(process: int, modified_s: float) -> bool:
    """True where a process has ended; by age where the system does not tell."""
    if process == os.getpid():
        return False
    if os.name != "posix":
        # signal 0 ends a process there
        return time.time() - modified_s > _OLD_S
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    except (OSError, OverflowError):
        return False
    return False
