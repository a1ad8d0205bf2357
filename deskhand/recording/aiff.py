"""AIFF and AIFF-C files: chunks and codings.

Layouts: Audio Interchange File Format 1.3 (1989) and its draft for compressed audio, AIFF-C (1991): `COMM`, `SSND`.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO, Final

from deskhand.recording.layout import (
    BlockFormat,
    DataExtent,
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

_UNKNOWN: Final = (0, 8, 0xFFFFFFFF)
"""Sizes of a sound chunk that recorders leave until they stop; common practice, no source."""
# 80-bit floats: a bias of 16383, 63 binary places (AIFF 1.3, appendix D, after IEEE 754)
_RATE_BIAS: Final = 16383 + 63
_HIGHEST_RATE_EXPONENT: Final = 16383 + 31
"""Exponent of rates up to 2^32 Hz: above that a header is nonsense."""
# a packet of IMA 4:1 for one channel: two bytes of state, then 64 frames of four bits; common practice, no source
_IMA4_BYTES, _IMA4_FRAMES = 34, 64
# GSM 06.10: 160 frames in 33 bytes
_GSM: Final = BlockFormat(block_bytes=33, block_frames=160)


def _rate(extended: bytes) -> int:
    """Sample rate in Hz from an 80-bit float; 0 for none that can be true."""
    exponent, mantissa = struct.unpack(">HQ", extended)
    if exponent > _HIGHEST_RATE_EXPONENT:  # negative, or above any rate there is
        return 0
    shift = _RATE_BIAS - exponent
    return int((mantissa + (1 << shift >> 1)) >> shift)


def _coding(kind: bytes, bits: int, channels: int) -> WordFormat | BlockFormat | None:
    """Coding by its four letters; None for one that only the library decodes."""
    least_bytes = -(-bits // 8)
    if kind in (b"NONE", b"twos", b"sowt", b"raw ") and 1 <= bits <= 32:
        if kind == b"raw " and least_bytes > 1:
            return None
        return WordFormat(
            coding="unsigned" if kind == b"raw " else "integer",
            bits=bits,
            word_bytes=least_bytes,
            is_big_endian=kind != b"sowt",
        )
    # common practice, no source: the names that players and editors write for other words
    whole = {b"in24": 3, b"in32": 4, b"42ni": 3, b"23ni": 4}.get(kind)
    if whole:
        return WordFormat(coding="integer", bits=8 * whole, word_bytes=whole, is_big_endian=kind.startswith(b"in"))
    floats = {b"fl32": 32, b"FL32": 32, b"fl64": 64, b"FL64": 64}.get(kind)
    if floats:
        return WordFormat(coding="float", bits=floats, word_bytes=floats // 8, is_big_endian=True)
    if kind in (b"alaw", b"ALAW", b"ulaw", b"ULAW"):
        return WordFormat(coding="a-law" if kind.lower() == b"alaw" else "mu-law", bits=8, word_bytes=1)
    if kind == b"ima4":
        return BlockFormat(block_bytes=_IMA4_BYTES * channels, block_frames=_IMA4_FRAMES)
    return _GSM if kind == b"GSM " and channels == 1 else None


def read_aiff(file: BinaryIO, path: Path) -> SampleLayout:
    """Layout of an AIFF or AIFF-C file.

    Raises
    ------
    RecordingError
        No format, no audio, or figures that cannot be true.
    """
    end = file.seek(0, 2)
    position, common, sound = 12, b"", None
    while position + 8 <= end:
        name, size = struct.unpack(">4sI", read_at(file, position, 8))
        if name == b"COMM":
            common = file.read(min(size, 22))
        elif name == b"SSND" and position + 16 <= end:
            offset = struct.unpack(">I", file.read(4))[0]
            start = position + 16 + offset
            sound = start, 0 if size in _UNKNOWN else max(0, size - 8 - offset)
        position += 8 + size + (size & 1)
    if len(common) < 18:
        raise header_ends(path)
    if sound is None:
        raise no_audio(path)
    channels, stated, bits = struct.unpack(">HIH", common[:8])
    rate = _rate(common[8:18])
    check_figures(path, channels, rate)
    coding = _coding(common[18:22] if len(common) == 22 else b"NONE", bits, channels)
    start, promised = sound
    extent = data_extent(start, promised, end)
    if isinstance(coding, WordFormat):
        stated_bytes = stated * channels * coding.word_bytes
        if stated and extent.promised is not None and stated_bytes < extent.promised:
            # the count of frames leaves out what fills the chunk up
            extent = DataExtent(promised=stated_bytes, held=min(stated_bytes, extent.held))
    return sample_layout(
        channels=channels,
        sample_rate_hz=rate,
        coding=coding,
        data_start=start,
        extent=extent,
        # a coding of blocks counts its packets there, not its frames
        stated_frames=None if isinstance(coding, BlockFormat) else stated,
    )
