"""Identity of a take: the same files give the same digest, wherever they lie and whichever stretch of them is looked at."""

from __future__ import annotations

import hashlib
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.errors import RecordingError
from deskhand.recording.held import HeldRecording

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.recording.take import Recording

_CHUNKS, _CHUNK_BYTES = 128, 1024
"""Pieces of each file that are looked at, spread over it, and their size: a source that plays a twentieth of the time is missed by
all of them once in 700 takes (arithmetic: 0.95^128), and a folder of 48 files is read in a tenth of a second."""
_HELD_STEP: Final = 997
"""Every so-manieth frame of a recording in memory; a prime, so that no period of the sound falls in step with it."""
_WRITTEN_TICK_NS: Final = 2_000_000_000
"""Tick of the clock by which the coarsest disks write down when a file was written: FAT counts in 2 s."""
_CHANGED_TICK_NS: Final = 50_000_000
"""Longer than any tick by which a system writes down when a file was changed: Linux takes its timer's, 10 ms at most."""


def take_digest(recording: Recording) -> str:
    """SHA-256 that tells one take from another, of pieces of its files.

    Parameters
    ----------
    recording : Recording
        Any stretch of the take.

    Raises
    ------
    RecordingError
        A file went away.
    """
    digest = hashlib.sha256(str(recording.sample_rate_hz).encode())
    if isinstance(recording, HeldRecording):
        digest.update(np.ascontiguousarray(recording.samples[:, ::_HELD_STEP]).tobytes())
        return digest.hexdigest()
    for path in recording.files:
        try:
            _add_file(digest, path)
        except OSError as error:
            raise RecordingError(path.name, f"cannot be read ({error.strerror})", "see that the card is in") from error
    return digest.hexdigest()


def _add_file(digest: hashlib._Hash, path: Path) -> None:
    """Take the size and some pieces of a file into a digest; its name is none of its content."""
    size = path.stat().st_size
    digest.update(size.to_bytes(8, "little"))
    with path.open("rb") as file:
        for start in np.unique(np.linspace(0, max(0, size - _CHUNK_BYTES), _CHUNKS).astype(int)).tolist():
            file.seek(start)
            digest.update(file.read(_CHUNK_BYTES))


def exact_identity(recording: Recording, take: str) -> str | None:
    """Digest that changes when any file of a take is written, replaced, moved or laid out in another way; None in memory, or while it may change unseen.

    Parameters
    ----------
    recording : Recording
        Any stretch of the take.
    take : str
        Its `take_digest`.

    Notes
    -----
    Of each file count the path, the size, the times of its last writing and of its last change of any kind, its number on its disk, and
    the pieces that `take_digest` reads. A copy of the same files has another one. A file that was written just now could be written
    again within the same tick of its disk's clock: it has none until it has lain for two seconds.
    """
    if isinstance(recording, HeldRecording):
        return None
    digest = hashlib.sha256(take.encode())
    digest.update(repr(recording.layout).encode("utf-8", "surrogateescape"))
    looked_ns = time.time_ns()
    try:
        for path in recording.files:
            status = path.stat()
            if status.st_mtime_ns > looked_ns - _WRITTEN_TICK_NS or status.st_ctime_ns > looked_ns - _CHANGED_TICK_NS:
                return None
            numbers = (status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino, status.st_dev)
            digest.update(repr((str(path.resolve()), numbers)).encode("utf-8", "surrogateescape"))
    except OSError:
        return None
    return digest.hexdigest()


def written_at(recording: Recording) -> str | None:
    """Time at which the newest file of a take was last written, in UTC to the second; None for one in memory.

    Raises
    ------
    RecordingError
        A file went away.
    """
    if isinstance(recording, HeldRecording) or not recording.files:
        return None
    try:
        newest_s = max(path.stat().st_mtime for path in recording.files)
    except OSError as error:
        raise RecordingError(
            str(error.filename), f"cannot be read ({error.strerror})", "see that the card is in"
        ) from error
    return datetime.fromtimestamp(newest_s, UTC).isoformat(timespec="seconds")
