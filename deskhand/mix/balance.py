"""Shares of the sources in the mix, band by band, and how its balance shifts to the ear when it is played louder or softer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.loudness_level import phon_from_spl
from deskhand.dsp.spectrum import OCTAVES_HZ
from deskhand.measure.tone import octaves
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.figures import Figures
    from deskhand.mix.bus import Strip

OCTAVES: Final = OCTAVES_HZ[1:9]
"""63 Hz to 8 kHz."""
_LEAST_SHARE: Final = 1e-4
"""Smaller shares of an octave, 0.01 %, are left out. Common practice, no source."""


def _octave_power(figures: Figures, row: int) -> NDArray[np.float64]:
    """(8,) mean square in the octaves 63 Hz to 8 kHz, over the whole take."""
    tone = figures.tracks[row].tone
    known = np.isfinite(tone).all(axis=1)
    return octaves(tone[known].mean(axis=0, dtype=np.float64)) if known.any() else np.zeros(len(OCTAVES))


def shares_pct(figures: Figures, strips: Sequence[Strip]) -> dict[str, dict[str, float]]:
    """Share of each source in the mix's energy in each octave, in percent (mean of both sides, as if nothing were in common).

    Parameters
    ----------
    figures : Figures
        Of all rows.
    strips : sequence of Strip
        Of the mix.
    """
    parts = {}
    for strip in strips:
        weights = 0.5 * (strip.matrix() ** 2).sum(axis=0)
        parts[strip.source] = np.sum(
            [weight * _octave_power(figures, row) for weight, row in zip(weights, strip.rows, strict=True)], axis=0
        )
    total = np.sum(list(parts.values()), axis=0) if parts else np.zeros(len(OCTAVES))
    return {
        source: {
            f"{hz:g}": round(100.0 * float(source_power / whole), 1)
            for hz, source_power, whole in zip(OCTAVES, power, total, strict=True)
            if whole > 0.0 and source_power / whole > _LEAST_SHARE
        }
        for source, power in parts.items()
    }


def shift_phon(figures: Figures, rows: Sequence[int], *, offset_db: float, change_db: float) -> dict[str, float]:
    """Growth of each octave to the ear beyond that of 1 kHz when the level changes, in phon.

    Parameters
    ----------
    figures : Figures
    rows : sequence of int
        Of the mix.
    offset_db : float
        dB SPL of one channel with a mean square of 1 that both sides play.
    change_db : float
        From the level of this take to the other one.

    Returns
    -------
    dict
        Octave to phon; octaves that cannot be heard at either level are left out. Positive bass for a positive change: the
        same mix sounds fuller when it is louder.

    References
    ----------
    ISO 226:2023, of pure tones at the octaves' levels: a guide, not a model of music.
    """
    power = np.mean([_octave_power(figures, row) for row in rows], axis=0)
    hz = np.array(OCTAVES)
    level = np.asarray(db_from_power(np.maximum(power, 1e-20))) + offset_db
    grown = phon_from_spl(level + change_db, hz) - phon_from_spl(level, hz) - change_db
    return {
        f"{octave_hz:g}": round(float(value), 1)
        for octave_hz, value in zip(OCTAVES, grown, strict=True)
        if np.isfinite(value)
    }
