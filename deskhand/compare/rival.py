"""Explanations of what lies between two recordings, in competition: the one that leaves the least, each of its numbers priced, is chosen.

Each turns one of the two so that only a linear part is left between them, which `deskhand.compare.model` then describes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks import from_mid_side, to_mid_side
from deskhand.compare.account import kind_of
from deskhand.compare.bend import find_bend
from deskhand.compare.impulse import impulse_response, level_left_db
from deskhand.compare.laws import Bench, read_gain
from deskhand.compare.model import AS_GOOD_AS_ANY_DB, lively
from deskhand.compare.movement import find_moving_delay, find_tremolo, slow_gain
from deskhand.compare.result import Rival
from deskhand.compare.search import finished, fit_law
from deskhand.compare.sides import fit_legs, legs_apart
from deskhand.compare.space import find_space
from deskhand.compare.steady import find_steady

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from deskhand.compare.bend import Bend
    from deskhand.compare.dynamics import Order
    from deskhand.compare.laws import GainReading
    from deskhand.compare.movement import MovingGain
    from deskhand.compare.result import Addition, Modulation
    from deskhand.compare.search import LawFit
    from deskhand.compare.sides import LegLaws
    from deskhand.compare.space import LateSound

    Array = NDArray[np.float64]

_SHORT_S: Final = 0.12
"""Response of filters: longer than any of them rings. Common practice, no source."""
_LINEAR_DB: Final = -54.0
"""Residual of a linear part below which nothing else is asked for: 9 bits. Common practice, no source."""
_NOTHING_ADDED_DB: Final = -64.0
"""Residual of a linear part below which nothing is added that can be heard beside it. Common practice, no source."""
_SILENT_LEG: Final = 1e-7
"""Power of a leg against the strongest below which it holds nothing: -70 dB. Common practice, no source."""
_LATE_WORTH_DB: Final = 3.0
"""Decibels that a long response must leave less than a short one: its many numbers explain some of anything. Common practice, no source."""
_LEGS_TRIED_S: Final = 6.0
"""Stretch on which the legs are chosen. Common practice, no source."""
_LEGS_APART_DB: Final = 3.0
"""Middle and sides are the legs when they leave less by this. Common practice, no source."""
_TONE_SEEN_DB: Final = 1.0
"""Decibels that a response leaves less than a gain, where there is a tone. The study `validations/compare_cases.py`."""
_EXPLAINED_DB: Final = -45.0
"""Residual below which an explanation ends the search. Common practice, no source."""
_CLEARLY_DB: Final = 10.0
"""Decibels less than a linear part leaves with which another explanation is clear. Common practice, no source."""
_TONE_WORTH_DB: Final = 3.0
"""Decibels by which a tone beside it must lower what moving gain or curve leave, or it is what they leave. The study
`validations/compare_cases.py`."""
_MOMENTS_S: Final = 0.02
"""Moments that count as one observation each in the price of a parameter (Schwarz 1978). Common practice, no source."""
_SETTLE_S: Final = 1.0
"""Beginning that residuals leave out: what came before the recording still rings. Common practice, no source."""
_ROUNDS: Final = 3
"""Times that tone and moving gain are found in turn. Common practice, no source."""
_FLOOR: Final = 1e-3
"""Smallest gain that is divided by: -60 dB. Common practice, no source."""
_CHORUS_ASKED_DB: Final = -25.0
"""Residual of the best above which a moving delay is looked for. Common practice, no source."""
_DOUBT_DB: Final = -12.0
"""Residual above which no explanation is given as the only one. The study `validations/compare_cases.py`."""
_UNLIKE_DB: Final = 0.4
"""Misfit above which another make is looked for. Common practice, no source."""
_SECOND_ASKED_DB: Final = -38.0
"""Residual of the best above which a second effect is looked for: single ones mostly leave less. The study `validations/compare_cases.py`."""
_SECOND_WORTH_DB: Final = 6.0
"""Decibels by which a second effect must lower what the first leaves. The study `validations/compare_cases.py`."""
_ORDER_TOLD: Final = 0.75
"""Misfit of one order against the other's below which the order is told. The study `validations/compare_cases.py`."""
_SAME_COST_DB: Final = 1.0
"""Difference of costs within which two explanations cannot be told apart. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explanation:
    """Account of what lies between two recordings, and the two with all but the linear part of it undone."""

    model: str
    residual_db: float
    parameters: int
    before: Array
    """(channels, frames) of BEFORE, bent where a curve bends it."""
    after: Array
    """(channels, frames) of AFTER without late sound and moving gain."""
    bend: Bend | None = None
    space: LateSound | None = None
    slow: MovingGain | None = None
    modulation: Modulation | None = None
    law: LawFit | None = None
    order: Order = ""
    """Place of the gain that asks for the level, where there is a tone beside it."""
    legs: LegLaws | None = None
    addition: Addition | None = None

    def cost_db(self, seconds: float) -> float:
        """Residual with the price of the parameters (Schwarz 1978)."""
        moments = max(seconds / _MOMENTS_S, 10.0)
        return self.residual_db + float(10.0 / np.log(10.0) * self.parameters * np.log(moments) / moments)


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
    for number, find in enumerate((_bent, _late, _moved, _level_dependent)):
        if _is_explained(tried):
            break
        tried += find(before, after, filtered, rate_hz)
        tell(0.25 + 0.08 * number)
    best = min(tried, key=lambda explanation: explanation.cost_db(seconds))
    if _SECOND_ASKED_DB < best.residual_db < linear.residual_db - _SECOND_WORTH_DB:
        second = _with_second(best, after, rate_hz)
        if second is not None and second.residual_db < best.residual_db - _SECOND_WORTH_DB:
            best = second
            tried.append(second)
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
    return Competition(before=before, after=after, filtered=filtered, chosen=best, rivals=rivals, doubt=_doubt(best, rivals))


def _doubt(best: Explanation, rivals: tuple[Rival, ...]) -> str:
    """Reason for which no single explanation is given; empty where one is."""
    if best.modulation is not None or best.residual_db < _DOUBT_DB:
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
        explanation.residual_db < linear_db - _CLEARLY_DB
        and (
            explanation.residual_db < _EXPLAINED_DB
            or explanation.space is not None
            or explanation.modulation is not None
        )
        for explanation in tried[1:]
    )


def _left_db(after: Array, predicted: Array, rate_hz: int) -> float:
    """Level of what is left, the beginning aside."""
    first = min(round(_SETTLE_S * rate_hz), after.shape[1] // 8)
    return level_left_db(after[:, first:], predicted[:, first:])


def _filtered_pair(before: Array, after: Array, rate_hz: int) -> Array:
    """(channels, frames) of BEFORE through its response: left and right, or middle and sides where those leave clearly less."""
    if before.shape[0] == 2:
        legs, after_legs = to_mid_side(before), to_mid_side(after)
        power = np.mean(legs**2, axis=1)
        part = lively(before, rate_hz, _LEGS_TRIED_S)

        def left_db(source: Array, target: Array) -> float:
            return impulse_response(source[:, part], target[:, part], rate_hz, _SHORT_S).residual_db

        sides_db = left_db(before, after)
        sound = power.min() > _SILENT_LEG * power.max()
        if sound and sides_db > AS_GOOD_AS_ANY_DB and left_db(legs, after_legs) < sides_db - _LEGS_APART_DB:
            return from_mid_side(impulse_response(legs, after_legs, rate_hz, _SHORT_S).predicted)
    return impulse_response(before, after, rate_hz, _SHORT_S).predicted


def _linear(before: Array, after: Array, rate_hz: int) -> tuple[Explanation, Array]:
    """(linear explanation, with what is added; (channels, frames) of BEFORE through its response)."""
    filtered = _filtered_pair(before, after, rate_hz)
    residual_db = _left_db(after, filtered, rate_hz)
    linear = Explanation(model="linear", residual_db=residual_db, parameters=20, before=before, after=after)
    if residual_db < _NOTHING_ADDED_DB:
        return linear, filtered
    steady = find_steady(filtered, after - filtered, rate_hz)
    if steady is not None and not _late(before, after, filtered, rate_hz):
        linear = replace(linear, model="linear, with noise or hum", addition=steady.addition)
    return linear, filtered


def _bent(before: Array, after: Array, filtered: Array, rate_hz: int) -> list[Explanation]:
    """Saturation, of BEFORE as it is and behind a response."""
    explanations: list[Explanation] = []
    for name, source, parameters in (("saturation", before, 33), ("tone and saturation", filtered, 53)):
        bend = find_bend(source, after)
        bent = bend.through(source)
        explanations.append(
            Explanation(
                model=name, residual_db=_left_db(after, bent, rate_hz) + (_TONE_WORTH_DB if source is filtered else 0.0),
                parameters=parameters, before=bent, after=after, bend=bend,
            )
        )  # fmt: skip
        if explanations[-1].residual_db < _EXPLAINED_DB:
            break
    return explanations


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
        worth = 0.0 if source is before else _TONE_WORTH_DB
        undone = after / np.maximum(slow.gain / np.median(slow.gain), _FLOOR)
        explanations.append(
            Explanation(
                model=name, residual_db=_left_db(after, slow.gain * source, rate_hz) + worth, parameters=slow.parameters + parameters,
                before=before, after=undone, slow=slow,
            )
        )  # fmt: skip
        if tremolo is not None:
            moving, modulation = tremolo
            undone = after / np.maximum(moving.gain / np.median(moving.gain), _FLOOR)
            explanations.append(
                Explanation(
                    model=name.replace("gain movement", "tremolo"), residual_db=_left_db(after, moving.gain * source, rate_hz) + worth,
                    parameters=8 + parameters, before=before, after=undone, modulation=modulation,
                )
            )  # fmt: skip
    return explanations


def _level_dependent(before: Array, after: Array, filtered: Array, rate_hz: int) -> list[Explanation]:
    """Compressor, limiter or gate, of BEFORE as it is and behind a response."""
    law = fit_law(read_gain(before, after, rate_hz))
    if law is None:
        return []
    gain = law.gain(before.shape[1])
    makeup = 10.0 ** (law.makeup_db / 20.0)
    plain = Explanation(
        model="level-dependent gain", residual_db=_left_db(after, makeup * gain * before, rate_hz), parameters=law.parameters,
        before=before, after=after / np.maximum(gain, _FLOOR), law=law,
    )  # fmt: skip
    explanations = [plain]
    if plain.residual_db < _EXPLAINED_DB:
        return explanations
    filtered_db = _left_db(after, filtered, rate_hz)
    if before.shape[0] == 2 and plain.residual_db < filtered_db + _LEGS_APART_DB:
        explanations += _each_leg(before, after, rate_hz)
        if explanations[-1].residual_db < _EXPLAINED_DB:
            return explanations
    # a gain that leaves more than the response alone is no beginning
    undone = plain.after if plain.residual_db < filtered_db else after
    seen_db = _flat_left_db(before, undone) - level_left_db(undone, impulse_response(before, undone, rate_hz, _SHORT_S).predicted)
    # beside a gain that explains most, a little of a response is what its model lacks
    if seen_db > (_TONE_WORTH_DB if plain.residual_db < filtered_db - _CLEARLY_DB else _TONE_SEEN_DB):
        explanations += _toned_law(before, after, rate_hz, undone)
    return explanations


def _flat_left_db(before: Array, after: Array) -> float:
    """Level of what one gain for all leaves of AFTER."""
    return level_left_db(after, float(np.sum(before * after) / max(float(np.sum(before**2)), 1e-30)) * before)


def _with_second(first: Explanation, after: Array, rate_hz: int) -> Explanation | None:
    """Explanation with a saturation or a level-dependent gain behind what it holds; None where there is nothing to ask."""
    # limiters leave something that a curve explains a little of
    if first.law is not None and first.bend is None and not first.model.startswith("tone") and kind_of(first.law) == "compressor":
        moved = 10.0 ** (first.law.makeup_db / 20.0) * first.law.gain(after.shape[1])
        bend = find_bend(moved * first.before, after)
        bent = bend.through(moved * first.before)
        # the gain is undone on both sides of the curve: what is left between them is linear
        return replace(
            first, model=f"{first.model} and saturation", residual_db=_left_db(after, bent, rate_hz), parameters=first.parameters + 33,
            before=bent / np.maximum(moved, _FLOOR), after=after / np.maximum(moved, _FLOOR), bend=bend,
        )  # fmt: skip
    if first.law is None and (first.bend is not None or first.space is not None):
        law = fit_law(read_gain(first.before, first.after, rate_hz))
        if law is None:
            return None
        moved = 10.0 ** (law.makeup_db / 20.0) * law.gain(after.shape[1])
        left = first.after - moved * first.before
        return replace(
            first, model=f"{first.model} and level-dependent gain", residual_db=_left_db(after, after - left, rate_hz),
            parameters=first.parameters + law.parameters, after=first.after / np.maximum(law.gain(after.shape[1]), _FLOOR), law=law,
        )  # fmt: skip
    return None


def _each_leg(before: Array, after: Array, rate_hz: int) -> list[Explanation]:
    """Level-dependent gains of two legs, each by itself, where they move apart."""
    explanations = []
    for legs in legs_apart(before, after, rate_hz):
        laws = fit_legs(before, after, rate_hz, legs)
        if laws is not None:
            explanations.append(
                Explanation(
                    model=f"level-dependent gain of {legs[0]} and {legs[1]}", residual_db=_left_db(after, laws.predicted, rate_hz),
                    parameters=laws.parameters, before=before, after=laws.undone, legs=laws,
                )
            )  # fmt: skip
            if laws.residual_db < _EXPLAINED_DB:
                break
    return sorted(explanations, key=lambda explanation: -explanation.residual_db)


def _toned_law(before: Array, after: Array, rate_hz: int, undone: Array) -> list[Explanation]:
    """Level-dependent gain beside a response, the two found in turn: its detector behind the response, or in front of it."""
    best: Explanation | None = None
    law: LawFit | None = None
    for _ in range(_ROUNDS):
        source = impulse_response(before, undone, rate_hz, _SHORT_S).predicted
        reading = read_gain(source, after, rate_hz)
        law = fit_law(reading) if law is None else finished(Bench(reading), law.shape, law.values)
        if law is None:
            break
        law, order = _ordered(law, reading, before, search=best is None)
        gain = law.gain(before.shape[1])
        undone = after / np.maximum(gain, _FLOOR)
        residual_db = _left_db(after, 10.0 ** (law.makeup_db / 20.0) * gain * source, rate_hz) + _TONE_WORTH_DB
        if best is not None and residual_db > best.residual_db - 0.5:
            break
        best = Explanation(
            model="tone and level-dependent gain", residual_db=residual_db, parameters=law.parameters + 20, before=before, after=undone,
            law=law, order=order,
        )  # fmt: skip
    return [] if best is None else [best]


def _ordered(law: LawFit, reading: GainReading, before: Array, *, search: bool) -> tuple[LawFit, Order]:
    """(law whose detector hears BEFORE or what the response makes of it, the order of the two): the nearer to the measured gain."""
    steps = reading.gain_db.size
    unfiltered = replace(reading, amplitude=np.abs(before[:, : steps * reading.hop]).max(axis=0))
    in_front = finished(Bench(unfiltered), law.shape, law.values)
    if search and min(law.misfit_db, in_front.misfit_db) > _UNLIKE_DB:
        # one that hears BEFORE may be of another make altogether
        searched = fit_law(unfiltered)
        if searched is not None and searched.misfit_db < in_front.misfit_db:
            in_front = searched
    if in_front.misfit_db < _ORDER_TOLD * law.misfit_db:
        return in_front, "first"
    return law, "second" if law.misfit_db < _ORDER_TOLD * in_front.misfit_db else "cannot be told"
