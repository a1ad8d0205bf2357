"""Files that are being recorded: readable at every moment, whatever happens to the computer.

RF64 from the first byte (EBU Tech 3306), so that it may outgrow 4 GiB; the sizes in its header are brought up to date every few
seconds, and names of tracks stand in front of the audio (`iXML`).
"""

from __future__ import annotations

import os
import struct
import uuid
from typing import TYPE_CHECKING, Final
from xml.sax.saxutils import escape

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

# 24 bits: as much as a converter gives. Common practice, no source
_BITS, _BYTES, _FULL = 24, 3, 1 << 23
_UPDATE_S: Final = 2.0
"""A crash costs at most the audio since the last update; shorter pauses wear the disk. Common practice, no source."""
_UNKNOWN: Final = 0xFFFFFFFF
"""Size of 32 bits in place of those in `ds64` (EBU Tech 3306)."""
# KSDATAFORMAT_SUBTYPE_PCM, as the open description of WAVEFORMATEXTENSIBLE has it
_PCM: Final = uuid.UUID("00000001-0000-0010-8000-00aa00389b71").bytes_le


class GrowingFile:
    """Polyphonic 24-bit file that grows.

    Parameters
    ----------
    path : Path
        Where; there must be none yet.
    names : sequence of str
        Of its channels.
    sample_rate_hz : int

    Raises
    ------
    OSError
        It is there already, or cannot be made.
    """

    def __init__(self, path: Path, names: Sequence[str], sample_rate_hz: int) -> None:
        self.path = path
        self.frames = 0
        self._channels = len(names)
        self._update = round(_UPDATE_S * sample_rate_hz)
        self._stated = 0
        tracks = "".join(
            f"<TRACK><CHANNEL_INDEX>{index}</CHANNEL_INDEX><INTERLEAVE_INDEX>{index}</INTERLEAVE_INDEX>"
            f"<NAME>{escape(name)}</NAME></TRACK>"
            for index, name in enumerate(names, 1)
        )
        ixml = (
            '<?xml version="1.0" encoding="UTF-8"?><BWFXML><IXML_VERSION>2.0</IXML_VERSION><TRACK_LIST>'
            f"<TRACK_COUNT>{len(names)}</TRACK_COUNT>{tracks}</TRACK_LIST></BWFXML>"
        ).encode()
        ixml += b" " * (len(ixml) % 2)
        stride = self._channels * _BYTES
        fmt = struct.pack(
            "<HHIIHHHHI", 0xFFFE, self._channels, sample_rate_hz, sample_rate_hz * stride, stride, _BITS, 22, _BITS, 0
        )
        head = struct.pack("<4sI4s4sIQQQI", b"RF64", _UNKNOWN, b"WAVE", b"ds64", 28, 0, 0, 0, 0)
        head += struct.pack("<4sI", b"fmt ", 40) + fmt + _PCM
        head += struct.pack("<4sI", b"iXML", len(ixml)) + ixml
        head += struct.pack("<4sI", b"data", _UNKNOWN)
        self._head = len(head)
        self._file = path.open("xb", buffering=0)
        try:
            self._append(head)
        except OSError:
            # nothing was recorded: a file without a whole header would stand in the way of the next try
            self._file.close()
            path.unlink(missing_ok=True)
            raise

    def write(self, samples: NDArray[np.float32]) -> None:
        """Append (channels, frames); samples above full scale are cut, as a converter would.

        Raises
        ------
        OSError
            The disk is full or gone. What was written before stays whole.
        """
        frames = samples.shape[1]
        whole = np.clip(np.rint(samples.T * np.float32(_FULL)), -_FULL, _FULL - 1).astype("<i4")
        packed = np.ascontiguousarray(whole).view(np.uint8).reshape(frames, self._channels, 4)[:, :, :_BYTES]
        start = self._head + self.frames * self._channels * _BYTES
        try:
            self._append(np.ascontiguousarray(packed).tobytes())
        except OSError:
            # half a frame would shift every channel of what comes behind it
            self._file.seek(start)
            self._file.truncate()
            raise
        self.frames += frames
        if self.frames - self._stated >= self._update:
            self._state()

    def _append(self, data: bytes) -> None:
        """Write all of it, in as many pieces as the system takes."""
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) or 0 :]

    def _state(self) -> None:
        """Bring the sizes in the header up to date, and all of it onto the disk: a power cut costs no more than a crash."""
        size = self.frames * self._channels * _BYTES
        end = self._head + size
        self._file.seek(20)
        self._file.write(struct.pack("<QQQ", end + size % 2 - 8, size, self.frames))
        self._file.seek(end)
        os.fsync(self._file.fileno())
        self._stated = self.frames

    def close(self) -> None:
        """State the sizes and let go of the file; a disk that is gone is no reason to fail."""
        try:
            if (self.frames * self._channels * _BYTES) % 2:
                self._file.seek(0, os.SEEK_END)
                self._file.write(b"\0")
            self._state()
        except OSError:
            pass
        finally:
            self._file.close()
