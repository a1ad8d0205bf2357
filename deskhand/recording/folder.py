"""Audio files of a folder, in the order a person would number them."""

from __future__ import annotations

import re
from pathlib import Path

from deskhand.errors import RecordingError
from deskhand.recording import names
from deskhand.recording.files import AUDIO_SUFFIXES
from deskhand.recording.riff import MAGIC


def _natural_order(path: Path) -> list[tuple[int, int, str]]:
    """Sort key that puts "2 snare" before "10 bass"."""
    pieces = re.split(r"(\d+)", path.name.casefold())
    return [(0, int(piece), "") if piece.isdigit() else (1, 0, piece) for piece in pieces if piece]


def audio_files(folder: Path, notes: list[str]) -> list[Path]:
    """Audio files of a folder, also a WAV file with another name.

    Parameters
    ----------
    folder : Path
    notes : list of str
        For a sentence on each file that has another name.

    Raises
    ------
    RecordingError
        There is none.
    """
    audio = []
    skipped = 0
    for path in sorted(folder.iterdir(), key=_natural_order):
        if not path.is_file() or path.name.startswith("."):
            continue
        if path.suffix.casefold() in AUDIO_SUFFIXES:
            audio.append(path)
            continue
        with path.open("rb") as file:
            magic = file.read(12)
        if magic[:4] in MAGIC and magic[8:12] == b"WAVE":
            notes.append(f"{path.name}: is a WAV file in spite of its name; read")
            audio.append(path)
        else:
            skipped += 1
    if not audio:
        below = sorted(
            child.name
            for child in folder.iterdir()
            if child.is_dir() and any(file.suffix.casefold() in AUDIO_SUFFIXES for file in child.iterdir())
        )
        fix = f'did you mean the folder "{below[0]}" in it?' if below else "name the folder that holds the tracks"
        kinds = "WAV, BWF, RF64, BW64, W64, AIFF, CAF or FLAC"
        raise RecordingError(str(folder), f"no audio files ({kinds}) among {skipped} files", fix)
    return audio


def parts_beside(path: Path) -> list[Path]:
    """A file and, when its name says that it is a part, the other parts beside it."""
    part = names.part_of(path.stem)
    if part is None or path.suffix.casefold() not in AUDIO_SUFFIXES:
        return [path]
    return sorted(
        (
            neighbour
            for neighbour in path.parent.iterdir()
            if neighbour.suffix.casefold() == path.suffix.casefold()
            and not neighbour.name.startswith(".")
            and (names.part_of(neighbour.stem) or ("", 0))[0] == part[0]
        ),
        key=_natural_order,
    )
