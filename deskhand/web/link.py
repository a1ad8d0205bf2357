"""Secret of the link for phones, kept while a line check goes on, so that a computer that failed in the middle of it is found again under the link they have.

It lies in the temporary folder of whoever runs the program, never beside the recordings: a card from elsewhere could bring a secret that somebody knows.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import stat
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

_BYTES: Final = 24
"""192 bits: beyond guessing (OWASP ASVS 4.0.3, 3.2.2 asks for 64 at least)."""
_SECRET: Final = re.compile(r"[\w-]{32}", re.ASCII)
_LONGEST_H: Final = 6.0
"""Hours after which it is another evening, as of the line check that goes on. Common practice, no source."""


def new_secret() -> str:
    """A secret that nobody knows (RFC 4648, 5: letters that stand in an address)."""
    return secrets.token_urlsafe(_BYTES)


def _path(folder: Path) -> Path:
    mark = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"deskhand-link-{os.getuid() if hasattr(os, 'getuid') else 'own'}-{mark}"


def _is_ours(status: os.stat_result) -> bool:
    """True of a file that only this user could have written and can read."""
    is_own = not hasattr(os, "getuid") or (status.st_uid == os.getuid() and not status.st_mode & 0o077)
    return stat.S_ISREG(status.st_mode) and is_own and 0 <= time.time() - status.st_mtime < 3600 * _LONGEST_H


def kept_secret(folder: Path) -> tuple[str, Callable[[], None]]:
    """Secret of a folder's page: the one of a program that was killed, or a new one; and what forgets it at an orderly end.

    Parameters
    ----------
    folder : Path
        Of the house.
    """
    path = _path(folder)

    def forget() -> None:
        with suppress(OSError):
            path.unlink()

    with suppress(OSError):
        # a link that was planted there is not followed
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
        with os.fdopen(handle, encoding="ascii", errors="replace") as file:
            left = file.read(64)
            if _is_ours(os.fstat(file.fileno())) and _SECRET.fullmatch(left):
                return left, forget
    secret = new_secret()
    with suppress(OSError):
        forget()
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secret)
    return secret, forget
