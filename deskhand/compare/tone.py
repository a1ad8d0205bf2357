"""Response of a processor in shapes, with the gain that all frequencies share and the delay that no filter explains."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.compare.curve import LegCurve, excess_delay_samples, leg_curve, mean_curve, same_legs
from deskhand.compare.model import to_legs
from deskhand.compare.result import ShapeReport
from deskhand.compare.shapes import describe
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.compare.model import LegModel

    Array = NDArray[np.float64]

_NO_DELAY_SAMPLES: Final = 0.005
"""A smaller delay is none: docs/validation-compare.md finds latencies to 0.004 sample in the median."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tone:
    """Response of a processor: its shapes, what all frequencies share, and its delay."""

    curves: list[LegCurve]
    shapes: list[ShapeReport]
    flat_db: list[float]
    """Gain of each leg that all frequencies share."""
    rms_db: float
    """Largest RMS that shapes leave of a leg's response."""
    delay_samples: float
    """Delay that no filter of this magnitude explains."""


def gain_alone(model: LegModel, before: Array) -> Tone:
    """Gain of each leg where no frequency stands out of what else acts."""
    gains = np.sum(model.joint.linear**2, axis=1) / np.maximum(
        np.sum(to_legs(before[:, model.part], model.legs) ** 2, axis=1), 1e-30
    )
    flat_db = [float(gain_db) for gain_db in db_from_power(np.maximum(gains, 1e-12))]
    return Tone(curves=[], shapes=[], flat_db=flat_db, rms_db=0.0, delay_samples=0.0)


def find_tone(model: LegModel, rate: int, top_hz: float) -> Tone | None:
    """Response of a model's legs in shapes, up to a frequency; legs that have the same are described together. None where nothing comes of BEFORE."""
    joint = model.joint
    read = [leg_curve(transfer, rate, moving=joint.moves, top_hz=top_hz) for transfer in joint.transfers]
    # a leg of which nothing can be read is taken for what the other is
    known = [curve for curve in read if curve is not None]
    if not known:
        return None
    curves = [curve or known[0] for curve in read]
    shapes: list[ShapeReport] = []
    flat_db: list[float] = [0.0] * len(curves)
    rms_db: list[float] = []
    delays: list[float | None] = []
    for group in same_legs(curves):
        curve = mean_curve(curves, group)
        fit = describe(curve.hz, curve.level_db, curve.sure_db, rate)
        rms_db.append(fit.rms_db)
        delays += [excess_delay_samples(joint.transfers[leg], rate, fit) for leg in group]
        on = "both" if len(group) == len(curves) else model.legs[group[0]]
        for leg in group:
            flat_db[leg] = fit.gain_db
        shapes += [
            ShapeReport(
                block=shape.block, on=on, frequency_hz=round(shape.frequency_hz, 1),
                gain_db=None if shape.gain_db is None else round(shape.gain_db, 2), q=None if shape.q is None else round(shape.q, 3),
                slope_db_per_octave=shape.slope_db_per_octave,
            )
            for shape in fit.shapes
        ]  # fmt: skip
    known_delays = [delay for delay in delays if delay is not None]
    delay = float(np.mean(known_delays)) if known_delays else 0.0
    return Tone(
        curves=curves,
        shapes=shapes,
        flat_db=flat_db,
        rms_db=max(rms_db),
        delay_samples=0.0 if abs(delay) < _NO_DELAY_SAMPLES else delay,
    )
