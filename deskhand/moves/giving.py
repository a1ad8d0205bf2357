"""Ways for a source to give way to a voice: its fader, its middle, a bell, or a lower threshold."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.moves.equaliser import BANDS, Shape
from deskhand.units import power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

MOST_DB: Final = 6.0
"""Nothing gives way by more. Common practice, no source."""
STEP_DB: Final = 0.5
"""Step of a fader or a bell, where the desk has no coarser one. Common practice, no source."""
BELLS_HZ: Final = (500.0, 710.0, 1000.0, 1410.0, 2000.0, 2830.0, 4000.0, 5660.0)
"""Bells that are tried, half an octave apart over what carries most of the words. Common practice, no source."""
BELL_QS: Final = (0.7, 1.4)
"""Widths that are tried: two octaves and one. Common practice, no source."""
_FIRST_BAND: Final = 9
"""Of the third-octaves from 20 Hz, the one at 160 Hz, where the voice's bands begin."""
BAND_COUNT: Final = 18
"""Third-octaves of the voice, 160 Hz to 8 kHz (ANSI S3.5-1997, table 3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bell:
    """A bell a source can give way with."""

    frequency_hz: float
    q: float
    on_middle: bool = False
    index: int | None = None
    """In its chain, for one that is there already."""
    gain_db: float = 0.0
    """Of one that is there already."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhraseOfSource:
    """A source in one phrase, with another setting of a block that follows its level, which no gain can tell."""

    noise: Array
    """(frames, 18) its spectrum power in the mono sum, as in `TrialPhrase`."""
    middle: Array
    """(18,) energy of its middle over the phrase."""
    side: Array
    """(18,) of its sides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Abilities:
    """Knobs that can be turned at one source."""

    fader: bool = True
    middle: bool = False
    """True where its middle can be trimmed."""
    thresholds: Mapping[float, Sequence[PhraseOfSource]] = field(default_factory=dict)
    """Decibels (below 0) by which the threshold of its middle can be lowered, to what is then heard of it in each phrase."""
    bells: tuple[Bell, ...] = ()
    fader_step_db: float = STEP_DB
    bell_step_db: float = STEP_DB


@dataclass(frozen=True, slots=True, kw_only=True)
class Giving:
    """Way in which one source gives way, in decibels (never above 0)."""

    fader_db: float = 0.0
    middle_db: float = 0.0
    bell: Bell | None = None
    bell_db: float = 0.0
    """Against what it is set to."""
    threshold_db: float = 0.0
    """Of its middle's compressor, against what it is set to."""
    muted: bool = False

    @property
    def nothing(self) -> bool:
        """True where it stays as it is."""
        return self == Giving()


def bands_of(bell: Bell, gain_db: float) -> Array:
    """(18,) power gain of a bell in the voice's third-octaves, against how it is set now."""
    power = Shape(kind="bell", frequency_hz=bell.frequency_hz, gain_db=bell.gain_db + gain_db, q=bell.q).power()
    if bell.gain_db:
        power = power / Shape(kind="bell", frequency_hz=bell.frequency_hz, gain_db=bell.gain_db, q=bell.q).power()
    bands = BANDS[_FIRST_BAND : _FIRST_BAND + BAND_COUNT]
    return np.asarray((bands @ power) / bands.sum(axis=1))


def power_gains(giving: Giving) -> tuple[Array, Array]:
    """(18,) power gains of the middle and of the sides."""
    if giving.muted:
        return np.zeros(BAND_COUNT), np.zeros(BAND_COUNT)
    whole = np.full(BAND_COUNT, float(power_from_db(giving.fader_db)))
    middle = np.full(BAND_COUNT, float(power_from_db(giving.middle_db)))
    if giving.bell is not None:
        bell = bands_of(giving.bell, giving.bell_db)
        if giving.bell.on_middle:
            middle = middle * bell
        else:
            whole = whole * bell
    return whole * middle, whole
