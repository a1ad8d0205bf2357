"""Songs of a week and the people who play them: keys, chords and rhythms are invented, each note is a real one."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
import scipy.signal as ss

from tests.support.stage.effects import RATE_HZ, Sound, amplitude, driven, high_passed, toned
from tests.support.stage.library import faded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.support.stage.library import Library, Take

Choice = TypeVar("Choice")

_PROGRESSIONS: Final = ((0, 7, 9, 5), (0, 9, 5, 7), (9, 5, 0, 7), (0, 5, 7, 5), (2, 7, 0, 9))
"""Roots of four bars, in semitones above the key: common practice, no source."""
_MINOR: Final = frozenset({2, 4, 9})
"""Steps of a major key that carry a minor chord: textbooks of harmony."""
MOST_SHIFT: Final = 4
"""Semitones that a recorded note is played higher or lower: further, it no longer sounds like the instrument."""
QUIET_SPEECH_DBFS: Final = -40.0
"""Lines whose own background is louder than this, at a peak of full scale, were recorded beside noise."""
_NAMES: Final = (
    "Arne", "Bente", "Cilla", "Dorte", "Eske", "Frauke", "Gesa", "Hinrich", "Imke", "Jule", "Kaja", "Levke", "Momme",
    "Nele", "Ocke", "Pelle", "Rieke", "Sönke", "Tede", "Ubbo", "Volkert", "Wiebke", "Yorick", "Zara",
)  # fmt: skip
"""First names of invented people."""


def seeded(*parts: object) -> np.random.Generator:
    """Generator whose seed is a digest of these words and numbers: the same on every machine."""
    digest = hashlib.sha256("/".join(map(str, parts)).encode()).digest()
    return np.random.default_rng(int.from_bytes(digest[:8], "big"))


def pick(rng: np.random.Generator, things: Sequence[Choice]) -> Choice:
    """One of some things."""
    return things[int(rng.integers(len(things)))]


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """One song of a show."""

    begin_s: float
    end_s: float
    beat_s: float
    key_midi: int
    roots: tuple[int, ...]

    @property
    def bars(self) -> int:
        """Whole bars of four beats."""
        return max(1, int((self.end_s - self.begin_s) / (4 * self.beat_s)))

    def chord(self, bar: int) -> tuple[int, int, int]:
        """Pitch classes of a bar's chord."""
        root = self.roots[bar % len(self.roots)]
        return root, root + (3 if root in _MINOR else 4), root + 7

    def beat_at_s(self, bar: int, beat: float) -> float:
        """Time of a beat."""
        return self.begin_s + (4 * bar + beat) * self.beat_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who plays, with a tone and a touch of their own."""

    name: str
    bell_hz: float
    bell_db: float
    touch_db: float
    """Spread of the strength of notes."""
    seed: int

    def generator(self, *parts: object) -> np.random.Generator:
        """Generator for what stays with the person from week to week."""
        return seeded(self.seed, *parts)


def person_of(season: int, rig: str, number: int) -> Person:
    """Person of a rig; number 0 is the regular one."""
    rng = seeded("person", season, rig, number)
    return Person(
        name=f"{pick(rng, _NAMES)} {number}",
        bell_hz=float(rng.uniform(500.0, 3500.0)), bell_db=float(rng.uniform(-2.5, 2.5)),
        touch_db=float(rng.uniform(0.8, 2.0)), seed=int(rng.integers(2**31)),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """One show of a season: everything that its rigs share."""

    library: Library
    season: int
    number: int
    frames: int
    songs: tuple[Song, ...]
    talks_s: tuple[tuple[float, float], ...]
    """Stretches between the songs."""
    people: dict[str, Person] = field(default_factory=dict)
    """Rig to who plays it this week."""
    trades_microphones: bool = False
    """True where the two singers have changed places on purpose."""
    has_guest: bool = False

    def generator(self, rig: str) -> np.random.Generator:
        """Generator of a rig for this week."""
        return seeded("week", self.season, self.number, rig)

    def of_season(self, rig: str) -> np.random.Generator:
        """Generator of a rig for the whole season: instrument, microphones, effects."""
        return seeded("season", self.season, rig)

    def empty(self, channels: int = 1) -> Sound:
        """(channels, frames) of nothing."""
        return np.zeros((channels, self.frames))


def songs_of(
    rng: np.random.Generator, length_s: float, eighth_s: float
) -> tuple[tuple[Song, ...], tuple[tuple[float, float], ...]]:
    """Two songs of a show and the stretches in which people talk, by the eighth of the drum kit's pattern."""
    songs = []
    first_s, between_s = float(rng.uniform(3.2, 4.0)), float(rng.uniform(2.8, 3.6))
    middle_s = float(rng.uniform(0.5, 0.56)) * length_s
    for begin_s, end_s in ((first_s, middle_s), (middle_s + between_s, length_s - 0.8)):
        songs.append(
            Song(
                begin_s=begin_s, end_s=end_s, beat_s=2 * eighth_s, key_midi=int(rng.integers(40, 52)),
                roots=pick(rng, _PROGRESSIONS),
            )
        )  # fmt: skip
    return tuple(songs), ((0.2, first_s - 0.2), (middle_s + 0.3, middle_s + between_s - 0.2))


