"""Explanations by two effects in a row, each found with the other undone, in turn."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.compare.account import kind_of
from deskhand.compare.bend import find_bend
from deskhand.compare.explanation import FLOOR, TONE_WORTH_DB, Explanation, left_db
from deskhand.compare.impulse import SHORT_S, impulse_response
from deskhand.compare.laws import Bench, read_gain
from deskhand.compare.search import finished, fit_law
from deskhand.compare.toned import undone

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from deskhand.compare.bend import Bend
    from deskhand.compare.search import LawFit

    Array = NDArray[np.float64]

_ROUNDS: Final = 6
"""Times that two effects are found in turn at most: each brings some 5 dB. Common practice, no source."""
_GAIN_ROUNDS: Final = 3
"""The same where one is a gain that asks for the level, which takes longer to find. Common practice, no source."""
_GAINED_DB: Final = 1.0
"""Decibels less with which a round is worth another. Common practice, no source."""
_FEW_DB: Final = 2.0
"""Decibels by which two rounds must lower what one effect leaves for more to be tried. Common practice, no source."""


def _best(explanations: Iterator[Explanation], worth_db: float) -> Explanation | None:
    """Explanation of the last round that brought something; None where the first two are not worth it."""
    best: Explanation | None = None
    for number, explanation in enumerate(explanations):
        gained_db = np.inf if best is None else best.residual_db - explanation.residual_db
        if best is None or gained_db > 0.0:
            best = explanation
        if gained_db < _GAINED_DB or (number == 1 and best.residual_db > worth_db - _FEW_DB):
            break
    return best


def toned_bend(before: Array, after: Array, rate_hz: int, alone: Explanation, filtered: Array) -> list[Explanation]:
    """Saturation beside a response, in front of it and behind it.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int
    alone : Explanation
        Saturation alone.
    filtered : (channels, frames) array
        BEFORE through its response.
    """
    assert alone.bend is not None
    worth_db = min(alone.residual_db, left_db(after, filtered, rate_hz))
    rows = (
        _best(_bend_second(before, after, rate_hz, filtered), worth_db),
        _best(_bend_first(before, after, rate_hz, alone.bend), worth_db),
    )
    return [row for row in rows if row is not None]


def _bend_second(before: Array, after: Array, rate_hz: int, source: Array) -> Iterator[Explanation]:
    """Saturation behind a response, round by round."""
    for _ in range(_ROUNDS):
        bend = find_bend(source, after)
        straight = bend.undone(after)
        yield Explanation(
            model="tone and saturation", residual_db=left_db(after, bend.through(source), rate_hz) + TONE_WORTH_DB, parameters=53,
            before=before, after=straight, bend=bend, bend_input=source, bend_output=after,
        )  # fmt: skip
        source = impulse_response(before, straight, rate_hz, SHORT_S).predicted


def _bend_first(before: Array, after: Array, rate_hz: int, bend: Bend) -> Iterator[Explanation]:
    """Saturation in front of a response, round by round."""
    straight = after
    for _ in range(_ROUNDS):
        bent = bend.through(before)
        response = impulse_response(bent, after, rate_hz, SHORT_S)
        straight = undone(after, response)
        yield Explanation(
            model="saturation and tone", residual_db=left_db(after, response.predicted, rate_hz) + TONE_WORTH_DB, parameters=53,
            before=bent, after=after, bend=bend, bend_input=before, bend_output=straight,
        )  # fmt: skip
        bend = find_bend(before, straight)


def with_second(first: Explanation, before: Array, after: Array, rate_hz: int, law: LawFit | None) -> list[Explanation]:
    """Explanations of a saturation or a room together with a level-dependent gain, where the first is one of them.

    Parameters
    ----------
    first : Explanation
        Nearest single effect.
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int
    law : LawFit, optional
        Level-dependent gain that was found alone.
    """
    if first.model.startswith("tone") or first.model.endswith("tone") or first.legs is not None:
        return []
    if first.space is not None:
        return [] if first.law is not None else _gain_behind_room(first, after, rate_hz)
    # limiters leave something that a curve explains a little of
    if first.bend is None and (first.law is None or kind_of(first.law) != "compressor"):
        return []
    law = fit_law(read_gain(before, after, rate_hz), rough=True) if law is None else law
    rows = [_best(_gain_then_bend(before, after, rate_hz, law), first.residual_db)] if law is not None else []
    if first.bend is not None:
        rows.append(_best(_bend_then_gain(before, after, rate_hz, first.bend), first.residual_db))
    best = min((row for row in rows if row is not None), key=lambda row: row.residual_db, default=None)
    if best is None or best.law is None or best.residual_db > first.residual_db:
        return []
    searched = fit_law(best.law.bench.reading)
    return [best if searched is None or searched.misfit_db > best.law.misfit_db else replace(best, law=searched)]


def _gain_then_bend(before: Array, after: Array, rate_hz: int, law: LawFit) -> Iterator[Explanation]:
    """Level-dependent gain in front of a saturation, round by round."""
    for _ in range(_GAIN_ROUNDS + 1):
        moved = 10.0 ** (law.makeup_db / 20.0) * law.gain(before.shape[1])
        source = moved * before
        bend = find_bend(source, after)
        # the gain is undone on both sides of the curve: what is left between them is linear
        yield Explanation(
            model="level-dependent gain and saturation", residual_db=left_db(after, bend.through(source), rate_hz),
            parameters=law.parameters + 33, before=bend.through(source) / np.maximum(moved, FLOOR), after=after / np.maximum(moved, FLOOR),
            law=law, bend=bend, bend_input=source, bend_output=after,
        )  # fmt: skip
        law = finished(Bench(read_gain(before, bend.undone(after), rate_hz)), law.shape, law.values)


def _bend_then_gain(before: Array, after: Array, rate_hz: int, bend: Bend) -> Iterator[Explanation]:
    """Saturation in front of a level-dependent gain, round by round."""
    law: LawFit | None = None
    for _ in range(_GAIN_ROUNDS):
        bent = bend.through(before)
        reading = read_gain(bent, after, rate_hz)
        law = fit_law(reading, rough=True) if law is None else finished(Bench(reading), law.shape, law.values)
        if law is None:
            return
        gain = law.gain(before.shape[1])
        moved = 10.0 ** (law.makeup_db / 20.0) * gain
        yield Explanation(
            model="saturation and level-dependent gain", residual_db=left_db(after, moved * bent, rate_hz), parameters=law.parameters + 33,
            before=bent, after=after / np.maximum(gain, FLOOR), law=law, bend=bend, bend_input=before, bend_output=after / np.maximum(moved, FLOOR),
        )  # fmt: skip
        bend = find_bend(before, after / np.maximum(moved, FLOOR))


def _gain_behind_room(first: Explanation, after: Array, rate_hz: int) -> list[Explanation]:
    """Late sound together with a level-dependent gain."""
    law = fit_law(read_gain(first.before, first.after, rate_hz))
    if law is None:
        return []
    gain = law.gain(after.shape[1])
    left = first.after - 10.0 ** (law.makeup_db / 20.0) * gain * first.before
    return [
        replace(
            first, model=f"{first.model} and level-dependent gain", residual_db=left_db(after, after - left, rate_hz),
            parameters=first.parameters + law.parameters, after=first.after / np.maximum(gain, FLOOR), law=law,
        )
    ]  # fmt: skip
