"""Files of the WAV family written byte by byte, so that the reader is tested against the published layouts.

`fmt ` and `data`: Microsoft Multimedia Programming Interface and Data Specifications 1.0 (1991). `bext`: EBU Tech 3285 v2
(2011). `ds64`: EBU Tech 3306 v1.1 (2009) for RF64, ITU-R BS.2088-1 (2019) for BW64. Unfinished and wrong headers are
made with the same functions: every size can be given another value than the true one.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal
from xml.sax.saxutils import escape

import numpy as np
import soundfile

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

Magic = Literal[b"RIFF", b"RF64", b"BW64"]
LONG: Final = 0xFFFFFFFF
"""What a 32-bit size says when the true one stands in `ds64`, or when the recorder never came back to fill it in."""
PCM: Final = 1
FLOAT: Final = 3
EXTENSIBLE: Final = 0xFFFE
_GUID_TAIL: Final = bytes.fromhex("000000001000800000AA00389B71")
RATE_HZ: Final = 48000


def chunk(name: bytes, body: bytes, *, size: int | None = None, padded: bool = True) -> bytes:
    """One chunk: name, size, body, and the byte that makes an odd one even."""
    written = len(body) if size is None else size
    return struct.pack("<4sI", name, written) + body + (b"\0" if padded and len(body) % 2 else b"")


def fmt_chunk(
    *, channels: int, rate_hz: int, bits: int, tag: int = PCM, extensible: bool = False, block_align: int | None = None
) -> bytes:
    """The format; `extensible` writes the long form, whose real tag is the start of a GUID."""
    stride = channels * bits // 8 if block_align is None else block_align
    rates = (rate_hz & LONG, rate_hz * stride & LONG, stride & 0xFFFF, bits)
    if not extensible:
        return chunk(b"fmt ", struct.pack("<HHIIHH", tag, channels, *rates))
    long_form = struct.pack("<HHIIHH", EXTENSIBLE, channels, *rates)
    return chunk(b"fmt ", long_form + struct.pack("<HHIH", 22, bits, 0, tag) + _GUID_TAIL)


def bext_chunk(time_reference: int) -> bytes:
    """EBU Tech 3285 v2, 2.3: the first sample since midnight is a 64-bit word after 338 bytes of text."""
    text = b"a description".ljust(256, b"\0") + b"a recorder".ljust(32, b"\0") + bytes(32) + b"2026-03-0118:30:00"
    assert len(text) == 338
    rest = struct.pack("<H", 2) + bytes(64) + bytes(10) + bytes(180)
    return chunk(b"bext", text + struct.pack("<Q", time_reference) + rest)


def ixml_chunk(names: dict[int, str], *, declaration: str = '<?xml version="1.0" encoding="UTF-8"?>') -> bytes:
    """Track names by their place in the file, from 1, as location recorders write them (common practice)."""
    tracks = "".join(
        f"<TRACK><CHANNEL_INDEX>{place}</CHANNEL_INDEX><INTERLEAVE_INDEX>{place}</INTERLEAVE_INDEX>"
        f"<NAME>{escape(name)}</NAME></TRACK>"
        for place, name in names.items()
    )
    count = f"<TRACK_COUNT>{len(names)}</TRACK_COUNT>"
    text = f"{declaration}<BWFXML><IXML_VERSION>1.5</IXML_VERSION><TRACK_LIST>{count}{tracks}</TRACK_LIST></BWFXML>"
    return chunk(b"iXML", text.encode())


def words(rng: np.random.Generator, *, channels: int, frames: int, bits: int) -> NDArray[np.int64]:
    """Whole numbers over all of a word's range, its two ends and nought included, (channels, frames)."""
    top = 2 ** (bits - 1)
    out = rng.integers(-top, top, (channels, frames), dtype=np.int64)
    out[:, :4] = (-top, top - 1, 0, -1)
    return out


