"""Library of real single notes and takes: a folder of recordings with its lists, one half of it at a time.

The folder holds `manifest.csv` (a line a file: kind, role, channels, pair, pitch, joins), `split.csv` (source of recording to
its half, tune or verify) and the files. It is no part of the project: who has it names it in `DESKHAND_STAGE_AUDIO`.
"""

from __future__ import annotations

import csv
import functools
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from tests.support.stage.effects import low_passed

if TYPE_CHECKING:
    from collections.abc import Collection

Half = Literal["tune", "verify"]
Sound = NDArray[np.float64]

VARIABLE: Final = "DESKHAND_STAGE_AUDIO"
RATE_HZ: Final = 48000
RECORDED_TOP_HZ: Final = 20000.0
"""Upper band-edge frequency of digital audio: AES17-2020."""
RECORDED_TOP_ORDER: Final = 8
"""Order of the low-pass there: steep, as the anti-alias filters of converters are. Common practice, no source."""
HIGH_SPEECH_RATE_HZ: Final = 22050
"""Speech stored at a lower rate has no top: no microphone on a stage sounds so."""
SING: Final[dict[Half, str]] = {"tune": "vocadito_10", "verify": "vocadito_14"}
"""Singer of each half, from the packages that `material` fetches; split.csv lists them as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """One note, hit or line, as it was recorded."""

    file: str
    kind: str
    role: str
    microphone: str
    """Channels in the words of the list."""
    number: int
    """Place among the takes that are joined in its file, 0 the first."""
    begin_s: float
    end_s: float
    quiet_dbfs: float
    """Level of the quiet moments of its file against its peak."""
    midi: float | None
    """Measured pitch; None where there is none."""


def midi_of(hz: float) -> float:
    """Note number of a frequency, A4 = 440 Hz = 69."""
    return float(69.0 + 12.0 * np.log2(hz / 440.0))


def faded(sound: Sound, in_s: float, out_s: float) -> Sound:
    """Copy with raised-cosine ends, so that no cut can click."""
    copy = np.array(sound, np.float64)
    rise, fall = (min(copy.shape[-1], max(1, round(span_s * RATE_HZ))) for span_s in (in_s, out_s))
    copy[..., :rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    copy[..., copy.shape[-1] - fall :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    return copy


@dataclass(frozen=True, slots=True, kw_only=True)
class Library:
    """One half of the recordings."""

    folder: Path
    half: Half
    rows: tuple[dict[str, str], ...]

    def __hash__(self) -> int:
        return hash((self.folder, self.half))

    def takes(
        self, kinds: Collection[str] = (), *, microphone: str = "", file: str = "", pitched: bool | None = None
    ) -> tuple[Take, ...]:
        """Takes of some kinds whose channels and file name hold these words, in the order of the list."""
        return tuple(
            take
            for row in self.rows
            if (not kinds or row["kind"] in kinds) and microphone in row["channels"] and file in row["file"]
            for take in _takes_of(row)
            if pitched is None or pitched == (take.midi is not None)
        )

    def sound(self, take: Take) -> Sound:
        """(channels, frames) of a take at 48 kHz, offset taken off, ends faded."""
        rate_hz, whole = _file(self.folder / take.file)
        part = whole[:, round(take.begin_s * rate_hz) : round(take.end_s * rate_hz)]
        part = part - part.mean(axis=1, keepdims=True)
        # joins are cross-faded over 5 ms: left out; long notes are cut after some seconds
        return faded(_resampled(part, rate_hz), 0.003, min(0.08, part.shape[1] / rate_hz / 4))

    def shifted(self, take: Take, semitones: int) -> Sound:
        """(channels, frames) of a take played faster or slower by some semitones."""
        return _shifted(self, take, semitones)

    def kit(self) -> dict[str, Sound]:
        """Microphone to (frames,) of the drum kit's pattern: the same positions in each."""
        files = [row["file"] for row in self.rows if row["kind"] == "drum kit, many microphones"]
        sounds = {}
        for file in files:
            rate_hz, whole = _file(self.folder / file)
            sounds[file.split("_", 2)[2].removesuffix(".flac")] = _resampled(whole[:1], rate_hz)[0]
        frames = min(sound.size for sound in sounds.values())
        return {name: sound[:frames] for name, sound in sounds.items()}

    def singer(self) -> Sound:
        """(frames,) of one person singing alone at 48 kHz."""
        from tests.support import material

        sound, rate_hz = soundfile.read(material.voice(SING[self.half]) / "voice.wav", always_2d=True)
        return _resampled(np.ascontiguousarray(sound.T[:1]), rate_hz)[0]


def open_library(folder: Path, half: Half) -> Library:
    """Half of the recordings in a folder.

    Raises
    ------
    FileNotFoundError
        The folder or one of its lists is not there.
    """
    with (folder / "split.csv").open(encoding="utf-8", newline="") as file:
        half_of = {row["source"]: row["half"] for row in csv.DictReader(file)}
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as file:
        rows = tuple(row for row in csv.DictReader(file) if half_of.get(row["source_repository"]) == half)
    return Library(folder=folder, half=half, rows=rows)


def folder_given(argument: Path | None) -> Path | None:
    """Folder of the recordings: as given, or from the environment; None where nobody names one that is there."""
    named = argument or (Path(os.environ[VARIABLE]) if VARIABLE in os.environ else None)
    return named if named is not None and (named / "manifest.csv").is_file() else None


def _takes_of(row: dict[str, str]) -> list[Take]:
    """Takes that are joined in a file."""
    if row["role"] == "speech" and float(row["sample_rate_hz"]) < HIGH_SPEECH_RATE_HZ:
        return []
    edges = [0.0, *map(float, row["joins_at_s"].split()), float(row["seconds"])]
    pitch = row["f0_hz_measured"]
    return [
        Take(
            file=row["file"], kind=row["kind"], role=row["role"], microphone=row["channels"], number=number,
            # a join is cross-faded over 5 ms
            begin_s=begin_s + (0.006 if number else 0.0), end_s=end_s - (0.0 if end_s == edges[-1] else 0.006),
            quiet_dbfs=float(row["quiet_dbfs"]) - float(row["peak_dbfs"]), midi=midi_of(float(pitch)) if pitch else None,
        )
        for number, (begin_s, end_s) in enumerate(zip(edges, edges[1:], strict=False))
    ]  # fmt: skip


@functools.cache
def _file(path: Path) -> tuple[int, Sound]:
    """Rate and (channels, frames) of a file."""
    sound, rate_hz = soundfile.read(path, always_2d=True)
    return int(rate_hz), np.ascontiguousarray(sound.T)


def _resampled(sound: Sound, rate_hz: float) -> Sound:
    """(channels, frames) at 48 kHz; a rate above the true one plays it faster and higher."""
    return np.ascontiguousarray(soxr.resample(sound.T, rate_hz, RATE_HZ).T)


@functools.lru_cache(maxsize=2000)
def _shifted(library: Library, take: Take, semitones: int) -> Sound:
    sound = library.sound(take)
    if semitones == 0:
        return sound
    played = _resampled(sound, RATE_HZ * 2.0 ** (semitones / 12))
    # played faster, the shortest transients would become shorter than a microphone and its converter let through
    return np.stack([low_passed(row, RECORDED_TOP_HZ, RECORDED_TOP_ORDER) for row in played])
