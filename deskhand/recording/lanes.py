"""Lanes of a take: files that follow one another or run side by side, laid out on one time line."""

from __future__ import annotations

import datetime as dt
import itertools
from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from deskhand.errors import RecordingError
from deskhand.recording import names
from deskhand.units import clock

if TYPE_CHECKING:
    from deskhand.recording.files import AudioFile

_TRIM_S: Final = 0.5
"""Files that end this close together were stopped together: the longer ones are trimmed. Common practice, no source."""
_LEAST_APART: Final = 0.98
"""Parts may overlap by the rest of this share of their length. Common practice, no source."""
_JOINT: Final = 10
"""A gap of up to a tenth of a second (rate // _JOINT) between two parts is none. Common practice, no source."""
_MOST_MISSING_PARTS: Final = 9
"""A larger step between two numbers is no gap: the names hold clock times. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilePart:
    """File of a take that was split."""

    start: int
    """Frame on the time line at which the file begins."""
    file: AudioFile


@dataclass(slots=True, kw_only=True)
class Lane:
    """Parts that follow one another with the same channels."""

    stem: str
    channels: int
    parts: list[FilePart]

    @property
    def end(self) -> int:
        """Frame on the time line at which the last part ends."""
        return max(part.start + part.file.frames for part in self.parts)


def group(files: list[AudioFile], notes: list[str]) -> list[Lane]:
    """Sort files into lanes: parts of a split take follow one another, everything else runs side by side."""
    families: dict[tuple[str, int, int], list[tuple[int, AudioFile]]] = defaultdict(list)
    alone: list[AudioFile] = []
    for file in files:
        stem = file.path.stem
        part = names.part_of(stem) or (names.numbered(stem) if file.time_reference is not None else None)
        if part is None:
            alone.append(file)
        else:
            families[names.without_date(part[0]), file.channels, file.sample_rate_hz].append((part[1], file))
    lanes: list[Lane] = []
    for (stem, channels, _), members in families.items():
        for ordered in _takes(members):
            if len(ordered) > 1 and _are_parts([file for _, file in ordered]):
                lanes.append(_join(stem, channels, ordered, notes))
            else:
                alone.extend(file for _, file in ordered)
    lanes.extend(
        Lane(stem=file.path.stem, channels=file.channels, parts=[FilePart(start=0, file=file)]) for file in alone
    )
    order = {file.path: index for index, file in enumerate(files)}
    return sorted(lanes, key=lambda lane: order[lane.parts[0].file.path])


def _takes(members: list[tuple[int, AudioFile]]) -> list[list[tuple[int, AudioFile]]]:
    """Numbered files of one name, in order, one list for each date in their names; of a take that runs over midnight one list for both."""
    by_date: dict[str, list[tuple[int, AudioFile]]] = defaultdict(list)
    for member in sorted(members, key=lambda member: member[0]):
        by_date[names.date_in(member[1].path.stem) or ""].append(member)
    dates = sorted(by_date)
    if (
        len(dates) == 2
        and dates[0]
        and dt.date.fromisoformat(dates[1]) - dt.date.fromisoformat(dates[0]) == dt.timedelta(days=1)
    ):
        ordered = by_date[dates[0]] + by_date[dates[1]]
        has_stamps = all(file.time_reference is not None for _, file in ordered)
        # numbers that go on show one take; those that begin anew are another evening's
        if has_stamps or all(earlier < later for (earlier, _), (later, _) in itertools.pairwise(ordered)):
            return [ordered]
    return [by_date[date] for date in dates]


def _are_parts(files: list[AudioFile]) -> bool:
    """True where files with running numbers follow one another: by their time references where they have them.

    Without time references a number of three digits or the word "part" decides, which `names.part_of` has checked.
    """
    stamps = [file.time_reference for file in files]
    if all(stamp is not None for stamp in stamps):
        return all(
            file.frames * _LEAST_APART <= (later - earlier) % _day(file) < _day(file) // 2  # type: ignore[operator]
            for earlier, later, file in zip(stamps, stamps[1:], files, strict=False)
        )
    if all(names.is_called_part(file.path.stem) for file in files):
        return True
    # tracks known by their number alone stop together; the last part of a split take ends when it ends
    return all(names.part_of(file.path.stem) for file in files) and len({file.frames for file in files}) > 1


def _day(file: AudioFile) -> int:
    """Samples of a day: time references count from midnight (EBU Tech 3285 v2, 2.3), also in a take that runs over it."""
    return 86400 * file.sample_rate_hz


def _join(stem: str, channels: int, members: list[tuple[int, AudioFile]], notes: list[str]) -> Lane:
    parts: list[FilePart] = []
    end = 0
    rate = members[0][1].sample_rate_hz
    first_stamp = members[0][1].time_reference
    for index, (number, file) in enumerate(members):
        start = end
        if index:
            previous = members[index - 1][0]
            missing = list(range(previous + 1, number))
            if first_stamp is not None and file.time_reference is not None:
                start = max(end, (file.time_reference - first_stamp) % _day(file))
                if start - end <= rate // _JOINT or len(missing) > _MOST_MISSING_PARTS:
                    missing = []  # the names hold clock times, not part numbers
            elif missing:
                start = end + len(missing) * members[index - 1][1].frames
            if missing or start - end > rate // _JOINT:
                which = f"part {', '.join(map(str, missing))}" if missing else f"what comes before part {number}"
                notes.append(
                    f"{stem.strip(' _-.') or 'take'}: {which} is missing; {clock(end / rate)} to "
                    f"{clock(start / rate)} reads as silence; look for it on the recorder"
                )
        elif number > 1:
            notes.append(f"{file.path.name}: parts begin at number {number}; look for the earlier ones on the recorder")
        parts.append(FilePart(start=start, file=file))
        end = start + file.frames
    notes.append(f"{stem.strip(' _-.') or 'take'}: {len(members)} parts joined ({clock(end / rate)})")
    return Lane(stem=stem, channels=channels, parts=parts)


def match_rates(files: list[AudioFile], notes: list[str]) -> list[AudioFile]:
    """Mark files at another rate than most to be resampled, their lengths counted at the common rate."""
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


def align(lanes: list[Lane], rate: int, notes: list[str]) -> None:
    """Shift lanes that say when they started to where they belong."""
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


def common_end(lanes: list[Lane], rate: int, notes: list[str]) -> int:
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


def track_names(lane: Lane, *, single: bool) -> list[str]:
    """Name of each channel of a lane: as its file has it, or from the file's own name; empty where neither says.

    Parameters
    ----------
    lane : Lane
    single : bool
        True for the only lane of a take, whose file's name is no track's.
    """
    written = lane.parts[0].file.names
    base = names.clean_name(lane.stem)
    track_list = []
    for channel in range(lane.channels):
        if names.clean_name(written.get(channel, "")):
            track_list.append(names.clean_name(written[channel]))
        elif lane.channels == 1:
            track_list.append(base)
        elif lane.channels == 2 and base:
            track_list.append(f"{base} {'LR'[channel]}")
        else:
            track_list.append("" if single or not base else f"{base} {channel + 1}")
    return track_list


def track_numbers(lane: Lane) -> list[str | None]:
    """Number that each channel of a lane begins its name with: the file's, or that of the name written in it."""
    written = lane.parts[0].file.names
    return [
        names.leading_number(written[channel] if names.clean_name(written.get(channel, "")) else lane.stem)
        for channel in range(lane.channels)
    ]
