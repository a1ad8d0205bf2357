"""Changes that a smooth filter makes of a tone: how far a reading went along one of them, and which are large enough to be told.

Another microphone or position, a covered capsule, a high-pass, a shelf or a bell changes neighbouring octaves together. Looked
for along these few directions a change is found at a smaller size than that at which eight octaves taken together would
tell it (tests/baseline/test_filters.py).
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy import special

from deskhand.dsp.spectrum import exact_hz
from deskhand.measure.passages import OCTAVES_HZ, tone_of
from deskhand.units import amplitude_from_db, db_from_amplitude, db_from_power

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.predict import Predictive

    Array = NDArray[np.float64]

FilterKind = Literal["bell", "low shelf", "high shelf", "low roll-off", "high roll-off"]
Region = Literal["lows", "middle", "top"]
_ROLL_OFFS: Final = ("low roll-off", "high roll-off")

STEP_DB: Final = 6.0
"""Gain at which the effect of bells and shelves on a tone is worked out, up and down. Common practice, no source."""
BELLS_HZ: Final = (63, 90, 125, 180, 250, 355, 500, 710, 1000, 1400, 2000, 2800, 4000, 5600, 8000)
"""Half an octave apart (arithmetic)."""
_BELL_Q, WIDE_Q = 1.0, 0.5
"""Narrower bells are no change of one octave, wider ones are shelves. Common practice, no source."""
WIDE_BELLS_HZ: Final = (250, 1000, 4000)
"""Two octaves apart (arithmetic)."""
_HIGH_SHELVES_HZ, _LOW_SHELVES_HZ = (125, 250, 500, 1000, 2000, 4000, 6000), (125, 250, 500, 1000)
"""Corners an octave apart, where a microphone's position, its capsule and a tone control act. Common practice, no source."""
_LOW_ROLL_OFFS_HZ, _HIGH_ROLL_OFFS_HZ = (150, 300, 500), (2500, 4000, 6300)
"""Corners of what takes away an end. Common practice, no source."""
_PASS_ORDER: Final = 2
"""Order of what rolls off. Common practice, no source."""
_SPHERE_POINTS: Final = 4096
"""Directions over which the chance of the largest of all changes is averaged: it settles to 2 % of itself, 4 % at most (20 made sources)."""
_SHARE: Final = 0.8
"""Share of the allowed chance that a smooth change has; the rest is for a tone that went any other way. Common practice, no source."""
_HARDLY_HEARD_DB: Final = 0.5
"""A filter that changes no octave of a tone by this much acts where the source has nothing. Common practice, no source."""
TOLD_OF: Final[dict[Region, tuple[FilterKind, float]]] = {
    "lows": ("low shelf", 250.0),
    "middle": ("bell", 1000.0),
    "top": ("high shelf", 2000.0),
}
"""Region of a tone to the filter whose smallest change is told for it. Common practice, no source."""
TOLD_SHARE: Final = 0.9
"""Share of the weeks in which a change of the size that is told as the smallest would be raised. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilterChange:
    """A smooth filter, with what it does to a spectrum."""

    kind: FilterKind
    frequency_hz: float
    gain_db: float
    """Of a bell or shelf; for a high-pass or low-pass, -3 dB at its frequency."""
    response_db: Array
    """(31,) in third-octaves."""


def _one_pole(corner_hz: float) -> NDArray[np.complex128]:
    """Low-pass of first order; what it leaves of 1 is the high-pass."""
    return np.asarray(1.0 / (1.0 + 1j * exact_hz() / corner_hz))


def shelf_db(corner_hz: float, gain_db: float, order: int, *, high: bool) -> Array:
    """(31,) shelf of first or second order: half of its gain is reached at its corner or, of the first, within a third of an octave of it.

    References
    ----------
    Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: highShelf and lowShelf, analogue prototypes, of second order (Q 1 / sqrt 2).
    """
    if order == 1:
        low = _one_pole(corner_hz)
        part = 1.0 - low if high else low
        return np.asarray(db_from_amplitude(np.abs(1.0 + (amplitude_from_db(gain_db) - 1.0) * part)))
    root = amplitude_from_db(gain_db / 2.0)
    ratio = 1j * exact_hz() / corner_hz
    bend = ratio * np.sqrt(2.0 * root)
    one, other = root * ratio**2 + bend + 1.0, ratio**2 + bend + root
    return np.asarray(db_from_amplitude(np.abs(root * (one / other if high else other / one))))


def bell_db(middle_hz: float, gain_db: float, q: float) -> Array:
    """(31,) bell of second order, its width between the points of half the gain.

    References
    ----------
    Audio EQ Cookbook, W3C Working Group Note, 8 June 2021: peakingEQ, analogue prototype.
    """
    ratio, root = exact_hz() / middle_hz, amplitude_from_db(gain_db / 2.0)
    transfer = (1.0 - ratio**2 + 1j * ratio * root / q) / (1.0 - ratio**2 + 1j * ratio / (root * q))
    return np.asarray(db_from_amplitude(np.abs(transfer)))


def roll_off_db(corner_hz: float, *, low: bool) -> Array:
    """(31,) Butterworth high-pass, that takes away the lows, or low-pass."""
    ratio = corner_hz / exact_hz() if low else exact_hz() / corner_hz
    return np.asarray(-db_from_power(1.0 + ratio ** (2 * _PASS_ORDER)))


@functools.cache
def filter_changes() -> tuple[FilterChange, ...]:
    """Family of the smooth filters that are looked for."""
    family: list[tuple[FilterKind, float, float, Array]] = []
    for gain_db in (STEP_DB, -STEP_DB):
        family += [("bell", at_hz, gain_db, bell_db(at_hz, gain_db, _BELL_Q)) for at_hz in BELLS_HZ]
        family += [("bell", at_hz, gain_db, bell_db(at_hz, gain_db, WIDE_Q)) for at_hz in WIDE_BELLS_HZ]
        family += [("high shelf", at_hz, gain_db, shelf_db(at_hz, gain_db, 1, high=True)) for at_hz in _HIGH_SHELVES_HZ]
        family += [("low shelf", at_hz, gain_db, shelf_db(at_hz, gain_db, 1, high=False)) for at_hz in _LOW_SHELVES_HZ]
    family += [("low roll-off", at_hz, -3.0, roll_off_db(at_hz, low=True)) for at_hz in _LOW_ROLL_OFFS_HZ]
    family += [("high roll-off", at_hz, -3.0, roll_off_db(at_hz, low=False)) for at_hz in _HIGH_ROLL_OFFS_HZ]
    return tuple(
        FilterChange(kind=kind, frequency_hz=float(at_hz), gain_db=gain_db, response_db=response_db)
        for kind, at_hz, gain_db, response_db in family
    )


@functools.cache
def _sphere() -> Array:
    """(points, 8) directions, evenly at random, the same every time."""
    points = np.random.default_rng(0).normal(size=(_SPHERE_POINTS, len(OCTAVES_HZ)))
    return np.asarray(points / np.linalg.norm(points, axis=1)[:, None])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToneDirections:
    """Smooth changes of one source's tone, against how its tone varies anyway."""

    expected: Predictive
    changes: Sequence[FilterChange]
    """Those that change this source's tone."""
    units: Array
    """(changes, 8) what each does to the tone, as directions where the expected tone is round."""
    lengths: Array
    """(changes,) how far each goes there."""
    root: Array
    """(8, 8) Cholesky factor of the expected tone's scale."""
    nearest: Array
    """(points,) how far each direction of the sphere goes along the nearest change."""

    def _going(self, off_db: Array) -> Array:
        """(changes,) length along each direction of a tone's distance from what is expected."""
        return np.asarray(self.units @ np.linalg.solve(self.root, off_db))

    def chance(self, length: float) -> float:
        """Probability that a clean tone goes as far along any of the directions."""
        if not len(self.units):
            return 1.0
        return float(np.mean(self._tail(length)))

    def _tail(self, length: float) -> Array:
        """(points,) probability that a tone in each direction of the sphere goes as far along the nearest change.

        The distance from the middle and the direction in which a round distribution goes are independent, so that only the
        direction is averaged over; the distance squared over its dimensions is F distributed.
        """
        size = len(OCTAVES_HZ)
        return np.asarray(special.fdtrc(size, self.expected.dof, (max(length, 0.0) / self.nearest) ** 2 / size))

    def tail(self, reading: Array) -> float:
        """Probability of a clean tone that goes as far along a smooth change, or as far in any other way, as this one.

        Parameters
        ----------
        reading : (8,) array
        """
        if not len(self.units):
            return self.expected.tail(reading)
        smooth = self.chance(float(self._going(reading - self.expected.location).max()))
        return min(1.0, smooth / _SHARE, self.expected.tail(reading) / (1.0 - _SHARE))

    def least_told_db(self, probability: float) -> dict[Region, float]:
        """Region to the smallest change there, up or down, that would be raised in nine weeks of ten.

        Parameters
        ----------
        probability : float
            Chance from which a tone is raised.
        """
        if not len(self.units) or self.chance(0.0) < _SHARE * probability:
            return {}
        top = 1.0
        while self.chance(top) > _SHARE * probability:
            top *= 2.0
        # few checks ask for it, and it takes long to load
        from scipy.optimize import brentq

        limit = brentq(lambda length: self.chance(length) - _SHARE * probability, 0.0, top, xtol=1e-3)
        beyond = float(special.stdtrit(self.expected.dof, TOLD_SHARE))
        least_db: dict[Region, float] = {}
        for region, (kind, at_hz) in TOLD_OF.items():
            sizes = [
                abs(change.gain_db) * (limit + beyond) / length
                for change, length in zip(self.changes, self.lengths, strict=True)
                if change.kind == kind and change.frequency_hz == at_hz
            ]
            if sizes:
                least_db[region] = float(max(sizes))
        return least_db


