"""Array that grows with time and takes the same memory however long it becomes: what is older lies in a temporary file."""

from __future__ import annotations

import tempfile
import weakref
from typing import IO, TYPE_CHECKING, Final

import numpy as np

from deskhand.leftovers import unfinished_prefix

if TYPE_CHECKING:
    from numpy.typing import NDArray

_HELD_BYTES: Final = 1 << 20
"""Bytes that are held before they are written. Common practice, no source."""


class GrowingArray:
    """Rows of single-precision values that grow along time.

    Parameters
    ----------
    shape : tuple of int
        Of one step of all rows: (rows, ...).
    """

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._shape = shape
        self._held: list[NDArray[np.float32]] = []
        self._held_bytes = 0
        self._file: IO[bytes] | None = None
        self._written: list[tuple[int, int]] = []
        """Offset in the file and steps of each part."""
        self._can_write = True

    def append(self, steps: NDArray[np.float32]) -> None:
        """Add (rows, steps, ...)."""
        self._held.append(steps)
        self._held_bytes += steps.nbytes
        if self._held_bytes > _HELD_BYTES and self._can_write:
            self._write()

    def _write(self) -> None:
        """Write what is held; where the disk takes no more, it stays in memory."""
        part = np.ascontiguousarray(np.concatenate(self._held, axis=1))
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix=unfinished_prefix(hidden=False))  # noqa: SIM115 - as long as this lasts
                weakref.finalize(self, self._file.close)
            offset = self._file.seek(0, 2)
            self._file.write(part.data)
            self._file.flush()
        except OSError:
            self._can_write = False
            return
        self._written.append((offset, part.shape[1]))
        self._held, self._held_bytes = [], 0

    def row(self, row: int) -> NDArray[np.float32]:
        """(steps, ...) of one row."""
        inner = self._shape[1:]
        step_bytes = int(np.prod(inner, dtype=int)) * np.dtype(np.float32).itemsize
        parts = [np.empty((0, *inner), np.float32)]
        if self._file is not None:
            for offset, steps in self._written:
                self._file.seek(offset + row * steps * step_bytes)
                parts.append(np.frombuffer(self._file.read(steps * step_bytes), np.float32).reshape(steps, *inner))
        return np.concatenate([*parts, *(part[row] for part in self._held)])
