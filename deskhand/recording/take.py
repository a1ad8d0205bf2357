"""Recordings: a folder of files or one polyphonic file, laid out on one time line, read in blocks."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.errors import RecordingError, UsageError
from deskhand.recording import names
from deskhand.recording.excerpts import MOST_BYTES, ExcerptBuffer, ExcerptPlace, read_groups
from deskhand.recording.folder import audio_files, parts_beside
from deskhand.recording.lanes import Lane, align, common_end, group, match_rates, track_names, track_numbers
from deskhand.recording.probe import probe
from deskhand.recording.reader import LaneReader
from deskhand.units import clock

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Executor

    from numpy.typing import NDArray

SHORTEST_S: Final = 0.4
"""One loudness block of ITU-R BS.1770-5; nothing shorter can be measured."""
_EXCERPT_FRAMES: Final = 1 << 14
"""Frames of all channels that are decoded at once for excerpts: a third of a second. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One recorded channel of audio."""

    name: str
    number: int
    """From 1, in the order of the recording."""
    file: str
    channel: int
    """In the file, from 1."""
    bits: int
    label_number: str | None = None
    """Number that its label begins with, as it was written: often the channel of the desk."""
    held: tuple[tuple[int, int], ...] = ()
    """Frames [from, to) of the recording that files really hold; the rest reads as silence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioBlock:
    """A stretch of all tracks."""

    start: int
    """First frame, from the start of the stretch."""
    samples: NDArray[np.float32]
    """(tracks, frames), full scale 1.0. Overwritten by the next block: copy what must last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """One take on disk. `blocks()` streams it; nothing is held in memory."""

    path: Path
    sample_rate_hz: int
    tracks: tuple[Track, ...]
    first_frame: int
    """First frame of the stretch, on the take's time line."""
    frames: int
    notes: tuple[str, ...]
    """Files that were joined, trimmed, resampled or found unfinished: one plain sentence each."""
    _lanes: tuple[Lane, ...] = field(repr=False)

    @property
    def duration_s(self) -> float:
        """Length of the stretch, in seconds."""
        return self.frames / self.sample_rate_hz

    @property
    def start_s(self) -> float:
        """Start of the stretch in the take, in seconds."""
        return self.first_frame / self.sample_rate_hz

    @property
    def files(self) -> tuple[Path, ...]:
        """Files of the take, in the order of its tracks and of time."""
        return tuple(part.file.path for lane in self._lanes for part in lane.parts)

    @property
    def layout(self) -> tuple[tuple[str, int, int, int, int], ...]:
        """Name, first frame, frames, channels and sample rate of each file on the time line, in the order of the tracks and of time."""
        return tuple(
            (part.file.path.name, part.start, part.file.frames, part.file.channels, part.file.sample_rate_hz)
            for lane in self._lanes
            for part in lane.parts
        )

    def sizes(self) -> dict[Path, int]:
        """Bytes that each of its files has now; a file that is not there any more is left out."""
        sizes = {}
        for file in self.files:
            with suppress(OSError):
                sizes[file] = file.stat().st_size
        return sizes

    def blocks(self, frames: int, *, pool: Executor | None = None) -> Iterator[AudioBlock]:
        """All tracks, `frames` at a time, in order; the last block may be shorter.

        Parameters
        ----------
        frames : int
            Frames a block.
        pool : Executor, optional
            Threads to read several files at once; the next block is then read while the caller works on this one.

        Raises
        ------
        RecordingError
            A file is damaged, went away or holds values that are no numbers.
        """
        if frames < 1:
            raise UsageError("blocks", f"{frames} frames a block; at least 1 is needed", "ask for more")
        with ExitStack() as stack:
            reader = LaneReader(self._lanes, stack)
            buffers = [np.empty((len(self.tracks), min(frames, self.frames)), np.float32) for _ in range(2)]

            def buffer(turn: int, count: int) -> NDArray[np.float32]:
                # the kernels want rows without gaps between them: a shorter last block has its own array
                whole = buffers[turn % 2]
                return whole if count == whole.shape[1] else np.empty((len(self.tracks), count), np.float32)

            filling = buffer(0, min(frames, self.frames))
            pending = reader.begin(self.first_frame, filling, pool)
            for turn, start in enumerate(range(0, self.frames, frames)):
                pending()
                samples, after = filling, start + frames
                if after < self.frames:
                    filling = buffer(turn + 1, min(frames, self.frames - after))
                    pending = reader.begin(self.first_frame + after, filling, pool)
                yield AudioBlock(start=start, samples=samples)

    def excerpt(self, tracks: Sequence[int], start_s: float, length_s: float) -> NDArray[np.float32]:
        """Some tracks for some seconds, (tracks, frames): only their files are read. Ends where the recording ends.

        Raises
        ------
        RecordingError
            As for `blocks`.
        """
        ((_, samples),) = self._read_group([self._place(0, tracks, start_s, length_s)])
        return samples

    def excerpts(
        self, wanted: Sequence[tuple[Sequence[int], float]], length_s: float
    ) -> Iterator[list[tuple[int, NDArray[np.float32]]]]:
        """Excerpts of one length in batches, so that a file of many channels is not read again for each of its sources.

        Parameters
        ----------
        wanted : sequence of (tracks, start_s)
        length_s : float

        Yields
        ------
        list of (index in `wanted`, (tracks, frames) array)
            In an order of the reader's own; all of a batch together hold about `excerpts.MOST_BYTES`.

        Raises
        ------
        RecordingError
            As for `blocks`.
        """
        places = [self._place(index, tracks, start_s, length_s) for index, (tracks, start_s) in enumerate(wanted)]
        batch: list[tuple[int, NDArray[np.float32]]] = []
        for neighbours in read_groups(places):
            group_bytes = sum(place.size_bytes for place in neighbours)
            if batch and group_bytes + sum(samples.nbytes for _, samples in batch) > MOST_BYTES:
                yield batch
                batch = []
            batch = [*batch, *self._read_group(neighbours)]
        if batch:
            yield batch

    def _place(self, number: int, tracks: Sequence[int], start_s: float, length_s: float) -> ExcerptPlace:
        """Place of an excerpt in the stretch, and the lanes that hold its tracks."""
        first = min(round(start_s * self.sample_rate_hz), self.frames)
        last = min(first + round(length_s * self.sample_rate_hz), self.frames)
        lanes, first_track = [], 0
        for lane_index, lane in enumerate(self._lanes):
            if any(first_track <= track < first_track + lane.channels for track in tracks):
                lanes.append(lane_index)
            first_track += lane.channels
        return ExcerptPlace(number, tuple(tracks), first, last, tuple(lanes))

    def _read_group(self, group: Sequence[ExcerptPlace]) -> list[tuple[int, NDArray[np.float32]]]:
        """Read excerpts of the same lanes in one go."""
        first, last = min(place.first_frame for place in group), max(place.last_frame for place in group)
        stretch, rows = self._of_lanes(group[0].lanes, first, last)
        buffers = [ExcerptBuffer(place, [rows[track] for track in place.tracks]) for place in group]
        if last > first and rows:
            for block in stretch.blocks(_EXCERPT_FRAMES):
                for buffer in buffers:
                    buffer.take(block.samples, first + block.start)
        return [(place.number, buffer.samples) for place, buffer in zip(group, buffers, strict=True)]

    def _of_lanes(self, lanes: Sequence[int], first: int, last: int) -> tuple[Recording, dict[int, int]]:
        """Frames of some lanes alone as a recording of their own, and the row in it of each track."""
        rows: dict[int, int] = {}
        first_track = 0
        for lane_index, lane in enumerate(self._lanes):
            if lane_index in lanes:
                rows |= {first_track + channel: len(rows) + channel for channel in range(lane.channels)}
            first_track += lane.channels
        part = replace(
            self,
            tracks=self.tracks[: len(rows)],
            first_frame=self.first_frame + first,
            frames=last - first,
            _lanes=tuple(self._lanes[lane_index] for lane_index in lanes),
        )
        return part, rows

    def stretch(self, tracks: Sequence[int], start_s: float, length_s: float) -> TrackStretch:
        """Some tracks for some seconds, read block by block: their files stay open. Ends where the recording ends."""
        excerpt = self._place(0, tracks, start_s, length_s)
        part, rows = self._of_lanes(excerpt.lanes, excerpt.first_frame, excerpt.last_frame)
        return TrackStretch(part, [rows[track] for track in tracks])

    def read(self) -> NDArray[np.float32]:
        """All of it at once, (tracks, frames): for short stretches and tests."""
        return np.concatenate([block.samples.copy() for block in self.blocks(1 << 18)], axis=1)


