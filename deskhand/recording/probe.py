"""Layout of one file from its header and, where that leaves it open, its end."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

from deskhand.errors import RecordingError
from deskhand.recording.aiff import read_aiff
from deskhand.recording.caf import read_caf
from deskhand.recording.files import AudioFile
from deskhand.recording.flac import FLAC_MAGIC, flac_extent, read_flac
from deskhand.recording.layout import COPY_AGAIN, check_figures, cut_note
from deskhand.recording.riff import MAGIC, read_riff
from deskhand.recording.samples import LibrarySamples
from deskhand.recording.w64 import W64_MAGIC, read_w64
from deskhand.units import clock

if TYPE_CHECKING:
    from deskhand.recording.flac import FlacInfo
    from deskhand.recording.layout import SampleLayout

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44100, 192000
"""Rates that recorders write: 44.1 kHz to four times 48 kHz. Common practice, no source."""
# bits of what the library decodes, where the coding says them
_SUBTYPE_BITS: Final = {
    "PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64,
    "ALAC_16": 16, "ALAC_20": 20, "ALAC_24": 24, "ALAC_32": 32,
}  # fmt: skip
_COMPANDED_BITS: Final = 16
"""Bits that decoders of companded and adaptive codings give back; common practice, no source."""


def _probe_library(path: Path, layout: SampleLayout | None) -> AudioFile:
    """File that the library decodes; `layout` is what we know of its container."""
    samples = LibrarySamples(path)
    try:
        file = samples.file
        frames, rate = file.frames, file.samplerate
        promised = frames
        note = None
        if layout is not None:
            promised = layout.promised_frames or frames
            frames = frames if layout.frames is None else min(frames, layout.frames)
            if layout.is_cut:
                note = cut_note(path.name, layout.promised_frames, frames, rate)
        if layout is not None and layout.is_cut and layout.frames is None:
            raise RecordingError(
                path.name, f"cut short; audio coded this way ({file.subtype}) can only be read whole", COPY_AGAIN
            )
        if frames and not samples.holds(frames - 1):
            raise RecordingError(
                path.name, f"cannot be decoded up to the {clock(promised / rate)} that its header promises", COPY_AGAIN
            )
        return AudioFile(
            path=path,
            channels=file.channels,
            sample_rate_hz=rate,
            frames=frames,
            bits=_SUBTYPE_BITS.get(file.subtype, _COMPANDED_BITS),
            may_hold_nonsense=file.subtype in ("FLOAT", "DOUBLE"),
            note=note,
        )
    finally:
        samples.close()


def _probe_flac(path: Path, info: FlacInfo) -> AudioFile:
    check_figures(path, info.channels, info.sample_rate_hz)
    frames, extent, note = info.frames, None, None
    if frames:
        samples = LibrarySamples(path)
        is_whole = samples.holds(frames - 1)
        samples.close()
    if not frames or not is_whole:
        with path.open("rb") as file:
            extent = flac_extent(file, info, path)
        frames = extent.frames
        if extent.is_cut:
            note = cut_note(path.name, info.frames or None, frames, info.sample_rate_hz)
        samples = LibrarySamples(path, flac=extent)
        is_readable = samples.holds(frames - 1)
        samples.close()
        if not is_readable:
            raise RecordingError(path.name, "the audio is damaged near its end", COPY_AGAIN)
    return AudioFile(
        path=path,
        channels=info.channels,
        sample_rate_hz=info.sample_rate_hz,
        frames=frames,
        bits=info.bits,
        may_hold_nonsense=False,
        note=note,
        flac=extent,
    )


def _layout(file: BinaryIO, magic: bytes, path: Path) -> SampleLayout | None:
    if magic[:4] in MAGIC and magic[8:12] == b"WAVE":
        return read_riff(file, path)
    if magic == W64_MAGIC:
        return read_w64(file, path)
    if magic[:4] == b"FORM" and magic[8:12] in (b"AIFF", b"AIFC"):
        return read_aiff(file, path)
    return read_caf(file, path) if magic[:4] == b"caff" else None


def _probe(path: Path) -> AudioFile:
    with path.open("rb") as file:
        magic = file.read(len(W64_MAGIC))
        if not magic:
            raise RecordingError(path.name, "the file is empty (0 bytes)", "copy it again, or leave it out")
        flac = read_flac(file, path) if magic[:4] == FLAC_MAGIC else None
        layout = None if flac else _layout(file, magic, path)
    if flac:
        return _probe_flac(path, flac)
    if layout is None or layout.words is None or layout.frames is None:
        return _probe_library(path, layout)
    words, note = layout.words, None
    if layout.is_cut:
        note = cut_note(path.name, layout.promised_frames, layout.frames, layout.sample_rate_hz)
    return AudioFile(
        path=path,
        channels=layout.channels,
        sample_rate_hz=layout.sample_rate_hz,
        frames=layout.frames,
        bits=_COMPANDED_BITS if words.coding in ("a-law", "mu-law") else words.bits,
        may_hold_nonsense=words.coding == "float",
        time_reference=layout.time_reference,
        names=layout.names,
        note=note,
        layout=layout,
    )


def probe(path: Path) -> AudioFile:
    """Layout of one file, from its header and, where that leaves it open, its end.

    Raises
    ------
    RecordingError
        Empty, not audio, or at a rate outside 44.1 to 192 kHz.
    """
    try:
        audio = _probe(path)
    except OSError as error:
        raise RecordingError(path.name, f"cannot be opened ({error.strerror})", "check the card") from error
    if not LOWEST_RATE_HZ <= audio.sample_rate_hz <= HIGHEST_RATE_HZ:
        problem = f"sampled at {audio.sample_rate_hz} Hz; 44100 to 192000 Hz can be measured"
        raise RecordingError(path.name, problem, "record or convert at 48 kHz")
    if audio.frames == 0:
        raise RecordingError(path.name, "holds no audio (0 samples)", COPY_AGAIN)
    return audio