def tone_directions(expected: Predictive, levels_db: Array, *, of_sides: bool = False) -> ToneDirections:
    """Smooth changes of a source's tone, as they act on the spectrum it usually has.

    Parameters
    ----------
    expected : Predictive
        Of its tone, (8,).
    levels_db : (31,) array
        Third-octave levels that are usual of it.
    of_sides : bool
        True where the tone is that of a pair's right side less that of its left: what takes away an end may act on either.
    """
    usual_db = tone_of(levels_db)
    family = filter_changes()
    steps_db = tone_of(levels_db + np.array([change.response_db for change in family])) - usual_db
    if of_sides:
        # a bell or shelf of the left is one of the right the other way up
        passes = [index for index, change in enumerate(family) if change.kind in _ROLL_OFFS]
        family = (*family, *(family[index] for index in passes))
        steps_db = np.concatenate([steps_db, -steps_db[passes]])
    acts = np.abs(steps_db).max(axis=1) >= _HARDLY_HEARD_DB
    root = np.asarray(np.linalg.cholesky(expected.scale), np.float64)
    round_steps = np.linalg.solve(root, steps_db[acts].T).T
    lengths = np.linalg.norm(round_steps, axis=1)
    units = round_steps / lengths[:, None]
    return ToneDirections(
        expected=expected,
        changes=[change for change, act in zip(family, acts, strict=True) if act],
        units=units,
        lengths=lengths,
        root=root,
        nearest=np.maximum((_sphere() @ units.T).max(axis=1, initial=0.0), 1e-9),
    )
