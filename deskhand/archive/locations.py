"""Locations of an archive's shows: paths and addresses, and the names by which their results are called."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_URL: Final = re.compile(r"^[A-Za-z][A-Za-z0-9+.-]+://")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowLocation:
    """Recording of a show in an archive."""

    path: str
    """Absolute path, or URL, of its folder or file."""
    name: str
    """Path below what was named, by which its result is called."""


def is_url(text: str) -> bool:
    """True for an address of an object store or another file system, as `s3://bucket/folder`."""
    return _URL.match(text) is not None


def show_name(relative: str, base_name: str, *, is_file: bool) -> str:
    """Path of a show below what was named, without an audio file's ending.

    Examples
    --------
    >>> show_name("2026/sunday", "archive", is_file=False), show_name(".", "sunday", is_file=False)
    ('2026/sunday', 'sunday')
    """
    path = Path(relative)
    if relative in ("", "."):
        return base_name or "show"
    return (path.with_suffix("") if is_file else path).as_posix()
