"""A recording in place of a device: to practise a line check without a desk, and to test with."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from deskhand.live.ring import Ring

if TYPE_CHECKING:
    from deskhand.recording import Recording


class Replay:
    """Recording played into a ring, at its own pace or as fast as it is taken.

    Parameters
    ----------
    recording : Recording
    kept_s : float
        How much of the newest is kept.
    fast : bool
        Hand over another block whenever it is asked for, whatever the clock says.
    """

    def __init__(self, recording: Recording, *, kept_s: float, fast: bool = False) -> None:
        self.sample_rate_hz = recording.sample_rate_hz
        self.channels = len(recording.tracks)
        self.ring = Ring.of(self.channels, round(kept_s * self.sample_rate_hz))
        self.overflows = 0
        self.gone_s = 0.0
        self.note = "running"
        """ "running", or "over" when all was played."""
        self._step = self.sample_rate_hz // 10
        self._blocks = iter(recording.blocks(self._step))
        self._fast = fast
        self._began = time.monotonic()

    def poll(self) -> str:
        """Hand over the frames that have come due: "running" or "over"."""
        due = (time.monotonic() - self._began) * self.sample_rate_hz
        while self.note == "running" and (self._fast or self.ring.written + self._step <= due):
            block = next(self._blocks, None)
            if block is None:
                self.note = "over"
                break
            self.ring.write(np.asarray(block.samples))
            if self._fast:
                break
        return self.note

    def close(self) -> None:
        """Let go of the files."""
        self._blocks = iter(())
