"""Advice carried out by independent tools: gains by numpy, bells and shelves by sox, high-passes by scipy; and measured by the study's own measures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss

from tests.support.processors import sox
from tests.support.stage.effects import RATE_HZ, Sound, amplitude
from tests.support.stage.show import part_level_dbfs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.moves.move import Move
    from tests.support.stage.part import Part

ANSWERED: Final = frozenset({"level", "tone, shelf"})
"""Planted kinds whose advice is set at the desk."""
_SOX: Final = {"bell": "equalizer", "low-shelf": "bass", "high-shelf": "treble"}
EQUALISER: Final = frozenset({"high-pass", *_SOX})
"""Controls of an equaliser."""
_OCTAVES_HZ: Final = (125, 250, 500, 1000, 2000, 4000, 8000)
"""Centres of the octaves that are compared (IEC 61260-1:2014, nominal)."""
_HEARD_DB: Final = 40.0
"""Octaves this far below the loudest are left out: hardly heard in it. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """Advice for one planted fault, as it was carried out."""

    controls: tuple[str, ...]
    level_off_db: tuple[float, float]
    """Level against what was there without the fault, or against nominal for a fault of level: before and after."""
    tone_off_db: tuple[float, float]
    """RMS of the octaves against those without the fault, level taken out: before and after."""


def carried_out(part: Part, moves: Sequence[Move], *, with_moves: bool) -> Sound:
    """(tracks, frames) of a part after the filters of its chain and, as asked, the moves that are set at a desk."""
    high_pass_hz, order = part.high_pass_hz, 2
    sound, effects = part.sound.astype(np.float64), list[str]()
    for move in moves if with_moves else ():
        after = {name: setting.after for name, setting in move.settings.items()}
        if move.block == "high-pass":
            high_pass_hz, order = after["frequency"], round(after.get("slope", 12.0) / 6.0)
        elif move.block in _SOX:
            shape = ["equalizer", f"{after['frequency']:g}", f"{after['q']:g}q", f"{after['gain']:g}"]
            if move.block != "bell":
                shape = [_SOX[move.block], f"{after['gain']:g}", f"{after['frequency']:g}", f"{after['q']:g}q"]
            effects += shape
        elif "gain" in after:
            rows = {"both": slice(None), "left": slice(0, 1), "right": slice(1, 2)}[move.on]
            sound = sound.copy()
            sound[rows] *= amplitude(after["gain"] - (move.settings["gain"].before or 0.0))
    if high_pass_hz is not None:
        sound = ss.sosfilt(ss.butter(order, high_pass_hz, "highpass", fs=RATE_HZ, output="sos"), sound)
    return sox(sound, effects, rate_hz=RATE_HZ) if effects else sound


def octaves_db(sound: Sound) -> Sound:
    """(7,) levels of the octaves of the tracks' mean power, their power mean taken out."""
    frequency_hz, power = ss.welch(sound, RATE_HZ, nperseg=8192)
    power = power.mean(axis=0)
    levels = np.array(
        [
            10 * np.log10(power[(frequency_hz >= centre / 2**0.5) & (frequency_hz < centre * 2**0.5)].sum() + 1e-20)
            for centre in _OCTAVES_HZ
        ]
    )
    return np.asarray(levels - 10 * np.log10(np.sum(10 ** (levels / 10))))


def _tone_off_db(sound: Sound, reference: Sound) -> float:
    now, wanted = octaves_db(sound), octaves_db(reference)
    heard = wanted > wanted.max() - _HEARD_DB
    return float(np.sqrt(np.mean((now - wanted)[heard] ** 2)))


def carried(kind: str, faulty: Part, unfaulted: Part, moves: Sequence[Move], nominal_dbfs: float) -> Carried | None:
    """Outcome of the advice for a fault; None where nothing is to be set at the desk for it.

    Parameters
    ----------
    kind : str
        Planted kind.
    faulty, unfaulted : Part
        Source with the fault and without it.
    moves : sequence of Move
        All that is asked of the source.
    nominal_dbfs : float
        Level that the house wants of it.
    """
    settings = [move for move in moves if move.is_setting and (move.block in EQUALISER or "gain" in move.settings)]
    if kind not in ANSWERED or not settings:
        return None
    reference = carried_out(unfaulted, (), with_moves=False)
    before, after = (carried_out(faulty, settings, with_moves=with_moves) for with_moves in (False, True))
    # a high-pass of the chain takes from the level, with the moves and without them
    goal_dbfs = (
        nominal_dbfs + part_level_dbfs(replace(unfaulted, sound=reference)) - part_level_dbfs(unfaulted)
        if kind == "level"
        else part_level_dbfs(replace(unfaulted, sound=reference))
    )
    levels_off_db = [part_level_dbfs(replace(faulty, sound=sound)) - goal_dbfs for sound in (before, after)]
    tones_off_db = [_tone_off_db(sound, reference) for sound in (before, after)]
    return Carried(
        controls=tuple(move.control for move in settings),
        level_off_db=(round(levels_off_db[0], 2), round(levels_off_db[1], 2)),
        tone_off_db=(round(tones_off_db[0], 2), round(tones_off_db[1], 2)),
    )
