"""Rigs of the voices, the winds, the percussion, the guest, the playback and the click."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import soxr

from tests.support.stage.band import instrument_of
from tests.support.stage.effects import (
    RATE_HZ,
    Sound,
    amplitude,
    distant,
    high_passed,
    in_room,
    low_passed,
    room_response,
    toned,
)
from tests.support.stage.library import faded
from tests.support.stage.part import LINE_FLOOR_DBFS, Part, mono, pair
from tests.support.stage.score import Instrument, add, as_stereo, melody, pick, speech_lines, voiced

if TYPE_CHECKING:
    from tests.support.stage.score import Person, Week

WINDS: Final = ("saxophone", "flute", "brass", "reed", "cello")
_HITS: Final = ("hand percussion", "shaker", "electronic drum", "percussive noise")
_MACHINES: Final = ("electronic drum", "shaker", "hand percussion")
_LEAST_PHRASE_S: Final = 0.4


def _phrases(sound: Sound) -> list[tuple[int, int]]:
    """Begin and end frames of a singer's phrases: what lies between pauses of 120 ms 30 dB below the loud."""
    hop = RATE_HZ // 100
    level = np.sqrt(np.mean(sound[: sound.size // hop * hop].reshape(-1, hop) ** 2, axis=1))
    sings = level > np.percentile(level, 95) * amplitude(-30.0)
    for step in np.flatnonzero(~sings):
        sings[step] = sings[max(0, step - 6) : step].any() and sings[step + 1 : step + 7].any()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sings.astype(np.int8), [0]])))
    return [
        (int(begin) * hop, int(end) * hop)
        for begin, end in zip(edges[::2], edges[1::2], strict=True)
        if (end - begin) * hop >= _LEAST_PHRASE_S * RATE_HZ
    ]


def _sung(week: Week, rng: np.random.Generator, person: Person) -> Sound:
    """(1, frames) of a person singing over the songs: real phrases in another order, faster or slower by the person."""
    voice = week.library.singer()
    factor = float(person.generator("size").uniform(0.93, 1.08))
    phrases = _phrases(voice)
    track = week.empty()
    for song in week.songs:
        moment_s = song.begin_s + float(rng.uniform(0.2, 1.2))
        while moment_s < song.end_s - 0.6:
            begin, end = pick(rng, phrases)
            phrase = faded(voice[max(0, begin - 1200) : end + 1200], 0.02, 0.03)
            phrase = np.asarray(soxr.resample(phrase, RATE_HZ * factor, RATE_HZ))[None, :]
            phrase = faded(phrase[:, : round((song.end_s + 0.3 - moment_s) * RATE_HZ)], 0.005, 0.05)
            add(track, phrase, moment_s, amplitude(float(rng.normal(0.0, 0.8))))
            moment_s += phrase.shape[1] / RATE_HZ + float(rng.uniform(0.1, 0.7))
    return voiced(person, track)


def singer_talks(week: Week) -> bool:
    """True where the singer talks between the songs this week, and the announcer does not: one at a time."""
    return bool(week.number % 2)


def singers(week: Week) -> list[Part]:
    """Two singers; the first talks between the songs. In some weeks they change microphones on purpose."""
    sounds, names = [], []
    for number, rig in enumerate(("lead voice", "voice 2")):
        rng, person = week.generator(rig), week.people[rig]
        sound = _sung(week, rng, person)
        sound /= np.abs(sound).max() + 1e-9
        if number == 0 and singer_talks(week):
            sound = sound + amplitude(-5.0) * speech_lines(week, rng, week.talks_s[1:], person)
        sounds.append(high_passed(sound[0], 80.0))
        names.append(person.name)
    if week.trades_microphones:
        sounds.reverse()
        names.reverse()
    return [
        mono(
            source,
            role,
            track,
            sound,
            is_open=True,
            stage_db=-12.0,
            player=name,
            fader_db=fader_db,
            high_pass_hz=100.0,
            rig="singers",
        )
        for source, role, track, sound, name, fader_db in zip(
            ("lead voice", "voice 2"),
            ("lead vocal", "backing vocal"),
            ("lead vox", "bv 1"),
            sounds,
            names,
            (0.0, -8.0),
            strict=True,
        )
    ]


def announcer(week: Week) -> list[Part]:
    """Somebody who speaks between the songs into a handheld microphone."""
    rng, person = week.generator("announcer"), week.people["announcer"]
    spans_s = week.talks_s[:1] if singer_talks(week) else week.talks_s
    sound = high_passed(voiced(person, speech_lines(week, rng, spans_s, person))[0], 80.0)
    return [
        mono(
            "handheld", "speech", "handheld", sound, is_open=True, stage_db=-16.0, player=person.name, fader_db=0.0,
            high_pass_hz=120.0, rig="people who talk",
        )
    ]  # fmt: skip


