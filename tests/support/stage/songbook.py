"""Songs of a repertoire and their performances at a low sample rate: real notes, a sung line, other keys, tempi, players and arrangements.

A fingerprint reads nothing above 1 kHz, so performances are made at 3 kHz: minutes of a band in a fraction of a second.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from tests.support.stage.score import pick, seeded

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tests.support.stage.library import Library, Take

    Wave = NDArray[np.float32]

RATE_HZ: Final = 3000
"""Rate of the decimated signal that a check reads a fingerprint from, for recordings at 48 kHz."""
COUSINS: Final = 1000
"""Number from which on songs are cousins of others."""
LOOPS: Final = (
    (0, 7, 9, 5), (0, 9, 5, 7), (9, 5, 0, 7), (0, 5, 7, 5), (2, 7, 0, 9), (0, 4, 5, 7), (0, 5, 9, 7), (9, 7, 5, 7),
    (0, 0, 5, 7), (5, 0, 7, 9), (0, 2, 5, 0), (9, 4, 5, 0),
)  # fmt: skip
"""Roots of four bars, in semitones above the key: loops that hundreds of songs share. Common practice, no source."""
_MINOR: Final = frozenset({2, 4, 9})
_SCALE: Final = (0, 2, 4, 5, 7, 9, 11)
_PHRASES: Final = ("AABA", "ABAB", "ABAC", "AABB")
"""Forms of a melody of four phrases: textbooks of song form."""
_COMPING: Final = (
    (0.0, 1.0, 2.0, 3.0),
    (0.0, 1.0, 1.5, 2.5, 3.0),
    (0.0, 2.0),
    (0.0, 1.5, 3.0),
    (0.0,),
    tuple(np.arange(8) / 2),
)
_BASS: Final = (tuple(np.arange(8) / 2), (0.0, 1.0, 2.0, 3.0), (0.0, 1.5, 2.0, 3.5), (0.0, 2.0))
_BASSES: Final = ("electric bass", "double bass")
_CHORDS: Final = (
    "electric guitar",
    "acoustic guitar",
    "piano",
    "electric piano",
    "synth",
    "strings",
    "banjo",
    "cello",
    "brass",
)


@dataclass(frozen=True, slots=True)
class Note:
    """Note of a sung line: beat of the section, length in beats, semitones above the key."""

    beat: float
    beats: float
    step: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Verse, chorus or bridge: a loop of chords and the line that is sung over it."""

    roots: tuple[int, ...]
    melody: tuple[Note, ...]
    bars: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """Song of a repertoire."""

    number: int
    key: int
    """Pitch class of its key."""
    beat_s: float
    sections: dict[str, Section]
    order: tuple[str, ...]

    @property
    def beats(self) -> int:
        """Length in beats."""
        return 4 * sum(self.sections[name].bars for name in self.order)

    @property
    def starts(self) -> list[tuple[int, Section]]:
        """Beat at which each section begins."""
        starts, beat = [], 0
        for name in self.order:
            starts.append((beat, self.sections[name]))
            beat += 4 * self.sections[name].bars
        return starts


def _chord(root: int) -> tuple[int, int, int]:
    return root, root + (3 if root in _MINOR else 4), root + 7