def add(into: Sound, sound: Sound, begin_s: float, gain: float = 1.0) -> None:
    """Add (channels, frames) at a time; what lies after the end is left out."""
    first = max(0, round(begin_s * RATE_HZ))
    count = min(sound.shape[1], into.shape[1] - first)
    if count > 0:
        into[:, first : first + count] += gain * sound[:, :count]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """Notes that a person plays."""

    library: Library
    takes: tuple[Take, ...]
    touch_db: float

    def note(self, rng: np.random.Generator, pitch_class: int, lowest_midi: float, highest_midi: float) -> Sound:
        """(channels, frames) of a note of this pitch class, peak about 1, at a strength of its own."""
        choices = []
        for take in self.takes:
            if take.midi is None:
                continue
            step = round((pitch_class - take.midi + 6) % 12 - 6)
            near = [shift for shift in (step, step - 12, step + 12) if abs(shift) <= MOST_SHIFT]
            choices += [(take, shift) for shift in near if lowest_midi <= take.midi + shift <= highest_midi]
        if not choices:
            # no recorded note comes near: the closest one, as far as it goes
            pitched = [take for take in self.takes if take.midi is not None]
            choices = [(take, int(rng.integers(-2, 3))) for take in pitched or self.takes]
        take, shift = pick(rng, choices)
        return self.scaled(rng, self.library.shifted(take, shift))

    def hit(self, rng: np.random.Generator) -> Sound:
        """(channels, frames) of any of the takes as it was recorded."""
        return self.scaled(rng, self.library.sound(pick(rng, self.takes)))

    def scaled(self, rng: np.random.Generator, sound: Sound) -> Sound:
        """Sound at peak 1 with the strength of one note."""
        strength_db = float(np.clip(rng.normal(0.0, self.touch_db), -2 * self.touch_db, 2 * self.touch_db))
        return np.asarray(sound / (np.abs(sound).max() + 1e-9) * amplitude(strength_db))


def held_for(sound: Sound, length_s: float, release_s: float = 0.05) -> Sound:
    """Note let go after a time."""
    return faded(sound[:, : max(2400, round(length_s * RATE_HZ))], 0.0005, release_s)


def melody(
    week: Week, rng: np.random.Generator, instrument: Instrument, octave_up: int, *, legato: float = 0.95
) -> Sound:
    """(channels, frames) of single notes of each bar's chord, over all songs."""
    track = week.empty(2)
    pattern = pick(
        rng,
        (
            (0.0, 1.0, 2.0, 3.0),
            (0.0, 0.5, 1.0, 2.0, 2.5, 3.0),
            (0.0, 1.5, 2.0, 3.5),
            (0.0, 2.0),
            tuple(np.arange(8) / 2),
        ),
    )
    for song in week.songs:
        low = song.key_midi + octave_up
        for bar in range(song.bars):
            for beat, until in zip(pattern, (*pattern[1:], 4.0), strict=True):
                note = instrument.note(rng, song.key_midi + pick(rng, song.chord(bar)), low - 12, low + 24)
                begin_s = song.beat_at_s(bar, beat) + float(rng.normal(0.0, 0.006))
                add(track, as_stereo(held_for(note, legato * (until - beat) * song.beat_s)), begin_s)
    return track


def bass_line(week: Week, rng: np.random.Generator, instrument: Instrument) -> Sound:
    """(2, frames) of roots in a rhythm of the week."""
    track = week.empty(2)
    pattern = pick(
        rng, (tuple(np.arange(8) / 2), (0.0, 1.0, 2.0, 3.0), (0.0, 1.5, 2.0, 3.5), (0.0, 0.5, 1.5, 2.0, 3.0, 3.5))
    )
    for song in week.songs:
        for bar in range(song.bars):
            for beat, until in zip(pattern, (*pattern[1:], 4.0), strict=True):
                step = song.chord(bar)[0] + (7 if beat == pattern[-1] and rng.random() < 0.3 else 0)
                note = instrument.note(rng, song.key_midi + step, 24, 52)
                begin_s = song.beat_at_s(bar, beat) + float(rng.normal(0.0, 0.005))
                add(track, as_stereo(held_for(note, 0.97 * (until - beat) * song.beat_s)), begin_s)
    return track


