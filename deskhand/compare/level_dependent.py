"""Explanations by a gain that asks for the level: of all, of each leg, beside a tone, behind a first effect."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.compare.account import kind_of
from deskhand.compare.bend import find_bend
from deskhand.compare.explanation import (
    CLEARLY_DB,
    EXPLAINED_DB,
    FLOOR,
    LEGS_APART_DB,
    SHORT_S,
    TONE_WORTH_DB,
    Explanation,
    left_db,
)
from deskhand.compare.impulse import impulse_response, level_left_db
from deskhand.compare.laws import read_gain
from deskhand.compare.search import fit_law
from deskhand.compare.sides import fit_legs, legs_apart
from deskhand.compare.toned import toned_law

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_TONE_SEEN_DB: Final = 1.0
"""Decibels that a response leaves less than a gain, where there is a tone. The study `validations/compare_cases.py`."""


def level_dependent(before: Array, after: Array, filtered: Array, rate_hz: int) -> list[Explanation]:
    """Compressor, limiter or gate, of BEFORE as it is and behind a response."""
    law = fit_law(read_gain(before, after, rate_hz))
    if law is None:
        return []
    gain = law.gain(before.shape[1])
    makeup = 10.0 ** (law.makeup_db / 20.0)
    plain = Explanation(
        model="level-dependent gain", residual_db=left_db(after, makeup * gain * before, rate_hz), parameters=law.parameters,
        before=before, after=after / np.maximum(gain, FLOOR), law=law,
    )  # fmt: skip
    explanations = [plain]
    if plain.residual_db < EXPLAINED_DB:
        return explanations
    filtered_db = left_db(after, filtered, rate_hz)
    if before.shape[0] == 2 and plain.residual_db < filtered_db + LEGS_APART_DB:
        explanations += _each_leg(before, after, rate_hz)
        if explanations[-1].residual_db < EXPLAINED_DB:
            return explanations
    # a gain that leaves more than the response alone is no beginning
    undone = plain.after if plain.residual_db < filtered_db else after
    seen_db = _flat_left_db(before, undone) - level_left_db(
        undone, impulse_response(before, undone, rate_hz, SHORT_S).predicted
    )
    # beside a gain that explains most, a little of a response is what its model lacks
    if seen_db > (TONE_WORTH_DB if plain.residual_db < filtered_db - CLEARLY_DB else _TONE_SEEN_DB):
        explanations += toned_law(before, after, rate_hz, undone)
    return explanations


def _flat_left_db(before: Array, after: Array) -> float:
    """Level of what one gain for all leaves of AFTER."""
    return level_left_db(after, float(np.sum(before * after) / max(float(np.sum(before**2)), 1e-30)) * before)


def with_second(first: Explanation, after: Array, rate_hz: int) -> Explanation | None:
    """Explanation with a saturation or a level-dependent gain behind what it holds; None where there is nothing to ask."""
    # limiters leave something that a curve explains a little of
    if (
        first.law is not None
        and first.bend is None
        and not first.model.startswith("tone")
        and kind_of(first.law) == "compressor"
    ):
        moved = 10.0 ** (first.law.makeup_db / 20.0) * first.law.gain(after.shape[1])
        bend = find_bend(moved * first.before, after)
        bent = bend.through(moved * first.before)
        # the gain is undone on both sides of the curve: what is left between them is linear
        return replace(
            first, model=f"{first.model} and saturation", residual_db=left_db(after, bent, rate_hz), parameters=first.parameters + 33,
            before=bent / np.maximum(moved, FLOOR), after=after / np.maximum(moved, FLOOR), bend=bend,
        )  # fmt: skip
    if first.law is None and (first.bend is not None or first.space is not None):
        law = fit_law(read_gain(first.before, first.after, rate_hz))
        if law is None:
            return None
        moved = 10.0 ** (law.makeup_db / 20.0) * law.gain(after.shape[1])
        left = first.after - moved * first.before
        return replace(
            first, model=f"{first.model} and level-dependent gain", residual_db=left_db(after, after - left, rate_hz),
            parameters=first.parameters + law.parameters, after=first.after / np.maximum(law.gain(after.shape[1]), FLOOR), law=law,
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
                    model=f"level-dependent gain of {legs[0]} and {legs[1]}", residual_db=left_db(after, laws.predicted, rate_hz),
                    parameters=laws.parameters, before=before, after=laws.undone, legs=laws,
                )
            )  # fmt: skip
            if laws.residual_db < EXPLAINED_DB:
                break
    return sorted(explanations, key=lambda explanation: -explanation.residual_db)