class TrackStretch:
    """Some tracks of a recording that read like a recording of their own.

    Parameters
    ----------
    recording : Recording
    rows : sequence of int
        Its tracks that are read, in the order in which they are given.
    """

    def __init__(self, recording: Recording, rows: Sequence[int]) -> None:
        self._recording = recording
        self._rows = list(rows)
        self.sample_rate_hz = recording.sample_rate_hz
        self.frames = recording.frames

    def blocks(self, frames: int, *, pool: Executor | None = None) -> Iterator[AudioBlock]:
        """All tracks, `frames` at a time, as `Recording.blocks`."""
        whole = self._rows == list(range(len(self._recording.tracks)))
        for block in self._recording.blocks(frames, pool=pool) if self.frames else ():
            yield block if whole else AudioBlock(start=block.start, samples=block.samples[self._rows])


def _stretch(start_s: float | None, end_s: float | None, end: int, rate: int) -> tuple[int, int]:
    """First and last frame of the stretch that is wanted, in a take of `end` frames."""
    first = round((start_s or 0.0) * rate)
    last = end if end_s is None else min(end, round(end_s * rate))
    if first >= end:
        raise UsageError(
            f"--from {clock(first / rate)}", f"the recording ends at {clock(end / rate)}", "ask for an earlier time"
        )
    if last <= first:
        raise UsageError(
            f"--to {clock(last / rate)}", f"does not come after --from {clock(first / rate)}", "swap the two"
        )
    return first, last


