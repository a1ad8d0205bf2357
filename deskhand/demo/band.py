"""A band plays a song: parts for each instrument, with who plays and how differing by week."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from deskhand.demo import sounds
from deskhand.demo.sounds import RATE_HZ, add

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Sound = NDArray[np.float64]

_PROGRESSIONS: Final = ((0, 7, 9, 5), (0, 5, 9, 7), (9, 5, 0, 7), (0, 9, 5, 7))
"""Roots of four chords in semitones over the key (I V vi IV, and others of popular songs). Common practice, no source."""
_MINOR_STEPS: Final = (2, 4, 9, 11)
"""Degrees of a major key whose triads have a minor third: ii, iii, vi and vii (textbooks of harmony)."""
_SCALE: Final = (0, 2, 4, 5, 7, 9, 11)
"""Major scale in semitones (textbooks of harmony)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """Song that the band plays."""

    tempo_bpm: float
    key_midi: int
    """Root between E (40) and D# (51)."""
    progression: tuple[int, ...]
    bars: int
    start_s: float

    @property
    def beat_s(self) -> float:
        """Length of a beat."""
        return 60.0 / self.tempo_bpm

    @property
    def bar_s(self) -> float:
        """Length of a bar of four."""
        return 4 * self.beat_s

    @property
    def end_s(self) -> float:
        """Moment at which the last bar ends."""
        return self.start_s + self.bars * self.bar_s

    def chord(self, bar: int) -> tuple[int, ...]:
        """Root, third and fifth of a bar's chord as semitones over the key."""
        root = self.progression[bar % len(self.progression)]
        return root, root + (3 if root in _MINOR_STEPS else 4), root + 7


def pick_song(rng: np.random.Generator, *, start_s: float, length_s: float) -> Song:
    """A song that fits into a length; key, tempo and chords differ with the generator."""
    tempo = float(rng.uniform(84, 126))
    bars = max(4, int(length_s / (240.0 / tempo)))
    return Song(
        tempo_bpm=tempo,
        key_midi=int(rng.integers(40, 51)),
        progression=_PROGRESSIONS[int(rng.integers(len(_PROGRESSIONS)))],
        bars=bars,
        start_s=start_s,
    )


@dataclass(slots=True, kw_only=True)
class Part:
    """Part that one source plays: one row or two, and when it is meant to sound."""

    sound: NDArray[np.float64]
    """(1 or 2, frames)."""
    spans_s: list[tuple[float, float]] = field(default_factory=list)
    hits_s: list[float] = field(default_factory=list)


