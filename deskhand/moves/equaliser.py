"""Equaliser of a desk: its settings, what they do to a tone, and how far a tone is off.

Effects are predicted on a fine power spectrum, not at band centres.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.filters import analogue_power, bell_or_shelf_prototype, pass_prototypes
from deskhand.dsp.spectrum import exact_hz
from deskhand.house import BLOCKS
from deskhand.measure.passages import FLOOR_DB
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FINE_PER_OCTAVE: Final = 24
"""Steps of the fine spectrum: eight to a third-octave, so that a Q of 5.6 is more than a step wide. Arithmetic."""
FINE_HZ: Final = 1000.0 * 2.0 ** (np.arange(-6 * FINE_PER_OCTAVE, 4.5 * FINE_PER_OCTAVE + 1) / FINE_PER_OCTAVE)
"""Centres of the fine spectrum, 15.6 Hz to 22.6 kHz."""
LOW_HZ, HIGH_HZ = 60.0, 12000.0
"""Range in which a tone is brought home (docs/moves.md). Common practice, no source."""
_SMOOTHING_OCTAVE: Final = 0.4
"""Smoothing of a difference, as that of the kept weeks' tone (docs/kept-weeks.md). Common practice, no source."""
LEAST_POWER: Final = 1e-12
"""Least power gain that is divided by: -120 dB, far below any setting. Arithmetic."""
SHELF_Q: Final = 0.707
"""Q of the shelves that are tried: 1/sqrt(2), the steepest without a bump. Arithmetic."""
WORTH_DB: Final = 0.2
"""Least that a further change must take off what is left. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One block of an equaliser."""

    kind: str
    """Name of a block: a bell, a shelf or a high-pass."""
    frequency_hz: float
    gain_db: float = 0.0
    q: float = 1.0
    slope_db_per_octave: float = 12.0

    def power(self) -> Array:
        """(fine,) power gain at each frequency."""
        return _power(self)


