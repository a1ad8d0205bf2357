"""Equaliser curves of the sheet: the response of a chain's filters, as a sketch and in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.house import BellBlock, HighPassBlock, HighShelfBlock, LowPassBlock, LowShelfBlock
from deskhand.report.sheet.model import ResponseCurve
from deskhand.report.sheet.settings import block_text
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.house import ChainBlock
    from deskhand.report.sheet.model import Leg

LOW_HZ: Final = 20.0
"""Left edge: the range of hearing, rounded as the trade rounds it. Common practice, no source."""
HIGH_HZ: Final = 20000.0
"""Right edge, as above. Common practice, no source."""
SPAN_DB: Final = 12.0
"""Top and bottom of a sketch: what goes further leaves the picture, so that a change of 2 dB is still seen. Common practice, no
source."""
POINTS: Final = 181
"""Points of a curve: 18 an octave, so that the narrowest bell of a desk keeps its tip. Common practice, no source."""
_DEEPEST_DB: Final = -60.0
"""Floor of a curve, far below the sketch: a stop band has no end in dB. Common practice, no source."""
_NYQUIST_SHARE: Final = 0.499
"""Highest frequency as a share of the sample rate: just below half of it, where a digital filter's response ends (sampling
theorem)."""
_THINNING: Final = 0.004
"""Share of its picture that a curve may be off for being drawn with fewer points: 0.1 pt, a tenth of its line. Common practice, no
source."""
_FAR_OUT: Final = 4
"""Spans beyond which a curve is cut: far outside of the picture, its points are not worth drawing. Common practice, no source."""
_FILTERS = (HighPassBlock, LowPassBlock, BellBlock, LowShelfBlock, HighShelfBlock)


def _legs(blocks: Sequence[ChainBlock]) -> tuple[Leg, ...]:
    """Legs whose responses differ."""
    on = {getattr(block, "on", "both") for block in blocks}
    legs: tuple[Leg, ...] = ()
    if on & {"left", "right"}:
        legs += ("left", "right")
    if on & {"mid", "side"}:
        legs += ("mid", "side")
    return legs or ("both",)


def frequencies_hz(sample_rate_hz: float) -> NDArray[np.float64]:
    """(points,) frequencies of the curves, 20 Hz to 20 kHz or just below half the sample rate."""
    return np.geomspace(LOW_HZ, min(HIGH_HZ, _NYQUIST_SHARE * sample_rate_hz), POINTS)


def response_db(
    blocks: Sequence[ChainBlock], *, on: Leg, frequency_hz: NDArray[np.float64], sample_rate_hz: int
) -> NDArray[np.float64]:
    """Gain in dB of all equaliser blocks that act on a leg, as the chain runs them; dynamics at rest do nothing.

    Parameters
    ----------
    blocks : sequence of ChainBlock
        A whole chain; what is no filter is passed over, a measured curve too.
    on : Leg
        "both" for blocks that act on all channels alone.
    frequency_hz : (points,) array
    sample_rate_hz : int
        Of the recording: filters are near their analogue shapes at any rate.

    Returns
    -------
    (points,) array
    """
    from deskhand.chain.blocks import filter_sos
    from deskhand.dsp.biquad import response

    total = np.ones(frequency_hz.shape, np.complex128)
    for block in blocks:
        if isinstance(block, _FILTERS) and block.on in ("both", on):
            total *= response(filter_sos(block, sample_rate_hz), frequency_hz, sample_rate_hz=sample_rate_hz)
    return np.asarray(db_from_amplitude(np.abs(total)))


def chain_curves(
    chain: Sequence[ChainBlock], frequency_hz: NDArray[np.float64], sample_rate_hz: int
) -> tuple[ResponseCurve, ...]:
    """Curves of a chain's equaliser: one, or one for each leg where they differ."""
    filters = [block for block in chain if isinstance(block, _FILTERS)]
    if not filters:
        return ()
    curves = []
    for on in _legs(filters):
        gain_db = response_db(filters, on=on, frequency_hz=frequency_hz, sample_rate_hz=sample_rate_hz)
        clean = np.round(np.maximum(gain_db, _DEEPEST_DB), 2) + 0.0
        curves.append(ResponseCurve(on=on, gain_db=tuple(clean.tolist())))
    return tuple(curves)


def sketch_text(chain: Sequence[ChainBlock], curves: Sequence[ResponseCurve]) -> str:
    """Curves in words: their blocks, and which line is which leg."""
    filters = [block_text(block) for block in chain if isinstance(block, _FILTERS)]
    if not filters:
        return ""
    strokes = ("solid", "dashed", "dotted", "dots and dashes")
    legs = [f"{stroke}: {curve.on}" for stroke, curve in zip(strokes, curves, strict=False)] if len(curves) > 1 else []
    return f"equaliser curve: {'; '.join([*filters, *legs])}"


def sketch_points(frequency_hz: Sequence[float], gain_db: Sequence[float]) -> list[tuple[float, float]]:
    """Points of a curve as shares of its picture, without those that lie on the line between their neighbours: less to draw."""
    octaves = np.log2(frequency_hz)
    across = (octaves - np.log2(LOW_HZ)) / (np.log2(HIGH_HZ) - np.log2(LOW_HZ))
    down = 0.5 - 0.5 * np.clip(gain_db, -_FAR_OUT * SPAN_DB, _FAR_OUT * SPAN_DB) / SPAN_DB
    corners, start = [0], 0
    for end in range(2, down.size):
        between = np.interp(across[start : end + 1], across[[start, end]], down[[start, end]])
        if np.abs(between - down[start : end + 1]).max() > _THINNING:
            start = end - 1
            corners.append(start)
    corners.append(down.size - 1)
    return [(round(float(across[point]), 4), round(float(down[point]), 4)) for point in corners]
