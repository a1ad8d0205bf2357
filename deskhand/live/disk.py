"""Writes what comes in to disk while it is listened to, in a thread of its own."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.errors import LiveError, UsageError
from deskhand.recording.growing import GrowingFile

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from deskhand.live.ring import Ring

FILE_NAME: Final = "take.wav"
_EVERY_S: Final = 0.25
"""Pause between two writes: seldom enough to be cheap, often enough for a ring of many seconds. Common practice, no source."""


class Recorder:
    """Writes a ring to a file as it fills.

    Parameters
    ----------
    folder : Path
        Made when it is not there; holds no take yet.
    names : sequence of str
        Of the channels.
    ring : Ring
    sample_rate_hz : int
    goes_on : bool
        True where an evening goes on after the computer failed: a second file beside the first is begun.

    Raises
    ------
    UsageError
        The folder cannot be made, or holds a take.
    """

    def __init__(
        self, folder: Path, names: Sequence[str], ring: Ring, sample_rate_hz: int, *, goes_on: bool = False
    ) -> None:
        self.path = folder / FILE_NAME
        try:
            folder.mkdir(parents=True, exist_ok=True)
            number = 2
            while goes_on and self.path.exists():
                self.path = folder / FILE_NAME.replace(".", f" {number}.")
                number += 1
            self._file = GrowingFile(self.path, names, sample_rate_hz)
        except FileExistsError as error:
            raise UsageError(str(folder), "holds a take already", "name another folder with --record") from error
        except OSError as error:
            raise UsageError(str(folder), f"cannot be written ({error.strerror})", "name another folder") from error
        self.lost = 0
        """Frames that the disk was too slow for; silence stands in their place."""
        self.problem: str | None = None
        """Why it stopped before the end."""
        self._ring = ring
        self._written = ring.written
        self._chunk = sample_rate_hz
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    @property
    def frames(self) -> int:
        """Written so far."""
        return self._file.frames

    def _run(self) -> None:
        while not self._done.wait(_EVERY_S):
            if not self._write():
                return
        self._write()

    def _write(self) -> bool:
        try:
            while (waiting := self._ring.written - self._written) > 0:
                gone = self._ring.oldest - self._written
                if gone > 0:
                    # what follows must not move forward in time
                    gone = min(gone + self._chunk, waiting)
                    self.lost += gone
                    for first in range(0, gone, self._chunk):
                        count = min(self._chunk, gone - first)
                        self._file.write(np.zeros((self._ring.channels, count), np.float32))
                    self._written += gone
                    continue
                count = min(waiting, self._chunk)
                try:
                    samples = self._ring.read(self._written, count)
                except LiveError:
                    continue  # overwritten meanwhile: counted on the next round
                self._file.write(samples)
                self._written += count
        except OSError as error:
            self.problem = f"{self.path}: {error.strerror or error}; what was recorded until then is whole"
            self._file.close()
            return False
        return True

    def close(self) -> None:
        """Write what is left and close the file."""
        self._done.set()
        self._thread.join()
        if self.problem is None:
            self._file.close()


def write_note(folder: Path, date: str, phase: str, tap: str, players: dict[str, str]) -> None:
    """Write `show.toml` beside the recording; comments and other keys of one that is there are kept."""
    from deskhand.recording.show import write_show_note

    name = "line check" if phase == "line-check" else "soundcheck"
    write_show_note(folder, {"name": name, "date": date, "phase": phase, "tap": tap}, players=players)
