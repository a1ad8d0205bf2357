"""Shows in object stores and other file systems that `fsspec` reaches: listed there, and brought here a piece at a time while they are checked."""

from __future__ import annotations

import hashlib
import posixpath
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from deskhand.archive.locations import ShowLocation, show_name
from deskhand.errors import DeskhandError, RecordingError, UsageError
from deskhand.leftovers import unfinished_prefix
from deskhand.recording.files import AUDIO_SUFFIXES

if TYPE_CHECKING:
    from collections.abc import Iterator

_PIECE_BYTES: Final = 4 * 2**20
"""Bytes that are held in memory of a file on its way here: what object stores hand over at once without waiting. Common practice, no source."""
_SPARE_BYTES: Final = 64 * 2**20
"""Room that is left on the disk beside a show that is brought here. Common practice, no source."""
_REASON_LETTERS: Final = 160
"""Letters of a library's own words that are told: about two lines of a terminal. Common practice, no source."""
_NOTES: Final = (".toml",)
"""Endings of house files and show notes, which go with a recording."""


def _file_system(url: str) -> tuple[Any, str]:
    """File system of a URL, and the path on it.

    Raises
    ------
    UsageError
        What reads it is not installed, or there is no such kind.
    """
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise UsageError(url, "needs a library that is not here", "pip install 'deskhand[sites]'") from error
    try:
        file_system, path = url_to_fs(url)
    except ImportError as error:
        raise UsageError(url, f"needs a library that is not here ({error})", "install it and try again") from error
    except ValueError as error:
        raise UsageError(
            url, f"is no address of a file system ({error})", "write it like s3://bucket/folder"
        ) from error
    # a worker lives for weeks, and its file systems remember what they once listed
    file_system.invalidate_cache()
    return file_system, str(path)


def _is_audio(name: str) -> bool:
    return posixpath.splitext(name)[1].casefold() in AUDIO_SUFFIXES and not posixpath.basename(name).startswith(".")


def remote_shows(url: str) -> Iterator[ShowLocation]:
    """Shows below an address: each folder that holds audio files, or the one file that is named.

    Raises
    ------
    UsageError
        It cannot be listed.
    """
    file_system, base = _file_system(url)
    with _asking(url, UsageError, "cannot be listed", "see that the server answers, and who may read it"):
        if file_system.isfile(base):
            name = posixpath.splitext(posixpath.basename(base))[0]
            yield ShowLocation(path=file_system.unstrip_protocol(base), name=name)
            return
        if not file_system.exists(base):
            raise UsageError(url, "there is nothing", "see how it is written, and who may read it")
        for folder, _, files in file_system.walk(base, on_error="raise"):
            if any(map(_is_audio, files)):
                relative = posixpath.relpath(folder.strip("/"), base.strip("/"))
                name = show_name(relative, posixpath.basename(base.rstrip("/")), is_file=False)
                yield ShowLocation(path=file_system.unstrip_protocol(folder), name=name)


@contextmanager
def _asking(url: str, kind: type[DeskhandError], problem: str, fix: str) -> Iterator[None]:
    """Have what goes wrong with a server told in one line: each library has errors of its own for one that does not answer."""
    try:
        yield
    except DeskhandError:
        raise
    except Exception as error:
        if isinstance(error, OSError) and kind is RecordingError and error.filename is not None:
            raise  # of this computer's disk
        reason = " ".join(str(error).split())[:_REASON_LETTERS] or type(error).__name__
        raise kind(url, f"{problem} ({reason})", fix) from error


def _files_of(file_system: Any, path: str) -> list[dict[str, Any]]:
    """Audio files and notes of a show, with their sizes."""
    entries = [file_system.info(path)] if file_system.isfile(path) else file_system.ls(path, detail=True)
    return sorted(
        (
            entry
            for entry in entries
            if entry["type"] == "file" and entry["name"].casefold().endswith((*AUDIO_SUFFIXES, *_NOTES))
        ),
        key=lambda entry: str(entry["name"]),
    )


def remote_identity(url: str) -> str:
    """Digest of the names, sizes and versions of a show's files as their store tells them; nothing of them is read.

    Raises
    ------
    RecordingError
        They cannot be listed.
    """
    file_system, path = _file_system(url)
    with _asking(url, RecordingError, "cannot be listed", "see that the server answers"):
        entries = _files_of(file_system, path)
    version = ("ETag", "etag", "e_tag", "LastModified", "last_modified", "mtime", "created")
    told = [
        (entry["name"], entry["size"], *(str(entry[name]) for name in version if name in entry)) for entry in entries
    ]
    return hashlib.sha256(repr(told).encode()).hexdigest()


@contextmanager
def brought_here(url: str) -> Iterator[Path]:
    """Recording of a URL as files in a temporary folder, removed at the end; of what is on its way, a few megabytes are in memory.

    The readers of audio need files in which they can go back. House files that lie beside the show or above it come too.

    Raises
    ------
    RecordingError
        A file cannot be read there, or the disk has no room for the show.
    """
    file_system, path = _file_system(url)
    with tempfile.TemporaryDirectory(prefix=unfinished_prefix(hidden=False)) as name:
        top = Path(name)
        try:
            yield _copy(file_system, path, top, url)
        except FileNotFoundError as error:
            raise RecordingError(
                url, "went away while it was read", "see that the server answers, and try again"
            ) from error


def _copy(file_system: Any, path: str, top: Path, url: str) -> Path:
    with _asking(url, RecordingError, "cannot be read", "see that the server answers, and try again"):
        entries = _files_of(file_system, path)
        is_file = file_system.isfile(path)
        size = sum(int(entry["size"]) for entry in entries)
        if size + _SPARE_BYTES > shutil.disk_usage(top).free:
            needed = f"{size / 1e6:.0f} MB"
            raise RecordingError(
                url, f"needs {needed} on the disk of {top.parent}", "make room, or set TMPDIR to another disk"
            )
        parts = [part for part in path.split("/") if part not in ("", ".", "..")]
        # the folders above are made here too: a house file holds for what lies below it
        parent = path.rsplit("/", 1)[0] if "/" in path.strip("/") else ""
        here = top.joinpath(*parts[:-1])
        here.mkdir(parents=True)
        for depth in range(1, len(parts)):
            _copy_notes(file_system, "/".join(parts[:depth]), top.joinpath(*parts[:depth]), rooted=path.startswith("/"))
        recording = here / parts[-1]
        if not is_file:
            recording.mkdir()
        elif parent:
            _copy_notes(file_system, parent, here, rooted=False)
        for entry in entries:
            target = recording if is_file else recording / posixpath.basename(entry["name"])
            _copy_file(file_system, entry["name"], target)
    return recording


def _copy_notes(file_system: Any, folder: str, target: Path, *, rooted: bool) -> None:
    """Copy the house files of a folder above a show; a folder that nobody may list holds none."""
    try:
        entries = file_system.ls(f"/{folder}" if rooted else folder, detail=True)
    except Exception:  # noqa: BLE001 - where the server does not answer at all, the show's own files tell it
        return
    for entry in entries:
        if entry["type"] == "file" and entry["name"].casefold().endswith(_NOTES):
            _copy_file(file_system, entry["name"], target / posixpath.basename(entry["name"]))


def _copy_file(file_system: Any, source: str, target: Path) -> None:
    """Copy a file a piece at a time."""
    with file_system.open(source, "rb", block_size=_PIECE_BYTES) as stream, target.open("wb") as file:
        shutil.copyfileobj(stream, file, _PIECE_BYTES)
