"""One audio file, opened once, read frame by frame wherever it lies."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol, Self

import numpy as np

from deskhand.errors import RecordingError
from deskhand.recording.riff import MAGIC, RiffFile, read_riff
from deskhand.units import clock

if TYPE_CHECKING:
    from io import FileIO

    from numpy.typing import NDArray

AUDIO_SUFFIXES: Final = frozenset(
    {".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".flac"}
)
LOWEST_RATE_HZ: Final = 44100
HIGHEST_RATE_HZ: Final = 192000


class Samples(Protocol):
    """Reads frames of an open file."""

    def read(self, start: int, out: NDArray[np.float32]) -> None:
        """Fill `out` (channels, frames) from frame `start`; the caller stays inside the file."""

    def close(self) -> None:
        """Let go of the file."""


class _RawSamples:
    """PCM or float words of a WAV-family file, unpacked by our own kernel."""

    def __init__(self, file: FileIO, riff: RiffFile) -> None:
        self._file = file
        self._riff = riff
        self._buffer = np.empty(0, np.uint8)

    def read(self, start: int, out: NDArray[np.float32]) -> None:
        from deskhand.dsp import unpack

        riff, frames = self._riff, out.shape[1]
        stride = riff.channels * riff.bits // 8
        if self._buffer.size < frames * stride:
            self._buffer = np.empty(frames * stride, np.uint8)
        raw = self._buffer[: frames * stride]
        self._file.seek(riff.data_start + start * stride)
        got = 0
        while got < raw.size and (more := self._file.readinto(raw[got:].data)):
            got += more
        raw[got:] = 0  # what is gone since the header was read is silence
        if riff.is_float:
            unpack.unpack_float(raw.view("<f4" if riff.bits == 32 else "<f8"), out, frames)
        elif riff.bits == 24:
            unpack.unpack_24(raw, out, frames)
        elif riff.bits == 16:
            unpack.unpack_16(raw.view("<i2"), out, frames)
        else:
            unpack.unpack_32(raw.view("<i4"), out, frames)

    def close(self) -> None:
        self._file.close()


class _LibrarySamples:
    """Everything else libsndfile reads: FLAC, AIFF, CAF, W64, and WAV with other codings."""

    def __init__(self, path: Path) -> None:
        import soundfile

        try:
            self.file = soundfile.SoundFile(str(path))
        except (soundfile.SoundFileError, OSError, TypeError) as error:
            said = " ".join(str(getattr(error, "error_string", error)).split()).rstrip(".")
            problem = f"not audio that can be read ({said})" if said else "not audio that can be read"
            raise RecordingError(path.name, problem, "copy the file again, or leave it out of the folder") from error
        self._path = path
        self._position = 0

    def read(self, start: int, out: NDArray[np.float32]) -> None:
        import soundfile

        try:
            if self._position != start:
                self.file.seek(start)
            got = self.file.read(out.shape[1], dtype="float32", always_2d=True)
        except soundfile.SoundFileError as error:
            where = f"{self._path.name} at {clock(start / self.file.samplerate)}"
            raise RecordingError(where, f"the audio is damaged ({error})", "copy the file again") from error
        self._position = start + got.shape[0]
        out[:, : got.shape[0]] = got.T
        out[:, got.shape[0] :] = 0.0

    def close(self) -> None:
        self.file.close()


class _ResampledSamples:
    """A file at another rate than the rest, resampled once into a temporary file (soxr, high quality)."""

    def __init__(self, source: AudioFile, sample_rate_hz: int) -> None:
        import tempfile

        import soxr

        self._store = tempfile.TemporaryFile(prefix="deskhand-")
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
        out[:, : got.shape[0]] = got.T
        out[:, got.shape[0] :] = 0.0

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
    riff: RiffFile | None = None
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
        elif self.riff is None:
            samples = _LibrarySamples(self.path)
        else:
            try:
                samples = _RawSamples(self.path.open("rb", buffering=0), self.riff)
            except OSError as error:
                problem = f"cannot be opened ({error.strerror})"
                raise RecordingError(self.path.name, problem, "check the card") from error
        return OpenFile(source=self, samples=samples)


def _promised_bytes(path: Path) -> int:
    """Length of the file that its first words promise; 0 where they say nothing (the library then cuts unsaid)."""
    with path.open("rb") as file:
        head = file.read(24)
    if head[:4] == b"FORM":  # AIFF
        return 8 + int.from_bytes(head[4:8], "big")
    return int.from_bytes(head[16:24], "little") if head[:4] == b"riff" else 0  # W64


def _probe_library(path: Path) -> AudioFile:
    samples = _LibrarySamples(path)
    file = samples.file
    bits = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32, "DOUBLE": 64, "PCM_U8": 8, "PCM_S8": 8}.get(
        file.subtype, 16
    )
    channels, rate, frames = file.channels, file.samplerate, file.frames
    is_float = file.subtype in ("FLOAT", "DOUBLE")
    is_packed = file.subtype.startswith(("PCM_", "FLOAT", "DOUBLE")) and file.format in ("WAV", "W64", "AIFF", "CAF")
    samples.close()
    note = None
    there = path.stat().st_size
    missing = _promised_bytes(path) - there
    if is_packed and missing > 0:
        promised = frames + missing // (channels * bits // 8)
        note = (
            f"{path.name}: header promises {clock(promised / rate)}, the file holds {clock(frames / rate)}; "
            "read as far as it goes (recorder stopped early, or the copy was cut short)"
        )
    return AudioFile(
        path=path,
        channels=channels,
        sample_rate_hz=rate,
        frames=frames,
        bits=bits,
        may_hold_nonsense=is_float,
        note=note,
    )


def probe(path: Path) -> AudioFile:
    """What a file holds, from its header; the samples are not read.

    Raises
    ------
    RecordingError
        Empty, not audio, or at a rate outside 44.1 to 192 kHz.
    """
    try:
        with path.open("rb") as file:
            magic = file.read(12)
            if not magic:
                raise RecordingError(path.name, "the file is empty (0 bytes)", "copy it again, or leave it out")
            riff = read_riff(file, path) if magic[:4] in MAGIC and magic[8:12] == b"WAVE" else None
    except OSError as error:
        raise RecordingError(path.name, f"cannot be opened ({error.strerror})", "check the card") from error
    if riff is None:
        found = _probe_library(path)
    else:
        found = AudioFile(
            path=path,
            channels=riff.channels,
            sample_rate_hz=riff.sample_rate_hz,
            frames=riff.frames,
            bits=riff.bits,
            may_hold_nonsense=riff.is_float,
            time_reference=riff.time_reference,
            names=riff.names,
            note=riff.note,
            riff=riff,
        )
    if not LOWEST_RATE_HZ <= found.sample_rate_hz <= HIGHEST_RATE_HZ:
        problem = f"sampled at {found.sample_rate_hz} Hz; 44100 to 192000 Hz can be measured"
        raise RecordingError(path.name, problem, "record or convert at 48 kHz")
    if found.frames == 0:
        raise RecordingError(path.name, "holds no audio (0 samples)", "copy it again, or leave it out of the folder")
    return found
