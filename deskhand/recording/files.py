"""Audio files of any kind: opened once, read frame by frame wherever they lie."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from deskhand.errors import RecordingError
from deskhand.leftovers import unfinished_prefix
from deskhand.recording.samples import LibrarySamples, RawSamples, ends_early
from deskhand.units import clock

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.recording.flac import FlacExtent
    from deskhand.recording.layout import SampleLayout
    from deskhand.recording.samples import Samples

AUDIO_SUFFIXES: Final = frozenset(
    {".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".flac"}
)
_RESAMPLED_FRAMES: Final = 1 << 16
"""Frames resampled at once; common practice, no source."""


class ResampledSamples:
    """Samples of a file at another rate than the rest, resampled once into a temporary file (soxr, high quality)."""

    def __init__(self, source: AudioFile, sample_rate_hz: int) -> None:
        import tempfile

        import soxr

        self._store = tempfile.TemporaryFile(prefix=unfinished_prefix(hidden=False))
        self._path = source.path
        self._sample_rate_hz = sample_rate_hz
        self._channels = source.channels
        stream = soxr.ResampleStream(
            source.sample_rate_hz, sample_rate_hz, source.channels, dtype="float32", quality="HQ"
        )
        self.frames = 0
        try:
            with source.open() as samples:
                for block_start in range(0, source.frames, _RESAMPLED_FRAMES):
                    block = np.empty((source.channels, min(_RESAMPLED_FRAMES, source.frames - block_start)), np.float32)
                    samples.read(block_start, block)
                    resampled = stream.resample_chunk(
                        np.ascontiguousarray(block.T), last=block_start + _RESAMPLED_FRAMES >= source.frames
                    )
                    self._store.write(np.ascontiguousarray(resampled.reshape(-1, self._channels), np.float32).tobytes())
                    self.frames += resampled.reshape(-1, self._channels).shape[0]
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

    def read(self, start: int, block: NDArray[np.float32]) -> None:
        """Fill `block` (channels, frames) from frame `start`."""
        self._store.seek(start * self._channels * 4)
        raw = np.frombuffer(self._store.read(block.shape[1] * self._channels * 4), np.float32)
        samples = raw.reshape(-1, self._channels)
        if samples.shape[0] < block.shape[1]:
            raise ends_early(self._path, start + samples.shape[0], self.frames, self._sample_rate_hz)
        block[:] = samples.T

    def close(self) -> None:
        """Let go of the temporary file."""
        self._store.close()


@dataclass(slots=True, kw_only=True)
class OpenFile:
    """Open file; reading checks float audio for values that are no numbers."""

    source: AudioFile
    samples: Samples

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.samples.close()

    def read(self, start: int, block: NDArray[np.float32]) -> None:
        """Fill `block` (channels, frames) from frame `start`.

        Raises
        ------
        RecordingError
            The audio is damaged, or holds a value that is not a finite number.
        """
        try:
            self.samples.read(start, block)
        except OSError as error:
            raise RecordingError(
                f"{self.source.path.name} at {clock(start / self.source.sample_rate_hz)}",
                f"cannot be read ({error.strerror or error})",
                "check the card or cable and try again",
            ) from error
        if self.source.may_hold_nonsense:
            from deskhand.dsp.unpack import first_not_finite

            for channel in range(block.shape[0]):
                index = first_not_finite(block[channel])
                if index >= 0:
                    raise RecordingError(
                        f"{self.source.path.name}, channel {channel + 1} at "
                        f"{clock((start + index) / self.source.sample_rate_hz)}",
                        f"holds {block[channel, index]}, which is not a sound level",
                        "export it again as 24-bit, or leave it out of the folder",
                    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioFile:
    """Contents of one file; `open()` gives its samples."""

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
        """File as it is at another rate; the work is done when it is opened."""
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
            samples = ResampledSamples(self.original, self.sample_rate_hz)
        elif self.layout is None or self.layout.words is None:
            samples = LibrarySamples(self.path, flac=self.flac, frames=self.frames)
        else:
            try:
                samples = RawSamples(self.path, self.layout, self.layout.words, self.frames)
            except OSError as error:
                problem = f"cannot be opened ({error.strerror})"
                raise RecordingError(self.path.name, problem, "check the card") from error
        return OpenFile(source=self, samples=samples)
