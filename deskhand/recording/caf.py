"""CAF files: chunks and codings.

Layout: the open specification of the Core Audio Format 1.0: `desc`, `data`, `pakt`.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO, Final

from deskhand.recording.layout import (
    BlockFormat,
    WordFormat,
    check_figures,
    data_extent,
    header_ends,
    no_audio,
    read_at,
    sample_layout,
)

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.recording.layout import SampleLayout

# flags of `desc`, and the size of a `data` chunk that is left open: the specification's own figures
_IS_FLOAT, _IS_LITTLE_ENDIAN, _UNKNOWN = 1, 2, -1
_EDIT_COUNT_BYTES: Final = 4
"""In front of the audio of the `data` chunk, counted in its size."""


def _coding(
    kind: bytes, flags: int, packet_bytes: int, packet_frames: int, channels: int, bits: int
) -> WordFormat | BlockFormat | None:
    word_bytes = packet_bytes // channels if packet_bytes % channels == 0 else 0
    if kind == b"lpcm" and packet_frames == 1:
        if flags & _IS_FLOAT:
            if bits not in (32, 64) or word_bytes != bits // 8:
                return None
        elif not (1 <= bits <= 8 * word_bytes and word_bytes <= 4):
            return None
        return WordFormat(
            coding="float" if flags & _IS_FLOAT else "integer",
            bits=bits,
            word_bytes=word_bytes,
            is_big_endian=not flags & _IS_LITTLE_ENDIAN,
        )
    if kind in (b"alaw", b"ulaw") and word_bytes == 1:
        return WordFormat(coding="a-law" if kind == b"alaw" else "mu-law", bits=8, word_bytes=1)
    if packet_bytes and packet_frames:
        return BlockFormat(block_bytes=packet_bytes, block_frames=packet_frames)
    return None


def read_caf(file: BinaryIO, path: Path) -> SampleLayout:
    """Layout of a CAF file.

    Raises
    ------
    RecordingError
        No format, no audio, or figures that cannot be true.
    """
    end = file.seek(0, 2)
    position, described, sound, stated_frames = 8, b"", None, None
    while position + 12 <= end:
        name, size = struct.unpack(">4sq", read_at(file, position, 12))
        start = position + 12
        if name == b"desc":
            described = file.read(min(max(0, size), 32))
        elif name == b"pakt" and size >= 16 and start + 16 <= end:
            stated_frames = max(0, struct.unpack(">qq", file.read(16))[1])
        elif name == b"data":
            sound = start + _EDIT_COUNT_BYTES, 0 if size == _UNKNOWN else max(0, size - _EDIT_COUNT_BYTES)
        if size < 0:  # the length is left open: it goes on to the end
            break
        position = start + size
    if len(described) < 32:
        raise header_ends(path)
    if sound is None or sound[0] > end:
        raise no_audio(path)
    rate, kind, flags, packet_bytes, packet_frames, channels, bits = struct.unpack(">d4sIIIII", described)
    whole_rate = round(rate) if 0 < rate < 2**32 else 0  # also refuses what is not a number
    check_figures(path, channels, whole_rate)
    return sample_layout(
        channels=channels,
        sample_rate_hz=whole_rate,
        coding=_coding(kind, flags, packet_bytes, packet_frames, channels, bits),
        data_start=sound[0],
        extent=data_extent(*sound, end),
        stated_frames=stated_frames,
    )
