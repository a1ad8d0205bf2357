"""Slope of the tone from low to high."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.measure.provider import NotMeasured, ReadingProvider
from deskhand.measure.tone import tilt_db_per_octave

if TYPE_CHECKING:
    from deskhand.measure.provider import SourceMaterial


def _tilt(material: SourceMaterial) -> float | NotMeasured:
    """Slope of the playing's tone, in dB per octave."""
    tilt = None if material.tone_db is None else tilt_db_per_octave(material.tone_db)
    return NotMeasured("fewer than four octaves sound") if tilt is None else tilt


READING: Final = ReadingProvider(
    name="tilt_db_per_octave",
    unit="dB per octave",
    label="Slope of the tone",
    explain="The slope of its tone from low to high: more negative is darker.",
    meaning="dark or bright, as one number",
    method="least-squares line through the octaves 63 Hz to 8 kHz that lie within 45 dB of the whole",
    limits="four octaves at least",
    hears="near 0: bright; −9: dark",
    measure=_tilt,
    rates_apart=0.03,
    shown="folded",
    label_before="loudness_sone",
)
