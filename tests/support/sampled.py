"""One show of the invented venue from recorded samples: real strings, drums and voices in place of synthesis.

The score is the demo's (`deskhand.demo.band`): a song's key, tempo and chords differ every week. What sounds is real:

* guitar a: a stretch of one of four complete songs, through the player's rig; guitar b: arpeggios of single notes;
* bass, acoustic guitar, piano, drums: single notes and hits, each with a strength of its own;
* lead voice, voice 2, voice 3: two singers, cut into phrases, in another order every week;
* lectern, handheld: one man speaking 1.4 s, cut into words and resampled to two people;
* playback, click, rooms, applause and noise are synthesised, as in the demo.

Licences and what was measured of the material: `material`. Every cut is faded, and every offset taken off.
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np
import scipy.interpolate
import scipy.signal as ss
import soundfile
import soxr
from numpy.typing import NDArray

from deskhand.demo import sounds
from deskhand.demo.band import Band, Part, Song, pick_song
from deskhand.demo.season import _bleed, _level_dbfs, _rig, _with_noise
from deskhand.demo.sounds import RATE_HZ
from deskhand.demo.venue import SOURCES as _SOURCES
from tests.support import material

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Sound = NDArray[np.float64]
Thing = TypeVar("Thing")

_NOTES: Final[dict[str, Callable[[], Path]]] = {
    "electric": material.guitar_notes,
    "bass": material.bass_notes,
    "acoustic": material.acoustic_notes,
    "piano": material.piano_notes,
}
# the electric notes and the bass's begin in the middle of a wave: an amplifier bends a short fade into a click
_FADES_IN_S: Final = {"electric": 0.005, "bass": 0.003, "acoustic": 0.0015, "piano": 0.0015}
_STEPS: Final = {"C": 0, "Cs": 1, "D": 2, "Ds": 3, "E": 4, "F": 5, "Fs": 6, "G": 7, "Gs": 8, "A": 9, "As": 10, "B": 11}
_SPEAKING_S: Final = 11.0
_LOWEST_BASS_MIDI: Final = 28
"""E1: the lowest string of a bass."""
_BASS_JOINT_FRAMES: Final = 256
"""The package fades its notes in over 255 frames and some, E2 most, have a kink where that ends: left off."""
_HIGHEST_ACOUSTIC_MIDI: Final = 74
"""D5: the highest note there is."""

# what a player's loudspeaker and ear make of the tone: where the top ends, and one broad bell (Hz, dB)
_TONES: Final = {
    "Ines": (5200.0, 1800.0, 2.0), "Tomke": (6200.0, 700.0, 2.5), "Ruben": (4600.0, 2600.0, 2.5),
    "Odile": (7000.0, 450.0, -2.0),
}  # fmt: skip
# a pianist's touch and where the pair of microphones stands: one broad bell (Hz, dB), gain of the sides
_PIANISTS: Final = {"Selma": (2500.0, 1.5, 0.8), "Piet": (900.0, -2.0, 0.6)}
_KITS: Final = {"Casimir": "ForzeeStereo", "Leni": "BJA_Pacific"}

_OCTAVES_HZ: Final = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
_USUAL_DB: Final = np.array([-23.0, -9.0, -6.0, -9.0, -10.5, -7.5, -9.0, -23.0])
"""Shares of the octaves 63 Hz to 8 kHz in the power of a guitar: mean of the four songs, measured with scipy."""
_MOST_AWAY_DB: Final = 4.5
"""How far a stretch's octaves may lie from these, RMS."""

# a click in both sides of the recording, of an edit it seems (the check finds it): no stretch goes across
_JOINT_S: Final = {"Escape from chaosland": 78.239, "Feelings": 137.705}

_MAN, _WOMAN = material.VOICES
# start and end of phrases in s, at the quietest places between words (10 ms windows)
_PHRASES_S: Final = {
    _MAN: ((0.38, 2.73), (2.73, 4.65), (4.65, 6.06), (6.06, 7.73), (7.73, 9.03)),
    _WOMAN: (
        (0.70, 2.10), (2.10, 3.62), (3.62, 5.08), (5.08, 6.30), (6.59, 8.11), (8.11, 9.43), (9.71, 11.10),
        (11.10, 12.16),
    ),
}  # fmt: skip
# whose recording a singer's is, and how much faster and higher it is played
_SINGERS: Final = {"Marit": (_WOMAN, 0.97), "Jonas": (_MAN, 1.0), "voice 2": (_WOMAN, 1.05), "voice 3": (_MAN, 0.94)}
_WORDS_S: Final = ((0.0, 0.80), (0.80, 1.395), (0.14, 0.80), (0.80, 1.20), (0.19, 1.20))
# the lectern's man is the recorded one, the handheld's voice a smaller person's
_SPEAKERS: Final = {"lectern": 0.97, "handheld": 1.22}


