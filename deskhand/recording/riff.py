"""The chunks of WAV, BWF, RF64 and BW64 files, read so that an unfinished file still gives what it holds.

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

from deskhand.errors import RecordingError
from deskhand.units import clock

if TYPE_CHECKING:
    from pathlib import Path

MAGIC: Final = (b"RIFF", b"RF64", b"BW64")
_UNKNOWN_SIZE: Final = 0xFFFFFFFF
_PCM: Final = 1
_FLOAT: Final = 3
_EXTENSIBLE: Final = 0xFFFE
_LARGEST_TEXT_CHUNK: Final = 4 * 1024 * 1024
# Chunks that the open descriptions above name; others are believed when their sizes lead to the end of the file.
_KNOWN_IDS: Final = (
    b"LIST", b"bext", b"iXML", b"fact", b"cue ", b"JUNK", b"PAD ", b"axml", b"chna", b"ds64", b"PEAK", b"qlty", b"mext",
    b"levl", b"link", b"plst",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RiffFile:
    """Where the samples of one file of the WAV family lie, and what its chunks say of them."""

    channels: int
    sample_rate_hz: int
    bits: int
    is_float: bool
    data_start: int
    """Byte at which the samples begin."""
    frames: int
    """Whole frames that are really there."""
    time_reference: int | None
    """Samples since midnight at which the file starts (`bext`)."""
    names: dict[int, str]
    """Channel in the file, from 0, to track name (`iXML`)."""
    note: str | None
    """What was wrong with the header, and how far the file was read."""


def _names_from_ixml(text: bytes) -> dict[int, str]:
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
class _Found:
    fmt: bytes | None = None
    data_start: int | None = None
    data_promised: int = 0
    data_bytes: int = 0
    long_data: int | None = None
    time_reference: int | None = None
    names: dict[int, str] | None = None
    stale: bool = False


def _looks_like_chunk(file: BinaryIO, position: int, end: int) -> bool:
    """Whether chunks stand at `position`: a known name, or printable names and sizes that lead to the very end."""
    first = True
    while position + 8 <= end:
        file.seek(position)
        name, size = struct.unpack("<4sI", file.read(8))
        if first and name in _KNOWN_IDS:
            return True
        if not all(32 <= byte < 127 for byte in name):
            return False
        position += 8 + size + (size & 1)
        first = False
    return position in (end, end + 1)


def _measure_data(file: BinaryIO, found: _Found, start: int, size: int, end: int) -> int:
    """Bytes of audio that are really there; the header is believed only where the file bears it out."""
    found.data_start = start
    promised = found.long_data if size == _UNKNOWN_SIZE and found.long_data is not None else size
    there = end - start
    found.data_promised = promised
    after = start + promised + (promised & 1)
    if promised > there or promised == _UNKNOWN_SIZE:
        found.stale = True
        return there
    # an odd one's pad byte may have been forgotten
    if promised in (there, there - 1) or any(_looks_like_chunk(file, at, end) for at in {after, start + promised}):
        return promised
    found.stale = True
    return there


def _walk(file: BinaryIO, end: int) -> _Found:
    found = _Found()
    position = 12
    while position + 8 <= end:
        file.seek(position)
        name, size = struct.unpack("<4sI", file.read(8))
        start = position + 8
        if name == b"data":
            found.data_bytes = _measure_data(file, found, start, size, end)
            if found.stale:
                break
            size = found.data_bytes
            if size & 1 and _looks_like_chunk(file, start + size, end):
                size -= 1  # no pad byte: the next chunk stands right behind
        elif name == b"ds64" and size >= 24 and start + 24 <= end:
            _, found.long_data, _ = struct.unpack("<QQQ", file.read(24))
        elif name == b"fmt ":
            found.fmt = file.read(min(size, 64))
        elif name == b"bext" and size >= 346 and start + 346 <= end:
            file.seek(start + 338)
            found.time_reference = struct.unpack("<Q", file.read(8))[0]
        elif name == b"iXML" and size <= _LARGEST_TEXT_CHUNK:
            found.names = _names_from_ixml(file.read(size))
        position = start + size + (size & 1)
    return found


def read_riff(file: BinaryIO, path: Path) -> RiffFile | None:
    """What a file of the WAV family holds; None when its samples are coded in another way than PCM or float.

    Raises
    ------
    RecordingError
        No format, no audio, or figures that cannot be true.

    References
    ----------
    EBU Tech 3285 v2; EBU Tech 3306; ITU-R BS.2088-1.
    """
    end = file.seek(0, 2)
    found = _walk(file, end)
    fix = "copy the file again, or leave it out of the folder"
    if found.fmt is None or len(found.fmt) < 16:
        raise RecordingError(path.name, "the header ends before it says how the audio is stored", fix)
    if found.data_start is None:
        raise RecordingError(path.name, "the file ends before any audio", fix)
    tag, channels, rate, _, block_align, bits = struct.unpack("<HHIIHH", found.fmt[:16])
    if tag == _EXTENSIBLE and len(found.fmt) >= 26:
        tag = struct.unpack("<H", found.fmt[24:26])[0]
    if channels == 0 or rate == 0:
        problem = f"the header says {channels} channels at {rate} Hz; at least 1 of each is needed"
        raise RecordingError(path.name, problem, fix)
    if tag not in (_PCM, _FLOAT) or bits not in ((32, 64) if tag == _FLOAT else (16, 24, 32)):
        return None
    stride = channels * bits // 8
    if block_align == channels * 4 and bits == 24:
        return None  # 24 bits kept in words of 4 bytes: the library knows them
    frames = found.data_bytes // stride
    note = None
    if found.stale:
        promised = found.data_promised
        said = "nothing" if promised in (0, _UNKNOWN_SIZE) else clock(promised / stride / rate)
        note = (
            f"{path.name}: header promises {said}, the file holds {clock(frames / rate)}; "
            "read as far as it goes (recorder stopped early, or the copy was cut short)"
        )
    return RiffFile(
        channels=channels,
        sample_rate_hz=rate,
        bits=bits,
        is_float=tag == _FLOAT,
        data_start=found.data_start,
        frames=frames,
        time_reference=found.time_reference,
        names=found.names or {},
        note=note,
    )
