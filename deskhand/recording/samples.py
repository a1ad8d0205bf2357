"""Readers of one open file's samples: words unpacked by our own kernels, or codings that libsndfile decodes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from deskhand.errors import RecordingError
from deskhand.recording.flac import FlacView
from deskhand.recording.layout import COPY_AGAIN
from deskhand.units import clock

if TYPE_CHECKING:
    import soundfile
    from numpy.typing import NDArray

    from deskhand.recording.flac import FlacExtent
    from deskhand.recording.layout import SampleLayout, WordFormat

_SKIP_FRAMES: Final = 1 << 16
"""Frames decoded at once on the way to a later one; common practice, no source."""


class Samples(Protocol):
    """Reader of an open file's frames."""

    def read(self, start: int, block: NDArray[np.float32]) -> None:
        """Fill `block` (channels, frames) from frame `start`; the caller stays inside the file."""

    def close(self) -> None:
        """Let go of the file."""


def ends_early(path: Path, frame: int, promised_frames: int, sample_rate_hz: int) -> RecordingError:
    """Error of a file that ends at a frame, before the frames that it held or promised."""
    return RecordingError(
        f"{path.name} at {clock(frame / sample_rate_hz)}",
        f"the audio ends here, before the {clock(promised_frames / sample_rate_hz)} that the file held or promised",
        "copy the file again, or leave it out of the folder",
    )


class RawSamples:
    """Words of a file that can be read at any place, unpacked by our own kernels."""

    def __init__(self, path: Path, layout: SampleLayout, words: WordFormat, frames: int) -> None:
        self._file = path.open("rb", buffering=0)
        self._path = path
        self._layout = layout
        self._words = words
        self._frames = frames
        self._buffer = np.empty(0, np.uint8)
        self._table: NDArray[np.float32] | None = None

    def read(self, start: int, block: NDArray[np.float32]) -> None:
        """Fill `block` (channels, frames) from frame `start`."""
        layout, frames = self._layout, block.shape[1]
        stride = layout.channels * self._words.word_bytes
        if self._buffer.size < frames * stride:
            self._buffer = np.empty(frames * stride, np.uint8)
        raw = self._buffer[: frames * stride]
        self._file.seek(layout.data_start + start * stride)
        filled = 0
        while filled < raw.size and (count := self._file.readinto(raw[filled:].data)):
            filled += count
        if filled < raw.size:
            raise ends_early(self._path, start + filled // stride, self._frames, layout.sample_rate_hz)
        self._unpack(raw, block)

    def _unpack(self, raw: NDArray[np.uint8], block: NDArray[np.float32]) -> None:
        from deskhand.dsp import unpack

        words, frames = self._words, block.shape[1]
        if words.word_bytes == 1:
            if self._table is None:
                self._table = unpack.byte_table(words.coding)
            unpack.unpack_table(raw, self._table, block, frames)
            return
        if words.is_big_endian:
            raw = unpack.reversed_words(raw, words.word_bytes)
        if words.coding == "float":
            unpack.unpack_float(raw.view("<f4" if words.word_bytes == 4 else "<f8"), block, frames)
        elif words.word_bytes == 3:
            unpack.unpack_24(raw, block, frames)
        elif words.word_bytes == 2:
            unpack.unpack_16(raw.view("<i2"), block, frames)
        else:
            unpack.unpack_32(raw.view("<i4"), block, frames)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()


class LibrarySamples:
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
                self._raise_problem(0)
            reason = " ".join(str(getattr(error, "error_string", error)).split()).rstrip(".")
            problem = f"not audio that can be read ({reason})" if reason else "not audio that can be read"
            raise RecordingError(self._path.name, problem, COPY_AGAIN) from error

    def _raise_problem(self, frame: int) -> None:
        """Tell of a disk that failed while the library read."""
        if self._view is None or self._view.problem is None:
            return
        where = f"{self._path.name} at {clock(frame / self.file.samplerate)}" if frame else self._path.name
        problem = f"cannot be read ({self._view.problem.strerror or self._view.problem})"
        raise RecordingError(where, problem, "check the card or cable and try again") from self._view.problem

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

    def read(self, start: int, block: NDArray[np.float32]) -> None:
        """Fill `block` (channels, frames) from frame `start`."""
        import soundfile

        try:
            if self._position != start:
                self._go_to(start)
            samples = self.file.read(block.shape[1], dtype="float32", always_2d=True)
            self._raise_problem(start)
        except soundfile.SoundFileError as error:
            self._raise_problem(start)
            where = f"{self._path.name} at {clock(start / self.file.samplerate)}"
            raise RecordingError(where, f"the audio is damaged ({error})", "copy the file again") from error
        self._position = start + samples.shape[0]
        if samples.shape[0] < block.shape[1]:
            raise ends_early(self._path, self._position, self._frames, self.file.samplerate)
        block[:] = samples.T

    def holds(self, frame: int) -> bool:
        """True where a frame can be decoded; reading goes on from the start afterwards."""
        import soundfile

        try:
            self._go_to(frame)
            if self._position != frame:
                return False
            samples = self.file.read(1, dtype="float32", always_2d=True)
            self._position += samples.shape[0]
            self._go_to(0)
        except soundfile.SoundFileError:
            self._raise_problem(frame)
            return False
        self._raise_problem(frame)
        return bool(samples.shape[0] == 1)

    def close(self) -> None:
        """Let go of the file."""
        self.file.close()
        if self._view is not None:
            self._view.close()
