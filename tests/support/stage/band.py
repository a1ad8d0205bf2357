"""Rigs of the drums, the basses, the guitars and the keys."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from tests.support.stage.effects import (
    amplitude,
    chorus,
    distant,
    driven,
    gate_gain,
    high_passed,
    in_room,
    loudspeaker,
    low_passed,
    octave_below,
    ping_pong,
    room_response,
    rotating_speaker,
    toned,
)
from tests.support.stage.kit import drum_pattern
from tests.support.stage.part import AMPLIFIER_FLOOR_DB, LINE_FLOOR_DBFS, Part, mono, pair
from tests.support.stage.score import (
    Instrument,
    amplified,
    bass_line,
    chords,
    melody,
    noodling,
    pick,
    tuning,
    voiced,
)

if TYPE_CHECKING:
    from tests.support.stage.library import Take
    from tests.support.stage.score import Week

GUITARS: Final = ("electric guitar", "acoustic guitar", "banjo", "ukulele", "sitar")
BASSES: Final = ("electric bass", "double bass")
KEYS: Final = ("piano", "electric piano", "synth")
_SAMPLED_KEYS: Final = ("electric piano", "synth", "strings")


def instrument_of(week: Week, rig: str, kinds: tuple[str, ...], *, microphone: str = "") -> Instrument:
    """Instrument that the rig's person of this week plays: all pitched takes of one source of recording."""
    person = week.people[rig]
    takes = week.library.takes(kinds, microphone=microphone, pitched=True)
    groups: dict[str, list[Take]] = {}
    for take in takes:
        groups.setdefault("_".join(take.file.split("_")[:2]), []).append(take)
    usable = [group for group in groups.values() if len(group) >= 2] or [list(takes)]
    return Instrument(library=week.library, takes=tuple(pick(person.generator(rig), usable)), touch_db=person.touch_db)


def drums(week: Week) -> list[Part]:
    """Kick, snare and overheads; a pattern of real hits heard by all microphones."""
    sounds = drum_pattern(week, "drums")
    player = week.people["drums"].name
    parts = [
        mono("kick", "kick", "kick", sounds["kick"], is_struck=True, stage_db=-2.0, player=player, rig="drums"),
        mono(
            "snare",
            "snare",
            "snare",
            sounds["snare"],
            is_struck=True,
            is_open=True,
            stage_db=0.0,
            player=player,
            rig="drums",
        ),
    ]
    overheads = np.stack([sounds["left"], sounds["right"]])
    return [
        *parts,
        pair("overheads", "overheads", "oh", overheads, is_open=True, stage_db=-4.0, player=player, rig="drums"),
    ]


def gated_drums(week: Week) -> list[Part]:
    """The same kit with gates in the microphones of kick and snare, as a drum module or an insert has them."""
    gated = []
    for part in drums(week):
        if part.is_struck:
            gain = gate_gain(part.sound[0], open_db=-14.0, hold_s=0.08, release_s=0.06, range_db=-50.0)
            gated.append(replace(part, sound=part.sound * gain, is_open=False, rig="gated drums"))
        else:
            gated.append(replace(part, rig="gated drums"))
    return gated


def bass_di_and_microphone(week: Week) -> list[Part]:
    """Direct box and a microphone half a metre from the bass cabinet: 1.5 ms late, without top, driven a little."""
    rng, person = week.generator("bass"), week.people["bass"]
    dry = voiced(person, bass_line(week, rng, instrument_of(week, "bass", BASSES)))[0]
    dry = high_passed(dry, 28.0)
    metres = float(week.of_season("bass").uniform(0.3, 0.8))
    cabinet = low_passed(high_passed(driven(dry, 1.2), 55.0), 3500.0, 3)
    facts = {"player": person.name, "rig": "bass, DI and microphone"}
    return [
        mono("bass", "bass", "bass di", dry, **facts),
        mono("bass mic", "bass", "bass mic", distant(cabinet, metres), stage_db=-4.0, is_open=True, **facts),
    ]


