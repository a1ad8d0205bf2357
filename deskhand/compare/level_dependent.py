"""Explanations by a gain that asks for the level: of all, of each leg, beside a tone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks import to_mid_side
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
from deskhand.compare.laws import read_gain
from deskhand.compare.search import fit_law
from deskhand.compare.sides import fit_legs, legs_apart
from deskhand.compare.toned import toned_law

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.search import LawFit
    from deskhand.compare.sides import LegLaws

    Array = NDArray[np.float64]

_LEGS_FOUND_DB: Final = -30.0
"""Residual of two legs' gains below which no other pair of legs is tried. Common practice, no source."""
_TONE_SEEN_DB: Final = 1.0
"""Decibels that a response leaves less than a gain, where there is a tone. The study `validations/compare_cases.py`."""


def level_dependent(before: Array, after: Array, filtered: Array, rate_hz: int) -> list[Explanation]:
    """Compressor, limiter or gate, of BEFORE as it is and behind a response."""
    reading = read_gain(before, after, rate_hz)
    law = fit_law(reading, rough=True)
    if law is None:
        return []
    filtered_db = left_db(after, filtered, rate_hz)
    plain = _plain(before, after, rate_hz, law)
    if plain.residual_db < filtered_db:
        law = fit_law(reading)
        plain = plain if law is None else _plain(before, after, rate_hz, law)
    explanations = [plain]
    if plain.residual_db < EXPLAINED_DB:
        return explanations
    if before.shape[0] == 2 and (plain.residual_db < filtered_db + LEGS_APART_DB or _leg_is_left(after, filtered)):
        explanations += _each_leg(before, after, rate_hz, plain.residual_db)
        if explanations[-1].residual_db < EXPLAINED_DB:
            return explanations
    # a gain that leaves more than the response alone is no beginning
    undone = plain.after if plain.residual_db < filtered_db else after
    seen_db = _flat_left_db(before, undone) - level_left_db(
        undone, impulse_response(before, undone, rate_hz, SHORT_S).predicted
    )
    # beside a gain that explains most, a little of a response is what its model lacks
    if seen_db > (TONE_WORTH_DB if plain.residual_db < filtered_db - CLEARLY_DB else _TONE_SEEN_DB):
        explanations += toned_law(before, after, rate_hz, undone, filtered_db)
    return explanations


def _plain(before: Array, after: Array, rate_hz: int, law: LawFit) -> Explanation:
    """Level-dependent gain of BEFORE as it is."""
    gain = law.gain(before.shape[1])
    predicted = 10.0 ** (law.makeup_db / 20.0) * gain * before
    return Explanation(
        model="level-dependent gain", residual_db=left_db(after, predicted, rate_hz), parameters=law.parameters, before=before,
        after=after / np.maximum(gain, FLOOR), law=law,
    )  # fmt: skip


def _flat_left_db(before: Array, after: Array) -> float:
    """Level of what one gain for all leaves of AFTER."""
    return level_left_db(after, float(np.sum(before * after) / max(float(np.sum(before**2)), 1e-30)) * before)


def _leg_is_left(after: Array, filtered: Array) -> bool:
    """True where a response leaves more of one leg, left or right, middle or sides, than of both together."""
    left = [
        level_left_db(after_legs[row : row + 1], filtered_legs[row : row + 1])
        for after_legs, filtered_legs in ((after, filtered), (to_mid_side(after), to_mid_side(filtered)))
        for row in (0, 1)
    ]
    return max(left) > level_left_db(after, filtered) + LEGS_APART_DB


def _each_leg(before: Array, after: Array, rate_hz: int, plain_db: float) -> list[Explanation]:
    """Level-dependent gains of two legs, each by itself, where they move apart and leave less than one gain for all."""
    tried: list[LegLaws] = []
    for legs in legs_apart(before, after, rate_hz):
        rough = fit_legs(before, after, rate_hz, legs, rough=True)
        tried += [] if rough is None else [rough]
        if tried and tried[-1].residual_db < _LEGS_FOUND_DB:
            break
    best = min(tried, key=lambda laws: laws.residual_db, default=None)
    if best is None or best.residual_db > plain_db - TONE_WORTH_DB:
        return []
    laws = fit_legs(before, after, rate_hz, best.legs)
    if laws is None or laws.residual_db > best.residual_db:
        laws = best
    return [
        Explanation(
            model=f"level-dependent gain of {laws.legs[0]} and {laws.legs[1]}", residual_db=left_db(after, laws.predicted, rate_hz),
            parameters=laws.parameters, before=before, after=laws.undone, legs=laws,
        )
    ]  # fmt: skip
