"""Explanations of what lies between two recordings, in competition: the one that leaves the least, each of its numbers priced, is chosen.

Each turns one of the two so that only a linear part is left between them, which `deskhand.compare.model` then describes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks import from_mid_side, to_mid_side
from deskhand.compare.bend import find_bend
from deskhand.compare.explanation import (
    CLEARLY_DB,
    EXPLAINED_DB,
    FLOOR,
    LEGS_APART_DB,
    TONE_WORTH_DB,
    Explanation,
    left_db,
)
from deskhand.compare.impulse import SHORT_S, impulse_response, level_left_db
from deskhand.compare.level_dependent import level_dependent
from deskhand.compare.model import AS_GOOD_AS_ANY_DB, lively
from deskhand.compare.movement import find_tremolo, slow_gain
from deskhand.compare.moving_delay import find_moving_delay
from deskhand.compare.result import Rival
from deskhand.compare.second import toned_bend, with_second
from deskhand.compare.space import find_space
from deskhand.compare.steady import find_steady

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_LINEAR_DB: Final = -54.0
"""Residual of a linear part below which nothing else is asked for: 9 bits. Common practice, no source."""
_NOTHING_ADDED_DB: Final = -57.0
"""Residual of a linear part below which nothing is added that can be heard beside it. The study `validations/compare_cases.py`."""
_SILENT_LEG: Final = 1e-7
"""Power of a leg against the strongest below which it holds nothing: -70 dB. Common practice, no source."""
_LATE_WORTH_DB: Final = 3.0
"""Decibels that a long response must leave less than a short one: its many numbers explain some of anything. Common practice, no source."""
_LEGS_TRIED_S: Final = 6.0
"""Stretch on which the legs are chosen. Common practice, no source."""
_CHORUS_ASKED_DB: Final = -25.0
"""Residual of the best above which a moving delay is looked for. Common practice, no source."""
_DOUBT_DB: Final = -12.0
"""Residual above which no explanation is given as the only one. The study `validations/compare_cases.py`."""
_BEND_DOUBT_DB: Final = -36.0
"""The same for a saturation, which leaves less than -50 dB where nothing else acts. The same study."""
_SECOND_ASKED_DB: Final = -38.0
"""Residual of the best above which a second effect is looked for: single ones mostly leave less. The study `validations/compare_cases.py`."""
_SECOND_WORTH_DB: Final = 6.0
"""Decibels by which a second effect must lower what the first leaves. The study `validations/compare_cases.py`."""
_SAME_COST_DB: Final = 1.0
"""Difference of costs within which two explanations cannot be told apart. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Competition:
    """Explanation that was chosen, all that were tried, and why there is doubt."""

    before: Array
    """(channels, frames) of the stretch that they were tried on."""
    after: Array
    filtered: Array
    """(channels, frames) of BEFORE through its response."""
    chosen: Explanation
    rivals: tuple[Rival, ...]
    doubt: str
    first: int = 0
    """Frame of the recordings at which that stretch begins."""


def explain(before: Array, after: Array, rate_hz: int, tell: Callable[[float], None]) -> Competition:
    """Explanations of what lies between two recordings.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned, polarity set right.
    rate_hz : int
    tell : callable
        Told the share of the comparison that is done, 0 to 1.

    References
    ----------
    Schwarz, Annals of Statistics 6 (1978) 461: the price of a parameter.
    """
    seconds = before.shape[1] / rate_hz
    linear, filtered = _linear(before, after, rate_hz)
    tried = [linear]
    tell(0.2)
    for number, find in enumerate((_bent, _late, _moved, level_dependent)):
        if _is_explained(tried):
            break
        tried += find(before, after, filtered, rate_hz)
        if find is _bent and tried[1].residual_db < linear.residual_db - CLEARLY_DB and not _is_explained(tried):
            # a curve that explains most has something in front of it or behind it, or is all
            tried += _worthy(
                with_second(tried[1], before, after, rate_hz, None), min(each.residual_db for each in tried)
            )
        tell(0.25 + 0.08 * number)
    best = min(tried, key=lambda explanation: explanation.cost_db(seconds))
    if _SECOND_ASKED_DB < best.residual_db < linear.residual_db - _SECOND_WORTH_DB:
        law = next((each.law for each in tried if each.model == "level-dependent gain"), None)
        if best.bend is None:
            tried += _worthy(with_second(best, before, after, rate_hz, law), best.residual_db)
        best = min(tried, key=lambda explanation: explanation.cost_db(seconds))
    if best.residual_db > _CHORUS_ASKED_DB:
        modulation = find_moving_delay(before, after, rate_hz)
        if modulation is not None:
            best = replace(linear, model="moving delay", modulation=modulation)
            tried.append(best)
    ordered = sorted(tried, key=lambda explanation: (explanation is not best, explanation.cost_db(seconds)))
    rivals = tuple(
        Rival(
            model=explanation.model, residual_db=round(explanation.residual_db, 1), parameters=explanation.parameters,
            cost_db=round(explanation.cost_db(seconds), 1),
        )
        for explanation in ordered
    )  # fmt: skip
    return Competition(
        before=before, after=after, filtered=filtered, chosen=best, rivals=rivals, doubt=_doubt(best, rivals)
    )


def _worthy(explanations: list[Explanation], single_db: float) -> list[Explanation]:
    """Explanations by two effects that leave clearly less than one does."""
    return [each for each in explanations if each.residual_db < single_db - _SECOND_WORTH_DB]