def chords(week: Week, rng: np.random.Generator, instrument: Instrument, octave_up: int, *, strum_s: float) -> Sound:
    """(2, frames) of chords, their notes `strum_s` apart."""
    track = week.empty(2)
    pattern = pick(rng, ((0.0, 1.0, 2.0, 3.0), (0.0, 1.0, 1.5, 2.5, 3.0), (0.0, 2.0), (0.0, 1.5, 3.0)))
    for song in week.songs:
        low = song.key_midi + octave_up
        for bar in range(song.bars):
            for beat, until in zip(pattern, (*pattern[1:], 4.0), strict=True):
                for order, step in enumerate(song.chord(bar)):
                    note = instrument.note(rng, song.key_midi + step, low - 7, low + 19)
                    begin_s = song.beat_at_s(bar, beat) + order * strum_s + float(rng.normal(0.0, 0.004))
                    add(track, as_stereo(held_for(note, (until - beat) * song.beat_s, 0.12)), begin_s, 0.7)
    return track


def as_stereo(sound: Sound) -> Sound:
    """(2, frames) of one or two channels."""
    return sound if sound.shape[0] == 2 else np.repeat(sound[:1], 2, axis=0)


def noodling(week: Week, rng: np.random.Generator, instrument: Instrument, level_db: float) -> Sound:
    """(2, frames) of stray soft notes between the songs."""
    track = week.empty(2)
    for begin_s, end_s in week.talks_s:
        moment_s = begin_s + float(rng.uniform(0.0, 0.5))
        while moment_s < end_s - 0.3:
            note = instrument.note(rng, int(rng.integers(12)), 30, 84)
            add(track, as_stereo(held_for(note, float(rng.uniform(0.15, 0.5)))), moment_s, amplitude(level_db))
            moment_s += float(rng.choice([0.15, 0.25, 0.4, 0.7]))
    return track


def tuning(week: Week, rng: np.random.Generator, instrument: Instrument, level_db: float) -> Sound:
    """(2, frames) of somebody who tunes: one string plucked again and again while its pitch creeps up."""
    track = week.empty(2)
    begin_s, end_s = pick(rng, week.talks_s)
    note = instrument.note(rng, int(rng.integers(12)), 36, 72)
    moment_s, cents = begin_s, -40.0
    while moment_s < end_s - 0.4:
        factor = 2.0 ** (cents / 1200.0)
        positions = np.arange(int(note.shape[1] / factor)) * factor
        bent = np.stack([np.interp(positions, np.arange(note.shape[1]), row) for row in note])
        add(track, as_stereo(held_for(bent, 0.6)), moment_s, amplitude(level_db))
        moment_s, cents = moment_s + 0.65, min(0.0, cents + 15.0)
    return track


def voiced(person: Person, sound: Sound) -> Sound:
    """(channels, frames) with a person's tone."""
    return np.stack([toned(row, person.bell_hz, person.bell_db) for row in sound])


def amplified(person: Person, dry: Sound) -> Sound:
    """(frames,) through a person's guitar amplifier, as driven as the person likes it."""
    drive = float(person.generator("drive").uniform(0.5, 4.0))
    return driven(high_passed(toned(dry, person.bell_hz, person.bell_db), 90.0), drive)


def speech_lines(week: Week, rng: np.random.Generator, spans_s: Sequence[tuple[float, float]], person: Person) -> Sound:
    """(1, frames) of a person's spoken lines in these stretches."""
    library, track = week.library, week.empty()
    spoken = sorted(
        {
            take.file
            for take in library.takes()
            if take.role == "speech" and "shout" not in take.file and take.quiet_dbfs < QUIET_SPEECH_DBFS
        }
    )
    takes = library.takes(file=pick(person.generator("speech"), spoken))
    factor = float(person.generator("speech pitch").uniform(0.94, 1.06))
    for begin_s, end_s in spans_s:
        moment_s = begin_s + float(rng.uniform(0.0, 0.3))
        while moment_s < end_s - 0.5:
            line = library.sound(pick(rng, takes))[:1]
            line = ss.resample_poly(line, 100, round(100 * factor), axis=1)
            # the room of a recorded line comes and goes slowly, not at once
            line = faded(line[:, : round((end_s - moment_s) * RATE_HZ)], 0.04, 0.1)
            add(track, line / (np.abs(line).max() + 1e-9), moment_s, amplitude(float(rng.normal(0.0, 1.0))))
            moment_s += line.shape[1] / RATE_HZ + float(rng.uniform(0.1, 0.4))
    return track
