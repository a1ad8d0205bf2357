"""WAV, BWF, RIFX, RF64 and BW64 files: chunks and codings, read so that an unfinished file still gives what it holds.

Our own walker because the libraries at hand stop where a recorder lost power: one gives no frames, the other raises.
Layouts: EBU Tech 3285 (BWF, `bext`), EBU Tech 3306 and ITU-R BS.2088-1 (RF64 and BW64, `ds64`), the `iXML` chunk as its
open description has it, Microsoft Multimedia Programming Interface 1.0 (`fmt `, `data`).
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO, Final
from xml.etree import ElementTree as ET

from deskhand.recording.layout import (
    BlockFormat,
    DataExtent,
    WordFormat,
    check_figures,
    header_ends,
    no_audio,
    read_at,
    sample_layout,
)

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.recording.layout import Coding, SampleLayout

MAGIC: Final = (b"RIFF", b"RIFX", b"RF64", b"BW64")
_UNKNOWN_SIZE: Final = 0xFFFFFFFF
"""Size of 32 bits that stands in `ds64` instead (EBU Tech 3306), or that a recorder left open."""
# tags of codings: RFC 2361 (1998), appendix A
_PCM, _MS_ADPCM, _FLOAT, _A_LAW, _MU_LAW, _IMA_ADPCM, _GSM_610, _EXTENSIBLE = 1, 2, 3, 6, 7, 0x11, 0x31, 0xFFFE
_LARGEST_TEXT_CHUNK: Final = 4 * 1024 * 1024
"""Bytes of `iXML` that are read: many times what hundreds of tracks need. Common practice, no source."""
# Chunks that the open descriptions above name; others are believed when their sizes lead to the end of the file.
_KNOWN_IDS: Final = (
    b"LIST", b"bext", b"iXML", b"fact", b"cue ", b"JUNK", b"PAD ", b"axml", b"chna", b"ds64", b"PEAK", b"qlty", b"mext",
    b"levl", b"link", b"plst",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveFormat:
    """Figures of a `fmt ` chunk, which a W64 file holds as well."""

    channels: int
    sample_rate_hz: int
    coding: WordFormat | BlockFormat | None


def _coding(
    tag: int, channels: int, block_align: int, bits: int, fmt: bytes, *, big_endian: bool
) -> WordFormat | BlockFormat | None:
    least_bytes = -(-bits // 8)
    container = block_align // channels if channels and block_align % channels == 0 else 0
    if tag == _PCM and 1 <= bits <= 32:
        # exporters keep 24 bits in words of 4 bytes, 20 in 3, 12 in 2: the container decides, the bits lie at its top
        word_bytes = container if least_bytes <= container <= 4 else least_bytes
        if word_bytes > 1 and bits <= 8:
            return None
        kind: Coding = "unsigned" if word_bytes == 1 else "integer"
        return WordFormat(coding=kind, bits=bits, word_bytes=word_bytes, is_big_endian=big_endian)
    if tag == _FLOAT and bits in (32, 64):
        return WordFormat(coding="float", bits=bits, word_bytes=bits // 8, is_big_endian=big_endian)
    if tag in (_A_LAW, _MU_LAW) and bits == 8:
        return WordFormat(coding="a-law" if tag == _A_LAW else "mu-law", bits=8, word_bytes=1)
    if tag in (_MS_ADPCM, _IMA_ADPCM, _GSM_610) and block_align and len(fmt) >= 20:
        block_frames = struct.unpack(">H" if big_endian else "<H", fmt[18:20])[0]
        return BlockFormat(block_bytes=block_align, block_frames=block_frames) if block_frames else None
    return None


def wave_format(fmt: bytes, path: Path, *, big_endian: bool = False) -> WaveFormat:
    """Figures of the body of a `fmt ` chunk.

    Raises
    ------
    RecordingError
        Cut short, or without channels or a rate.

    References
    ----------
    Microsoft Multimedia Programming Interface and Data Specifications 1.0 (1991), WAVE; RFC 2361 for the tags.
    """
    if len(fmt) < 16:
        raise header_ends(path)
    order = ">" if big_endian else "<"
    tag, channels, rate, _, block_align, bits = struct.unpack(order + "HHIIHH", fmt[:16])
    if tag == _EXTENSIBLE and len(fmt) >= 26:
        # the sub-format is a GUID whose first field is the tag
        tag = struct.unpack(order + "H", fmt[24:26])[0]
    check_figures(path, channels, rate)
    coding = _coding(tag, channels, block_align, bits, fmt, big_endian=big_endian)
    return WaveFormat(channels=channels, sample_rate_hz=rate, coding=coding)


def _names_from_ixml(text: bytes) -> dict[int, str]:
    """Track names by channel, from 0; none where the text cannot be read."""
    try:
        root = ET.fromstring(text.rstrip(b"\0 \r\n\t"))  # noqa: S314  (expat 2.4.1+ bounds entity expansion)
    except (ET.ParseError, LookupError, ValueError):  # the last two: a text coding that is not known
        return {}
    names: dict[int, str] = {}
    for order, track in enumerate(root.iter("TRACK")):
        name = (track.findtext("NAME") or "").strip()
        index = (track.findtext("INTERLEAVE_INDEX") or "").strip()
        channel = int(index) - 1 if re.fullmatch(r"[0-9]{1,5}", index) else order
        if name and channel >= 0:
            names[channel] = name
    return names


@dataclass(slots=True)
class _Chunks:
    """Contents of a file's chunks, as far as they concern us."""

    fmt: bytes | None = None
    data_start: int | None = None
    data_promised: int = 0
    data_bytes: int = 0
    long_data: int | None = None
    time_reference: int | None = None
    names: dict[int, str] | None = None
    stated_frames: int | None = None
    """Count of frames in `fact`, which codings of many frames a block need."""
    stale: bool = False


