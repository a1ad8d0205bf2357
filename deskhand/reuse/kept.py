"""Measurements of one recording on disk, each under a digest of everything it depends on: files, code, settings."""

from __future__ import annotations

import hashlib
import json
import os
import sys
import tempfile
from contextlib import suppress
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.leftovers import unfinished_prefix
from deskhand.recording.identity import exact_identity
from deskhand.reuse.packed import packed_parts, unpack

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from deskhand.recording import Recording

_LEAST_BYTES: Final = 128 << 20
"""Bytes that may be kept of any recording. Common practice, no source."""
_SHARE: Final = 0.1
"""Share of a recording's own size that may be kept of it, where that is more. Common practice, no source."""
_CODE: Final = ("chain", "dsp", "house", "measure", "mix", "recording", "reuse", "units.py")
"""Rooms and modules of the package whose code measurements depend on."""
_LIBRARIES: Final = ("numpy", "scipy", "numba", "llvmlite", "soundfile", "soxr")
_KEY_DIGITS: Final = 32
"""Hexadecimal digits of a digest in a file's name: 128 bits, so that chance makes no two alike."""
_SUFFIX: Final = ".kept"


def _measuring_code() -> str:
    """Digest of the code that measures: its own text, and the versions of the libraries it reckons with."""
    digest = hashlib.sha256()
    package = Path(__file__).parent.parent
    for name in _CODE:
        for path in sorted((package / name).rglob("*.py")) or [package / name]:
            digest.update(str(path.relative_to(package)).encode() + b"\0" + path.read_bytes() + b"\0")
    for library in _LIBRARIES:
        with suppress(PackageNotFoundError):
            digest.update(f"{library} {version(library)}\n".encode())
    digest.update(f"{sys.version} {sys.byteorder}".encode())
    return digest.hexdigest()


MEASURING_CODE: Final = _measuring_code()
"""Digest of the code that measures, as it was when it was loaded: a server may run on while a newer version is installed."""


def digest_of(*arrays: np.ndarray) -> str:
    """Digest of arrays, their types and shapes included."""
    digest = hashlib.sha256()
    for array in arrays:
        digest.update(f"{array.dtype.str}{array.shape}".encode())
        digest.update(np.ascontiguousarray(array).data)
    return digest.hexdigest()


class KeptFile:
    """File of a kept measurement while it is written: whole under its name once it is committed, or not there.

    It is not synced: after a power cut it may be damaged, which its digest tells, and is measured again.

    Parameters
    ----------
    path : Path
    kept : KeptMeasurements

    Raises
    ------
    OSError
        The folder cannot be written.
    """

    def __init__(self, path: Path, kept: KeptMeasurements) -> None:
        self._path = path
        self._kept = kept
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=unfinished_prefix())
        self._unfinished = Path(name)
        self._file = os.fdopen(handle, "wb")
        self._is_whole = True

    def write(self, data: bytes | memoryview) -> None:
        """Write the next bytes."""
        try:
            if self._is_whole:
                self._file.write(data)
        except OSError:
            self._is_whole = False

    def commit(self) -> None:
        """Give it its name, unless something could not be written."""
        try:
            self._file.close()
            if self._is_whole:
                self._unfinished.chmod(0o644)
                self._unfinished.replace(self._path)
                self._kept.use(self._path)
                return
        except OSError:
            pass
        self._kept.give_up()
        self.abandon()

    def abandon(self) -> None:
        """Remove what was written."""
        with suppress(OSError):
            self._file.close()
        with suppress(OSError):
            self._unfinished.unlink()


class KeptMeasurements:
    """Measurements of a recording that are kept in a folder.

    What is damaged, of other files, other code or other settings is not there: it is measured again. What cannot be written is not
    kept. What was not used for longest goes first when the bound is passed.

    Parameters
    ----------
    folder : Path
        Made when the first is kept.
    recording : Recording
    take : str
        Its `deskhand.recording.identity.take_digest`.
    """

    def __init__(self, folder: Path, recording: Recording, *, take: str) -> None:
        self._folder = folder
        self._recording = recording
        self._identity = exact_identity(recording, take)
        self.most_bytes = max(_LEAST_BYTES, round(_SHARE * sum(recording.sizes().values())))
        """Bytes that may be kept."""
        self._used: set[str] = set()
        self._is_writable = self._identity is not None

    @property
    def is_writable(self) -> bool:
        """True while measurements can be kept."""
        return self._is_writable

    def path_of(self, kind: str, settings: object) -> Path:
        """File of a kind of measurement with the settings that it depends on, there or not.

        Parameters
        ----------
        kind : str
        settings
            Anything that JSON can hold.
        """
        recording = self._recording
        depends_on = {
            "code": MEASURING_CODE,
            "files": self._identity,
            "stretch": [recording.first_frame, recording.frames, recording.sample_rate_hz],
            "settings": settings,
        }
        text = json.dumps(depends_on, sort_keys=True, separators=(",", ":"))
        return self._folder / f"{kind}-{hashlib.sha256(text.encode()).hexdigest()[:_KEY_DIGITS]}{_SUFFIX}"

    def get(self, kind: str, settings: object, types: Iterable[type] = ()) -> Any:
        """Value that is kept; None where there is none.

        Parameters
        ----------
        kind, settings
            As for `path_of`.
        types : iterable of type
            Dataclasses that may be in it.
        """
        if self._identity is None:
            return None
        path = self.path_of(kind, settings)
        try:
            value = unpack(path.read_bytes(), types)
        except (OSError, ValueError):
            return None
        self.touch(path)
        return value

    def touch(self, path: Path) -> None:
        """Note that a file was used."""
        self.use(path)
        with suppress(OSError):
            os.utime(path)

    def put(self, kind: str, settings: object, value: object) -> None:
        """Keep a value; what cannot be written is not kept."""
        file = self.file(self.path_of(kind, settings)) if self._is_writable else None
        if file is not None:
            for part in packed_parts(value):
                file.write(part)
            file.commit()

    def file(self, path: Path) -> KeptFile | None:
        """File of the folder that is to be written block by block; None where nothing can be kept."""
        if not self._is_writable:
            return None
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            return KeptFile(path, self)
        except OSError:
            self.give_up()
            return None

    def give_up(self) -> None:
        """Keep nothing more: a full disk, a card that is locked. A check does not fail for it."""
        self._is_writable = False

    def use(self, path: Path) -> None:
        """Count a file among those that this check used."""
        self._used.add(path.name)

    def get_or_make(self, kind: str, settings: object, types: Iterable[type], make: Callable[[], Any]) -> Any:
        """Value that is kept, or is made and kept."""
        value = self.get(kind, settings, types)
        if value is None:
            value = make()
            self.put(kind, settings, value)
        return value

    def prune(self) -> None:
        """Remove what was not used for longest until the bound is kept; what this check used goes last."""
        files = []
        try:
            for entry in os.scandir(self._folder):
                if entry.name.endswith(_SUFFIX) and not entry.is_symlink():
                    status = entry.stat(follow_symlinks=False)
                    files.append((entry.name in self._used, status.st_mtime_ns, status.st_size, Path(entry.path)))
        except OSError:
            return
        total = sum(size for _, _, size, _ in files)
        for _, _, size, path in sorted(files):
            if total <= self.most_bytes:
                break
            with suppress(OSError):
                path.unlink()
                total -= size
