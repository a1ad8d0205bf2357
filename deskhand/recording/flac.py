"""Ends of FLAC files: how many frames a file holds whose header leaves it open, or whose end is gone.

The library stops at such files: one without a length looks endless to it, one that is cut can neither be searched nor read to
its end. The last whole block of samples tells the length; the library is then given the file up to there, with that length.
Layout: RFC 9639 (2024), 8.2 (stream information), 9.1 (frame header) and 9.3 (frame footer).
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO, Final

from deskhand.errors import RecordingError
from deskhand.recording.layout import COPY_AGAIN, header_ends, read_at

if TYPE_CHECKING:
    from pathlib import Path

    from typing_extensions import Buffer

FLAC_MAGIC: Final = b"fLaC"
_INFO_START: Final = 8
"""Body of the stream information: behind the magic and the head of the first metadata block."""
_INFO_BYTES: Final = 34
"""Length of the stream information (RFC 9639, 8.2)."""
_ID3V1_BYTES: Final = 128
"""Length of a tag that some programs hang behind a file; common practice, no source."""
_SYNC: Final = re.compile(rb"\xff[\xf8\xf9]")
_LONGEST_HEADER: Final = 16
"""Bytes of a frame header at most (RFC 9639, 9.1): 4, a number of 7, a block size of 2, a rate of 2, a check of 1."""
# RFC 9639, table 14: block sizes by code; 6 and 7 stand behind the number
_BLOCK_SIZES: Final = {1: 192, **{n: 144 << n for n in range(2, 6)}, **{n: 1 << n for n in range(8, 16)}}
_LARGEST_WINDOW: Final = 64 << 20
"""Common practice, no source: a block of 8 channels of 65535 32-bit words is 2 MiB."""


def _table(polynomial: int, bits: int) -> tuple[int, ...]:
    """Remainders of all bytes by a polynomial of so many bits."""
    top, mask = 1 << (bits - 1), (1 << bits) - 1
    table = []
    for byte in range(256):
        value = byte << (bits - 8)
        for _ in range(8):
            value = (value << 1 ^ (polynomial if value & top else 0)) & mask
        table.append(value)
    return tuple(table)


# RFC 9639, 9.1.8 and 9.3
_CRC_8: Final = _table(0x07, 8)
_CRC_16: Final = _table(0x8005, 16)


@dataclass(frozen=True, slots=True, kw_only=True)
class FlacInfo:
    """Stream information of a FLAC file."""

    block_frames: int
    """Smallest block but the last: all of them, in a stream of equal blocks."""
    largest_block_frames: int
    largest_block_bytes: int
    """0 when the encoder did not say."""
    sample_rate_hz: int
    channels: int
    bits: int
    frames: int
    """0 when the encoder left it open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlacExtent:
    """Length of the whole blocks of a FLAC file."""

    frames: int
    end: int
    """Byte behind the last whole block."""
    is_cut: bool
    """A piece of a block follows, or the header promises more, or nothing tells that the encoder came to its end."""


@dataclass(frozen=True, slots=True)
class _Header:
    """Frame header found in the window."""

    position: int
    start: int
    """First frame of the block."""
    frames: int


def read_flac(file: BinaryIO, path: Path) -> FlacInfo:
    """Stream information of a FLAC file.

    Raises
    ------
    RecordingError
        The file ends before it.
    """
    head = read_at(file, 4, 4)
    info = file.read(_INFO_BYTES)
    if len(info) < _INFO_BYTES or head[0] & 0x7F:
        raise header_ends(path)
    figures = int.from_bytes(info[10:18], "big")
    return FlacInfo(
        block_frames=int.from_bytes(info[0:2], "big"),
        largest_block_frames=int.from_bytes(info[2:4], "big"),
        largest_block_bytes=int.from_bytes(info[7:10], "big"),
        sample_rate_hz=figures >> 44,
        channels=(figures >> 41 & 7) + 1,
        bits=(figures >> 36 & 31) + 1,
        frames=figures & (1 << 36) - 1,
    )


def _number(data: bytes, position: int) -> tuple[int, int]:
    """Number coded like a character of UTF-8, up to 36 bits, and the byte behind it; -1 when it is none."""
    first = data[position]
    if first < 0x80:
        return first, position + 1
    length = 8 - (first ^ 0xFF).bit_length()
    continuation = data[position + 1 : position + length]
    if not 2 <= length <= 7 or any(byte & 0xC0 != 0x80 for byte in continuation):
        return -1, position
    value = first & (0x7F >> length)
    for byte in continuation:
        value = value << 6 | byte & 0x3F
    return value, position + length


