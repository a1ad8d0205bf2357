"""Names of what a processor did."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from deskhand.compare.result import CompareResult

LEAST_DELAY_SAMPLES: Final = 0.03
"""Smallest delay that is told: nine of ten in docs/validation-compare.md are found as near."""
LEAST_WIDTH_DB: Final = 0.3
"""Smallest difference of middle and sides, or of left and right, that is told. Common practice, no source."""


def behaviours(result: CompareResult) -> tuple[str, ...]:
    """Names of what a processor did, in the order in which the result tells them.

    Parameters
    ----------
    result : CompareResult
    """
    alignment = result.alignment
    width = result.side_gain_db is not None and abs(result.side_gain_db) >= LEAST_WIDTH_DB
    present = {
        "polarity": alignment.polarity < 0,
        "delay": abs(alignment.delay_samples) >= LEAST_DELAY_SAMPLES and alignment.used_from_s is None,
        "drift": bool(alignment.drift_ppm),
        "cut": bool(alignment.jumps) or alignment.used_from_s is not None,
        "tone": bool(result.shapes),
        "width": width or any(shape.on in ("mid", "side") for shape in result.shapes),
        **{gain.kind: True for gain in result.dynamics},
        "saturation": result.saturation is not None,
        "reverb": result.reverb is not None,
        "echo": bool(result.echoes),
        "tremolo": result.modulation is not None and result.modulation.kind == "tremolo",
        "chorus": result.modulation is not None and result.modulation.kind == "chorus",
        "gain movement": result.gain_movement is not None,
        "noise": result.addition is not None and result.addition.hum_dbfs is None,
        "hum": result.addition is not None and result.addition.hum_dbfs is not None,
    }
    return tuple(name for name, is_there in present.items() if is_there)