def pcm_bytes(whole: NDArray[np.int64], bits: int) -> bytes:
    """Interleaved little-endian words of (channels, frames)."""
    frames_first = np.ascontiguousarray(whole.T)
    if bits == 24:
        return frames_first.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    return frames_first.astype(f"<i{bits // 8}").tobytes()


def float_bytes(samples: NDArray[np.floating], bits: int) -> bytes:
    """Interleaved little-endian floats of (channels, frames)."""
    return np.ascontiguousarray(samples.T).astype(f"<f{bits // 8}").tobytes()


def wave_bytes(
    data: bytes,
    *,
    channels: int = 1,
    rate_hz: int = RATE_HZ,
    bits: int = 16,
    tag: int = PCM,
    magic: Magic = b"RIFF",
    extensible: bool = False,
    block_align: int | None = None,
    before: Sequence[bytes] = (),
    after: Sequence[bytes] = (),
    data_size: int | None = None,
    long_size: int | None = None,
    padded: bool = True,
) -> bytes:
    """A whole file round `data`. `data_size` and `long_size` are what the headers say instead of the truth."""
    is_long = magic != b"RIFF"
    truth = len(data)
    head = b""
    if is_long:
        frames = truth // max(1, channels * bits // 8)
        said = truth if long_size is None else long_size
        # BS.2088-1 and EBU Tech 3306: file size, size of data, count of samples, length of the table of other sizes
        head = chunk(b"ds64", struct.pack("<QQQI", 0, said, frames, 0))
    size = data_size if data_size is not None else LONG if is_long else truth
    body = b"".join(
        [
            b"WAVE",
            head,
            *before,
            fmt_chunk(
                channels=channels, rate_hz=rate_hz, bits=bits, tag=tag, extensible=extensible, block_align=block_align
            ),
            chunk(b"data", data, size=size, padded=padded),
            *after,
        ]
    )
    whole = len(body)
    if is_long:
        body = body[:12] + struct.pack("<Q", whole) + body[20:]
    return struct.pack("<4sI", magic, LONG if is_long else whole & LONG) + body


def sine(frequency_hz: float, *, seconds: float, rate_hz: int = RATE_HZ, peak: float = 0.5) -> NDArray[np.float64]:
    """A sine from phase nought, (frames,)."""
    return peak * np.sin(2 * np.pi * frequency_hz * np.arange(round(seconds * rate_hz)) / rate_hz)


def noise(
    rng: np.random.Generator, *, seconds: float, channels: int = 1, rate_hz: int = RATE_HZ
) -> NDArray[np.float64]:
    """White noise at an RMS of 0.1, (channels, frames): -17 dBFS to AES17, near where a house wants its sources."""
    return rng.normal(0.0, 0.1, (channels, round(seconds * rate_hz))).clip(-0.99, 0.99)


def write_wave(
    path: Path,
    samples: NDArray[np.floating],
    *,
    rate_hz: int = RATE_HZ,
    time_reference: int | None = None,
    names: dict[int, str] | None = None,
) -> Path:
    """Write (channels, frames) or (frames,) as 24-bit PCM, with a time reference and track names where given."""
    table = np.atleast_2d(samples)
    before = [] if time_reference is None else [bext_chunk(time_reference)]
    after = [] if names is None else [ixml_chunk(names)]
    data = pcm_bytes(np.round(table * 2**23).astype(np.int64), 24)
    path.write_bytes(wave_bytes(data, channels=table.shape[0], rate_hz=rate_hz, bits=24, before=before, after=after))
    return path


def write_by_library(
    path: Path, samples: NDArray[np.floating], *, subtype: str = "PCM_24", rate_hz: int = RATE_HZ
) -> Path:
    """Write (channels, frames) or (frames,) with soundfile, the writer independent of these functions."""
    soundfile.write(path, np.atleast_2d(samples).T, rate_hz, subtype=subtype)
    return path