def _header(data: bytes, position: int, info: FlacInfo) -> _Header | None:
    """Frame header at a byte of the window; None when what stands there is none of this stream."""
    if position + _LONGEST_HEADER > len(data):
        data = data + bytes(_LONGEST_HEADER)
    size_code, rate_code = data[position + 2] >> 4, data[position + 2] & 15
    channel_code = data[position + 3] >> 4
    channels = 2 if 8 <= channel_code <= 10 else channel_code + 1 if channel_code < 8 else 0
    if channels != info.channels or not size_code or rate_code == 15 or data[position + 3] & 1:
        return None
    number, behind = _number(data, position + 4)
    if number < 0:
        return None
    if size_code in (6, 7):
        width = size_code - 5
        frames = int.from_bytes(data[behind : behind + width], "big") + 1
        behind += width
    else:
        frames = _BLOCK_SIZES[size_code]
    behind += {12: 1, 13: 2, 14: 2}.get(rate_code, 0)
    check = 0
    for byte in data[position:behind]:
        check = _CRC_8[check ^ byte]
    if check != data[behind]:
        return None
    start = number if data[position + 1] & 1 else number * info.block_frames
    return _Header(position=position, start=start, frames=frames)


def _whole_end(data: bytes, start: int, ends: list[int]) -> int | None:
    """First of the bytes `ends`, in rising order, at which a block that begins at `start` is whole.

    The check behind a block makes the remainder over both nought; noughts behind that leave it so.
    """
    check, position = 0, start
    for end in ends:
        for byte in data[position:end]:
            check = (check << 8 & 0xFF00) ^ _CRC_16[check >> 8 ^ byte]
        if not check:
            return end
        position = end
    return None


def flac_extent(file: BinaryIO, info: FlacInfo, path: Path) -> FlacExtent:
    """Length of a FLAC file from its last whole block; only the end of the file is read.

    Raises
    ------
    RecordingError
        There is no whole block.
    """
    end = file.seek(0, 2)
    if end >= _ID3V1_BYTES and read_at(file, end - _ID3V1_BYTES, 3) == b"TAG":
        end -= _ID3V1_BYTES
    # a block of noise is stored as it is: one bit more for a side channel, some bytes a channel around it
    bound = info.channels * (info.largest_block_frames * (info.bits + 1) // 8 + 16) + 32
    window = min(_LARGEST_WINDOW, 2 * max(bound, info.largest_block_bytes) + _LONGEST_HEADER)
    first = max(_INFO_START + _INFO_BYTES, end - window)
    data = read_at(file, first, end - first)
    headers = [header for match in _SYNC.finditer(data) if (header := _header(data, match.start(), info))]
    for index in range(len(headers) - 1, -1, -1):
        block = headers[index]
        possible_ends = [*(later.position for later in headers[index + 1 :]), len(data)]
        behind = _whole_end(data, block.position, possible_ends)
        if behind is None:
            continue
        frames = block.start + block.frames
        # only the last block of a stream may be shorter than the rest; a full one may have had others behind it
        is_open = not info.frames and block.frames == info.block_frames
        return FlacExtent(
            frames=frames, end=first + behind, is_cut=behind < len(data) or frames < info.frames or is_open
        )
    raise RecordingError(path.name, "the file ends before any whole block of audio", COPY_AGAIN)


class FlacView(io.RawIOBase):
    """File up to its last whole block, with the length that was found in its stream information."""

    def __init__(self, path: Path, extent: FlacExtent) -> None:
        self._file = path.open("rb", buffering=0)
        self._end = extent.end
        head = bytearray(self._file.read(_INFO_START + _INFO_BYTES))
        position = _INFO_START + 10
        figures = int.from_bytes(head[position : position + 8], "big") >> 36 << 36
        head[position : position + 8] = (figures | extent.frames).to_bytes(8, "big")
        self._head = bytes(head)
        self._position = 0
        self.problem: OSError | None = None
        """First failure of the disk: the library that reads through this cannot be told of it, and takes it for the end."""

    def readable(self) -> bool:
        """Yes."""
        return True

    def seekable(self) -> bool:
        """Yes."""
        return True

    def tell(self) -> int:
        """Byte that is read next."""
        return self._position

    def seek(self, offset: int, whence: int = 0) -> int:
        """Go to a byte."""
        self._position = max(0, offset + (0, self._position, self._end)[whence])
        return self._position

    def readinto(self, buffer: Buffer) -> int:
        """Fill `buffer` from here, as far as the file goes."""
        view = memoryview(buffer).cast("B")
        size = max(0, min(len(view), self._end - self._position))
        self._file.seek(self._position)
        count = 0
        try:
            # a read may bring less than it was asked for, and the library would take that for the end
            while count < size and (piece := self._file.readinto(view[count:size])):
                count += piece
        except OSError as error:
            self.problem = self.problem or error
        overlap = max(0, min(count, len(self._head) - self._position))
        view[:overlap] = self._head[self._position : self._position + overlap]
        self._position += count
        return count

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()
        super().close()