def _doubt(best: Explanation, rivals: tuple[Rival, ...]) -> str:
    """Reason for which no single explanation is given; empty where one is."""
    if best.law is not None and best.law.lift_open and best.bend is None and not best.order:
        return "a compressor and make-up gain, or an upward compressor, do the same to this programme, and cannot be told apart"
    if best.modulation is not None or best.residual_db < (_DOUBT_DB if best.bend is None else _BEND_DOUBT_DB):
        return ""
    near = [rival.model for rival in rivals[1:] if rival.cost_db < rivals[0].cost_db + _SAME_COST_DB]
    if near:
        return f"two things act, or one that is not among those looked for: {best.model} and {near[0]} explain as much, and cannot be told apart"
    return "more than one thing acts, or one that is not among those looked for; what is told is the nearest"


def _is_explained(tried: list[Explanation]) -> bool:
    """True where nothing more has to be asked."""
    linear_db = tried[0].residual_db
    if linear_db < _LINEAR_DB or tried[0].addition is not None:
        return True
    return any(
        explanation.residual_db < linear_db - CLEARLY_DB
        and (
            explanation.residual_db < EXPLAINED_DB
            or explanation.space is not None
            or explanation.modulation is not None
        )
        for explanation in tried[1:]
    )


def _filtered_pair(before: Array, after: Array, rate_hz: int) -> Array:
    """(channels, frames) of BEFORE through its response: left and right, or middle and sides where those leave clearly less."""
    if before.shape[0] == 2:
        legs, after_legs = to_mid_side(before), to_mid_side(after)
        power = np.mean(legs**2, axis=1)
        part = lively(before, rate_hz, _LEGS_TRIED_S)

        def left_db(source: Array, target: Array) -> float:
            return impulse_response(source[:, part], target[:, part], rate_hz, SHORT_S).residual_db

        sides_db = left_db(before, after)
        sound = power.min() > _SILENT_LEG * power.max()
        if sound and sides_db > AS_GOOD_AS_ANY_DB and left_db(legs, after_legs) < sides_db - LEGS_APART_DB:
            return from_mid_side(impulse_response(legs, after_legs, rate_hz, SHORT_S).predicted)
    return impulse_response(before, after, rate_hz, SHORT_S).predicted


def _linear(before: Array, after: Array, rate_hz: int) -> tuple[Explanation, Array]:
    """(linear explanation, with what is added; (channels, frames) of BEFORE through its response)."""
    filtered = _filtered_pair(before, after, rate_hz)
    residual_db = left_db(after, filtered, rate_hz)
    linear = Explanation(model="linear", residual_db=residual_db, parameters=20, before=before, after=after)
    if residual_db < _NOTHING_ADDED_DB:
        return linear, filtered
    steady = find_steady(filtered, after - filtered, rate_hz)
    if steady is not None and not _late(before, after, filtered, rate_hz):
        linear = replace(linear, model="linear, with noise or hum", addition=steady.addition)
    return linear, filtered


def _bent(before: Array, after: Array, filtered: Array, rate_hz: int) -> list[Explanation]:
    """Saturation, of BEFORE as it is, in front of a response and behind one."""
    bend = find_bend(before, after)
    bent = bend.through(before)
    alone = Explanation(
        model="saturation",
        residual_db=left_db(after, bent, rate_hz),
        parameters=33,
        before=bent,
        after=after,
        bend=bend,
    )
    if alone.residual_db < EXPLAINED_DB:
        return [alone]
    return [alone, *toned_bend(before, after, rate_hz, alone, filtered)]


def _late(before: Array, after: Array, filtered: Array, rate_hz: int) -> list[Explanation]:
    """Reverberation or echoes, where they leave clearly less than filters do."""
    space = find_space(before, after, rate_hz)
    if space is None or space.residual_db > level_left_db(after, filtered) - _LATE_WORTH_DB:
        return []
    name = "echoes" if space.echoes else "reverberation"
    # the price of a long response is paid by its length; what a room needs to be written down is a decay by octave, a time and a level
    return [
        Explanation(
            model=name,
            residual_db=space.residual_db,
            parameters=40,
            before=before,
            after=after - space.late,
            space=space,
        )
    ]


def _moved(before: Array, after: Array, filtered: Array, rate_hz: int) -> list[Explanation]:
    """Gain that moves by itself: slowly, or up and down at one rate."""
    explanations: list[Explanation] = []
    for source, parameters in ((before, 0), (filtered, 20)):
        slow = slow_gain(source, after, rate_hz)
        tremolo = find_tremolo(source, after, rate_hz)
        name = "gain movement" if source is before else "tone and gain movement"
        worth = 0.0 if source is before else TONE_WORTH_DB
        undone = after / np.maximum(slow.gain / np.median(slow.gain), FLOOR)
        explanations.append(
            Explanation(
                model=name, residual_db=left_db(after, slow.gain * source, rate_hz) + worth, parameters=slow.parameters + parameters,
                before=before, after=undone, slow=slow,
            )
        )  # fmt: skip
        if tremolo is not None:
            moving, modulation = tremolo
            undone = after / np.maximum(moving.gain / np.median(moving.gain), FLOOR)
            explanations.append(
                Explanation(
                    model=name.replace("gain movement", "tremolo"), residual_db=left_db(after, moving.gain * source, rate_hz) + worth,
                    parameters=8 + parameters, before=before, after=undone, modulation=modulation,
                )
            )  # fmt: skip
    return explanations