@lru_cache(maxsize=200_000)
def _power(shape: Shape) -> Array:
    ratio = FINE_HZ / shape.frequency_hz
    if shape.kind == "high-pass":
        gain = np.ones(FINE_HZ.size)
        for prototype in pass_prototypes(
            order=round(shape.slope_db_per_octave / 6.0), high=True, alignment="butterworth"
        ):
            gain = gain * analogue_power(*prototype, ratio)
        return np.asarray(gain)
    return np.asarray(analogue_power(*bell_or_shelf_prototype(BLOCKS[shape.kind].acts, shape.gain_db, shape.q), ratio))


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Settings of a desk's equaliser."""

    frequencies_hz: tuple[float, ...]
    gains_db: tuple[float, ...]
    """Without 0."""
    qs: tuple[float, ...]
    bells: int
    """How many blocks of bells and shelves there can be."""
    most_boost_db: float = 6.0
    lowest_note_hz: float = 40.0
    """A high-pass stays half an octave below it."""

    def shapes(self, kind: str) -> list[Shape]:
        """List of all settings of a kind."""
        if kind == "high-pass":
            top = self.lowest_note_hz / 2**0.5
            return [
                Shape(kind=kind, frequency_hz=frequency_hz, slope_db_per_octave=slope)
                for frequency_hz in self.frequencies_hz
                if frequency_hz <= top
                for slope in (12.0, 18.0)
            ]
        qs = self.qs if kind == "bell" else (SHELF_Q,)
        return [
            Shape(kind=kind, frequency_hz=frequency_hz, gain_db=gain, q=q)
            for frequency_hz in self.frequencies_hz
            for q in qs
            for gain in self.gains_db
            if gain <= self.most_boost_db
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One block changed, added or taken out."""

    index: int | None
    """Among the blocks that are there; None when it is new."""
    before: Shape | None
    after: Shape


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Task:
    """A tone, the wanted one, and how much each band matters."""

    power: Array
    """(fine,) spectrum as it is."""
    wanted_db: Array
    """(31,) third-octave levels; only their differences count."""
    weight: Array
    """(31,) 0 where a band does not matter."""
    blocks: tuple[tuple[int, Shape], ...] = ()
    """Bells, shelves and high-passes that are there, with their place in the chain."""


def _bands() -> Array:
    """(31, fine) matrix of third-octaves, 1 where a fine frequency belongs to one."""
    # bands of the base-ten series meet at a twentieth of a decade (IEC 61260-1:2014)
    edges = exact_hz()[:, None] * 10.0 ** (np.array([-1.0, 1.0]) / 20.0)
    return np.asarray((edges[:, :1] <= FINE_HZ) & (edges[:, 1:] > FINE_HZ), np.float64)


BANDS: Final = _bands()


def band_levels_db(power: Array) -> Array:
    """(..., 31) third-octave levels of (..., fine) spectra."""
    return np.asarray(db_from_power(np.maximum(power @ BANDS.T, 1e-30)))


def matters(power: Array) -> Array:
    """(31,) weight of each band: 1 from 60 Hz to 12 kHz where the tone lies within 40 dB of its loudest band, falling to 0 at 50 dB."""
    levels = band_levels_db(power)
    centre = exact_hz()
    below = levels.max() - levels
    inside = (centre >= LOW_HZ) & (centre <= HIGH_HZ)
    return np.asarray(np.where(inside, np.clip((50.0 - below) / 10.0, 0.0, 1.0), 0.0))


def _smoothing() -> Array:
    """(31, 31) a band with its neighbours, as a Gaussian of 0.4 octave weighs them."""
    band = np.arange(31)
    return np.asarray(np.exp(-0.5 * ((band[:, None] - band) / (3 * _SMOOTHING_OCTAVE)) ** 2))


_SMOOTHING: Final = _smoothing()


def _prominence_db(levels_db: Array) -> Array:
    """(..., 31) levels against the whole with a soft floor: what lies far below it is hardly heard in it, whatever its level."""
    power = np.asarray(power_from_db(levels_db))
    share = power / np.maximum(power.sum(axis=-1, keepdims=True), 1e-30)
    return np.asarray(db_from_power(share + 10 ** (FLOOR_DB / 10)))


def off_db(levels_db: Array, task: Task) -> Array:
    """(..., 31) levels against the wanted ones, smoothed, their weighted mean taken out.

    Smoothed over 0.4 octave, since the notes of another song and key are no other tone; without the mean, since level is not tone.
    """
    return without_level(_prominence_db(levels_db) - _prominence_db(task.wanted_db), task)


def without_level(differences_db: Array, task: Task) -> Array:
    """(..., 31) differences, smoothed by the weights of the bands, without their weighted mean."""
    spread = _SMOOTHING * task.weight
    spread = spread / np.maximum(spread.sum(axis=1, keepdims=True), 1e-9)
    off = differences_db @ spread.T
    return np.asarray(off - (off * band_shares(task)).sum(axis=-1, keepdims=True))


def band_shares(task: Task) -> Array:
    """(31,) weights of the bands that sum to one."""
    return np.asarray(task.weight / max(float(task.weight.sum()), 1e-9))


def rms_db(levels_db: Array, task: Task) -> Array:
    """(...,) weighted RMS of what is off."""
    return np.asarray(np.sqrt((off_db(levels_db, task) ** 2 * band_shares(task)).sum(axis=-1)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeList:
    """Changes of an equaliser, with what they leave."""

    changes: tuple[Change, ...]
    rms_db: float
    """Weighted RMS that would be left, in dB."""
    level_db: float = 0.0
    """Change of the level that comes with it."""


def applied(power: Array, changes: Sequence[Change]) -> Array:
    """(fine,) spectrum after the changes."""
    changed = power
    for change in changes:
        if change.before is not None:
            changed = changed / np.maximum(change.before.power(), LEAST_POWER)
        changed = changed * change.after.power()
    return np.asarray(changed)


def desk_grid(
    *,
    gain_step_db: float,
    gain_max_db: float,
    frequency_step_octave: float,
    qs: Sequence[float],
    bells: int,
    lowest_note_hz: float = 40.0,
    most_boost_db: float = 6.0,
) -> Grid:
    """Settings of a desk's equaliser from 20 Hz to 20 kHz, frequencies in whole steps from 1 kHz."""
    steps = np.arange(
        np.ceil(np.log2(20 / 1000) / frequency_step_octave), np.log2(20000 / 1000) / frequency_step_octave
    )
    count = int(gain_max_db / gain_step_db)
    gains = [round(gain_step_db * step, 6) for step in range(-count, count + 1) if step]
    return Grid(
        frequencies_hz=tuple(_round_hz(1000.0 * 2.0 ** (float(step) * frequency_step_octave)) for step in steps),
        gains_db=tuple(gains),
        qs=tuple(qs),
        bells=bells,
        lowest_note_hz=lowest_note_hz,
        most_boost_db=most_boost_db,
    )


def _round_hz(hz: float) -> float:
    """Frequency as a desk shows it: three digits."""
    digits = 2 - int(np.floor(np.log10(hz)))
    return round(hz, digits)
