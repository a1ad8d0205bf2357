"""Top of a pair's right side against its left's, beside how the sides stand otherwise."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.measure.provider import NotMeasured, ReadingProvider, WeeklyComparison
from deskhand.units import db_from_power

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from deskhand.measure.provider import SourceMaterial

_LOW_HZ, _TOP_HZ = (88.0, 1414.0), (1414.0, 11314.0)
"""Octaves from 125 Hz to 1 kHz, and from 2 to 8 kHz, from edge to edge (IEC 61260-1, base two)."""
_LEAST_SHARE: Final = 1e-4
"""Share of a side's power below which a band is noise. Common practice, no source."""


def _side_top(material: SourceMaterial) -> float | NotMeasured:
    """Right against left from 2 to 8 kHz, less right against left from 125 Hz to 1 kHz, in dB."""
    if len(material.tracks) != 2:
        return NotMeasured("it has one side")
    pair, grid = material.figures.pairs[material.tracks[0], material.tracks[1]], material.figures.grid
    frequency_hz = grid.bins_hz

    def band_power(side: NDArray[np.floating], low_hz: float, high_hz: float) -> float:
        return float(side[(frequency_hz >= low_hz) & (frequency_hz < high_hz)].sum())

    powers = [[band_power(side, *band) for band in (_LOW_HZ, _TOP_HZ)] for side in (pair.left, pair.right)]
    if any(power <= _LEAST_SHARE * sum(side) for side in powers for power in side):
        return NotMeasured("a side has next to nothing below or above 1.4 kHz")
    (left_low, left_top), (right_low, right_top) = powers
    return float(db_from_power((right_top * left_low) / (left_top * right_low)))


READING: Final = ReadingProvider(
    name="side_top_db",
    unit="dB",
    label="Top of right against left",
    explain="How much brighter the right side is than the left, whatever is played: one microphone, capsule or cable of two.",
    meaning="top of the right side against the left's, beside their balance",
    method="power from 2 to 8 kHz of the right against the left, less the same from 125 Hz to 1 kHz, from the summed spectra of the whole take",
    limits="pairs; both sides have something in both",
    hears="one side duller than the other",
    measure=_side_top,
    rates_apart=0.1,
    shown="folded",
    compared=WeeklyComparison(
        number="side-tone",
        label="tone of right against left",
        stage="tap",
        scale="linear",
        jnd=1.0,
        jnd_source="Zwicker & Fastl, Psychoacoustics, 3rd ed. 2007, 7.1: about 1 dB of level",
        spread=1.2,
        sure_after_s=20.0,
        player_ratio=0.5,
        pairs_only=True,
        # whose cymbal or drum is played is the song's, and a piano's high notes lie on one side
        wider=(("overheads", 2.5), ("percussion", 2.0), ("keys", 1.5)),
    ),
)