def _looks_like_chunk(file: BinaryIO, position: int, end: int, order: str) -> bool:
    """True where chunks stand at `position`: a known name, or printable names and sizes that lead to the very end."""
    first = True
    while position + 8 <= end:
        file.seek(position)
        name, size = struct.unpack(order + "4sI", file.read(8))
        if first and name in _KNOWN_IDS:
            return True
        if not all(32 <= byte < 127 for byte in name):
            return False
        position += 8 + size + (size & 1)
        first = False
    return position in (end, end + 1)


def _measure_data(file: BinaryIO, chunks: _Chunks, start: int, size: int, end: int, order: str) -> int:
    """Bytes of audio that are really there; the header is believed only where the file bears it out."""
    chunks.data_start = start
    promised = chunks.long_data if size == _UNKNOWN_SIZE and chunks.long_data is not None else size
    available = end - start
    chunks.data_promised = promised
    after = start + promised + (promised & 1)
    if promised > available or promised == _UNKNOWN_SIZE:
        chunks.stale = True
        return available
    # an odd one's pad byte may have been forgotten
    if promised in (available, available - 1) or any(
        _looks_like_chunk(file, position, end, order) for position in {after, start + promised}
    ):
        return promised
    chunks.stale = True
    return available


def _walk(file: BinaryIO, end: int, order: str) -> _Chunks:
    """Read the chunks from first to last."""
    chunks = _Chunks()
    position = 12
    while position + 8 <= end:
        file.seek(position)
        name, size = struct.unpack(order + "4sI", file.read(8))
        start = position + 8
        if name == b"data":
            chunks.data_bytes = _measure_data(file, chunks, start, size, end, order)
            if chunks.stale:
                break
            size = chunks.data_bytes
            if size & 1 and _looks_like_chunk(file, start + size, end, order):
                size -= 1  # no pad byte: the next chunk stands right behind
        elif name == b"ds64" and size >= 24 and start + 24 <= end:
            _, chunks.long_data, _ = struct.unpack("<QQQ", file.read(24))
        elif name == b"fmt ":
            chunks.fmt = file.read(min(size, 64))
        elif name == b"fact" and size >= 4 and start + 4 <= end:
            chunks.stated_frames = struct.unpack(order + "I", file.read(4))[0]
        elif name == b"bext" and size >= 346 and start + 346 <= end:
            file.seek(start + 338)
            chunks.time_reference = struct.unpack("<Q", file.read(8))[0]
        elif name == b"iXML" and size <= _LARGEST_TEXT_CHUNK:
            chunks.names = _names_from_ixml(file.read(size))
        position = start + size + (size & 1)
    return chunks


def read_riff(file: BinaryIO, path: Path) -> SampleLayout:
    """Layout of a file of the WAV family: RIFF, RIFX, RF64 or BW64.

    Raises
    ------
    RecordingError
        No format, no audio, or figures that cannot be true.

    References
    ----------
    EBU Tech 3285 v2; EBU Tech 3306; ITU-R BS.2088-1.
    """
    end = file.seek(0, 2)
    big_endian = read_at(file, 0, 4) == b"RIFX"
    chunks = _walk(file, end, ">" if big_endian else "<")
    if chunks.fmt is None or len(chunks.fmt) < 16:
        raise header_ends(path)
    if chunks.data_start is None:
        raise no_audio(path)
    wave = wave_format(chunks.fmt, path, big_endian=big_endian)
    promised: int | None = chunks.data_promised
    if chunks.stale and promised in (0, _UNKNOWN_SIZE):
        promised = None
    elif not chunks.stale:
        promised = chunks.data_bytes
    return sample_layout(
        channels=wave.channels,
        sample_rate_hz=wave.sample_rate_hz,
        coding=wave.coding,
        data_start=chunks.data_start,
        extent=DataExtent(promised=promised, held=chunks.data_bytes),
        stated_frames=chunks.stated_frames,
        time_reference=chunks.time_reference,
        names=chunks.names,
    )
