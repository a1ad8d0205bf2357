"""Explanations by a level-dependent gain and a response in a row, in either order.

A gain behind a response acts on what the response makes of BEFORE; a gain in front of one is read between BEFORE and AFTER with the
response undone. Gain and response are found in turn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft

from deskhand.compare.explanation import FLOOR, TONE_WORTH_DB, Explanation, left_db
from deskhand.compare.impulse import SHORT_S, impulse_response
from deskhand.compare.laws import Bench, read_gain
from deskhand.compare.search import AS_NEAR, finished, fit_law

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.dynamics import Order
    from deskhand.compare.impulse import ImpulseResponse
    from deskhand.compare.laws import GainReading
    from deskhand.compare.search import LawFit

    Array = NDArray[np.float64]

_UNLIKE_DB: Final = 0.4
"""Misfit above which another make is looked for. Common practice, no source."""
_ORDER_TOLD_DB: Final = 4.0
"""Decibels by which one order must leave less than the other to be told. The study `validations/compare_cases.py`."""
_ROUNDS, _MORE_ROUNDS = 4, 3
"""Both: times that tone and moving gain are found in turn, to begin with and from a start that is near. Each brings some 5 dB. Common
practice, no source."""
_SETTLED_DB: Final = 0.5
"""Decibels less with which a round is the last. Common practice, no source."""
_UNDONE_DB: Final = 50.0
"""Depth below a response's top down to which it is undone. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Row:
    """Gain and response in a row, and what they leave."""

    law: LawFit
    reading: GainReading
    residual_db: float
    before: Array
    """(channels, frames) of BEFORE, through the gain where that comes first."""
    after: Array
    """(channels, frames) of AFTER, the gain undone where that comes second."""
    gain_first: bool


def toned_law(before: Array, after: Array, rate_hz: int, standing: Array, filtered_db: float) -> list[Explanation]:
    """Level-dependent gain beside a response: behind it, or in front of it; none where no level explains the gain.

    Parameters
    ----------
    before, after : (channels, frames) arrays
        Recordings, aligned.
    rate_hz : int
    standing : (channels, frames) array
        AFTER without a gain that was found without a response, or AFTER.
    filtered_db : float
        Residual of the response alone.
    """
    second = _gain_second(before, after, rate_hz, standing, None, _ROUNDS)
    if second is None:
        return []
    first = _gain_first(before, after, rate_hz, second)
    if min(row.residual_db for row in (second, first) if row is not None) > filtered_db - TONE_WORTH_DB:
        # no gain beside the response is worth its price
        return []
    rows = [second] if first is None else [second, first]
    if first is not None and first.residual_db < second.residual_db:
        # what the one has found of the response is a nearer start for the other
        again = _gain_second(
            before, after, rate_hz, after / np.maximum(first.law.gain(before.shape[1]), FLOOR), first.law, _MORE_ROUNDS
        )
        rows += [] if again is None else [again]
    best = min(rows, key=lambda row: row.residual_db)
    other = min(
        (row.residual_db for row in rows if row.gain_first is not best.gain_first),
        default=best.residual_db,
    )
    order: Order = "first" if best.gain_first else "second"
    if other - best.residual_db < _ORDER_TOLD_DB:
        order = "cannot be told"
    # all makes once more, now that the response is known; that some goes beside it untouched as well is not asked
    law = fit_law(best.reading)
    law = best.law if law is None or law.misfit_db > AS_NEAR * best.law.misfit_db else replace(law, parallel_open=False)
    others = sorted((row for row in rows if row.gain_first is not best.gain_first), key=lambda row: row.residual_db)
    return [
        Explanation(
            model="tone and level-dependent gain", residual_db=best.residual_db + TONE_WORTH_DB, parameters=law.parameters + 20,
            before=best.before, after=best.after, law=law, order=order, gain_first=best.gain_first,
            other_law=others[0].law if others and order == "cannot be told" else None,
        )
    ]  # fmt: skip


def _gain_second(
    before: Array, after: Array, rate_hz: int, standing: Array, law: LawFit | None, rounds: int
) -> _Row | None:
    """Gain behind a response; None where no level explains it."""
    best: _Row | None = None
    for _ in range(rounds):
        source = impulse_response(before, standing, rate_hz, SHORT_S).predicted
        reading = read_gain(source, after, rate_hz)
        law = fit_law(reading, rough=True) if law is None else finished(Bench(reading), law.shape, law.values)
        if law is None:
            break
        gain = law.gain(before.shape[1])
        standing = after / np.maximum(gain, FLOOR)
        residual_db = left_db(after, 10.0 ** (law.makeup_db / 20.0) * gain * source, rate_hz)
        if best is not None and residual_db > best.residual_db - _SETTLED_DB:
            break
        best = _Row(law=law, reading=reading, residual_db=residual_db, before=before, after=standing, gain_first=False)
    return best


def _gain_first(before: Array, after: Array, rate_hz: int, second: _Row) -> _Row | None:
    """Gain in front of a response, from what the other order found of it on; None where no level explains it."""
    best: _Row | None = None
    response = impulse_response(before, second.after, rate_hz, SHORT_S)
    law: LawFit | None = None
    for _ in range(_MORE_ROUNDS):
        reading = read_gain(before, undone(after, response), rate_hz)
        if law is None:
            law = finished(Bench(reading), second.law.shape, second.law.values)
            if law.misfit_db > _UNLIKE_DB:
                # one that hears BEFORE may be of another make altogether
                searched = fit_law(reading, rough=True)
                law = searched if searched is not None and searched.misfit_db < law.misfit_db else law
        else:
            law = finished(Bench(reading), law.shape, law.values)
        moved = law.gain(before.shape[1]) * before
        response = impulse_response(moved, after, rate_hz, SHORT_S)
        residual_db = left_db(after, response.predicted, rate_hz)
        if best is not None and residual_db > best.residual_db - _SETTLED_DB:
            break
        best = _Row(law=law, reading=reading, residual_db=residual_db, before=moved, after=after, gain_first=True)
    return best


def undone(after: Array, response: ImpulseResponse) -> Array:
    """(channels, frames) of a signal with a response undone, as far down as that is known.

    Parameters
    ----------
    after : (channels, frames) array
    response : ImpulseResponse
    """
    frames = after.shape[1]
    size = scipy.fft.next_fast_len(frames + 2 * response.taps.shape[1], real=True)
    transfer = scipy.fft.rfft(response.taps, size, axis=1)
    power = np.abs(transfer) ** 2
    floor = 10.0 ** (-_UNDONE_DB / 10.0) * power.max(axis=1, keepdims=True)
    spectrum = scipy.fft.rfft(after, size, axis=1) * np.conj(transfer) / (power + floor + 1e-30)
    return np.ascontiguousarray(np.roll(scipy.fft.irfft(spectrum, size, axis=1), response.direct, axis=1)[:, :frames])
