"""Filters that explain a response, and their parameters as a search turns them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from deskhand.dsp.filters import analogue_power, bell_or_shelf_prototype, pass_prototypes
from deskhand.house import BLOCKS
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_PASS_OCTAVES: Final = (-6.0, 4.2)
"""Lowest and highest corner of a pass, in octaves against 1 kHz: 16 Hz to 18 kHz, what people turn. Common practice, no source."""
_BELL_OCTAVES: Final = (-5.3, 4.3)
"""Lowest and highest frequency of a bell or shelf, in octaves against 1 kHz: 25 Hz to 20 kHz, what people turn. Common practice, no source."""
_Q_LOG2: Final = (-1.8, 3.6)
"""Lowest and highest Q as log2: 0.29 to 12, what people turn. Common practice, no source."""
_MOST_GAIN_DB: Final = 20.0
"""Largest gain of a shape, either way: what people turn. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterShape:
    """Filter of a named shape."""

    block: str
    """Name of a block: a bell, a shelf or a pass."""
    frequency_hz: float
    gain_db: float | None
    """None for a pass."""
    q: float | None
    slope_db_per_octave: float | None
    """Slope of a pass; None for the others."""

    @property
    def is_pass(self) -> bool:
        """True for a high-pass or a low-pass."""
        return not BLOCKS[self.block].is_bell_or_shelf

    @property
    def acts(self) -> Literal["below", "above"] | None:
        """Side of its corner that a shelf turns or a pass takes away."""
        return BLOCKS[self.block].acts


def shape_db(shape: FilterShape, hz: Array, rate_hz: float, *, warped: bool) -> Array:
    """(points,) magnitude of a shape, as analogue filters have it or as the tangent mapping to a sample rate does."""
    if warped:
        top = 0.499 * rate_hz
        ratio = np.tan(np.pi * np.minimum(hz, top) / rate_hz) / np.tan(np.pi * min(shape.frequency_hz, top) / rate_hz)
    else:
        ratio = hz / shape.frequency_hz
    if shape.is_pass:
        power = np.ones(hz.size)
        order = round((shape.slope_db_per_octave or 12.0) / 6.0)
        sections = pass_prototypes(order=order, high=shape.acts == "below", alignment="butterworth")
        for section, (top_part, bottom) in enumerate(sections):
            # a second-order pass may have another Q than Butterworth's
            if order == 2 and section == 0 and shape.q is not None:
                bottom = (bottom[0], 1.0 / shape.q, bottom[2])
            power = power * analogue_power(top_part, bottom, ratio)
    else:
        prototype = bell_or_shelf_prototype(shape.acts, shape.gain_db or 0.0, shape.q or 1.0)
        power = analogue_power(*prototype, ratio)
    return np.asarray(db_from_power(np.maximum(power, 1e-12)))


def response_db(shapes: Sequence[FilterShape], hz: Array, rate_hz: float, *, warped: bool) -> Array:
    """(points,) magnitude of several shapes together, in dB."""
    return np.asarray(sum((shape_db(shape, hz, rate_hz, warped=warped) for shape in shapes), np.zeros(hz.size)))


def packed(shapes: Sequence[FilterShape]) -> Array:
    """(parameters,) of shapes for a search: log2 of frequency and Q, gain in dB; those that a shape has."""
    values: list[float] = []
    for shape in shapes:
        values.append(float(np.log2(shape.frequency_hz / 1000.0)))
        if shape.gain_db is not None:
            values.append(shape.gain_db)
        if shape.q is not None:
            values.append(float(np.log2(shape.q)))
    return np.array(values)


def unpacked(values: Array, like: Sequence[FilterShape]) -> list[FilterShape]:
    """Shapes of the same kinds as others, with the parameters that a search has come to."""
    shapes, index = [], 0
    for shape in like:
        least, most = _PASS_OCTAVES if shape.gain_db is None else _BELL_OCTAVES
        hz = 1000.0 * 2.0 ** min(max(float(values[index]), least), most)
        index += 1
        gain, q = shape.gain_db, shape.q
        if gain is not None:
            gain = min(max(float(values[index]), -_MOST_GAIN_DB), _MOST_GAIN_DB)
            index += 1
        if q is not None:
            q = 2.0 ** min(max(float(values[index]), _Q_LOG2[0]), _Q_LOG2[1])
            index += 1
        slope = shape.slope_db_per_octave
        shapes.append(FilterShape(block=shape.block, frequency_hz=hz, gain_db=gain, q=q, slope_db_per_octave=slope))
    return shapes
