"""A recording: a folder of files or one polyphonic file, laid out on one time line, read in blocks."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from concurrent.futures import wait
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.errors import RecordingError, UsageError
from deskhand.recording import names
from deskhand.recording.files import AUDIO_SUFFIXES, AudioFile, OpenFile, probe
from deskhand.recording.riff import MAGIC
from deskhand.units import clock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from concurrent.futures import Executor, Future

    from numpy.typing import NDArray

SHORTEST_S: Final = 0.4
"""One loudness block of ITU-R BS.1770-5; nothing shorter can be measured."""
_TRIM_S: Final = 0.5
"""Files that end this close together were stopped together: the longer ones are trimmed."""


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
    held: tuple[tuple[int, int], ...] = ()
    """Frames [from, to) of the recording that files really hold; the rest reads as silence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    start: int
    """Frame on the time line at which the file begins."""
    file: AudioFile


@dataclass(slots=True, kw_only=True)
class _Lane:
    """The parts that follow one another with the same channels."""

    stem: str
    channels: int
    parts: list[_Part]

    @property
    def end(self) -> int:
        return max(part.start + part.file.frames for part in self.parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A stretch of all tracks."""

    start: int
    """First frame, from the start of what was asked for."""
    samples: NDArray[np.float32]
    """(tracks, frames), full scale 1.0. Overwritten by the next block: copy what must last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """One take on disk. `blocks()` streams it; nothing is held in memory."""

    path: Path
    sample_rate_hz: int
    tracks: tuple[Track, ...]
    first_frame: int
    """Where what was asked for begins on the take's time line."""
    frames: int
    notes: tuple[str, ...]
    """What was joined, trimmed, resampled or found unfinished: one plain sentence each."""
    _lanes: tuple[_Lane, ...] = field(repr=False)

    @property
    def duration_s(self) -> float:
        """Length of what was asked for, in seconds."""
        return self.frames / self.sample_rate_hz

    @property
    def start_s(self) -> float:
        """Where what was asked for begins in the take, in seconds."""
        return self.first_frame / self.sample_rate_hz

    def blocks(self, frames: int, *, pool: Executor | None = None) -> Iterator[Block]:
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
            reader = _Reader(self._lanes, stack)
            buffers = [np.empty((len(self.tracks), min(frames, self.frames)), np.float32) for _ in range(2)]

            def buffer(turn: int, count: int) -> NDArray[np.float32]:
                # the kernels want rows without gaps between them: a shorter last block has its own array
                whole = buffers[turn % 2]
                return whole if count == whole.shape[1] else np.empty((len(self.tracks), count), np.float32)

            out = buffer(0, min(frames, self.frames))
            pending = reader.begin(self.first_frame, out, pool)
            for turn, start in enumerate(range(0, self.frames, frames)):
                pending()
                samples, after = out, start + frames
                if after < self.frames:
                    out = buffer(turn + 1, min(frames, self.frames - after))
                    pending = reader.begin(self.first_frame + after, out, pool)
                yield Block(start=start, samples=samples)

    def excerpt(self, tracks: Sequence[int], start_s: float, length_s: float) -> NDArray[np.float32]:
        """Some tracks for some seconds, (tracks, frames): only their files are read. Ends where the recording ends.

        Raises
        ------
        RecordingError
            As for `blocks`.
        """
        first = min(round(start_s * self.sample_rate_hz), self.frames)
        count = min(round(length_s * self.sample_rate_hz), self.frames - first)
        lanes, places, at, kept = [], {}, 0, 0
        for lane in self._lanes:
            wanted = [track for track in tracks if at <= track < at + lane.channels]
            if wanted:
                lanes.append(lane)
                places.update({track: kept + track - at for track in wanted})
                kept += lane.channels
            at += lane.channels
        if not count or not lanes:
            return np.empty((len(tracks), 0), np.float32)
        part = replace(
            self, tracks=self.tracks[:kept], first_frame=self.first_frame + first, frames=count, _lanes=tuple(lanes)
        )
        return part.read()[[places[track] for track in tracks]]

    def read(self) -> NDArray[np.float32]:
        """All of it at once, (tracks, frames): for short stretches and tests."""
        return np.concatenate([block.samples.copy() for block in self.blocks(1 << 18)], axis=1)


class _Reader:
    """Fills blocks from the lanes; each file is open only while the time line runs through it."""

    def __init__(self, lanes: tuple[_Lane, ...], stack: ExitStack) -> None:
        self._lanes = lanes
        self._open: dict[int, tuple[_Part, OpenFile]] = {}
        self._running: list[Future[None]] = []
        stack.callback(self._close)

    def _close(self) -> None:
        # a library's handle closed under a thread that reads it brings the process down
        for future in self._running:
            future.cancel()
        wait(self._running)
        for _, file in self._open.values():
            file.samples.close()

    def _file(self, lane_index: int, part: _Part) -> OpenFile:
        held = self._open.get(lane_index)
        if held is None or held[0] is not part:
            if held is not None:
                held[1].samples.close()
            held = (part, part.file.open())
            self._open[lane_index] = held
        return held[1]

    def _fill(self, lane_index: int, at: int, out: NDArray[np.float32]) -> None:
        lane = self._lanes[lane_index]
        end = at + out.shape[1]
        filled = at
        for part in lane.parts:
            first, last = max(at, part.start), min(end, part.start + part.file.frames)
            if first >= last:
                continue
            out[:, filled - at : first - at] = 0.0
            if first == at and last == end and out.flags.c_contiguous:
                self._file(lane_index, part).read(first - part.start, out)
            else:
                piece = np.empty((lane.channels, last - first), np.float32)
                self._file(lane_index, part).read(first - part.start, piece)
                out[:, first - at : last - at] = piece
            filled = last
        out[:, filled - at :] = 0.0

    def begin(self, at: int, out: NDArray[np.float32], pool: Executor | None) -> Callable[[], None]:
        """Start reading; the returned function waits until it is done and raises what went wrong."""
        rows, jobs = 0, []
        for index, lane in enumerate(self._lanes):
            jobs.append((index, out[rows : rows + lane.channels]))
            rows += lane.channels
        if pool is None:

            def read_now() -> None:
                for index, piece in jobs:
                    self._fill(index, at, piece)

            return read_now
        # one job a lane would cost more in hand-overs than in reading
        size = max(1, -(-len(jobs) // 4))

        def run(some: list[tuple[int, NDArray[np.float32]]]) -> None:
            for index, piece in some:
                self._fill(index, at, piece)

        self._running = futures = [pool.submit(run, jobs[first : first + size]) for first in range(0, len(jobs), size)]

        def finish() -> None:
            for future in futures:
                future.result()

        return finish


def _natural(path: Path) -> list[tuple[int, int, str]]:
    """Sort key that puts "2 snare" before "10 bass"."""
    pieces = re.split(r"(\d+)", path.name.casefold())
    return [(0, int(piece), "") if piece.isdigit() else (1, 0, piece) for piece in pieces if piece]


def _audio_files(folder: Path, notes: list[str]) -> list[Path]:
    found = []
    others = []
    for path in sorted(folder.iterdir(), key=_natural):
        if not path.is_file() or path.name.startswith("."):
            continue
        if path.suffix.casefold() in AUDIO_SUFFIXES:
            found.append(path)
            continue
        with path.open("rb") as file:
            magic = file.read(12)
        if magic[:4] in MAGIC and magic[8:12] == b"WAVE":
            notes.append(f"{path.name}: is a WAV file in spite of its name; read")
            found.append(path)
        else:
            others.append(path.name)
    if not found:
        below = sorted(
            child.name
            for child in folder.iterdir()
            if child.is_dir() and any(f.suffix.casefold() in AUDIO_SUFFIXES for f in child.iterdir())
        )
        fix = f'did you mean the folder "{below[0]}" in it?' if below else "name the folder that holds the tracks"
        kinds = "WAV, BWF, RF64, BW64, W64, AIFF, CAF or FLAC"
        raise RecordingError(str(folder), f"no audio files ({kinds}) among {len(others)} files", fix)
    return found


def _group(files: list[AudioFile], notes: list[str]) -> list[_Lane]:
    """Files to lanes: parts of a split take follow one another, everything else runs side by side."""
    families: dict[tuple[str, int, int], list[tuple[int, AudioFile]]] = defaultdict(list)
    alone: list[AudioFile] = []
    for file in files:
        stem = file.path.stem
        said = names.part_of(stem) or (names.numbered(stem) if file.time_reference is not None else None)
        if said is None:
            alone.append(file)
        else:
            families[said[0], file.channels, file.sample_rate_hz].append((said[1], file))
    lanes: list[_Lane] = []
    for (stem, channels, _), members in families.items():
        ordered = sorted(members, key=lambda member: member[0])
        if len(ordered) > 1 and _are_parts([file for _, file in ordered]):
            lanes.append(_join(stem, channels, ordered, notes))
        else:
            alone.extend(file for _, file in ordered)
    lanes.extend(
        _Lane(stem=file.path.stem, channels=file.channels, parts=[_Part(start=0, file=file)]) for file in alone
    )
    order = {file.path: index for index, file in enumerate(files)}
    return sorted(lanes, key=lambda lane: order[lane.parts[0].file.path])


def _are_parts(files: list[AudioFile]) -> bool:
    """Whether files with running numbers follow one another: by their time references where they have them.

    Without time references a number of three digits or the word "part" decides, which `names.part_of` has checked.
    """
    stamps = [file.time_reference for file in files]
    if all(stamp is not None for stamp in stamps):
        return all(
            file.frames * 0.98 <= (later - earlier) % _day(file) < _day(file) // 2  # type: ignore[operator]
            for earlier, later, file in zip(stamps, stamps[1:], files, strict=False)
        )
    if all(names.is_called_part(file.path.stem) for file in files):
        return True
    # tracks known by their number alone stop together; the last part of a split take ends when it ends
    return all(names.part_of(file.path.stem) for file in files) and len({file.frames for file in files}) > 1


def _day(file: AudioFile) -> int:
    """Time references count from midnight (EBU Tech 3285 v2, 2.3), also those of a take that runs over it."""
    return 86400 * file.sample_rate_hz


def _join(stem: str, channels: int, members: list[tuple[int, AudioFile]], notes: list[str]) -> _Lane:
    parts: list[_Part] = []
    end = 0
    rate = members[0][1].sample_rate_hz
    first_stamp = members[0][1].time_reference
    for index, (number, file) in enumerate(members):
        start = end
        if index:
            before = members[index - 1][0]
            gone = list(range(before + 1, number))
            if first_stamp is not None and file.time_reference is not None:
                start = max(end, (file.time_reference - first_stamp) % _day(file))
                if start - end <= rate // 10 or len(gone) > 9:
                    gone = []  # the names hold clock times, not part numbers
            elif gone:
                start = end + len(gone) * members[index - 1][1].frames
            if gone or start - end > rate // 10:
                which = f"part {', '.join(map(str, gone))}" if gone else f"what comes before part {number}"
                notes.append(
                    f"{stem.strip(' _-.') or 'take'}: {which} is missing; {clock(end / rate)} to "
                    f"{clock(start / rate)} reads as silence; look for it on the recorder"
                )
        elif number > 1:
            notes.append(f"{file.path.name}: parts begin at number {number}; look for the earlier ones on the recorder")
        parts.append(_Part(start=start, file=file))
        end = start + file.frames
    notes.append(f"{stem.strip(' _-.') or 'take'}: {len(members)} parts joined ({clock(end / rate)})")
    return _Lane(stem=stem, channels=channels, parts=parts)


def _match_rates(files: list[AudioFile], notes: list[str]) -> list[AudioFile]:
    """Files at another rate than most are marked to be resampled, their lengths counted at the common rate."""
    rates = Counter(file.sample_rate_hz for file in files)
    if len(rates) == 1:
        return files
    common = max(rates, key=lambda rate: (rates[rate], rate))
    matched = []
    for file in files:
        if file.sample_rate_hz != common:
            notes.append(f"{file.path.name}: recorded at {file.sample_rate_hz} Hz, the rest at {common} Hz; resampled")
            matched.append(file.resampled(common))
        else:
            matched.append(file)
    return matched


def _align(lanes: list[_Lane], rate: int, notes: list[str]) -> None:
    """Lanes that say when they started are shifted to where they belong."""
    stamps = [lane.parts[0].file.time_reference for lane in lanes]
    known = [stamp for stamp in stamps if stamp is not None]
    if len(known) < 2 or len(set(known)) == 1:
        return
    base = min(known)
    longest = max(lane.end for lane in lanes)
    for lane, stamp in zip(lanes, stamps, strict=True):
        shift = 0 if stamp is None else stamp - base
        if shift > longest:
            raise RecordingError(
                lane.parts[0].file.path.name,
                f"starts {clock(shift / rate)} after the others, when they had ended",
                "keep one take in a folder",
            )
        if shift:
            notes.append(f"{lane.parts[0].file.path.name}: starts {shift / rate:.3f} s after the first; aligned")
            lane.parts = [replace(part, start=part.start + shift) for part in lane.parts]


def _common_end(lanes: list[_Lane], rate: int, notes: list[str]) -> int:
    """Length of the take: small differences are trimmed, short files read as silence to the end."""
    ends = [lane.end for lane in lanes]
    longest = max(ends)
    together = [end for end in ends if longest - end <= _TRIM_S * rate]
    end = min(together)
    if end < longest:
        notes.append(f"files end up to {(longest - end) / rate:.2f} s apart; trimmed to {clock(end / rate)}")
    for lane in lanes:
        if lane.end < end:
            name = lane.parts[-1].file.path.name
            notes.append(f"{name}: ends at {clock(lane.end / rate)} of {clock(end / rate)}; silence from there")
    return end


def _track_names(lane: _Lane, *, single: bool) -> list[str]:
    written = lane.parts[0].file.names
    base = names.clean_name(lane.stem)
    out = []
    for channel in range(lane.channels):
        if names.clean_name(written.get(channel, "")):
            out.append(names.clean_name(written[channel]))
        elif lane.channels == 1:
            out.append(base)
        elif lane.channels == 2 and base:
            out.append(f"{base} {'LR'[channel]}")
        else:
            out.append("" if single or not base else f"{base} {channel + 1}")
    return out


def _range(start_s: float | None, end_s: float | None, end: int, rate: int) -> tuple[int, int]:
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


def _siblings(path: Path) -> list[Path]:
    """The file and, when its name says that it is a part, the other parts beside it."""
    said = names.part_of(path.stem)
    if said is None or path.suffix.casefold() not in AUDIO_SUFFIXES:
        return [path]
    return sorted(
        (
            other
            for other in path.parent.iterdir()
            if other.suffix.casefold() == path.suffix.casefold()
            and not other.name.startswith(".")
            and (names.part_of(other.stem) or ("", 0))[0] == said[0]
        ),
        key=_natural,
    )


def open_recording(path: Path, *, start_s: float | None = None, end_s: float | None = None) -> Recording:
    """A recording, from the headers of its files; the samples are read by `Recording.blocks`.

    Parameters
    ----------
    path : Path
        A folder of mono or stereo files, or one polyphonic file.
    start_s, end_s : float, optional
        The stretch wanted, in seconds from the start of the take.

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
            raise RecordingError(str(path), "no such file or folder", "check the name, or that the card is in")
        paths = _audio_files(path, notes) if path.is_dir() else _siblings(path)
    except OSError as error:  # a name too long, a folder or file that may not be read
        where, problem = str(error.filename or path), f"cannot be read ({error.strerror})"
        raise RecordingError(where, problem, "check the name, and who may read it") from error
    probed = [probe(one) for one in paths]
    notes.extend(file.note for file in probed if file.note)
    files = _match_rates(probed, notes)
    rate = files[0].sample_rate_hz
    lanes = _group(files, notes)
    if not path.is_dir() and len(lanes) > 1:  # its neighbours are tracks of their own
        lanes = [lane for lane in lanes if any(part.file.path == path for part in lane.parts)]
    _align(lanes, rate, notes)
    end = _common_end(lanes, rate, notes)
    first, last = _range(start_s, end_s, end, rate)
    if last - first < SHORTEST_S * rate:
        held = f"{last - first} samples ({(last - first) / rate:.3g} s)"
        raise RecordingError(
            str(path), f"holds {held}; {SHORTEST_S} s is the least that can be measured", "record more"
        )
    single = len(lanes) == 1
    tracks: list[Track] = []
    taken: set[str] = set()
    for lane in lanes:
        spans = tuple(
            (max(0, part.start - first), min(last, part.start + part.file.frames) - first) for part in lane.parts
        )
        for channel, said in enumerate(_track_names(lane, single=single)):
            name = bare = said or f"channel {len(tracks) + 1}"
            count = 1
            while names.key(name) in taken:
                count += 1
                name = f"{bare} ({count})"
            taken.add(names.key(name))
            tracks.append(
                Track(
                    name=name,
                    number=len(tracks) + 1,
                    file=lane.parts[0].file.path.name,
                    channel=channel + 1,
                    bits=lane.parts[0].file.bits,
                    held=tuple((a, b) for a, b in spans if b > a),
                )
            )
    return Recording(
        path=path,
        sample_rate_hz=rate,
        tracks=tuple(tracks),
        first_frame=first,
        frames=last - first,
        notes=tuple(notes),
        _lanes=tuple(lanes),
    )