def _fix_of_missing(path: Path) -> str:
    """Advice for a name that is not there: the name beside it that is nearly the same, where there is one."""
    with suppress(OSError):
        beside = [entry.name for entry in path.absolute().parent.iterdir() if not entry.name.startswith(".")]
        near = names.nearest(path.name, beside, count=1)
        if near:
            return f'did you mean "{near[0]}"? else check the name, or that the card is in'
    return "check the name, or that the card is in"


def open_recording(path: Path, *, start_s: float | None = None, end_s: float | None = None) -> Recording:
    """Recording from the headers of its files; the samples are read by `Recording.blocks`.

    Parameters
    ----------
    path : Path
        A folder of mono or stereo files, or one polyphonic file.
    start_s, end_s : float, optional
        Stretch to read, in seconds from the start of the take.

    Raises
    ------
    RecordingError
        Nothing there, no audio, or a file that cannot be read.
    UsageError
        A stretch outside the recording.
    """
    notes: list[str] = []
    try:
        if not path.exists():
            raise RecordingError(str(path), "no such file or folder", _fix_of_missing(path))
        paths = audio_files(path, notes) if path.is_dir() else parts_beside(path)
    except OSError as error:  # a name too long, a folder or file that may not be read
        unreadable, problem = str(error.filename or path), f"cannot be read ({error.strerror})"
        raise RecordingError(unreadable, problem, "check the name, and who may read it") from error
    probed = [probe(file_path) for file_path in paths]
    notes.extend(file.note for file in probed if file.note)
    files = match_rates(probed, notes)
    rate = files[0].sample_rate_hz
    lanes = group(files, notes)
    if not path.is_dir() and len(lanes) > 1:  # its neighbours are tracks of their own
        lanes = [lane for lane in lanes if any(part.file.path == path for part in lane.parts)]
    align(lanes, rate, notes)
    end = common_end(lanes, rate, notes)
    first, last = _stretch(start_s, end_s, end, rate)
    if last - first < SHORTEST_S * rate:
        held = f"{last - first} samples ({(last - first) / rate:.3g} s)"
        raise RecordingError(
            str(path), f"holds {held}; {SHORTEST_S} s is the least that can be measured", "record more"
        )
    return Recording(
        path=path,
        sample_rate_hz=rate,
        tracks=_tracks(lanes, first, last),
        first_frame=first,
        frames=last - first,
        notes=tuple(notes),
        _lanes=tuple(lanes),
    )


def _tracks(lanes: list[Lane], first: int, last: int) -> tuple[Track, ...]:
    """Tracks of all lanes, each with a name of its own, over the frames from `first` to `last`."""
    single = len(lanes) == 1
    tracks: list[Track] = []
    used_names: set[str] = set()
    for lane in lanes:
        spans = tuple(
            (max(0, part.start - first), min(last, part.start + part.file.frames) - first) for part in lane.parts
        )
        label_numbers = track_numbers(lane)
        for channel, given_name in enumerate(track_names(lane, single=single)):
            name = bare = given_name or f"channel {len(tracks) + 1}"
            count = 1
            while names.key(name) in used_names:
                count += 1
                name = f"{bare} ({count})"
            used_names.add(names.key(name))
            tracks.append(
                Track(
                    name=name,
                    number=len(tracks) + 1,
                    file=lane.parts[0].file.path.name,
                    channel=channel + 1,
                    bits=lane.parts[0].file.bits,
                    label_number=label_numbers[channel],
                    held=tuple((begin, end) for begin, end in spans if end > begin),
                )
            )
    return tuple(tracks)
