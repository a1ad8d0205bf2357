"""A disk that fails when it is told to: any step with any error, short reads and writes, and a power cut that keeps what was synced.

Within the `with` block what Python does to files of a folder goes through here: opening, reading, writing, syncing, renaming, removing.
What a library writes by itself (SQLite, libsndfile) is seen where Python names it, syncs it or moves it.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import stat
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self
from unittest import mock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import TracebackType


class PowerCut(BaseException):
    """The power went: nothing that would have come after is done."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing done to a file."""

    kind: str
    path: Path


class _Raw(io.FileIO):
    """File whose reads and writes are steps, and come in pieces where that is asked for."""

    disk: FaultyDisk
    where: Path

    def write(self, data: Any, /) -> int:
        view = memoryview(data).cast("B")
        if self.disk.is_off:
            return len(view)
        if self.disk.step("write", self.where) and self.disk.is_short and len(view) > 1:
            view = view[: len(view) // 2]
        return super().write(view) or 0

    def readinto(self, buffer: Any, /) -> int:
        view = memoryview(buffer).cast("B")
        if self.disk.step("read", self.where) and self.disk.is_short and len(view) > 1:
            view = view[: max(1, len(view) // 3)]
        return super().readinto(view) or 0

    def readall(self) -> bytes:
        self.disk.step("read", self.where)
        return super().readall()


@dataclass(slots=True)
class FaultyDisk:
    """Faults below a folder.

    Parameters
    ----------
    folder : Path
        Whose files are watched, and those below it.
    fail_at : int, optional
        Number of the step that fails, from 0.
    error : int
        `errno` of the failure.
    cut_at : int, optional
        Number of the step before which the power goes.
    is_short : bool
        Reads and writes do a part of what they are asked.
    """

    folder: Path
    fail_at: int | None = None
    error: int = errno.EIO
    cut_at: int | None = None
    is_short: bool = False
    steps: list[Step] = field(default_factory=list)
    is_off: bool = False
    _stack: ExitStack = field(default_factory=ExitStack)
    _contents: dict[int, bytes] = field(default_factory=dict)
    """Synced bytes of each inode."""
    _names: dict[Path, int] = field(default_factory=dict)
    """Synced names."""
    _pending: list[tuple[str, Path, Path | int]] = field(default_factory=list)
    """Names that were given, changed or taken since."""

    def _holds(self, path: Any) -> Path | None:
        if isinstance(path, int):
            return None
        full = Path(os.fsdecode(path)).absolute()
        return full if self.folder in full.parents else None

    def step(self, kind: str, path: Path) -> bool:
        """Take note of a step.

        Raises
        ------
        OSError, PowerCut
            It is the one that fails.
        """
        number = len(self.steps)
        self.steps.append(Step(kind, path))
        if number == self.cut_at:
            self.is_off = True
            raise PowerCut
        if number == self.fail_at:
            raise OSError(self.error, os.strerror(self.error), str(path))
        return True

    # what Python calls

    def _open(self, original: Callable[..., Any]) -> Callable[..., Any]:
        def opened(file: Any, mode: str = "r", buffering: int = -1, encoding: str | None = None, errors: str | None = None,
                   newline: str | None = None, closefd: bool = True, opener: Any = None) -> Any:  # fmt: skip
            path = self._named(file) if isinstance(file, int) else self._holds(file)
            if path is None or self.is_off or path.is_dir():
                return original(file, mode, buffering, encoding, errors, newline, closefd, opener)
            plain = mode.replace("t", "").replace("b", "")
            if not isinstance(file, int):
                self.step("open", path)
            is_new = not path.exists()
            raw = _Raw(file, plain, closefd, opener)
            raw.disk, raw.where = self, path
            if is_new and not isinstance(file, int):
                self._pending.append(("create", path, os.fstat(raw.fileno()).st_ino))
            if buffering == 0:
                return raw
            buffered: Any
            if "+" in plain:
                buffered = io.BufferedRandom(raw)
            elif "r" in plain:
                buffered = io.BufferedReader(raw)
            else:
                buffered = io.BufferedWriter(raw)
            return buffered if "b" in mode else io.TextIOWrapper(buffered, encoding or "utf-8", errors, newline)

        return opened

    def _named(self, handle: int) -> Path | None:
        """Path of an open file below the folder."""
        inode = os.fstat(handle).st_ino
        for path in self.folder.rglob("*"):
            if path.exists() and path.stat().st_ino == inode:
                return path
        return None

    def _os_open(self, original: Callable[..., int]) -> Callable[..., int]:
        def opened(path: Any, flags: int, *rest: Any, **options: Any) -> int:
            full = self._holds(path)
            is_new = full is not None and flags & os.O_CREAT and not full.exists()
            if full is not None and is_new:
                if self.is_off:
                    raise PowerCut
                self.step("open", full)
            handle = original(path, flags, *rest, **options)
            if full is not None and is_new:
                self._pending.append(("create", full, os.fstat(handle).st_ino))
            return handle

        return opened

    def _fsync(self, original: Callable[[int], None]) -> Callable[[Any], None]:
        def synced(file: Any) -> None:
            handle = file if isinstance(file, int) else file.fileno()
            status = os.fstat(handle)
            if stat.S_ISDIR(status.st_mode):
                if self.is_off:
                    return
                self.step("sync folder", self.folder)
                self._settle()
                return
            path = self._named(handle)
            if path is None:
                original(handle)
                return
            if self.is_off:
                return
            self.step("sync", path)
            self._contents[status.st_ino] = self._bytes_of(handle, status.st_size)

        return synced

    @staticmethod
    def _bytes_of(handle: int, size: int) -> bytes:
        with Path(f"/proc/self/fd/{handle}").open("rb", buffering=0) as file:  # a handle may be for writing only
            return os.pread(file.fileno(), size, 0)

    def _moved(self, original: Callable[..., None]) -> Callable[..., None]:
        def moved(source: Any, target: Any, **options: Any) -> None:
            path, goal = self._holds(source), self._holds(target)
            if path is None or goal is None:
                original(source, target, **options)
                return
            if self.is_off:
                return
            self.step("move", goal)
            original(source, target, **options)
            self._pending.append(("move", path, goal))

        return moved

    def _removed(self, original: Callable[..., None]) -> Callable[..., None]:
        def removed(path: Any, **options: Any) -> None:
            full = self._holds(path)
            if full is None:
                original(path, **options)
                return
            if self.is_off:
                return
            # a removal is a clearing up after a failure: it has no failure of its own here, or none could be cleared up
            original(path, **options)
            self._pending.append(("remove", full, 0))

        return removed

    # the disk after a power cut

    def _applied(self, pending: list[tuple[str, Path, Path | int]]) -> dict[Path, int]:
        names = dict(self._names)
        for kind, path, other in pending:
            if kind == "create" and isinstance(other, int):
                names[path] = other
            elif kind == "move" and isinstance(other, Path) and path in names:
                names[other] = names.pop(path)
            elif kind == "remove":
                names.pop(path, None)
        return names

    def _settle(self) -> None:
        self._names = self._applied(self._pending)
        self._pending.clear()

    def disks(self) -> Iterator[dict[Path, bytes]]:
        """Every disk that a power cut now may leave: names as synced, and with more and more of what came after; of bytes only those that were
        synced."""
        for count in range(len(self._pending) + 1):
            yield {path: self._contents.get(inode, b"") for path, inode in self._applied(self._pending[:count]).items()}

    def __enter__(self) -> Self:
        """Begin with what is there, all of it synced."""
        self.folder = self.folder.absolute()
        for path in self.folder.rglob("*"):
            if path.is_file():
                self._names[path] = path.stat().st_ino
                self._contents[path.stat().st_ino] = path.read_bytes()
        opened = self._open(builtins.open)
        for target, name, replaced in (
            (builtins, "open", opened), (io, "open", opened), (os, "open", self._os_open(os.open)),
            (os, "fsync", self._fsync(os.fsync)), (os, "fdatasync", self._fsync(os.fdatasync)), (os, "replace", self._moved(os.replace)),
            (os, "rename", self._moved(os.rename)), (os, "unlink", self._removed(os.unlink)), (os, "remove", self._removed(os.remove)),
        ):  # fmt: skip
            self._stack.enter_context(mock.patch.object(target, name, replaced))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the disk be what it is."""
        self._stack.close()