class Band:
    """Renders the parts of one show."""

    def __init__(self, rng: np.random.Generator, song: Song, length_s: float) -> None:
        self.rng = rng
        self.song = song
        self.frames = round(length_s * RATE_HZ)
        self.length_s = length_s

    def _empty(self) -> Sound:
        return np.zeros(self.frames)

    def _late(self) -> float:
        """People are not machines: a few milliseconds off."""
        return float(self.rng.normal(0.0, 0.005))

    def drums(self) -> tuple[Part, Part, NDArray[np.float64]]:
        """Kick, snare, and the cymbals as (2, frames)."""
        rng, song = self.rng, self.song
        kick, snare, cymbals = self._empty(), self._empty(), np.zeros((2, self.frames))
        kicks, snares = [], []
        busy = rng.random() < 0.5
        for bar in range(song.bars):
            start = song.start_s + bar * song.bar_s
            for beat in (0.0, 2.0, *((1.5,) if busy else (2.5,))):
                hit_s = start + beat * song.beat_s + self._late()
                add(kick, sounds.kick(rng), hit_s, float(rng.uniform(0.8, 1.0)))
                kicks.append(hit_s)
            for beat in (1.0, 3.0):
                hit_s = start + beat * song.beat_s + self._late()
                add(snare, sounds.snare(rng), hit_s, float(rng.uniform(0.8, 1.0)))
                snares.append(hit_s)
            for eighth in range(8):
                hit_s = start + eighth * song.beat_s / 2 + self._late()
                hat = sounds.cymbal(rng, 0.035) * float(rng.uniform(0.12, 0.2))
                add(cymbals[0], hat, hit_s, 0.6)
                add(cymbals[1], hat, hit_s + 0.0002, 1.0)
            if bar % 4 == 0:
                crash = sounds.cymbal(rng, 0.8) * 0.12
                add(cymbals[0], crash, start, 1.0)
                add(cymbals[1], crash, start + 0.0004, 0.7)
        return Part(sound=kick[None], hits_s=kicks), Part(sound=snare[None], hits_s=snares), cymbals

    def bass(self) -> Part:
        """Eighths or quarters on the root."""
        rng, song, line = self.rng, self.song, self._empty()
        step = 0.5 if rng.random() < 0.5 else 1.0
        for bar in range(song.bars):
            root = song.key_midi - 12 + song.chord(bar)[0] % 12
            root = root + 12 if root < 28 else root
            for count in range(int(4 / step)):
                midi = root + (12 if count == int(4 / step) - 1 and rng.random() < 0.3 else 0)
                note = sounds.pluck(
                    rng, sounds.note_hz(midi), step * song.beat_s * 0.98, bright=0.12, decay_s=2.5, pick=0.05
                )
                add(
                    line,
                    note,
                    song.start_s + bar * song.bar_s + count * step * song.beat_s + self._late(),
                    float(rng.uniform(0.8, 1.0)),
                )
        line = np.tanh(1.2 * line)
        return Part(sound=line[None], spans_s=[(song.start_s, song.end_s)])

    def guitar(self, *, drive: float, arpeggio: bool, tail_s: float, spread: float) -> Part:
        """An electric guitar through an amplifier, in a stereo room."""
        rng, song, dry = self.rng, self.song, self._empty()
        for bar in range(song.bars):
            chord = song.chord(bar)
            base = song.key_midi + 12
            voicing = sorted({base + step % 12 for step in chord} | {base + 12 + chord[0] % 12})
            for eighth in range(8):
                stroke_s = song.start_s + bar * song.bar_s + eighth * song.beat_s / 2 + self._late()
                if arpeggio:
                    midi = voicing[(eighth * 3) % len(voicing)] + 12
                    add(dry, sounds.pluck(rng, sounds.note_hz(midi), song.beat_s * 0.9, bright=0.6), stroke_s, 0.8)
                elif eighth not in (1, 5):
                    for order, midi in enumerate(voicing):
                        strum = stroke_s + 0.009 * (order if eighth % 2 == 0 else len(voicing) - order)
                        add(dry, sounds.pluck(rng, sounds.note_hz(midi), song.beat_s * 0.55, bright=0.45), strum, 0.4)
        amped = sounds.amplifier(dry, drive)
        response = sounds.room_response(rng, tail_s=tail_s, wet=spread, early_ms=(11.0, 17.0, 23.0))
        return Part(sound=sounds.in_room(amped, response), spans_s=[(song.start_s, song.end_s)])

    def acoustic(self) -> Part:
        """A strummed acoustic guitar."""
        rng, song, strings = self.rng, self.song, self._empty()
        for bar in range(song.bars):
            chord = song.chord(bar)
            voicing = sorted(
                {song.key_midi + 5 + step % 12 for step in chord} | {song.key_midi + 17 + step % 12 for step in chord}
            )
            for eighth in (0, 2, 3, 5, 6, 7):
                stroke_s = song.start_s + bar * song.bar_s + eighth * song.beat_s / 2 + self._late()
                down = eighth % 2 == 0
                for order, midi in enumerate(voicing):
                    note_s = stroke_s + 0.008 * (order if down else len(voicing) - order)
                    note = sounds.pluck(
                        rng, sounds.note_hz(midi), song.beat_s * 0.8, bright=0.5, decay_s=1.6, pick=0.25
                    )
                    add(strings, note, note_s, 0.35 if down else 0.22)
        strings = ss.sosfilt(sounds.butterworth(1, 90, "highpass"), strings)
        # the box and the pickup round the hardest strokes
        strings = 2.0 * np.tanh(strings / 2.0)
        return Part(sound=strings[None], spans_s=[(song.start_s, song.end_s)])

    def keys(self) -> Part:
        """An electric piano in stereo, a little wide."""
        rng, song, dry = self.rng, self.song, np.zeros((2, self.frames))
        for bar in range(song.bars):
            for half in range(2):
                chord_s = song.start_s + bar * song.bar_s + half * 2 * song.beat_s
                for order, semitones in enumerate(song.chord(bar)):
                    midi = song.key_midi + 20 + (semitones + 4) % 12
                    note = sounds.electric_piano(sounds.note_hz(midi), 2 * song.beat_s)
                    pan = 0.25 * (order - 1)
                    note_s = chord_s + self._late()
                    add(dry[0], note, note_s, np.sqrt(0.5 * (1 - pan)))
                    add(dry[1], note, note_s, np.sqrt(0.5 * (1 + pan)))
        response = sounds.room_response(rng, tail_s=0.4, wet=0.25, early_ms=(9.0, 14.0))
        wet = np.array([ss.oaconvolve(row, side)[: self.frames] for row, side in zip(dry, response, strict=True)])
        return Part(sound=wet, spans_s=[(song.start_s, song.end_s)])

    def vocal(self, *, octave: int, size: float, offset: int, starts_bar: int) -> Part:
        """A voice that sings syllables on the scale, a phrase of two bars at a time with a breath between."""
        rng, song, voice = self.rng, self.song, self._empty()
        spans = []
        base = song.key_midi + octave
        degree = int(rng.integers(0, 4)) + offset
        for bar in range(starts_bar, song.bars - 1, 2):
            syllable_s = song.start_s + bar * song.bar_s + self._late()
            begin_s = syllable_s
            count = int(rng.integers(5, 8))
            length = 1.7 * song.bar_s / count
            for order in range(count):
                degree = int(np.clip(degree + rng.integers(-2, 3), offset, offset + 7))
                midi = base + 12 * (degree // 7) + _SCALE[degree % 7]
                stretch = length * (1.6 if order == count - 1 else 1.0) * 0.96
                sung = sounds.syllable(
                    rng,
                    sounds.note_hz(midi),
                    stretch,
                    "aeiou"[int(rng.integers(5))],
                    ("s", "t", "m", "")[int(rng.integers(4))],
                    size=size,
                )
                add(voice, sung / (np.sqrt(np.mean(sung**2)) + 1e-9), syllable_s, float(rng.uniform(0.8, 1.1)))
                syllable_s += length
            spans.append((begin_s, syllable_s))
        return Part(sound=voice[None], spans_s=spans)

    def speech(self, *, start_s: float, length_s: float, hz: float, size: float) -> Part:
        """A person speaks: short syllables, pauses between phrases."""
        rng, voice = self.rng, self._empty()
        syllable_start_s, spans = start_s, []
        while syllable_start_s < start_s + length_s:
            begin_s = syllable_start_s
            for order in range(int(rng.integers(5, 10))):
                length = float(rng.uniform(0.14, 0.26))
                pitch = hz * (1.08 - 0.02 * order) * float(rng.uniform(0.96, 1.05))
                syllable = sounds.syllable(
                    rng,
                    pitch,
                    length,
                    "aeiou"[int(rng.integers(5))],
                    ("s", "t", "m", "")[int(rng.integers(4))],
                    size=size,
                    vibrato=0.0,
                )
                add(
                    voice,
                    syllable / (np.sqrt(np.mean(syllable**2)) + 1e-9),
                    syllable_start_s,
                    float(rng.uniform(0.8, 1.1)),
                )
                syllable_start_s += length * 0.95
            spans.append((begin_s, syllable_start_s))
            syllable_start_s += float(rng.uniform(0.25, 0.4))
        return Part(sound=voice[None], spans_s=spans)

    def playback(self) -> Part:
        """A pad and a shaker from the laptop."""
        rng, song, sound = self.rng, self.song, np.zeros((2, self.frames))
        for bar in range(song.bars):
            bar_start_s = song.start_s + bar * song.bar_s
            for step in song.chord(bar):
                swell = sounds.pad(rng, sounds.note_hz(song.key_midi + 12 + step % 12), song.bar_s + 0.5)
                for side in range(2):
                    add(sound[side], swell[side], bar_start_s, 0.3)
            for sixteenth in range(16):
                grain = sounds.cymbal(rng, 0.02) * (0.5 if sixteenth % 4 == 0 else 0.25)
                add(sound[0], grain, bar_start_s + sixteenth * song.beat_s / 4, 0.5)
                add(sound[1], grain, bar_start_s + sixteenth * song.beat_s / 4, 0.8)
        return Part(sound=sound, spans_s=[(song.start_s, song.end_s)])

    def click(self) -> Part:
        """The click the band plays to."""
        song, track = self.song, self._empty()
        time_s = np.arange(round(0.03 * RATE_HZ)) / RATE_HZ
        hits = []
        for beat in range(4 * song.bars):
            hz = 1500.0 if beat % 4 == 0 else 1000.0
            beep = np.sin(2 * np.pi * hz * time_s) * np.hanning(time_s.size)
            add(track, beep, song.start_s + beat * song.beat_s, 0.5)
            hits.append(song.start_s + beat * song.beat_s)
        return Part(sound=track[None], spans_s=[(song.start_s, song.end_s)], hits_s=hits)
