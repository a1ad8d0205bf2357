"""One audio file, opened once, read frame by frame wherever it lies."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final, Protocol, Self

import numpy as np

from deskhand.errors import RecordingError
from deskhand.recording.aiff import read_aiff
from deskhand.recording.caf import read_caf
from deskhand.recording.flac import FLAC_MAGIC, FlacView, flac_extent, read_flac
from deskhand.recording.layout import COPY_AGAIN, check_figures, cut_note
from deskhand.recording.riff import MAGIC, read_riff
from deskhand.recording.w64 import W64_MAGIC, read_w64
from deskhand.units import clock

if TYPE_CHECKING:
    import soundfile
    from numpy.typing import NDArray

    from deskhand.recording.flac import FlacExtent, FlacInfo
    from deskhand.recording.layout import SampleLayout, WordFormat

AUDIO_SUFFIXES: Final = frozenset(
    {".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".flac"}
)
LOWEST_RATE_HZ: Final = 44100
HIGHEST_RATE_HZ: Final = 192000
_SKIP_FRAMES: Final = 1 << 16
"""Frames decoded at once on the way to a later one; common practice, no source."""


class Samples(Protocol):
    """Reads frames of an open file."""

    def read(self, start: int, out: NDArray[np.float32]) -> None:
        """Fill `out` (channels, frames) from frame `start`; the caller stays inside the file."""

    def close(self) -> None:
        """Let go of the file."""


def _ends_early(path: Path, frame: int, promised_frames: int, sample_rate_hz: int) -> RecordingError:
    return RecordingError(
        f"{path.name} at {clock(frame / sample_rate_hz)}",
        f"the audio ends here, before the {clock(promised_frames / sample_rate_hz)} that the file held or promised",
        "copy the file again, or leave it out of the folder",
    )


class _RawSamples:
    """Words of a file that can be read at any place, unpacked by our own kernels."""

    def __init__(self, path: Path, layout: SampleLayout, words: WordFormat, frames: int) -> None:
        self._file = path.open("rb", buffering=0)
        self._path = path
        self._layout = layout
        self._words = words
        self._frames = frames
        self._buffer = np.empty(0, np.uint8)
        self._table: NDArray[np.float32] | None = None

    def read(self, start: int, out: NDArray[np.float32]) -> None:
        layout, frames = self._layout, out.shape[1]
        stride = layout.channels * self._words.word_bytes
        if self._buffer.size < frames * stride:
            self._buffer = np.empty(frames * stride, np.uint8)
        raw = self._buffer[: frames * stride]
        self._file.seek(layout.data_start + start * stride)
        got = 0
        while got < raw.size and (more := self._file.readinto(raw[got:].data)):
            got += more
        if got < raw.size:
            raise _ends_early(self._path, start + got // stride, self._frames, layout.sample_rate_hz)
        self._unpack(raw, out)

    def _unpack(self, raw: NDArray[np.uint8], out: NDArray[np.float32]) -> None:
        from deskhand.dsp import unpack

        words, frames = self._words, out.shape[1]
        if words.word_bytes == 1:
            if self._table is None:
                self._table = unpack.byte_table(words.coding)
            unpack.unpack_table(raw, self._table, out, frames)
            return
        if words.is_big_endian:
            raw = unpack.reversed_words(raw, words.word_bytes)
        if words.coding == "float":
            unpack.unpack_float(raw.view("<f4" if words.word_bytes == 4 else "<f8"), out, frames)
        elif words.word_bytes == 3:
            unpack.unpack_24(raw, out, frames)
        elif words.word_bytes == 2:
            unpack.unpack_16(raw.view("<i2"), out, frames)
        else:
            unpack.unpack_32(raw.view("<i4"), out, frames)

    def close(self) -> None:
        self._file.close()


class _LibrarySamples:
    """Samples of the codings that libsndfile decodes: FLAC, ADPCM, ALAC and others."""

    def __init__(self, path: Path, *, flac: FlacExtent | None = None, frames: int | None = None) -> None:
        self._path = path
        self._flac = flac
        self._view: FlacView | None = None
        self.file: soundfile.SoundFile
        self._open()
        self._position = 0
        self._frames = self.file.frames if frames is None else frames

    def _open(self) -> None:
        import soundfile

        try:
            if self._flac is not None:
                self._view = FlacView(self._path, self._flac)
            self.file = soundfile.SoundFile(str(self._path) if self._view is None else self._view)
        except (soundfile.SoundFileError, OSError, TypeError) as error:
            if self._view is not None:
                self._view.close()
            reason = " ".join(str(getattr(error, "error_string", error)).split()).rstrip(".")
            problem = f"not audio that can be read ({reason})" if reason else "not audio that can be read"
            raise RecordingError(self._path.name, problem, COPY_AGAIN) from error

    def _go_to(self, frame: int) -> None:
        """Go to a frame; codings that cannot be searched are decoded up to there."""
        if self.file.seekable():
            self.file.seek(frame)
        else:
            if frame < self._position:
                self.close()
                self._open()
                self._position = 0
            while self._position < frame:
                skipped = self.file.read(min(_SKIP_FRAMES, frame - self._position), dtype="float32").shape[0]
                if not skipped:
                    break
                self._position += skipped
            frame = self._position
        self._position = frame

    def read(self, start: int, out: NDArray[np.float32]) -> None:
        import soundfile

        try:
            if self._position != start:
                self._go_to(start)
            got = self.file.read(out.shape[1], dtype="float32", always_2d=True)
        except soundfile.SoundFileError as error:
            where = f"{self._path.name} at {clock(start / self.file.samplerate)}"
            raise RecordingError(where, f"the audio is damaged ({error})", "copy the file again") from error
        self._position = start + got.shape[0]
        if got.shape[0] < out.shape[1]:
            raise _ends_early(self._path, self._position, self._frames, self.file.samplerate)
        out[:] = got.T

    def holds(self, frame: int) -> bool:
        """Whether a frame can be decoded; reading goes on from the start afterwards."""
        import soundfile

        try:
            self._go_to(frame)
            if self._position != frame:
                return False
            got = self.file.read(1, dtype="float32", always_2d=True)
            self._position += got.shape[0]
            self._go_to(0)
        except soundfile.SoundFileError:
            return False
        return bool(got.shape[0] == 1)

    def close(self) -> None:
        self.file.close()
        if self._view is not None:
            self._view.close()


class _ResampledSamples:
    """A file at another rate than the rest, resampled once into a temporary file (soxr, high quality)."""

    def __init__(self, source: AudioFile, sample_rate_hz: int) -> None:
        import tempfile

        import soxr

        self._store = tempfile.TemporaryFile(prefix="deskhand-")
        self._path = source.path
        self._sample_rate_hz = sample_rate_hz
        self._channels = source.channels
        stream = soxr.ResampleStream(
            source.sample_rate_hz, sample_rate_hz, source.channels, dtype="float32", quality="HQ"
        )
        block = 1 << 16
        self.frames = 0
        try:
            with source.open() as samples:
                for start in range(0, source.frames, block):
                    out = np.empty((source.channels, min(block, source.frames - start)), np.float32)
                    samples.read(start, out)
                    done = stream.resample_chunk(np.ascontiguousarray(out.T), last=start + block >= source.frames)
                    self._store.write(np.ascontiguousarray(done.reshape(-1, self._channels), np.float32).tobytes())
                    self.frames += done.reshape(-1, self._channels).shape[0]
            self._store.flush()
        except OSError as error:
            self._drop()
            problem = f"no room for its resampled copy ({error.strerror or error})"
            raise RecordingError(source.path.name, problem, f"make room in {tempfile.gettempdir()}") from error
        except BaseException:
            self._drop()
            raise

    def _drop(self) -> None:
        # closing writes what is left, which fails again when the disk is full
        with contextlib.suppress(OSError):
            self._store.close()

    def read(self, start: int, out: NDArray[np.float32]) -> None:
        self._store.seek(start * self._channels * 4)
        raw = np.frombuffer(self._store.read(out.shape[1] * self._channels * 4), np.float32)
        got = raw.reshape(-1, self._channels)
        if got.shape[0] < out.shape[1]:
            raise _ends_early(self._path, start + got.shape[0], self.frames, self._sample_rate_hz)
        out[:] = got.T

    def close(self) -> None:
        self._store.close()


@dataclass(slots=True, kw_only=True)
class OpenFile:
    """An open file; reading checks float audio for values that are no numbers."""

    source: AudioFile
    samples: Samples

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.samples.close()

    def read(self, start: int, out: NDArray[np.float32]) -> None:
        """Fill `out` (channels, frames) from frame `start`.

        Raises
        ------
        RecordingError
            The audio is damaged, or holds a value that is not a finite number.
        """
        try:
            self.samples.read(start, out)
        except OSError as error:
            raise RecordingError(
                f"{self.source.path.name} at {clock(start / self.source.sample_rate_hz)}",
                f"cannot be read ({error.strerror or error})",
                "check the card or cable and try again",
            ) from error
        if self.source.may_hold_nonsense:
            from deskhand.dsp.unpack import first_not_finite

            for channel in range(out.shape[0]):
                index = first_not_finite(out[channel])
                if index >= 0:
                    raise RecordingError(
                        f"{self.source.path.name}, channel {channel + 1} at "
                        f"{clock((start + index) / self.source.sample_rate_hz)}",
                        f"holds {out[channel, index]}, which is not a sound level",
                        "export it again as 24-bit, or leave it out of the folder",
                    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFile:
    """What one file holds; `open()` gives its samples."""

    path: Path
    channels: int
    sample_rate_hz: int
    frames: int
    bits: int
    may_hold_nonsense: bool
    """Float files may hold values that are not finite; each block is then checked."""
    time_reference: int | None = None
    names: dict[int, str] = field(default_factory=dict)
    note: str | None = None
    layout: SampleLayout | None = None
    """Where its words lie; None when the library decodes it."""
    flac: FlacExtent | None = None
    """Where a FLAC file ends whose header does not say so."""
    original: AudioFile | None = None
    """The file as it is on disk, when this one is that file resampled."""

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.sample_rate_hz

    def resampled(self, sample_rate_hz: int) -> AudioFile:
        """The same file at another rate; the work is done when it is opened."""
        ratio = sample_rate_hz / self.sample_rate_hz
        return replace(
            self,
            sample_rate_hz=sample_rate_hz,
            frames=int(self.frames * ratio),
            time_reference=None if self.time_reference is None else round(self.time_reference * ratio),
            may_hold_nonsense=False,
            original=self,
        )

    def open(self) -> OpenFile:
        """Open the file for reading.

        Raises
        ------
        RecordingError
            It went away, or is not audio after all.
        """
        samples: Samples
        if self.original is not None:
            samples = _ResampledSamples(self.original, self.sample_rate_hz)
        elif self.layout is None or self.layout.words is None:
            samples = _LibrarySamples(self.path, flac=self.flac, frames=self.frames)
        else:
            try:
                samples = _RawSamples(self.path, self.layout, self.layout.words, self.frames)
            except OSError as error:
                problem = f"cannot be opened ({error.strerror})"
                raise RecordingError(self.path.name, problem, "check the card") from error
        return OpenFile(source=self, samples=samples)


# bits of what the library decodes, where the coding says them; companded and adaptive codings are of 16
_SUBTYPE_BITS: Final = {
    "PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64,
    "ALAC_16": 16, "ALAC_20": 20, "ALAC_24": 24, "ALAC_32": 32,
}  # fmt: skip
_COMPANDED_BITS: Final = 16


def _probe_library(path: Path, layout: SampleLayout | None) -> AudioFile:
    """File that the library decodes; `layout` is what we know of its container."""
    samples = _LibrarySamples(path)
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
        samples = _LibrarySamples(path)
        is_whole = samples.holds(frames - 1)
        samples.close()
    if not frames or not is_whole:
        with path.open("rb") as file:
            extent = flac_extent(file, info, path)
        frames = extent.frames
        if extent.is_cut:
            note = cut_note(path.name, info.frames or None, frames, info.sample_rate_hz)
        samples = _LibrarySamples(path, flac=extent)
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