def wind_two_microphones(week: Week) -> list[Part]:
    """A wind instrument at a condenser and a dynamic microphone, one pair: real pairs where the half has them."""
    rng, person = week.generator("wind"), week.people["wind"]
    condensers = week.library.takes(file="_condenser", pitched=True)
    state = rng.bit_generator.state
    rows = []
    for word in ("_condenser", "_dynamic"):
        rng.bit_generator.state = state
        takes = tuple(replace(take, file=take.file.replace("_condenser", word)) for take in condensers)
        instrument = Instrument(library=week.library, takes=takes, touch_db=person.touch_db)
        rows.append(melody(week, rng, instrument, 12, legato=0.9)[0])
    return [
        Part(
            name="wind", role="other", tracks=("wind cond", "wind dyn"), sound=np.stack(rows), is_open=True, stage_db=-8.0,
            player=person.name, rig="wind, two microphones",
        )
    ]  # fmt: skip


def percussion(week: Week) -> list[Part]:
    """Pads of an electronic percussion, by cable in stereo: each stroke is the same sample, to the bit."""
    rng, person = week.generator("percussion"), week.people["percussion"]
    library = week.library
    takes = library.takes(_MACHINES) or library.takes(_HITS)
    chosen = [library.sound(pick(person.generator("pads", number), takes)) for number in range(3)]
    chosen = [faded(sound[:, : round(0.8 * RATE_HZ)], 0.001, 0.2) / (np.abs(sound).max() + 1e-9) for sound in chosen]
    track = week.empty(2)
    steps = sorted(rng.choice(8, int(rng.integers(3, 6)), replace=False))
    for song in week.songs:
        for bar in range(song.bars):
            for order, step in enumerate(steps):
                pad = as_stereo(chosen[order % len(chosen)])
                add(track, pad, round(song.beat_at_s(bar, step / 2) * RATE_HZ) / RATE_HZ)
    return [
        pair(
            "pads", "percussion", "pads", track, is_struck=True, player=person.name, floor_dbfs=-120.0,
            rig="electronic percussion",
        )
    ]  # fmt: skip


def hand_percussion(week: Week) -> list[Part]:
    """Claps, shakers and the like at one microphone."""
    rng, person = week.generator("percussion"), week.people["percussion"]
    takes = week.library.takes(("hand percussion", "shaker"))
    names = sorted({take.file for take in takes})
    file = pick(person.generator("percussion"), names)
    instrument = Instrument(
        library=week.library, takes=tuple(take for take in takes if take.file == file), touch_db=person.touch_db
    )
    track = week.empty(2)
    for song in week.songs:
        for bar in range(song.bars):
            for beat in pick(rng, ((1.0, 3.0), (0.0, 1.0, 2.0, 3.0), (0.5, 1.5, 2.5, 3.5))):
                add(
                    track,
                    as_stereo(instrument.hit(rng)[:, : round(0.9 * RATE_HZ)]),
                    song.beat_at_s(bar, beat) + float(rng.normal(0, 0.008)),
                )
    return [
        mono(
            "percussion",
            "percussion",
            "perc",
            track,
            is_struck=True,
            is_open=True,
            stage_db=-10.0,
            player=person.name,
            rig="hand percussion",
        )
    ]


def guest(week: Week) -> list[Part]:
    """Spare channel: silent but for its preamplifier in most weeks, in others a guest with any instrument."""
    rng, person = week.generator("guest"), week.people["guest"]
    sound = week.empty()
    if week.has_guest:
        instrument = instrument_of(week, "guest", WINDS)
        dry = melody(week, rng, instrument, 12)[:1]
        sound = in_room(distant(dry[0], 0.3, top_hz=15000.0), room_response(rng, 0.5), 0.1)[None, :]
    return [
        mono(
            "spare",
            "other",
            "spare",
            sound,
            is_open=week.has_guest,
            stage_db=-10.0 if week.has_guest else None,
            player=person.name if week.has_guest else None,
            rig="guest on a spare channel",
        )
    ]


def playback_and_click(week: Week) -> list[Part]:
    """Loops from a machine in stereo, and the players' click."""
    rng = week.generator("playback")
    library, track = week.library, week.empty(2)
    loops = library.takes(("electronic loop",)) or library.takes(("synth", "strings", "shaker"))
    for song in week.songs:
        loop = pick(rng, loops)
        sound = as_stereo(library.sound(loop))
        wide = np.stack([toned(sound[0], 400.0, 2.0), toned(sound[1], 2500.0, 2.0)])
        moment_s = song.begin_s
        while moment_s < song.end_s - 0.5:
            piece = faded(wide[:, : round((song.end_s - moment_s) * RATE_HZ)], 0.002, 0.05)
            add(track, piece / (np.abs(sound).max() + 1e-9), moment_s)
            moment_s += max(0.5, sound.shape[1] / RATE_HZ)
    return [
        pair("playback", "playback", "pb", track, floor_dbfs=LINE_FLOOR_DBFS, fader_db=-18.0, rig="playback"),
        _click(week),
    ]


def _click(week: Week) -> Part:
    """Short tones on each beat."""
    time_s = np.arange(round(0.02 * RATE_HZ)) / RATE_HZ
    tone = np.sin(2 * np.pi * 1500.0 * time_s) * np.exp(-time_s / 0.004)
    track = week.empty()
    for song in week.songs:
        for beat in range(4 * song.bars):
            add(track, low_passed(tone, 9000.0)[None, :], song.beat_at_s(0, float(beat)))
    return mono("click", "click", "click", track, is_struck=True, floor_dbfs=LINE_FLOOR_DBFS, rig="click")
