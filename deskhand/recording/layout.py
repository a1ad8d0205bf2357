"""Layout of the audio in one file: how its samples are coded, where they lie, and how many the header promises."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, BinaryIO, Final, Literal

from deskhand.errors import RecordingError
from deskhand.units import clock

if TYPE_CHECKING:
    from pathlib import Path

Coding = Literal["integer", "unsigned", "float", "a-law", "mu-law"]
COPY_AGAIN: Final = "copy the file again, or leave it out of the folder"


@dataclass(frozen=True, slots=True, kw_only=True)
class WordFormat:
    """Coding of one sample: a word of whole bytes that can be read at any place."""

    coding: Coding
    bits: int
    """Bits that carry the sample; they lie at the top of the word."""
    word_bytes: int
    is_big_endian: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockFormat:
    """Blocks of a coding that packs many frames together; a block that is cut cannot be decoded."""

    block_bytes: int
    block_frames: int

    def frames(self, size: int) -> int:
        """Frames in the whole blocks of `size` bytes."""
        return size // self.block_bytes * self.block_frames


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleLayout:
    """Place and coding of the samples of one file, and what its header says of them."""

    channels: int
    sample_rate_hz: int
    words: WordFormat | None
    """None: coded in a way that the library decodes."""
    data_start: int
    """Byte at which the samples begin."""
    frames: int | None
    """Whole frames that are really there; None where only the library can tell."""
    promised_frames: int | None
    """Frames that the header promises; None when it leaves the length open."""
    is_cut: bool
    """The header promises another length than the file holds, or none."""
    time_reference: int | None = None
    """Samples since midnight at which the file starts (`bext`)."""
    names: dict[int, str] = field(default_factory=dict)
    """Channel in the file, from 0, to track name (`iXML`)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DataExtent:
    """Bytes of audio: how many the header promises (None: it leaves that open) and how many are there."""

    promised: int | None
    held: int

    @property
    def is_cut(self) -> bool:
        """Promise and file differ."""
        return self.promised != self.held


def data_extent(start: int, promised: int, end: int, *, unknown: tuple[int, ...] = (0,)) -> DataExtent:
    """Extent of audio from byte `start` of a file of `end` bytes; a size among `unknown` leaves the length open."""
    held = max(0, end - start)
    if promised in unknown:
        return DataExtent(promised=None if held else promised, held=held)
    return DataExtent(promised=promised, held=min(promised, held))


def sample_layout(
    *,
    channels: int,
    sample_rate_hz: int,
    coding: WordFormat | BlockFormat | None,
    data_start: int,
    extent: DataExtent,
    stated_frames: int | None = None,
    time_reference: int | None = None,
    names: dict[int, str] | None = None,
) -> SampleLayout:
    """Layout from the bytes of audio and their coding; `stated_frames` is the header's own count of frames, if any."""
    frames: int | None
    promised: int | None
    if isinstance(coding, WordFormat):
        stride = channels * coding.word_bytes
        frames = extent.held // stride
        promised = None if extent.promised is None else extent.promised // stride
    elif coding is not None:
        frames = coding.frames(extent.held)
        promised = None if extent.promised is None else coding.frames(extent.promised)
        # the last block is filled up by the encoder; the count of frames says how much of it is audio
        if stated_frames and promised is not None and 0 <= promised - stated_frames < coding.block_frames:
            promised = stated_frames
            frames = min(frames, promised)
    else:
        frames, promised = None, stated_frames
    return SampleLayout(
        channels=channels,
        sample_rate_hz=sample_rate_hz,
        words=coding if isinstance(coding, WordFormat) else None,
        data_start=data_start,
        frames=frames,
        promised_frames=promised,
        is_cut=extent.is_cut,
        time_reference=time_reference,
        names=names or {},
    )


def cut_note(name: str, promised_frames: int | None, frames: int, sample_rate_hz: int) -> str:
    """Sentence that tells where a file ends and what its header promises."""
    promise = "nothing" if promised_frames is None else clock(promised_frames / sample_rate_hz)
    return (
        f"{name}: header promises {promise}, the file holds {clock(frames / sample_rate_hz)}; "
        "read as far as it goes (recorder stopped early, or the copy was cut short)"
    )


def check_figures(path: Path, channels: int, sample_rate_hz: int) -> None:
    """Refuse a header without channels or without a rate.

    Raises
    ------
    RecordingError
    """
    if channels == 0 or sample_rate_hz == 0:
        problem = f"the header says {channels} channels at {sample_rate_hz} Hz; at least 1 of each is needed"
        raise RecordingError(path.name, problem, COPY_AGAIN)


def header_ends(path: Path) -> RecordingError:
    """Error of a file whose header does not say how the audio is stored."""
    return RecordingError(path.name, "the header ends before it says how the audio is stored", COPY_AGAIN)


def no_audio(path: Path) -> RecordingError:
    """Error of a file that ends in its header."""
    return RecordingError(path.name, "the file ends before any audio", COPY_AGAIN)


def read_at(file: BinaryIO, position: int, size: int) -> bytes:
    """Bytes at `position`, fewer where the file ends."""
    file.seek(position)
    return file.read(size)