def _faded(sound: Sound, in_s: float, out_s: float) -> Sound:
    """A copy with raised-cosine ends, so that no cut can click."""
    copy = sound.copy()
    rise, fall = (min(copy.shape[-1], round(span * RATE_HZ)) for span in (in_s, out_s))
    copy[..., :rise] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    copy[..., copy.shape[-1] - fall :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    return copy


def _high_passed(sound: Sound, hz: float) -> Sound:
    return np.asarray(ss.sosfilt(ss.butter(2, hz, "highpass", fs=RATE_HZ, output="sos"), sound))


def _resampled(sound: Sound, rate_hz: float) -> Sound:
    """(channels, frames) at 48 kHz; a rate above the true one plays it faster and higher."""
    return np.ascontiguousarray(soxr.resample(sound.T, rate_hz, RATE_HZ).T)


def _read(path: Path) -> tuple[Sound, int]:
    """(channels, frames) and the rate."""
    sound, rate_hz = soundfile.read(path, always_2d=True)
    return np.ascontiguousarray(sound.T), int(rate_hz)


def _from_onset(sound: Sound, rate_hz: int) -> Sound:
    """What is 3 ms before the first sample within 40 dB of the peak, and on."""
    loud = np.abs(sound).max(axis=0)
    first = int(np.argmax(loud > loud.max() * 10 ** (-40 / 20)))
    return sound[:, max(0, first - round(0.003 * rate_hz)) :]


def _midi(name: str) -> int:
    match = re.fullmatch(r"([A-G]s?)(\d)", name)
    if match is None:
        raise ValueError(f"{name!r} is no note")
    return 12 * (int(match[2]) + 1) + _STEPS[match[1]]


@functools.cache
def _recorded(instrument: str) -> dict[int, tuple[Sound, int]]:
    """Notes of an instrument by MIDI number, as recorded, from their onset, with the rate."""
    notes = {}
    for path in sorted(_NOTES[instrument]().glob("*.wav")):
        sound, rate_hz = _read(path)
        if instrument == "bass":
            sound = sound[:, _BASS_JOINT_FRAMES:]
        notes[_midi(path.stem)] = _from_onset(sound - sound.mean(axis=1, keepdims=True), rate_hz), rate_hz
    return notes


@functools.cache
def _note(instrument: str, midi: int) -> Sound:
    """(channels, frames) of one note: the nearest recorded one, played faster or slower."""
    notes = _recorded(instrument)
    nearest = min(notes, key=lambda recorded_midi: (abs(recorded_midi - midi), recorded_midi))
    sound, rate_hz = notes[nearest]
    return _faded(_resampled(sound, rate_hz * 2.0 ** ((midi - nearest) / 12)), _FADES_IN_S[instrument], 0.1)


@functools.cache
def _hits(kit: str, piece: str) -> tuple[Sound, ...]:
    """(2, frames) of each strength of one drum, soft to hard."""
    folder = material.drum_kit(kit)
    hits = []
    for number in range(1, len(material.KITS[kit][piece]) + 1):
        sound, rate_hz = _read(folder / f"{piece} {number}.wav")
        sound = _resampled(sound - sound.mean(axis=1, keepdims=True), rate_hz)
        hits.append(_faded(_from_onset(sound, RATE_HZ), 0.0005, min(0.5, sound.shape[1] / RATE_HZ / 3)))
    return tuple(hits)


def _add(into: Sound, sound: Sound, at_s: float, gain: float = 1.0) -> None:
    for row, wave in zip(into, sound, strict=True):
        sounds.add(row, wave, at_s, gain)


def _bell(sound: Sound, hz: float, gain_db: float) -> Sound:
    """A broad rise or dip: the sound and some of what a resonator of an octave and a half takes from it."""
    b, a = ss.iirpeak(hz, 0.9, fs=RATE_HZ)
    return np.asarray(sound + (10 ** (gain_db / 20) - 1) * ss.lfilter(b, a, sound))


def _driven(sound: Sound, drive: float) -> Sound:
    """Bent by tanh; what stands at the loud end of the playing (its 99th percentile) meets the curve at `drive`."""
    top = float(np.percentile(np.abs(sound), 99)) + 1e-12
    # oversampled twice, so that what the curve adds does not fold back
    wide = ss.resample_poly(sound * (drive / top), 2, 1, axis=-1)
    return np.asarray(ss.resample_poly(np.tanh(wide), 1, 2, axis=-1)[..., : sound.shape[-1]])


def _wander(rng: np.random.Generator, frames: int) -> Sound:
    """Gain of a player who grows louder and softer by about 1 dB over the song: a smooth random walk."""
    knots = max(4, round(frames / RATE_HZ / 5.0) + 1)
    level_db = np.cumsum(rng.normal(0.0, 0.5, knots))
    level_db = np.clip(level_db - level_db.mean(), -1.2, 1.2)
    curve = scipy.interpolate.PchipInterpolator(np.linspace(0, frames, knots), level_db)
    # a value each 20 ms is smooth enough for steps of at most 0.01 dB
    places = np.arange(0, frames + 960, 960)
    return np.asarray(10 ** (np.interp(np.arange(frames), places, curve(np.minimum(places, frames))) / 20))


def _strength(rng: np.random.Generator, spread_db: float = 1.5) -> float:
    """Gain of one note: no two are the same."""
    return float(10 ** (np.clip(rng.normal(0.0, spread_db), -2 * spread_db, 2 * spread_db) / 20))


def _pick(rng: np.random.Generator, things: tuple[Thing, ...]) -> Thing:
    return things[int(rng.integers(len(things)))]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Playing:
    """A song's guitar, each 0.1 s."""

    active: NDArray[np.bool_]
    """(steps,) within 20 dB of the loud places."""
    octaves: Sound
    """(steps, 8) power in the octaves 63 Hz to 8 kHz."""


@functools.cache
def _playing(title: str) -> _Playing:
    sound, rate_hz = soundfile.read(material.guitar_song(title) / "guitar.wav", dtype="float32", always_2d=True)
    hop = rate_hz // 10
    steps = sound.mean(axis=1)[: len(sound) // hop * hop].reshape(-1, hop)
    power = np.abs(np.fft.rfft(steps * np.hanning(hop).astype(np.float32), axis=1)) ** 2
    # bins of 10 Hz; the edges of an octave lie half an octave from its middle
    edges = [round(hz / np.sqrt(2) / 10) for hz in (*_OCTAVES_HZ, 16000.0)]
    octaves = np.array([power[:, low:high].sum(axis=1) for low, high in zip(edges, edges[1:], strict=False)]).T
    whole = octaves.sum(axis=1)
    return _Playing(active=whole > np.percentile(whole, 90) * 10 ** (-20 / 10), octaves=octaves + 1e-9)


def _shares_db(octaves: Sound) -> Sound:
    """(..., 8) octaves as shares of their sum."""
    return np.asarray(10 * np.log10(octaves / octaves.sum(axis=-1, keepdims=True)))


def _stretches(title: str, steps: int) -> NDArray[np.int_]:
    """Where a stretch of so many steps of 0.1 s may begin: it plays for 0.8 of it, and mostly with a driven sound.

    The songs hold stops of up to 9 s, and so may a show. They also hold clean and muffled sounds, with octaves 10 to
    20 dB from the rest; a player in a band that plays one song keeps mostly to one.
    """
    playing = _playing(title)
    mean = np.ones(steps) / steps
    share = np.convolve(playing.active, mean, "valid")
    octaves = np.array([np.convolve(row, mean, "valid") for row in playing.octaves.T]).T
    # 63 Hz moves with the key, and counts for nothing
    away_db = np.sqrt(np.mean((_shares_db(octaves) - _USUAL_DB)[:, 1:] ** 2, axis=1))
    begin_s = np.arange(share.size) / 10
    joint_s = _JOINT_S.get(title, -1.0)
    whole = (begin_s > joint_s + 0.5) | (begin_s + steps / 10 < joint_s - 0.5)
    good = whole & playing.active[: share.size] & (share >= 0.8) & (away_db <= _MOST_AWAY_DB)
    # a show much longer than 45 s may find none: then where the song comes nearest
    return np.flatnonzero(good) if good.any() else np.array([int(np.argmin(away_db + 100.0 * ~whole))])


def _toned(sound: Sound, gains_db: Sound) -> Sound:
    """With a gain in each octave, as broad tone controls do it."""
    points_hz = np.array([0.0, *_OCTAVES_HZ, RATE_HZ / 2])
    gains = 10 ** (np.array([gains_db[0], *gains_db, gains_db[-1]]) / 20)
    taps = ss.firwin2(2049, points_hz, gains, fs=RATE_HZ)
    # linear phase: half the taps late, taken back
    return np.array([ss.oaconvolve(row, taps, mode="same") for row in sound])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Week:
    """What all players share in one show."""

    rng: np.random.Generator
    song: Song
    frames: int
    players: dict[str, str]

    def empty(self, rows: int = 1) -> Sound:
        return np.zeros((rows, self.frames))

    def at_s(self, bar: int, beat: float) -> float:
        """When a beat is played; people are not machines, a few milliseconds off."""
        return self.song.start_s + bar * self.song.bar_s + beat * self.song.beat_s + float(self.rng.normal(0.0, 0.005))

    def whole(self) -> list[tuple[float, float]]:
        return [(self.song.start_s, self.song.end_s)]

    def rig(self, source: str, softer: float) -> tuple[dict[str, float], Callable[[Sound], Sound]]:
        """A guitar player's numbers of this week, and the tone of the loudspeaker."""
        player = self.players[source]
        numbers = _rig(self.rng, player, softer)
        top_hz, bell_hz, bell_db = _TONES[player]
        top_hz *= float(self.rng.uniform(0.94, 1.06))
        bell_db += float(self.rng.uniform(-0.5, 0.5))
        # a guitar loudspeaker's top ends steeply: without that, every pick through the curve is a jump
        sos = ss.butter(4, top_hz, "lowpass", fs=RATE_HZ, output="sos")
        return numbers, lambda sound: _bell(np.asarray(ss.sosfilt(sos, sound)), bell_hz, bell_db)

    def room(self, numbers: dict[str, float]) -> Sound:
        return sounds.room_response(
            self.rng, tail_s=numbers["tail_s"], wet=numbers["spread"], early_ms=(11.0, 17.0, 23.0)
        )


def _guitar_a(week: _Week) -> Part:
    """A stretch of a real song's stereo guitar, through the player's rig into the room."""
    rng = week.rng
    title = _pick(rng, material.TITLES)
    length_s = week.song.end_s - week.song.start_s
    steps = round(length_s * 10)
    starts = _stretches(title, steps)
    start = int(starts[rng.integers(starts.size)])
    with soundfile.SoundFile(material.guitar_song(title) / "guitar.wav") as file:
        file.seek(start * (file.samplerate // 10))
        raw = file.read(round(length_s * file.samplerate), always_2d=True)
        sound = _resampled(np.ascontiguousarray(raw.T), file.samplerate)
    # the songs came through other rigs; a player dials his own, which takes most of the difference away
    playing = _playing(title)
    away_db = _shares_db(playing.octaves[start : start + steps].mean(axis=0)) - _USUAL_DB
    sound = _toned(sound, np.clip(-0.7 * away_db, -8.0, 8.0))
    numbers, tone = week.rig("guitar a", 1.0)
    middle, sides = sound.mean(axis=0), (sound[0] - sound[1]) / 2
    # the songs are 7 to 23 dB wide; a player's rig is of one width, so half of what is between them is taken away
    width_db = 10 * np.log10((np.mean(sides**2) + 1e-12) / (np.mean(middle**2) + 1e-12))
    sides *= 10 ** (0.5 * np.clip(-12.0 - width_db, -20.0, 20.0) / 20)
    # the songs' guitars are driven already: the rig adds a little
    dry = tone(_driven(np.array([middle + sides, middle - sides]), 0.22 * numbers["drive"]))
    dry = _faded(_high_passed(dry, 60.0), 0.03, 0.2)
    wet = np.array([ss.oaconvolve(row, side) for row, side in zip(dry, week.room(numbers), strict=True)])
    track = week.empty(2)
    _add(track, _faded(wet, 0.0, 0.1), week.song.start_s)
    edges = np.flatnonzero(
        np.diff(np.concatenate([[False], playing.active[start : start + steps], [False]]).astype(int))
    )
    spans = [
        (week.song.start_s + begin / 10, week.song.start_s + end / 10)
        for begin, end in zip(edges[::2], edges[1::2], strict=True)
        if end - begin >= 4
    ]
    return Part(sound=track, spans_s=spans)


def _guitar_b(week: _Week) -> Part:
    """Arpeggios of single notes through the player's rig."""
    rng, song, dry = week.rng, week.song, week.empty()
    order = rng.permutation(8)
    rests = frozenset(int(rest) for rest in rng.choice(8, int(rng.integers(0, 3)), replace=False))
    # where on the neck this song is played: the lowest note from A2 to A3
    lowest = int(rng.integers(45, 58))
    for bar in range(song.bars):
        low = sorted(lowest + (song.key_midi + step - lowest) % 12 for step in song.chord(bar))
        voicing = [*low, *(midi + 12 for midi in low)]
        for eighth in range(8):
            if eighth in rests:
                continue
            note = _note("electric", voicing[order[eighth] % len(voicing)])[:, : round(0.9 * song.beat_s * RATE_HZ)]
            _add(dry, _faded(note, 0.0, 0.06), week.at_s(bar, eighth / 2), _strength(rng))
    numbers, tone = week.rig("guitar b", 0.45)
    amped = _high_passed(tone(_driven(_high_passed(dry, 100.0), 1.2 * numbers["drive"])), 75.0)
    return Part(sound=sounds.in_room(amped[0], week.room(numbers)), spans_s=week.whole())


def _bass(week: _Week) -> Part:
    """Roots in a pattern of the week."""
    rng, song, track = week.rng, week.song, week.empty()
    pattern = _pick(
        rng,
        (
            (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5),
            (0.0, 1.0, 2.0, 3.0),
            (0.0, 1.5, 2.0, 3.5),
            (0.0, 0.5, 1.5, 2.0, 3.0, 3.5),
        ),
    )
    for bar in range(song.bars):
        root = song.key_midi - 12 + song.chord(bar)[0] % 12
        root = root + 12 if root < _LOWEST_BASS_MIDI else root
        for beat, until in zip(pattern, (*pattern[1:], 4.0), strict=True):
            midi = root + (_pick(rng, (7, 12)) if beat == pattern[-1] and rng.random() < 0.4 else 0)
            note = _note("bass", midi)[:, : round((until - beat) * song.beat_s * 0.97 * RATE_HZ)]
            _add(track, _faded(note, 0.0, 0.03), week.at_s(bar, beat), _strength(rng))
    track = _bell(_driven(_high_passed(track, 25.0), float(rng.uniform(0.7, 0.9))), 900.0, float(rng.uniform(0.0, 2.0)))
    return Part(sound=track, spans_s=week.whole())


def _acoustic(week: _Week) -> Part:
    """Strums: down from the low string, up from the high one."""
    rng, song, track = week.rng, week.song, week.empty()
    pattern = _pick(rng, ((0, 2, 3, 5, 6, 7), (0, 2, 4, 5, 6, 7), (0, 3, 4, 6, 7), (0, 2, 3, 4, 6)))
    for bar in range(song.bars):
        chord = song.chord(bar)
        voicing = sorted(
            {song.key_midi + 5 + step % 12 for step in chord} | {song.key_midi + 17 + step % 12 for step in chord}
        )
        voicing = [midi if midi <= _HIGHEST_ACOUSTIC_MIDI else midi - 12 for midi in voicing]
        for eighth in pattern:
            at_s, down, gain = week.at_s(bar, eighth / 2), eighth % 2 == 0, _strength(rng)
            for order, midi in enumerate(voicing):
                late_s = 0.008 * (order if down else len(voicing) - order)
                note = _note("acoustic", midi)[:, : round(0.9 * song.beat_s * RATE_HZ)]
                _add(
                    track, _faded(note, 0.0, 0.05), at_s + late_s, gain * (1.0 if down else 0.65) * _strength(rng, 1.0)
                )
    track = _bell(_high_passed(track, 70.0), 3000.0, float(rng.uniform(-0.7, 0.7)))
    return Part(sound=_driven(track, 0.4), spans_s=week.whole())


def _piano(week: _Week) -> Part:
    """Chords of a spaced pair at a real grand, with the pianist's touch."""
    rng, song, track = week.rng, week.song, week.empty(2)
    eighths = tuple(eighth / 2 for eighth in range(8))
    pattern = _pick(rng, ((0.0, 1.0, 2.0, 3.0), (0.0, 1.0, 1.5, 2.5, 3.0), (0.0, 0.5, 1.5, 2.0, 3.0, 3.5), eighths))
    broken = rng.random() < 0.4
    for bar in range(song.bars):
        # the pedal is down for a bar
        up_s = song.start_s + (bar + 1) * song.bar_s + 0.05

        def press(midi: int, at_s: float, gain: float, up_s: float = up_s) -> None:
            note = _note("piano", midi)[:, : max(4800, round((up_s - at_s) * RATE_HZ))]
            _add(track, _faded(note, 0.0, 0.15), at_s, gain)

        for beat in pattern:
            gain = _strength(rng, 0.8) * (1.0 if beat == 0.0 else 0.85)
            for order, step in enumerate(song.chord(bar)):
                late_s = order * song.beat_s / 4 if broken else 0.0
                midi = song.key_midi + 20 + (step + 4) % 12
                press(midi, week.at_s(bar, beat) + late_s, gain * _strength(rng, 0.8))
            # the left hand: root and fifth
            for step in (0, 7) if beat == 0.0 else (0,):
                press(song.key_midi + (song.chord(bar)[0] + step) % 12, week.at_s(bar, beat), 0.6 * gain)
    hz, bell_db, side = _PIANISTS[week.players["piano"]]
    track = _bell(_high_passed(track, 40.0), hz, bell_db + float(rng.uniform(-0.5, 0.5)))
    middle, sides = track.mean(axis=0), (track[0] - track[1]) / 2 * side * float(rng.uniform(0.93, 1.07))
    return Part(sound=np.array([middle + sides, middle - sides]), spans_s=week.whole())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kit:
    kick: Part
    snare: Part
    cymbals: Sound


def _drums(week: _Week) -> _Kit:
    """Kick, snare and cymbals of the drummer's own kit, tuned a little differently every week."""
    rng, song = week.rng, week.song
    kit = _KITS[week.players["kick"]]
    tuning = float(rng.uniform(0.97, 1.03))

    def close(piece: str) -> tuple[Sound, ...]:
        # one microphone close by: the left one, since the two of the snare do not agree
        return tuple(_resampled(hit[:1], RATE_HZ * tuning) for hit in _hits(kit, piece))

    def strike(into: Sound, hits: tuple[Sound, ...], at_s: float, hardness: float, spread_db: float = 0.8) -> None:
        hit = hits[min(len(hits) - 1, int(hardness * len(hits)))]
        # recorded hits of all strengths have about one peak; how hard it was hit is in the gain as well
        level = 10 ** ((hardness - 1.0) * 6.0 / 20) / (np.abs(hit).max() + 1e-12)
        _add(into, hit, at_s, float(level) * _strength(rng, spread_db))

    kick_hits, snare_hits, ghost = close("kick"), close("snare"), close("ghost")
    hat, open_hat, ride, crash = (_hits(kit, piece) for piece in ("hat", "open hat", "ride", "crash"))
    kick, snare, cymbals = week.empty(), week.empty(), week.empty(2)
    kicks: list[float] = []
    snares: list[float] = []
    extra = _pick(rng, ((1.5,), (2.5,), (0.5, 2.5), (1.5, 3.5)))
    on_ride = rng.random() < 0.3
    # seen from the drummer: hat left, ride right
    hat_place, ride_place = np.array([[1.0], [0.6]]), np.array([[0.65], [1.0]])
    for bar in range(song.bars):
        for beat in (0.0, 2.0, *extra):
            kicks.append(week.at_s(bar, beat))
            strike(kick, kick_hits, kicks[-1], float(rng.uniform(0.6, 1.0)))
        for beat in (1.0, 3.0):
            snares.append(week.at_s(bar, beat))
            strike(snare, snare_hits, snares[-1], float(rng.uniform(0.6, 1.0)))
        if rng.random() < 0.3:
            strike(snare, ghost, week.at_s(bar, 3.5), 0.1)
        for eighth in range(8):
            at_s, hardness = week.at_s(bar, eighth / 2), float(rng.uniform(0.5, 0.9)) - 0.3 * (eighth % 2)
            if on_ride:
                strike(cymbals, tuple(hit * ride_place for hit in ride), at_s, hardness)
            elif eighth == 7 and rng.random() < 0.3:
                strike(cymbals, tuple(hit * hat_place for hit in open_hat), at_s, hardness)
            else:
                strike(cymbals, tuple(hit * hat_place for hit in hat), at_s, hardness)
        if bar % 4 == 0:
            strike(cymbals, crash, week.at_s(bar, 0.0), float(rng.uniform(0.8, 1.0)))
    kick = _bell(_high_passed(kick, 25.0), 3000.0, float(rng.uniform(-1.0, 1.0)))
    snare = _bell(_high_passed(snare, 50.0), 3000.0, float(rng.uniform(-1.0, 1.0)))
    return _Kit(
        kick=Part(sound=kick, hits_s=kicks), snare=Part(sound=snare, hits_s=snares), cymbals=_high_passed(cymbals, 60.0)
    )


@functools.cache
def _voice(name: str) -> tuple[Sound, int]:
    folder = material.speech() if name == "speech" else material.voice(name)
    [path] = folder.glob("*.wav")
    sound, rate_hz = _read(path)
    return sound - sound.mean(), rate_hz


def _cut(name: str, span_s: tuple[float, float], ratio: float) -> Sound:
    """(1, frames) of one phrase, higher and faster by a ratio; 10 ms of fade at its start, 40 ms at its end."""
    sound, rate_hz = _voice(name)
    phrase = sound[:, round(span_s[0] * rate_hz) : round(span_s[1] * rate_hz)]
    return _faded(_resampled(phrase, rate_hz * ratio), 0.01, 0.04)


@functools.cache
def _phrase_gains(name: str) -> tuple[float, ...]:
    """What brings each phrase half of the way to the usual level of all.

    The woman sang her song to no microphone, with 8 dB between phrases; who sings every week keeps within half of it.
    """
    levels_db = [10 * np.log10(np.mean(_cut(name, span_s, 1.0) ** 2)) for span_s in _PHRASES_S[name]]
    return tuple(float(10 ** (0.5 * (np.median(levels_db) - level_db) / 20)) for level_db in levels_db)


def _vocal(week: _Week, singer: str, *, rests: float) -> Part:
    """Phrases of a singer, two bars at a time with a breath between; `rests` is the share of bars left out."""
    rng, song, track = week.rng, week.song, week.empty()
    name, ratio = _SINGERS[singer]
    # both sing in B; a third of the way to the song's key, because the size of the head moves along
    to_key = (song.key_midi - 11 + 6) % 12 - 6
    ratio *= 2.0 ** (to_key / 3 / 12) * float(rng.uniform(0.985, 1.015))
    spans: list[tuple[float, float]] = []
    waiting: list[int] = []
    starts = list(range(1, song.bars - 1, 2))
    # a backing singer sings at least half of the time
    silent = frozenset(int(bar) for bar in rng.choice(starts, int(rests * len(starts)), replace=False))
    for bar in starts:
        at_s = week.at_s(bar, 0.0)
        end_s = at_s + 1.75 * song.bar_s
        while bar not in silent:
            waiting = waiting or [int(phrase_number) for phrase_number in rng.permutation(len(_PHRASES_S[name]))]
            phrase = _cut(name, _PHRASES_S[name][waiting[-1]], ratio * float(rng.uniform(0.995, 1.005)))
            length_s = phrase.shape[1] / RATE_HZ
            if at_s + length_s > end_s + 0.5:
                break
            _add(track, phrase, at_s, _phrase_gains(name)[waiting.pop()] * _strength(rng, 0.8))
            # breaths between phrases belong to the singing, and so do windows that reach 0.1 s out of it
            if spans and at_s - spans[-1][1] < 0.3:
                spans[-1] = (spans[-1][0], at_s + length_s + 0.1)
            else:
                spans.append((at_s - 0.1, at_s + length_s + 0.1))
            at_s += length_s + float(rng.uniform(0.1, 0.3))
    return Part(sound=_high_passed(track, 50.0), spans_s=spans)


def _speech(week: _Week, speaker: str, *, start_s: float, length_s: float) -> Part:
    """A person speaks: two or three groups of words to a phrase, pauses between phrases."""
    rng, track = week.rng, week.empty()
    ratio = _SPEAKERS[speaker] * float(rng.uniform(0.95, 1.05))
    spans: list[tuple[float, float]] = []
    at_s = start_s
    while True:
        begin_s, strength = at_s, _strength(rng, 1.0)
        for _ in range(int(rng.integers(2, 4))):
            words = _cut("speech", _pick(rng, _WORDS_S), ratio * float(rng.uniform(0.97, 1.03)))
            end_s = at_s + words.shape[1] / RATE_HZ
            if end_s > start_s + length_s:
                spans += [(begin_s - 0.1, at_s + 0.1)] if at_s > begin_s else []
                return Part(sound=_high_passed(track, 50.0), spans_s=spans)
            _add(track, words, at_s, strength * _strength(rng, 0.5))
            at_s = end_s + float(rng.uniform(0.0, 0.04))
        spans.append((begin_s - 0.1, at_s + 0.1))
        at_s += float(rng.uniform(0.25, 0.4))


def sampled_tracks(
    rng: np.random.Generator, length_s: float, players: dict[str, str]
) -> dict[str, NDArray[np.float64]]:
    """All tracks of a show at their levels, with bleed and noise, as the demo's but from recorded samples.

    Parameters
    ----------
    rng : np.random.Generator
        The same state gives the same samples.
    length_s : float
        Of the show; two people speak in the first 13 s, so 30 s or more.
    players : dict
        Who plays "guitar a", "guitar b", "lead voice", "piano" and "kick" (the drums), as `pick_players` gives them.

    Returns
    -------
    Track name to (frames,) at 48 kHz.

    Raises
    ------
    MaterialMissing
        Audio that cannot be had here.
    """
    song = pick_song(rng, start_s=2.0 + _SPEAKING_S, length_s=length_s - _SPEAKING_S - 4.5)
    band = Band(rng, song, length_s)
    week = _Week(rng=rng, song=song, frames=band.frames, players=players)
    kit = _drums(week)
    parts = {
        "kick": kit.kick,
        "snare": kit.snare,
        "bass": _bass(week),
        "guitar a": _guitar_a(week),
        "guitar b": _guitar_b(week),
        "acoustic": _acoustic(week),
        "piano": _piano(week),
        "lead voice": _vocal(week, players["lead voice"], rests=0.0),
        "voice 2": _vocal(week, "voice 2", rests=0.4),
        "voice 3": _vocal(week, "voice 3", rests=0.4),
        "lectern": _speech(week, "lectern", start_s=1.6, length_s=5.4),
        "handheld": _speech(week, "handheld", start_s=7.6, length_s=5.2),
        "playback": band.playback(),
        "click": band.click(),
    }
    nominal_dbfs = {name: -18.0 if level is None else float(level) for name, *_, level, _ in _SOURCES}
    set_: dict[str, Sound] = {}
    for name, part in parts.items():
        played = part.sound if name in ("playback", "click") else part.sound * _wander(rng, week.frames)
        goal_dbfs = nominal_dbfs[name] + float(rng.uniform(-0.8, 0.8))
        set_[name] = played * 10.0 ** ((goal_dbfs - _level_dbfs(part, played)) / 20.0)
    set_["overheads"] = _overheads(week, set_, kit.cymbals, nominal_dbfs["overheads"])
    _bleed_into(set_)
    set_["audience"] = _audience(week, set_)
    return _with_noise(rng, set_)


def _overheads(week: _Week, set_: dict[str, Sound], cymbals: Sound, nominal_dbfs: float) -> Sound:
    kick, snare = set_["kick"][0], set_["snare"][0]
    drums = np.array(
        [
            0.5 * _bleed(kick, 0, 0.003, 3000) + 0.8 * _bleed(snare, 0, 0.0028, 9000),
            0.5 * _bleed(kick, 0, 0.0031, 3000) + 0.7 * _bleed(snare, 0, 0.0032, 9000),
        ]
    )
    # the microphones hang nearer to the cymbals: as loud as the drums, less 3 dB
    cymbals = cymbals * (10 ** (-3 / 20) * np.sqrt(np.mean(drums**2) / np.mean(cymbals**2)))
    kit = (drums + cymbals) * _wander(week.rng, week.frames)
    goal_dbfs = nominal_dbfs + float(week.rng.uniform(-0.5, 0.5))
    return np.asarray(kit * 10.0 ** ((goal_dbfs - _level_dbfs(Part(sound=kit, spans_s=week.whole()), kit)) / 20.0))


def _band_sound(set_: dict[str, Sound]) -> Sound:
    return np.asarray(set_["kick"][0] + set_["snare"][0] + set_["guitar a"].mean(axis=0) + set_["bass"][0])


def _bleed_into(set_: dict[str, Sound]) -> None:
    """What microphones hear of their neighbours, with the demo's levels and distances."""
    kick, snare, everyone = set_["kick"][0], set_["snare"][0], _band_sound(set_)
    neighbours = (
        ("snare", kick, -26), ("kick", snare, -28), ("lead voice", everyone, -32), ("voice 2", everyone, -31),
        ("voice 3", everyone, -30), ("lectern", everyone, -36), ("handheld", everyone, -36),
    )  # fmt: skip
    for name, neighbour, level_db in neighbours:
        set_[name] = set_[name] + _bleed(neighbour, level_db, 0.008, 6000)


def _audience(week: _Week, set_: dict[str, Sound]) -> Sound:
    """Everything from the ceiling, and applause after the song."""
    room = sounds.room_response(week.rng, tail_s=1.1, wet=1.0, early_ms=(19.0, 31.0, 43.0))
    room[:, 0] = 0.0
    everything = _band_sound(set_) + set_["playback"].mean(axis=0)
    everything = everything + set_["lead voice"][0] + set_["lectern"][0] + set_["handheld"][0]
    audience = 0.25 * sounds.in_room(everything, room)
    applause = sounds.claps(week.rng, 2.4)
    applause *= 0.02 / np.sqrt(np.mean(applause**2))
    _add(audience, applause, week.song.end_s)
    return audience
