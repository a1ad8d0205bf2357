"""Recordings that lie in memory: the newest seconds of live inputs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from deskhand.recording.take import AudioBlock, Recording, Track, TrackStretch

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Executor

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeldRecording(Recording):
    """Recording in memory that reads like one on disk."""

    samples: NDArray[np.float32]
    """(tracks, frames)."""

    def blocks(self, frames: int, *, pool: Executor | None = None) -> Iterator[AudioBlock]:  # noqa: ARG002 - nothing is read
        """All tracks, `frames` at a time, in order; the last block may be shorter."""
        for start in range(0, self.frames, frames):
            yield AudioBlock(start=start, samples=np.ascontiguousarray(self.samples[:, start : start + frames]))

    def excerpt(self, tracks: Sequence[int], start_s: float, length_s: float) -> NDArray[np.float32]:
        """Some tracks for some seconds, (tracks, frames). Ends where the recording ends."""
        first = min(round(start_s * self.sample_rate_hz), self.frames)
        count = min(round(length_s * self.sample_rate_hz), self.frames - first)
        return np.ascontiguousarray(self.samples[list(tracks), first : first + count])

    def stretch(self, tracks: Sequence[int], start_s: float, length_s: float) -> TrackStretch:
        """Some tracks for some seconds, read block by block. Ends where the recording ends."""
        samples = self.excerpt(tracks, start_s, length_s)
        part = held_recording(samples, [self.tracks[track].name for track in tracks], self.sample_rate_hz)
        return TrackStretch(part, range(len(tracks)))

    def excerpts(
        self, wanted: Sequence[tuple[Sequence[int], float]], length_s: float
    ) -> Iterator[list[tuple[int, NDArray[np.float32]]]]:
        """Excerpts of one length, each with its index, in one batch."""
        yield [(index, self.excerpt(tracks, start_s, length_s)) for index, (tracks, start_s) in enumerate(wanted)]


def held_recording(
    samples: NDArray[np.float32], names: Sequence[str], sample_rate_hz: int, *, start_s: float = 0.0
) -> HeldRecording:
    """Recording of (tracks, frames) samples whose first frame was heard at `start_s`."""
    frames = samples.shape[1]
    return HeldRecording(
        path=Path("live"),
        sample_rate_hz=sample_rate_hz,
        tracks=tuple(
            Track(name=name, number=number, file="", channel=number, bits=24, held=((0, frames),))
            for number, name in enumerate(names, 1)
        ),
        first_frame=round(start_s * sample_rate_hz),
        frames=frames,
        notes=(),
        _lanes=(),
        samples=samples,
    )
