"""Faults planted for the limits alone: cut waves below full scale, a side that goes for a while, radio mutes, recorders and word clocks that fail.

They stand beside those of `plants`: each is there for the limits that none of those tells anything about.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.house import ROLES
from tests.support.stage.effects import RATE_HZ, Sound, amplitude
from tests.support.stage.plants import PLANTS, Plant, level_of, loud_moments_s, plays

if TYPE_CHECKING:
    from collections import Counter

    from tests.support.stage.part import Part
    from tests.support.stage.plants import Scene
    from tests.support.stage.show import StageShow

Moments = tuple[float, ...]

CUT_DBFS: Final = -6.0
"""Level at which a wave is cut before it comes to the desk: anything below full scale."""
GONE_FROM_S: Final = 9.0
GONE_DB: Final = 40.0
GONE_S: Final = 8.0
"""A side goes after 9 s of a show of 30 s, for 8 s or by 40 dB, where the other of the two is the strength."""
FALLING_EDGE_S: Final = 0.002
BEATS_DBFS: Final = -20.0
"""Blocks of a click this far below its loudest do not sound."""
TOGETHER: Final = ("recorder dropout", "word clock")
"""Faults that all inputs have at once."""


def _cut_below(_scene: Scene, part: Part, strength: float) -> tuple[Part, Moments]:
    """Wave cut flat at what would be `strength` below its peak, and turned down after it."""
    top = np.abs(part.sound).max() * amplitude(-strength)
    return replace(part, sound=np.clip(part.sound, -top, top) / top * amplitude(CUT_DBFS)), ()


def _gone(part: Part, down_db: float, length_s: float) -> tuple[Part, Moments]:
    first, last = (round(moment_s * RATE_HZ) for moment_s in (GONE_FROM_S, GONE_FROM_S + length_s))
    right = part.sound[1].copy()
    right[first:last] *= amplitude(-down_db)
    return replace(part, sound=np.stack([part.sound[0], right])), (GONE_FROM_S,)


def _gone_down(_scene: Scene, part: Part, strength: float) -> tuple[Part, Moments]:
    return _gone(part, strength, GONE_S)


def _gone_for(_scene: Scene, part: Part, strength: float) -> tuple[Part, Moments]:
    return _gone(part, GONE_DB, strength)


def _radio_mutes(scene: Scene, part: Part, strength: float) -> tuple[Part, Moments]:
    """Mutes of 80 ms, in which the receiver's noise lies `strength` below the room."""
    hop = RATE_HZ // 10
    powers = np.mean(part.sound[0, : part.sound.shape[1] // hop * hop].reshape(-1, hop) ** 2, axis=1)
    room = np.sqrt(np.percentile(powers, 1))
    sound = part.sound.copy()
    moments_s = loud_moments_s(scene, part, 2)
    frames, edge = round(0.08 * RATE_HZ), round(FALLING_EDGE_S * RATE_HZ)
    shape = np.interp(np.arange(frames), [0, edge, frames - edge, frames], [0.0, 1.0, 1.0, 0.0])
    for moment_s in moments_s:
        first = round(moment_s * RATE_HZ)
        noise = scene.rng.standard_normal(frames) * room * amplitude(-strength)
        sound[:, first : first + frames] = sound[:, first : first + frames] * (1.0 - shape) + noise * shape
    return replace(part, sound=sound), moments_s


def _turned_down(_scene: Scene, part: Part, strength: float) -> tuple[Part, Moments]:
    return replace(part, sound=part.sound * amplitude(-strength)), ()


def _is_pair(part: Part) -> bool:
    return len(part.tracks) == 2 and plays(part)


def _is_voice(part: Part) -> bool:
    return ROLES[part.role].is_voice and plays(part)


_HUM: Final = next(plant for plant in PLANTS if plant.kind == "hum")
_NEW: Final = (
    ("soft hum", "dB below", (-55, -60, -65, -70), plays, _HUM.apply),
    ("cut below full scale", "dB over", (1, 2, 3, 6, 10), plays, _cut_below),
    ("side down for 8 s", "dB down", (15, 20, 25, 30, 40), _is_pair, _gone_down),
    ("side gone for a while", "s", (1, 2, 4, 8), _is_pair, _gone_for),
    ("radio mute", "dB below the room", (3, 6, 10, 20, 30), _is_voice, _radio_mutes),
    ("voice turned down", "dB", (6, 12, 18, 24), _is_voice, _turned_down),
)
LIMIT_PLANTS: Final = (
    *(plant for plant in PLANTS if plant.kind not in ("level", "tone, shelf", "digital click")),
    *(
        Plant(kind=kind, unit=unit, strengths=strengths, accepted=frozenset(), fits=fits, apply=apply)
        for kind, unit, strengths, fits, apply in _NEW
    ),
)
"""Faults of one input that tell of a limit: levels are judged by the house file's own limits, tone by kept weeks, and clicks of
one input alone by no count."""


def planted_everywhere(
    show: StageShow, scene: Scene, counts: Counter[tuple[str, float]]
) -> tuple[StageShow, dict[str, tuple[str, float, Moments]]]:
    """Show with a fault in each input that can have one, those that were planted least so far first, and what each is."""
    parts, planted = [], {}
    for part in show.parts:
        choices = [
            (plant, strength)
            for plant in LIMIT_PLANTS
            if plant.fits(part) and (not plant.needs_click or "click" in scene.parts)
            for strength in plant.strengths
        ]
        # the click itself stays: others hear it
        if not choices or part.name == "click":
            parts.append(part)
            continue
        order = scene.rng.permutation(len(choices))
        plant, strength = min(
            (choices[number] for number in order),
            key=lambda choice: (_count_of(choice[0], counts), counts[choice[0].kind, choice[1]]),
        )
        counts[plant.kind, strength] += 1
        outcome = plant.apply(scene, part, strength)
        # what nobody would hear is no fault
        faulty, moments_s = outcome or (part, ())
        parts.append(faulty)
        if outcome is not None:
            planted[part.name] = (plant.kind, strength, moments_s)
    return replace(show, parts=tuple(parts)), planted


def _count_of(plant: Plant, counts: Counter[tuple[str, float]]) -> int:
    return sum(counts[plant.kind, strength] for strength in plant.strengths)


def failed_together(show: StageShow, scene: Scene, kind: str, strength: float) -> StageShow:
    """Show whose tracks all drop out three times for some ms, or click three times by a wrong sample that is as high as their level."""
    moments_s = [6.0 + 7.0 * number + float(scene.rng.uniform(0.0, 1.0)) for number in range(3)]
    parts = []
    for part in show.parts:
        sound = part.sound.copy()
        for moment_s in moments_s:
            first = round(moment_s * RATE_HZ)
            if kind == "word clock" and plays(part):
                sound[:, first] += amplitude(level_of(part) + strength)
            elif kind == "recorder dropout":
                sound[:, first : first + round(strength / 1000 * RATE_HZ)] = 0.0
        parts.append(replace(part, sound=sound))
    return replace(show, parts=tuple(parts))


def mixes_with_click(show: StageShow, strengths: tuple[float, ...]) -> Sound:
    """(2 + strengths, frames) the click, a mix of all others, and that mix with the click so many dB against it."""
    click = next(part.sound[0] for part in show.parts if part.name == "click")
    others = [part.sound.mean(axis=0) * amplitude(part.fader_db) for part in show.parts if ROLES[part.role].in_a_mix]
    mix = np.sum(others, axis=0)
    hop = RATE_HZ // 10
    powers = np.mean(click[: click.size // hop * hop].reshape(-1, hop) ** 2, axis=1)
    sounding = powers[powers > powers.max() * amplitude(BEATS_DBFS) ** 2]
    unit_click = click / np.sqrt(sounding.mean()) * np.sqrt(np.mean(mix**2))
    return np.stack([click, mix, *(mix + amplitude(strength) * unit_click for strength in strengths)])
