"""Remainder of AFTER that an explanation does not hold, to be heard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks import from_mid_side
from deskhand.compare.model import to_legs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.model import LegModel
    from deskhand.compare.rival import Competition

    Array = NDArray[np.float64]

_NOTHING: Final = 1e-12
"""Sample below which no gain is read: far below 24 bits."""


def remainder(model: LegModel, competition: Competition, after: Array) -> Array:
    """(channels, frames) of what is left of AFTER, silent outside the stretch that was explained.

    Parameters
    ----------
    model : LegModel
        Linear part between what the explanation has turned, or moving gains of legs.
    competition : Competition
    after : (channels, frames) array
        AFTER, aligned.
    """
    chosen = competition.chosen
    left = np.zeros_like(after)
    predicted = _channels(model.joint.predicted, model.legs)
    if model.joint.moves or chosen.after is competition.after:
        first = model.part.start + (0 if model.joint.moves or chosen.model == "linear" else competition.first)
        left[:, first : first + predicted.shape[1]] = after[:, first : first + predicted.shape[1]] - predicted
        return left
    target, whole = chosen.after[:, model.part], competition.after[:, model.part]
    if chosen.model == "tone and saturation" and chosen.bend is not None:
        part = whole - chosen.bend.through(predicted)
    elif chosen.space is not None and chosen.law is None:
        part = target - predicted
    elif chosen.law is not None and chosen.space is not None:
        part = (target - predicted) * chosen.law.gain(chosen.after.shape[1])[model.part]
    else:
        # a gain that was undone sample by sample is put back
        legs = chosen.legs.legs if chosen.legs is not None else ("left", "right")
        target_legs, whole_legs = to_legs(target, legs), to_legs(whole, legs)
        gain = np.divide(whole_legs, target_legs, out=np.ones_like(whole_legs), where=np.abs(target_legs) > _NOTHING)
        part = _channels(gain * to_legs(target - predicted, legs), legs)
    first = competition.first + model.part.start
    left[:, first : first + part.shape[1]] = part
    return left


def _channels(signal: Array, legs: tuple[str, ...]) -> Array:
    """(channels, frames) of legs."""
    return from_mid_side(signal) if legs == ("mid", "side") else signal