def bass_octave(week: Week) -> list[Part]:
    """Bass with an octave below added."""
    rng, person = week.generator("bass"), week.people["bass"]
    dry = voiced(person, bass_line(week, rng, instrument_of(week, "bass", BASSES)))[0]
    wet = octave_below(dry)
    return [
        mono(
            "bass",
            "bass",
            "bass",
            high_passed(dry + 0.5 * wet, 25.0),
            player=person.name,
            rig="bass, octave effect",
            stage_db=-5.0,
        )
    ]


def bass_driven(week: Week) -> list[Part]:
    """Bass clean and through distortion, on two inputs."""
    rng, person = week.generator("bass"), week.people["bass"]
    dry = high_passed(voiced(person, bass_line(week, rng, instrument_of(week, "bass", BASSES)))[0], 30.0)
    facts = {"player": person.name, "rig": "bass, clean and driven"}
    return [
        mono("bass", "bass", "bass di", dry, **facts),
        mono(
            "bass drive",
            "bass",
            "bass drive",
            loudspeaker(driven(dry, 6.0), 4000.0),
            hiss_db=AMPLIFIER_FLOOR_DB,
            **facts,
        ),
    ]


def guitar_gated(week: Week) -> list[Part]:
    """Driven guitar amplifier with a noise gate, at a close microphone; its player tunes between the songs."""
    rng, person = week.generator("guitar"), week.people["guitar"]
    instrument = instrument_of(week, "guitar", GUITARS)
    dry = chords(week, rng, instrument, 0, strum_s=0.012)[0]
    if rng.random() < 0.5:
        dry = dry + tuning(week, rng, instrument, -4.0)[0]
    dry = dry + amplitude(-50.0) * rng.standard_normal(week.frames) * np.sqrt(np.mean(dry**2))
    gain = gate_gain(dry, open_db=-34.0, hold_s=0.15, release_s=0.08, range_db=-60.0)
    sound = loudspeaker(amplified(person, dry * gain))
    return [
        mono(
            "guitar",
            "guitar",
            "guitar",
            sound,
            player=person.name,
            rig="guitar, noise gate",
            stage_db=-3.0,
            is_open=False,
        )
    ]


def guitar_ping_pong(week: Week) -> list[Part]:
    """Guitar processor in stereo with an echo that changes sides; its player noodles between the songs."""
    rng, person = week.generator("guitar"), week.people["guitar"]
    instrument = instrument_of(week, "guitar", GUITARS)
    dry = melody(week, rng, instrument, 12)[0] + noodling(week, rng, instrument, -8.0)[0]
    sound = ping_pong(loudspeaker(amplified(person, dry)), step_s=1.5 * week.songs[0].beat_s, feedback=0.4)
    return [
        pair(
            "guitar",
            "guitar",
            "gtr",
            sound,
            player=person.name,
            rig="guitar, ping-pong echo",
            floor_dbfs=LINE_FLOOR_DBFS,
            hiss_db=-58.0,
        )
    ]


def guitar_near_far(week: Week) -> list[Part]:
    """Guitar amplifier with a microphone close by and one 2 m away, on two inputs."""
    rng, person = week.generator("guitar"), week.people["guitar"]
    instrument = instrument_of(week, "guitar", GUITARS)
    near = loudspeaker(amplified(person, chords(week, rng, instrument, 0, strum_s=0.015)[0]))
    response = room_response(week.of_season("guitar room"), 0.5)
    far = in_room(distant(near, float(week.of_season("guitar").uniform(1.2, 2.5)), top_hz=7000.0), response, 0.5)
    facts = {
        "player": person.name,
        "rig": "guitar, near and far microphone",
        "is_open": True,
        "hiss_db": AMPLIFIER_FLOOR_DB,
    }
    return [
        mono("guitar", "guitar", "gtr near", near, stage_db=-3.0, **facts),
        mono("guitar far", "guitar", "gtr far", far, **facts),
    ]


