"""Faults of graded strength, planted with plain numpy into a show: at which sources each can be, and how it is done."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from deskhand.house import ROLES
from tests.support.stage.audible import click_margin_db
from tests.support.stage.effects import RATE_HZ, Sound, amplitude, late, low_passed
from tests.support.stage.show import part_level_dbfs, window_levels_dbfs

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.support.stage.part import Part

MAINS_HZ: Final = 50.02
ONE_SIGNAL: Final = ("guitar, ping-pong echo", "keys, chorus", "playback", "electronic percussion")
"""Rigs whose two sides carry one signal."""
BURST_BELOW_DB: Final = -3.0
"""Radio noise against the voice's level: common practice, no source."""
SHELF_HZ: Final = 3000.0
CLICK_PLACES: Final = 12
"""Moments of which three are taken where a click is heard."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Parts of a show by name, and the generator of one plant."""

    parts: dict[str, Part]
    rng: np.random.Generator
    nominal_dbfs: dict[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """Fault as it was planted."""

    kind: str
    strength: float
    sources: tuple[str, ...]
    at_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """Kind of fault: its strengths, where it can be, and what does it."""

    kind: str
    unit: str
    strengths: tuple[float, ...]
    accepted: frozenset[str]
    """Kinds of finding that name it."""
    fits: Callable[[Part], bool]
    apply: Callable[[Scene, Part, float], tuple[Part, tuple[float, ...]] | None]
    """Part with the fault, and the moments at which it happens; None where nobody would hear it."""
    needs_click: bool = False
    is_timed: bool = False


def level_of(part: Part) -> float:
    """Level of a part's playing, in dBFS."""
    return part_level_dbfs(part)


def plays(part: Part) -> bool:
    """True where somebody plays on it."""
    return part.name != "click" and bool(np.isfinite(level_of(part))) and level_of(part) > -60.0


def loud_moments_s(scene: Scene, part: Part, count: int) -> tuple[float, ...]:
    """Moments in the louder half of the playing, a second and more apart."""
    levels_db = window_levels_dbfs(part.sound)
    loud = levels_db >= np.percentile(levels_db[levels_db > levels_db.max() - 25.0], 50)
    starts = np.flatnonzero(loud[1:-8]) + 1
    moments: list[float] = []
    for step in scene.rng.permutation(starts):
        moment_s = float(step) / 10 + 0.15
        if all(abs(moment_s - other_s) > 1.0 for other_s in moments):
            moments.append(moment_s)
        if len(moments) == count:
            break
    return tuple(sorted(moments))


def _with(part: Part, sound: Sound) -> Part:
    return replace(part, sound=sound)


def _side(part: Part, row: Sound) -> Part:
    """Part whose right side is another."""
    return _with(part, np.stack([part.sound[0], row]))


def _dead_side(scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    noise = scene.rng.standard_normal(part.sound.shape[1]) * amplitude(-95.0)
    return _side(part, part.sound[1] * amplitude(-strength) + noise), ()


def _inverted(_scene: Scene, part: Part, _strength: float) -> tuple[Part, tuple[float, ...]]:
    return _side(part, -part.sound[1]), ()


def _level(scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    goal_dbfs = scene.nominal_dbfs[part.name] + strength
    # as far off as planned from nominal itself: the week's own spread is taken out
    return _with(part, part.sound * amplitude(goal_dbfs - level_of(part))), ()


def _hum(_scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    time_s = np.arange(part.sound.shape[1]) / RATE_HZ
    wave = sum(
        share * np.sin(2 * np.pi * MAINS_HZ * multiple * time_s + multiple)
        for multiple, share in ((1, 0.8), (2, 1.0), (3, 0.7), (4, 0.4), (5, 0.4), (6, 0.3), (8, 0.2))
    )
    wave = np.asarray(wave) / np.sqrt(2 * np.mean(np.asarray(wave) ** 2))
    return _with(part, part.sound + wave * amplitude(level_of(part) + strength)), ()


def _dropout(scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    sound = part.sound.copy()
    moments_s = loud_moments_s(scene, part, 3)
    for moment_s in moments_s:
        first = round(moment_s * RATE_HZ)
        sound[:, first : first + round(strength / 1000 * RATE_HZ)] = 0.0
    return _with(part, sound), moments_s


def _burst(scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    """Noise in place of the sound, with edges of 1 to 4 ms."""
    sound = part.sound.copy()
    moments_s = loud_moments_s(scene, part, 2)
    span = round(strength / 1000 * RATE_HZ)
    for moment_s in moments_s:
        first, edge = round(moment_s * RATE_HZ), round(float(scene.rng.uniform(0.001, 0.004)) * RATE_HZ)
        shape = np.interp(np.arange(span), [0, edge, span - edge, span], [0.0, 1.0, 1.0, 0.0])
        noise = low_passed(scene.rng.standard_normal(span), 17000.0, 4) * amplitude(
            level_of(part) + BURST_BELOW_DB - 3.0
        )
        sound[:, first : first + span] = sound[:, first : first + span] * (1.0 - shape) + noise * shape
    return _with(part, sound), moments_s


def _clicks(scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]] | None:
    """Single wrong samples, their height against the level, where the sound round them does not mask them in every band."""
    height = amplitude(level_of(part) + strength)
    moments_s = [
        moment_s
        for moment_s in loud_moments_s(scene, part, CLICK_PLACES)
        if max(click_margin_db(row, round(moment_s * RATE_HZ), height) for row in part.sound) > 0.0
    ]
    if not moments_s:
        return None
    chosen_s = tuple(sorted(scene.rng.permutation(moments_s)[:3].tolist()))
    sound = part.sound.copy()
    for moment_s in chosen_s:
        sound[:, round(moment_s * RATE_HZ)] += height * scene.rng.choice([-1.0, 1.0])
    return _with(part, sound), chosen_s


def _click_bleed(scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    """Headphones beside a microphone: the click, thin and late, its loud tenth against the level."""
    click = scene.parts["click"].sound[0]
    thin = ss.sosfilt(ss.butter(1, (500, 5000), "bandpass", fs=RATE_HZ, output="sos"), late(click, 0.001))
    strong = np.abs(thin) > 0.1 * np.abs(thin).max()
    loud = np.sqrt(2 * np.mean(thin[strong] ** 2))
    return _with(part, part.sound + thin / loud * amplitude(level_of(part) + strength)), ()


def _delay(_scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    return _side(part, late(part.sound[1], strength / 1000)), ()


def _clipping(_scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    """Gain raised until the highest peak stands `strength` above full scale, and cut there."""
    gain = amplitude(strength) / np.abs(part.sound).max()
    return _with(part, np.clip(part.sound * gain, -1.0, 1.0)), ()


def _offset(_scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    return _with(part, part.sound + strength / 100), ()


def _shelf(_scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    """Top raised or cut by a first-order shelf."""
    top = part.sound - np.stack([low_passed(row, SHELF_HZ) for row in part.sound])
    return _with(part, part.sound + (amplitude(strength) - 1.0) * top), ()


def _noise(scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    noise = scene.rng.standard_normal(part.sound.shape) * amplitude(level_of(part) + strength - 3.0)
    return _with(part, part.sound + noise), ()


def _muted(scene: Scene, part: Part, strength: float) -> tuple[Part, tuple[float, ...]]:
    """Nothing but the converter's noise, from some seconds on."""
    noise = scene.rng.standard_normal(part.sound.shape) * amplitude(-105.0)
    first = round(strength * RATE_HZ)
    on = np.clip((first - np.arange(part.sound.shape[1])) / (0.004 * RATE_HZ), 0.0, 1.0)
    return _with(part, part.sound * on + noise), ()


def _is_pair(part: Part) -> bool:
    return len(part.tracks) == 2 and plays(part)


def _is_one_signal(part: Part) -> bool:
    return _is_pair(part) and part.rig in ONE_SIGNAL


def _has_nominal(part: Part) -> bool:
    return ROLES[part.role].own_level and plays(part)


def _is_voice(part: Part) -> bool:
    return ROLES[part.role].on_radio and plays(part)


def _is_tonal(part: Part) -> bool:
    return not part.is_struck and ROLES[part.role].shaped and plays(part)


def _is_line(part: Part) -> bool:
    return ROLES[part.role].line and plays(part) and not ROLES[part.role].finished


def _may_lose(part: Part) -> bool:
    return plays(part) and not ROLES[part.role].machine


PLANTS: Final = (
    Plant(kind="dead side", unit="dB down", strengths=(9, 12, 15, 20, 30, 60), accepted=frozenset({"one-sided"}), fits=_is_pair, apply=_dead_side),
    Plant(kind="inverted pair of one signal", unit="", strengths=(1,), accepted=frozenset({"polarity"}), fits=_is_one_signal, apply=_inverted),
    Plant(kind="level", unit="dB off", strengths=(-10, -8, -6, -5, -4, -3, -2, 2, 3), accepted=frozenset({"level-low", "level-high"}), fits=_has_nominal, apply=_level),
    Plant(kind="hum", unit="dB below", strengths=(-20, -25, -30, -35, -40, -45, -50), accepted=frozenset({"hum"}), fits=plays, apply=_hum),
    Plant(kind="dropout", unit="ms", strengths=(1, 2, 5, 10, 20, 50), accepted=frozenset({"dropout"}), fits=_may_lose, apply=_dropout, is_timed=True),
    Plant(kind="wireless burst", unit="ms", strengths=(10, 20, 40, 60, 120, 250), accepted=frozenset({"wireless-hit"}), fits=_is_voice, apply=_burst, is_timed=True),
    Plant(kind="digital click", unit="dB against the level", strengths=(0, -10, -20, -25, -30, -35, -40, -45), accepted=frozenset({"clicks"}), fits=plays, apply=_clicks, is_timed=True),
    Plant(kind="click bleed", unit="dB against the level", strengths=(-10, -15, -20, -25, -30, -40, -50), accepted=frozenset({"in-the-mix"}), fits=plays, apply=_click_bleed, needs_click=True),
    Plant(kind="delay of a side", unit="ms", strengths=(0.1, 0.3, 0.5, 1.0, 3.0, 8.0), accepted=frozenset({"delay"}), fits=_is_one_signal, apply=_delay),
    Plant(kind="clipping", unit="dB over", strengths=(1, 2, 3, 6, 10), accepted=frozenset({"clipped"}), fits=plays, apply=_clipping),
    Plant(kind="offset", unit="% of full scale", strengths=(0.1, 0.3, 0.5, 1, 3, 10), accepted=frozenset({"dc"}), fits=plays, apply=_offset),
    Plant(kind="tone, shelf", unit="dB", strengths=(-15, -12, -9, -6, 6, 9, 12), accepted=frozenset({"tone", "harsh"}), fits=_is_tonal, apply=_shelf),
    Plant(kind="noise", unit="dB against the level", strengths=(-15, -20, -25, -30, -35), accepted=frozenset({"noise"}), fits=_is_line, apply=_noise),
    Plant(kind="no signal", unit="s, from then on", strengths=(0, 12, 18), accepted=frozenset({"silent"}), fits=plays, apply=_muted),
)  # fmt: skip
EXCHANGED: Final = "exchanged cables"
EXCHANGED_ACCEPTED: Final = frozenset({"swapped", "wrong-patch"})
