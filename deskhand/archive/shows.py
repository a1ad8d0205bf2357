"""Shows of an archive, told one by one: folders and files of audio below folders, patterns and lists, on disks and in object stores."""

from __future__ import annotations

import glob
import os
from pathlib import Path
from typing import TYPE_CHECKING, Final

from deskhand.archive.locations import ShowLocation, is_url, show_name
from deskhand.errors import DeskhandError, UsageError
from deskhand.recording.files import AUDIO_SUFFIXES
from deskhand.recording.names import part_of
from deskhand.recording.probe import probe

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

_LIST_SUFFIX: Final = ".txt"
_RENDERED: Final = "-audio"
"""End of the name of folders that `render` writes: no recordings."""
PAIR: Final = 2
"""Most channels of a file that holds one source: a stereo pair's (arithmetic)."""


def find_shows(named: Sequence[str]) -> Iterator[ShowLocation]:
    """Shows below what is named, in the order of their names; none is held in memory.

    A folder of mono or stereo files is one show, and so are those below it. Where it holds polyphonic files only, and no `show.toml`,
    each of them is one, with its parts.

    Parameters
    ----------
    named : sequence of str
        Folders, recordings, patterns with `*`, lists (a text file, one of these a line), URLs.

    Raises
    ------
    UsageError
        There is no such folder, file or list.
    """
    for text in named:
        if is_url(text):
            from deskhand.archive.remote import remote_shows

            yield from remote_shows(text)
        elif text.casefold().endswith(_LIST_SUFFIX) and Path(text).is_file():
            yield from find_shows(_listed(Path(text)))
        elif glob.has_magic(text) and not Path(text).exists():
            matches = sorted(glob.glob(text, recursive=True))  # noqa: PTH207 - the pattern may be absolute
            if not matches:
                raise UsageError(
                    text, "matches nothing", "see that the folder is mounted, and put the pattern in quotes"
                )
            for match in matches:
                yield from _below(Path(match))
        else:
            yield from _below(Path(text))


def _listed(path: Path) -> list[str]:
    """Lines of a list; relative paths count from its folder."""
    try:
        lines = path.read_text("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(str(path), "cannot be read as a list", "write one recording or folder a line") from error
    named = [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    lists = [line for line in named if line.casefold().endswith(_LIST_SUFFIX)]
    if lines and lists:
        raise UsageError(str(path), f"names another list, {lists[0]}", "name lists on the command line")
    return [line if is_url(line) else str(path.absolute().parent / line) for line in named]


def _below(path: Path) -> Iterator[ShowLocation]:
    """Shows of a folder or file."""
    path = Path(os.path.abspath(path))  # noqa: PTH100 - links stay as they were named
    if path.is_file():
        yield ShowLocation(path=str(path), name=path.stem)
        return
    if not path.is_dir():
        raise UsageError(str(path), "no such file or folder", "see that the disk is mounted")
    yield from _walk(path, path)


def _walk(folder: Path, base: Path) -> Iterator[ShowLocation]:
    """Shows of a folder and of those below; links are not followed."""
    try:
        with os.scandir(folder) as scanned:
            entries = sorted(scanned, key=lambda entry: entry.name)
    except OSError as error:
        raise UsageError(str(folder), f"cannot be read ({error.strerror})", "check who may read it") from error
    files = [entry.name for entry in entries if _is_audio(entry)]
    is_shelf = (
        len(files) > 1 and not any(entry.name == "show.toml" for entry in entries) and _are_polyphonic(folder, files)
    )
    for recording in _recordings(files, is_shelf=is_shelf):
        path = folder / recording if recording else folder
        yield ShowLocation(
            path=str(path), name=show_name(str(path.relative_to(base)), base.name, is_file=bool(recording))
        )
    for entry in entries:
        if (
            not entry.name.startswith(".")
            and entry.is_dir(follow_symlinks=False)
            and not entry.name.endswith(_RENDERED)
        ):
            yield from _walk(folder / entry.name, base)


def _is_audio(entry: os.DirEntry[str]) -> bool:
    """True for an audio file that may be a show's."""
    is_named_so = not entry.name.startswith(".") and Path(entry.name).suffix.casefold() in AUDIO_SUFFIXES
    return is_named_so and entry.is_file()


def _are_polyphonic(folder: Path, files: Iterable[str]) -> bool:
    """True where each file has more channels than a pair; a file that cannot be read is for the check to tell of."""
    try:
        return all(probe(folder / name).channels > PAIR for name in files)
    except DeskhandError:
        return False


def _recordings(files: Iterable[str], *, is_shelf: bool) -> list[str]:
    """Names of the recordings among the audio files of a folder; an empty one stands for the folder."""
    files = list(files)
    if not files:
        return []
    if not is_shelf:
        return [""]
    # the parts of one recording are read together, from the first
    first_parts: dict[str, str] = {}
    for name in files:
        part = part_of(Path(name).stem)
        first_parts.setdefault(part[0] if part is not None else f"{name}/", name)
    return list(first_parts.values())
