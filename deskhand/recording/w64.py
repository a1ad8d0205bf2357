"""W64 files: GUIDs for names, sizes of 64 bits that count the chunk's own head, starts at multiples of 8 bytes.

Layout: the open description of the 64-bit WAVE format as libsndfile and ffmpeg write it; the format chunk is that of WAVE.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO, Final

from deskhand.recording.layout import data_extent, header_ends, no_audio, read_at, sample_layout
from deskhand.recording.riff import wave_format

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.recording.layout import SampleLayout

W64_MAGIC: Final = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00"
_GUID_TAIL: Final = b"\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a"
_HEAD: Final = 24
"""Bytes in front of a chunk's body: its GUID of 16 and its size of 8."""
_UNKNOWN: Final = (0, _HEAD, 2**63 - 1, 2**64 - 1)


def read_w64(file: BinaryIO, path: Path) -> SampleLayout:
    """Layout of a W64 file.

    Raises
    ------
    RecordingError
        No format, no audio, or figures that cannot be true.
    """
    end = file.seek(0, 2)
    position = _HEAD + 16
    fmt, stated_frames = b"", None
    while position + _HEAD <= end:
        guid, size = struct.unpack("<16sQ", read_at(file, position, _HEAD))
        start = position + _HEAD
        name = guid[:4] if guid[4:] == _GUID_TAIL else b""
        if name == b"fmt ":
            fmt = file.read(min(max(0, size - _HEAD), 64))
        elif name == b"fact" and size >= _HEAD + 8 and start + 8 <= end:
            stated_frames = struct.unpack("<Q", file.read(8))[0]
        elif name == b"data":
            stated_format = wave_format(fmt, path)
            promised = 0 if size in _UNKNOWN else size - _HEAD
            return sample_layout(
                channels=stated_format.channels,
                sample_rate_hz=stated_format.sample_rate_hz,
                coding=stated_format.coding,
                data_start=start,
                extent=data_extent(start, promised, end),
                stated_frames=stated_frames,
            )
        position += max(_HEAD, (size + 7) & ~7)
    raise no_audio(path) if fmt else header_ends(path)
