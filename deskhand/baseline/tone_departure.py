"""Smooth filter that explains how a tone differs from what is usual: its kind, its place, and a range for its gain.

Many filters do nearly the same to eight octaves. Each of a family, at each gain, is weighed by how likely it makes the tone that was
read, and by how common it is; the kind that all of its filters together make likeliest is told, with the mean of their places and gains.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.filters import BELLS_HZ, WIDE_BELLS_HZ, WIDE_Q, FilterKind, bell_db, roll_off_db, shelf_db
from deskhand.measure.passages import tone_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.baseline.predict import Predictive

    Array = NDArray[np.float64]

_MOST_DB: Final = 18
"""Largest gain that is looked for. Common practice, no source."""
_STEP_DB: Final = 1.0
"""Gains are tried this far apart: finer than any is known (validations/heard_through.py)."""
_BELL_QS: Final = (0.7, 1.4)
"""An octave is as wide as a Q of 1.4, two as 0.7 (arithmetic)."""
_LOW_SHELVES_HZ: Final = (90, 125, 180, 250, 355, 500)
"""Half an octave apart (arithmetic)."""
_HIGH_SHELVES_HZ: Final = (710, 1000, 1400, 2000, 2800, 4000, 5600)
"""Against the whole of a tone, less below a corner is more above it: only one of them is tried at each."""
_LOW_ROLL_OFFS_HZ, _HIGH_ROLL_OFFS_HZ = (100, 150, 220, 300, 400, 550), (2500, 4000, 6300)
"""Corners of what takes away an end. Common practice, no source."""
_GAIN_SPREAD_DB: Final = 8.0
"""Spread of the gains that are expected before anything is read. Common practice, no source."""
_ROLL_OFF_SHARE: Final = 0.05
"""Share of the changes that are roll-offs. Common practice, no source."""
_UNLIKE: Final = 0.3
"""What a filter does to a take's tone differs from what it does to the usual one by this share of it, its shape from those tried
too: ranges then hold (validations/heard_through.py)."""
_RANGE: Final = 0.95
"""Share of cases in which the range holds the gain. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneDeparture:
    """Smooth filter that explains best how a tone differs from what is usual, and its size."""

    kind: FilterKind
    frequency_hz: float
    gain_db: float
    """Of a bell or shelf; of a high-pass or low-pass, what it takes from the octave it takes most from."""
    low_db: float
    high_db: float
    """Range that holds the gain with 95 %, other songs allowed for."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Family:
    """Filters that are tried."""

    kinds: NDArray[np.str_]
    frequencies_hz: Array
    gains_db: Array
    """(filters,) 0 for roll-offs: what they take is told by the tone they act on."""
    responses_db: Array
    """(filters, 31) in third-octaves."""
    log_share: Array
    """(filters,) natural logarithm of how common each is."""


@functools.cache
def _family() -> _Family:
    gains_db = [sign * gain_db for gain_db in np.arange(_STEP_DB, _MOST_DB + _STEP_DB, _STEP_DB) for sign in (1, -1)]
    rows: list[tuple[str, float, float, Array]] = []
    for gain_db in gains_db:
        bells = [(hz, q) for q in _BELL_QS for hz in BELLS_HZ] + [(hz, WIDE_Q) for hz in WIDE_BELLS_HZ]
        rows += [("bell", hz, gain_db, bell_db(hz, gain_db, q)) for hz, q in bells]
        for order in (1, 2):
            rows += [("low shelf", hz, gain_db, shelf_db(hz, gain_db, order, high=False)) for hz in _LOW_SHELVES_HZ]
            rows += [("high shelf", hz, gain_db, shelf_db(hz, gain_db, order, high=True)) for hz in _HIGH_SHELVES_HZ]
    rows += [("low roll-off", hz, 0.0, roll_off_db(hz, low=True)) for hz in _LOW_ROLL_OFFS_HZ]
    rows += [("high roll-off", hz, 0.0, roll_off_db(hz, low=False)) for hz in _HIGH_ROLL_OFFS_HZ]
    kinds = np.array([row[0] for row in rows])
    gains = np.array([row[2] for row in rows])
    shares = np.exp(-0.5 * (gains / _GAIN_SPREAD_DB) ** 2)
    bells_too, rolls = kinds == "bell", np.char.endswith(kinds, "roll-off")
    # a bell is as common as a shelf, whatever the number of places tried
    for members, share in ((bells_too, 0.5), (~bells_too & ~rolls, 0.5), (rolls, _ROLL_OFF_SHARE)):
        shares[members] *= share / shares[members].sum()
    return _Family(
        kinds=kinds, frequencies_hz=np.array([row[1] for row in rows], float), gains_db=gains,
        responses_db=np.array([row[3] for row in rows]), log_share=np.log(shares),
    )  # fmt: skip


def tone_departure(expected: Predictive, levels_db: Array, reading: Array) -> ToneDeparture:
    """Smooth change that explains a tone best.

    Parameters
    ----------
    expected : Predictive
        Of the tone, (8,).
    levels_db : (31,) array
        Third-octave levels that are usual of the source.
    reading : (8,) array
    """
    family = _family()
    steps_db = tone_of(levels_db + family.responses_db) - tone_of(levels_db)
    weights = _likelihoods(expected, steps_db, reading - expected.location, family.log_share)
    # of a roll-off, the most that it takes from an octave
    most = steps_db[np.arange(len(steps_db)), np.abs(steps_db).argmax(axis=1)]
    sizes_db = np.where(family.gains_db == 0.0, most, family.gains_db)
    kinds = np.char.add(family.kinds, np.where(sizes_db > 0.0, " up", " down"))
    kind = max(np.unique(kinds), key=lambda each: weights[kinds == each].sum())
    told = kinds == kind
    # filters of another kind that do the same bear on the gain too
    alike = told | ((np.sign(sizes_db) == np.sign(sizes_db[told][0])) & ~np.char.endswith(family.kinds, "roll-off"))
    low_db, high_db = _range_db(sizes_db[alike], weights[alike])
    share = weights[told] / weights[told].sum()
    return ToneDeparture(
        kind=family.kinds[told][0].item(),
        frequency_hz=float(np.exp2(share @ np.log2(family.frequencies_hz[told]))),
        gain_db=float(share @ sizes_db[told]),
        low_db=low_db,
        high_db=high_db,
    )


def _likelihoods(expected: Predictive, steps_db: Array, off_db: Array, log_share: Array) -> Array:
    """(filters,) how likely each filter is, all together 1."""
    variances, axes = np.linalg.eigh(expected.scale)
    known = variances + _UNLIKE**2 * np.mean(steps_db**2, axis=1)[:, None]
    distances = np.sum(((off_db - steps_db) @ axes) ** 2 / known, axis=1)
    logs = (
        log_share
        - 0.5 * np.sum(np.log(known), axis=1)
        - 0.5 * (expected.dof + off_db.size) * np.log1p(distances / expected.dof)
    )
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _range_db(sizes_db: Array, weights: Array) -> tuple[float, float]:
    """Gains that hold the middle of a share of the weights, half a step beyond them."""
    order = np.argsort(sizes_db)
    below = np.cumsum(weights[order]) / weights.sum()
    ends = np.searchsorted(below, ((1.0 - _RANGE) / 2.0, (1.0 + _RANGE) / 2.0))
    low_db, high_db = sizes_db[order][np.minimum(ends, len(order) - 1)]
    return float(low_db - _STEP_DB / 2.0), float(high_db + _STEP_DB / 2.0)