def _phrase(rng: np.random.Generator, roots: tuple[int, ...]) -> list[Note]:
    """Line over one turn of a loop: chord notes on strong beats, steps of the scale between, rests."""
    notes, beat, last = [], float(rng.choice([0.0, 0.0, 0.5, 1.0])), int(rng.integers(0, 12))
    lengths, weights = (0.5, 1.0, 1.5, 2.0), rng.dirichlet((3.0, 3.0, 1.0, 1.0))
    while beat < 4 * len(roots) - 0.5:
        length = float(rng.choice(lengths, p=weights))
        chord = [tone % 12 for tone in _chord(roots[int(beat // 4)])]
        near = [
            step
            for step in range(last - 5, last + 6)
            if step % 12 in (chord if beat % 2 == 0 else _SCALE) and -5 <= step <= 16
        ]
        last = int(rng.choice(near)) if near else last
        if rng.random() > 0.12:
            notes.append(Note(beat, length, last))
        beat += length
    return notes


def _section(rng: np.random.Generator, roots: tuple[int, ...], bars: int) -> Section:
    """Section of four phrases, or two, as its form has them."""
    form = pick(rng, _PHRASES)
    phrases = {letter: _phrase(rng, roots) for letter in "ABC"}
    turn = 4 * len(roots)
    notes = [
        replace(note, beat=note.beat + turn * index)
        for index in range(4 * bars // turn)
        for note in phrases[form[index % len(form)]]
    ]
    return Section(roots=roots, melody=tuple(notes), bars=bars)


def song_of(repertoire: int, number: int) -> Song:
    """Song of a repertoire; each fifth shares loops, key and tempo with the one before it, and nothing else.

    From `COUSINS` on they are cousins of the songs from 0 on in the same way.
    """
    rng = seeded("song", repertoire, number)
    elder = number - COUSINS if number >= COUSINS else number
    frame = seeded("frame", repertoire, elder - 1 if elder % 5 == 4 else elder)
    key, beat_s = int(frame.integers(12)), 60.0 / float(frame.uniform(72.0, 150.0))
    loops = [pick(frame, LOOPS) for _ in range(3)]
    bars = int(rng.choice([8, 16])) if beat_s < 0.6 else 8
    sections = {name: _section(rng, roots, bars) for name, roots in zip("VCB", loops, strict=True)}
    sections["I"] = replace(_section(rng, loops[0], 4), melody=())
    return Song(
        number=number,
        key=key,
        beat_s=beat_s,
        sections=sections,
        order=tuple(pick(rng, ("IVCVCBC", "IVVCVCC", "IVCIVCBCC"))),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendition:
    """How a song is played one evening."""

    transpose: int = 0
    tempo: float = 1.0
    arrangement: int = 0
    """Instruments and patterns."""
    players: int = 0
    """Touch, timing, voicings and embellishments: who plays, or the evening."""
    freedom: float = 1.0
    """How freely it is sung: times the usual share of changed notes and spread of their times."""
    sings: bool = True
    bleed_db: float = -15.0
    """Level of the others in the singer's microphone, each against the voice."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Performance:
    """Piece of a song as it was played."""

    song: Song
    rendition: Rendition
    first_beat: int
    band: Wave
    """All inputs summed, each as loud as the others."""
    voice: Wave
    """Microphone of the singer, with what it hears of the others."""
    beat_times_s: NDArray[np.float64]
    """Time of each beat from the first one."""


@functools.lru_cache(maxsize=4000)
def _low(library: Library, take: Take, semitones: int) -> Wave:
    """(frames,) of a note at the low rate, as loud as every other."""
    wave = ss.resample_poly(library.sound(take).mean(axis=0), RATE_HZ, 48000)
    if semitones:
        wave = ss.resample_poly(wave, 1000, round(1000 * 2.0 ** (semitones / 12)))
    return (wave / (np.sqrt(np.mean(wave[:RATE_HZ] ** 2)) + 1e-9)).astype(np.float32)


@functools.cache
def _pitched(library: Library, kind: str) -> tuple[Take, ...]:
    return tuple(
        take
        for take in library.takes((kind,), pitched=True)
        if take.midi is not None and abs(take.midi - round(take.midi)) < 0.3
    )


def _note(library: Library, kind: str, midi: int) -> Wave:
    """Note of an instrument, from the recorded one that lies nearest."""
    take = min(_pitched(library, kind), key=lambda take: abs((take.midi or 0) - midi))
    shift = midi - round(take.midi or 0)
    while abs(shift) > 9:
        shift -= 12 * int(np.sign(shift))
    return _low(library, take, shift)


def _put(into: Wave, wave: Wave, begin_s: float, length_s: float, gain: float) -> None:
    first = max(0, round(begin_s * RATE_HZ))
    count = min(wave.size, into.size - first, round(length_s * RATE_HZ))
    if count > 60:
        piece = wave[:count] * np.float32(gain)
        piece[-60:] *= np.linspace(1.0, 0.0, 60, dtype=np.float32)
        into[first : first + count] += piece


def _sung(rng: np.random.Generator, midi: float, length_s: float) -> Wave:
    """Sung note: harmonics below the top, vibrato, a scoop into the pitch."""
    time_s = np.arange(max(1, round(length_s * RATE_HZ))) / RATE_HZ
    bend = (
        midi
        - 0.8 * np.exp(-time_s / 0.05) * rng.random()
        + 0.3 * np.clip(time_s - 0.2, 0, 0.3) / 0.3 * np.sin(2 * np.pi * 5.3 * time_s)
    )
    hz = 440.0 * 2.0 ** ((bend - 69.0) / 12)
    phase = 2 * np.pi * np.cumsum(hz) / RATE_HZ
    wave = sum(np.sin(order * phase) * (hz * order < 1400) / order for order in range(1, 8))
    return np.asarray(wave * np.minimum(1.0, time_s / 0.03), np.float32)


def _beat_times(rng: np.random.Generator, song: Song, rendition: Rendition, beats: int) -> NDArray[np.float64]:
    """Times of the beats: the tempo wanders by 1 to 2 % over some bars."""
    wander = np.cumsum(rng.normal(0.0, 0.004, beats + 1))
    wander -= np.linspace(0.0, wander[-1], beats + 1)
    return np.concatenate([[0.0], np.cumsum(song.beat_s / rendition.tempo * (1.0 + np.clip(wander[:-1], -0.03, 0.03)))])


def perform(
    library: Library, song: Song, rendition: Rendition, *, first_beat: int = 0, beats: int | None = None
) -> Performance:
    """Play a song, or some beats of it."""
    beats = song.beats - first_beat if beats is None else min(beats, song.beats - first_beat)
    rng = seeded("evening", rendition.players, song.number, first_beat)
    octave = int(seeded("singer", rendition.players).choice([-12, 0]))
    plan = seeded("arrangement", rendition.arrangement, song.number)
    times_s = _beat_times(rng, song, rendition, beats)

    def time_of(beat: float) -> float:
        return float(np.interp(beat - first_beat, np.arange(times_s.size), times_s) + rng.normal(0.0, 0.008))

    frames = round((times_s[-1] + 0.5) * RATE_HZ)
    kinds = [kind for kind in _CHORDS if _pitched(library, kind)]
    order = plan.permutation(len(kinds))
    players = [
        (kinds[order[index]], pick(plan, _COMPING), int(plan.choice([48, 55, 60])))
        for index in range(int(plan.integers(1, 4)))
    ]
    bass_kind, bass_pattern = pick(plan, _BASSES), pick(plan, _BASS)
    key = song.key + rendition.transpose
    parts = [np.zeros(frames, np.float32) for _ in range(len(players) + 2)]
    voice = parts[-1]
    for start, section in song.starts:
        for bar in range(section.bars):
            bar_beat = start + 4 * bar
            if bar_beat + 4 <= first_beat or bar_beat >= first_beat + beats:
                continue
            root = section.roots[bar % len(section.roots)]
            for part, (kind, pattern, low) in zip(parts, players, strict=False):
                for beat, until in zip(pattern, (*pattern[1:], 4.0), strict=True):
                    if rng.random() < 0.05:
                        continue
                    for tone in _chord(root):
                        midi = low + (key + tone - low) % 12
                        gain = 10 ** (rng.normal(0.0, 1.5) / 20)
                        _put(
                            part,
                            _note(library, kind, midi),
                            time_of(bar_beat + beat),
                            (until - beat) * song.beat_s,
                            gain,
                        )
            for beat, until in zip(bass_pattern, (*bass_pattern[1:], 4.0), strict=True):
                step = root + (int(rng.choice([7, 12, 5])) if beat and rng.random() < 0.2 else 0)
                midi = 28 + (key + step - 28) % 12
                _put(
                    parts[-2],
                    _note(library, bass_kind, midi),
                    time_of(bar_beat + beat),
                    (until - beat) * song.beat_s,
                    1.0,
                )
        for note in section.melody:
            note_beat = start + note.beat
            is_left_out = not rendition.sings or rng.random() < 0.04 * rendition.freedom
            if not first_beat <= note_beat < first_beat + beats or is_left_out:
                continue
            step = note.step + (int(rng.choice([-2, 2, 3, -3])) if rng.random() < 0.06 * rendition.freedom else 0)
            sung_midi = 57 + (key % 12) + step + octave - (12 if (key % 12) > 6 else 0) + rng.normal(0.0, 0.12)
            length_s = note.beats * song.beat_s * float(rng.uniform(0.7, 1.0))
            _put(
                voice,
                _sung(rng, sung_midi, length_s),
                time_of(note_beat + float(rng.normal(0.0, 0.04 * rendition.freedom))),
                length_s,
                1.0,
            )
    parts = [part / (np.sqrt(np.mean(part**2)) + 1e-9) * 10 ** (rng.normal(0.0, 2.0) / 20) for part in parts]
    hits = np.zeros(frames, np.float32)
    for beat in range(2 * beats):
        first = round(time_of(first_beat + beat / 2) * RATE_HZ)
        burst = hits[max(0, first) : first + 300]
        burst += rng.standard_normal(burst.size).astype(np.float32) * np.exp(-np.arange(burst.size) / 60).astype(
            np.float32
        )
    hits /= np.sqrt(np.mean(hits**2)) + 1e-9
    others = np.sum(parts[:-1], axis=0)
    microphone = (
        parts[-1]
        + 10 ** (rendition.bleed_db / 20) * others
        + 10 ** (-15 / 20) * hits
        + 0.03 * rng.standard_normal(frames)
    )
    band = others + microphone + 10 ** (-10 / 20) * hits
    return Performance(
        song=song, rendition=rendition, first_beat=first_beat, band=band.astype(np.float32),
        voice=microphone.astype(np.float32), beat_times_s=times_s,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SongPlace:
    """Place in a song."""

    song: int
    section: str
    beat: float
    """From the start of the section."""
    whole_beat: float
    """From the start of the song."""

    def is_like(self, other: SongPlace, within_beats: float = 5.0) -> bool:
        """True where the same is played in both: the same moment of a song, or of another time that the same section comes."""
        if self.song != other.song:
            return False
        same_section = self.section == other.section and abs(self.beat - other.beat) < within_beats
        return same_section or abs(self.whole_beat - other.whole_beat) < within_beats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """Performance in a rehearsal."""

    begin_s: float
    performance: Performance

    @property
    def end_s(self) -> float:
        """End in the rehearsal."""
        return self.begin_s + float(self.performance.beat_times_s[-1])

    def beat_at(self, time_s: float) -> float:
        """Beat of the song at a time of the rehearsal."""
        times_s = self.performance.beat_times_s
        return self.performance.first_beat + float(np.interp(time_s - self.begin_s, times_s, np.arange(times_s.size)))

    def place_at(self, time_s: float) -> SongPlace:
        """Place in the song at a time of the rehearsal."""
        song, beat = self.performance.song, self.beat_at(time_s)
        starts = [(start, name) for (start, _), name in zip(song.starts, song.order, strict=True)]
        start, name = next((start, name) for start, name in reversed(starts) if start <= beat)
        return SongPlace(song=song.number, section=name, beat=beat - start, whole_beat=beat)


def _between(rng: np.random.Generator, library: Library, length_s: float) -> tuple[Wave, Wave]:
    """Band and voice between two songs: stray notes, noise, and talk of changing pitch."""
    frames = round(length_s * RATE_HZ)
    band, voice = (0.01 * rng.standard_normal((2, frames))).astype(np.float32)
    for _ in range(int(rng.poisson(length_s * 0.8))):
        kind = pick(rng, [kind for kind in _CHORDS if _pitched(library, kind)])
        _put(
            band,
            _note(library, kind, int(rng.integers(45, 76))),
            float(rng.uniform(0, length_s)),
            float(rng.uniform(0.2, 0.8)),
            0.5,
        )
    moment_s = 0.0
    while moment_s < length_s - 1.0 and rng.random() < 0.9:
        spoken_s = float(rng.uniform(0.1, 0.4))
        _put(voice, _sung(rng, float(rng.uniform(45, 60)), spoken_s), moment_s, spoken_s, 0.7)
        moment_s += spoken_s + float(rng.exponential(0.2))
    return band + voice, voice


def rehearsal(
    library: Library, plays: list[tuple[Song, Rendition, int, int | None]], seed: int
) -> tuple[list[Piece], NDArray[np.float32]]:
    """Pieces of a rehearsal and its (2, frames) sums, the band and the voices: songs with talk and stray notes between.

    Parameters
    ----------
    library : Library
    plays : list of tuple
        Song, how it is played, first beat, and number of beats (None: to the end).
    seed : int
    """
    rng = seeded("rehearsal", seed)
    pieces: list[Piece] = []
    sums: list[tuple[Wave, Wave]] = []
    moment_s = 0.0
    for song, rendition, first_beat, beats in plays:
        sums.append(_between(rng, library, float(rng.uniform(6.0, 30.0))))
        moment_s += sums[-1][0].size / RATE_HZ
        performance = perform(library, song, rendition, first_beat=first_beat, beats=beats)
        pieces.append(Piece(begin_s=moment_s, performance=performance))
        sums.append((performance.band, performance.voice))
        moment_s += performance.band.size / RATE_HZ
    return pieces, np.stack([np.concatenate([pair[row] for pair in sums]) for row in (0, 1)])
