"""Sums of a mix on disk, exact to the last bit: a changed source is taken out of them and added again, the others are not read."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.dsp.summing import MOST, STEP
from deskhand.reuse.packed import pack, unpack

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from numpy.typing import NDArray

_DIGEST_BYTES: Final = 32
"""Length of a SHA-256 (FIPS 180-4), which ends the file."""
_READ_BYTES: Final = 1 << 20
"""Bytes that a digest is fed with at once. Common practice, no source."""
_FRAME_BYTES: Final = 8
"""Two whole numbers of 32 bits."""


class SumsWriter:
    """Writer of the sums of a mix, block by block.

    Parameters
    ----------
    write : callable
        Takes bytes.
    of : object
        Says of which sources the sums are; see `deskhand.reuse.pack`.
    """

    def __init__(self, write: Callable[[bytes], object], of: object) -> None:
        self._digest = hashlib.sha256()
        self._to_file = write
        self.fits = True
        """False once a sum was too large to be kept."""
        header = pack(of)
        self._write(len(header).to_bytes(8, "little") + header)

    def _write(self, data: bytes) -> None:
        self._digest.update(data)
        self._to_file(data)

    def add(self, sums: NDArray[np.float64]) -> None:
        """Write the next (2, frames) sums."""
        if not self.fits or np.abs(sums).max(initial=0.0) >= MOST:
            self.fits = False
            return
        self._write(np.ascontiguousarray((sums * (1.0 / STEP)).astype(np.int32).T).tobytes())

    def finish(self) -> None:
        """Write the digest."""
        self._to_file(self._digest.digest())


class SumsReader:
    """Sums of a mix that were kept, read block by block.

    Parameters
    ----------
    path : Path
    frames : int
        Frames that they must have.
    types : iterable of type
        Dataclasses that may tell of which sources they are.

    Raises
    ------
    ValueError, OSError
        Not there, damaged, or of another length.
    """

    def __init__(self, path: Path, frames: int, types: Iterable[type]) -> None:
        self._file = path.open("rb")
        try:
            self._require_whole(path.stat().st_size, frames)
            self._file.seek(0)
            header_bytes = int.from_bytes(self._file.read(8), "little")
            self._first = 8 + header_bytes
            self.of: Any = unpack(self._file.read(header_bytes), types)
            """Sources of which the sums are."""
        except BaseException:
            self._file.close()
            raise

    def _require_whole(self, size: int, frames: int) -> None:
        digest, left = hashlib.sha256(), size - _DIGEST_BYTES
        header_bytes = int.from_bytes(self._file.read(8), "little")
        if left != 8 + header_bytes + frames * _FRAME_BYTES:
            raise ValueError("sums of another length")
        self._file.seek(0)
        while left > 0:
            data = self._file.read(min(left, _READ_BYTES))
            if not data:
                raise ValueError("cut short")
            digest.update(data)
            left -= len(data)
        if self._file.read(_DIGEST_BYTES) != digest.digest():
            raise ValueError("damaged")

    def read(self, start: int, frames: int) -> NDArray[np.float64]:
        """(2, frames) sums from a frame on."""
        self._file.seek(self._first + start * _FRAME_BYTES)
        steps = np.frombuffer(self._file.read(frames * _FRAME_BYTES), np.int32).reshape(-1, 2)
        return np.ascontiguousarray(steps.T, np.float64) * STEP

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
