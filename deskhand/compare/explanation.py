"""Account of what lies between two recordings, and what it leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.compare.impulse import level_left_db

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.bend import Bend
    from deskhand.compare.dynamics import Order
    from deskhand.compare.movement import MovingGain
    from deskhand.compare.result import Addition, Modulation
    from deskhand.compare.search import LawFit
    from deskhand.compare.sides import LegLaws
    from deskhand.compare.space import LateSound

    Array = NDArray[np.float64]

EXPLAINED_DB: Final = -45.0
"""Residual below which an explanation ends the search. Common practice, no source."""
TONE_WORTH_DB: Final = 3.0
"""Decibels by which a tone beside it must lower what moving gain or curve leave, or it is what they leave. The study
`validations/compare_cases.py`."""
CLEARLY_DB: Final = 10.0
"""Decibels less than a linear part leaves with which another explanation is clear. Common practice, no source."""
LEGS_APART_DB: Final = 3.0
"""Middle and sides are the legs when they leave less by this. Common practice, no source."""
FLOOR: Final = 1e-3
"""Smallest gain that is divided by: -60 dB. Common practice, no source."""
_MOMENTS_S: Final = 0.02
"""Moments that count as one observation each in the price of a parameter (Schwarz 1978). Common practice, no source."""
_SETTLE_S: Final = 1.0
"""Beginning that residuals leave out: what came before the recording still rings. Common practice, no source."""


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
    bend_input: Array | None = None
    bend_output: Array | None = None
    """Both (channels, frames): what the curve acts on and what comes of it, where that is not BEFORE and AFTER."""
    space: LateSound | None = None
    slow: MovingGain | None = None
    modulation: Modulation | None = None
    law: LawFit | None = None
    order: Order = ""
    """Place of the gain that asks for the level, where there is a tone beside it."""
    gain_first: bool = False
    """True where that gain is taken for in front of the tone."""
    other_law: LawFit | None = None
    """The same gain on the other side of the tone, where its place cannot be told."""
    legs: LegLaws | None = None
    addition: Addition | None = None

    def cost_db(self, seconds: float) -> float:
        """Residual with the price of the parameters (Schwarz 1978)."""
        moments = max(seconds / _MOMENTS_S, 10.0)
        return self.residual_db + float(10.0 / np.log(10.0) * self.parameters * np.log(moments) / moments)


def left_db(after: Array, predicted: Array, rate_hz: int) -> float:
    """Level of what is left, the beginning aside."""
    first = min(round(_SETTLE_S * rate_hz), after.shape[1] // 8)
    return level_left_db(after[:, first:], predicted[:, first:])