def acoustic_pickup_and_microphone(week: Week) -> list[Part]:
    """Acoustic guitar as one pair: its pickup on the left, a microphone at the body on the right."""
    rng, person = week.generator("acoustic"), week.people["acoustic"]
    instrument = instrument_of(week, "acoustic", ("acoustic guitar", "ukulele", "sitar", "banjo", "bass lyre", "cello"))
    both = voiced(person, chords(week, rng, instrument, 12, strum_s=0.018))
    if rng.random() < 0.4:
        both = both + tuning(week, rng, instrument, -6.0)
    # a piezo under the saddle hears no body: less around 200 Hz, more quack at 1 to 2 kHz
    pickup = toned(toned(high_passed(both[0], 90.0), 200.0, -6.0), 1500.0, 4.0)
    metres = float(week.of_season("acoustic").uniform(0.25, 0.6))
    microphone = in_room(toned(distant(both[-1], metres, top_hz=14000.0), 180.0, 3.0), room_response(rng, 0.4), 0.15)
    return [
        Part(
            name="acoustic", role="acoustic guitar", tracks=("ac pickup", "ac mic"), sound=np.stack([pickup, microphone]),
            is_open=True, stage_db=-12.0, player=person.name, rig="acoustic, pickup and microphone",
        )
    ]  # fmt: skip


def keys_rotating(week: Week) -> list[Part]:
    """Keys through a rotating speaker with two microphones; slow and fast by the song."""
    rng, person = week.generator("keys"), week.people["keys"]
    dry = voiced(
        person, chords(week, rng, instrument_of(week, "keys", (*_SAMPLED_KEYS, "flute", "reed")), 12, strum_s=0.0)
    )[0]
    sound = rotating_speaker(driven(dry, 0.8), rate_hz=pick(rng, (0.8, 6.4)))
    return [
        pair(
            "keys", "keys", "keys", sound, player=person.name, rig="keys, rotating speaker", is_open=True, stage_db=-8.0
        )
    ]


def keys_chorus(week: Week) -> list[Part]:
    """Keys with a stereo chorus, by cable."""
    rng, person = week.generator("keys"), week.people["keys"]
    dry = voiced(person, chords(week, rng, instrument_of(week, "keys", KEYS), 12, strum_s=0.004))[0]
    sound = chorus(
        dry, rate_hz=float(week.of_season("keys").uniform(0.3, 1.2)), wet=float(week.of_season("wet").uniform(0.4, 0.8))
    )
    return [pair("keys", "keys", "keys", sound, player=person.name, rig="keys, chorus", floor_dbfs=LINE_FLOOR_DBFS)]


def keys_near_far(week: Week) -> list[Part]:
    """Grand piano with a close and a distant pair where the half has one; elsewhere an instrument at its speaker and in the room."""
    rng, person = week.generator("keys"), week.people["keys"]
    near_takes = {take.file: take for take in week.library.takes(("piano",), file="_near") if take.midi is not None}
    facts = {"player": person.name, "is_open": True, "rig": "keys, near and far pair"}
    if near_takes:
        state = rng.bit_generator.state
        sounds = []
        for word in ("_near", "_far"):
            # the same notes at the same strengths in both pairs
            rng.bit_generator.state = state
            takes = tuple(replace(take, file=file.replace("_near", word)) for file, take in near_takes.items())
            grand = Instrument(library=week.library, takes=takes, touch_db=person.touch_db)
            sounds.append(voiced(person, chords(week, rng, grand, 12, strum_s=0.006)))
        near, far = sounds
    else:
        dry = voiced(person, chords(week, rng, instrument_of(week, "keys", KEYS), 12, strum_s=0.006))[0]
        response = week.of_season("piano room")
        near = np.stack([distant(dry, 0.4), distant(0.8 * dry, 0.7)])
        far = np.stack([in_room(distant(dry, metres), room_response(response, 0.8), 0.7) for metres in (3.0, 3.3)])
    return [
        pair("piano", "keys", "pno", near, stage_db=-10.0, **facts),
        pair("piano far", "keys", "pno far", far, **facts),
    ]
