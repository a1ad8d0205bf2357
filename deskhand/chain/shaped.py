"""Level that a chain's equaliser adds or takes, from the third-octaves of what goes in: no audio is run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.filters import (
    analogue_power,
    bell_prototype,
    high_shelf_prototype,
    low_shelf_prototype,
    pass_prototypes,
)
from deskhand.dsp.spectrum import exact_hz
from deskhand.house import BellBlock, HighPassBlock, HighShelfBlock, LowPassBlock, LowShelfBlock
from deskhand.measure.tone import levels_db
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock

    Array = NDArray[np.float64]

_STEPS: Final = 9
"""Frequencies in each third-octave, so that the narrowest bells are seen. Arithmetic."""
_HZ: Final = exact_hz()[:, None] * 10.0 ** ((np.arange(_STEPS) - _STEPS // 2) / (10.0 * _STEPS))
"""(31, steps) frequencies of the third-octaves (IEC 61260-1:2014)."""


def equaliser_db(blocks: Sequence[ChainBlock], tone_db: Mapping[str, float]) -> float:
    """Change of the whole power by the equaliser of a chain, where both sides have it, in dB.

    Parameters
    ----------
    blocks : sequence of ChainBlock
    tone_db : mapping
        Third-octave levels of what goes in; inside a band its power is taken for even.
    """
    power = power_from_db(levels_db(tone_db))
    gains = np.ones(_HZ.shape)
    for block in blocks:
        if getattr(block, "on", "both") == "both":
            gains = gains * _power_gain(block)
    return float(db_from_power(max(float((power * gains.mean(axis=1)).sum()), 1e-20) / max(float(power.sum()), 1e-20)))


def _power_gain(block: ChainBlock) -> Array:
    """(31, steps) power gain of a block of the equaliser; 1 for every other."""
    if isinstance(block, BellBlock):
        sections = [bell_prototype(block.gain_db, block.q)]
    elif isinstance(block, LowShelfBlock):
        sections = [low_shelf_prototype(block.gain_db, block.q)]
    elif isinstance(block, HighShelfBlock):
        sections = [high_shelf_prototype(block.gain_db, block.q)]
    elif isinstance(block, HighPassBlock | LowPassBlock):
        high = isinstance(block, HighPassBlock)
        order = round(block.slope_db_per_octave / 6.0)
        sections = pass_prototypes(order=order, high=high, alignment=block.shape)
    else:
        return np.ones(_HZ.shape)
    ratio = _HZ / block.frequency_hz
    return np.asarray(np.prod([analogue_power(*section, ratio) for section in sections], axis=0))
