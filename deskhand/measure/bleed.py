"""Bleed: power that the other sources put into a source's microphone.

While a source rests, its microphone hears the others alone: its power is then a sum of theirs, each with a fixed factor. The
factors are fitted to the moments that such a sum explains, and believed only when the microphone follows it up and down.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.nonnegative import nonnegative_factors
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from numpy.typing import NDArray

_DEAD: Final = 1e-9
"""Mean square (-87 dBFS) below which there is nothing to explain. Common practice, no source."""
_BELOW_LOUD_DB: Final = 6.0
"""Moments this far below a microphone's loud ones may be rests. Common practice, no source."""
_EXPLAINED_DB: Final = 4.0
"""Moments this near to the prediction are explained by it. Common practice, no source."""
_LEAST_EXPLAINED: Final = 0.4
"""Share of the possible rests that a prediction must explain. Common practice, no source."""
_LEAST_BLOCKS: Final = 50
"""Blocks (5 s) from which a prediction is made. Common practice, no source."""
_FOLLOWS: Final = 0.7
"""Least correlation of level and predicted level, in dB, over the moments explained. Common practice, no source."""
_QUIETER_DB: Final = 6.0
"""Bleed that comes nearer to a microphone's own loud moments cannot be told from playing. Common practice, no source."""
_MOVES_DB: Final = 3.5
"""Range (10th to 90th percentile) of a level that moves enough to tell who follows whom. Common practice, no source."""
_RING: Final = 0.2
"""Share (-7 dB) that a far microphone keeps of the sound of 100 ms ago. Common practice, no source."""
_ALL_EXPLAINED: Final = 0.9
"""Share of a microphone's blocks that the other sources must explain where nobody uses it. Common practice, no source; how often it is right
is counted in docs/validation-room.md."""
_LOUD_PERCENT: Final = 95
"""Percentile of a source's power against the microphone's that stands for its loud moments. Common practice, no source."""
_ROUNDS: Final = 8
"""Rounds of fitting and choosing what is explained. Common practice, no source."""
_MOST_BLOCKS: Final = 3000
"""Blocks fitted at most, evenly spread over the rests. Common practice, no source."""

_MOST_NEIGHBOURS: Final = 63
"""Sources that a microphone's bleed is fitted to, at most: of more than a desk of 64 inputs has, those whose levels it follows best.
Common practice, no source."""


def _rung(mean_square: NDArray[np.floating]) -> NDArray[np.float64]:
    """Mean square (blocks,) of a source as a far microphone has it: hits ring on there."""
    origin = np.asarray(mean_square, np.float64).copy()
    ringing = origin.copy()
    for back in range(1, 6):
        ringing[back:] = np.maximum(ringing[back:], _RING**back * origin[:-back])
    return ringing


def _moves(levels_db: NDArray[np.float64]) -> bool:
    """True where levels move enough to tell who follows whom."""
    return float(np.ptp(np.percentile(levels_db, (10, 90)))) > _MOVES_DB


def _predicted(power: NDArray[np.float64], sources: NDArray[np.float64], loud: float) -> NDArray[np.float64] | None:
    """Power (blocks,) that the other sources put into a microphone, or None when it does not follow them.

    Shapes: power (blocks,), sources (blocks, sources).
    """
    rests = np.flatnonzero((power < loud * power_from_db(-_BELOW_LOUD_DB)) & (power > _DEAD * 0.1))
    if rests.size < _LEAST_BLOCKS:
        return None
    rests = rests[:: -(-rests.size // _MOST_BLOCKS)]
    # in shares of the microphone's power: soft moments, which are bleed alone, weigh as much as loud ones
    shares = sources[rests] / power[rests, None]
    fitted = np.ones(rests.size, bool)
    sums = np.zeros(rests.size)
    factors = np.zeros(sources.shape[1])
    for _ in range(_ROUNDS):
        factors = nonnegative_factors(shares[fitted], np.ones(int(fitted.sum())))
        sums = shares @ factors
        off_db = np.asarray(db_from_power(np.maximum(sums, 1e-12)))
        explained = np.abs(off_db) < _EXPLAINED_DB
        for _ in range(_ROUNDS):
            if explained.sum() < _LEAST_BLOCKS:
                return None
            # least squares on restless shares come out small: what is explained lies round the prediction, not above it
            low = float(np.median(off_db[explained]))
            off_db, factors = off_db - low, factors * power_from_db(-low)
            explained_now = np.abs(off_db) < _EXPLAINED_DB
            if np.array_equal(explained_now, explained):
                break
            explained = explained_now
        if np.array_equal(explained, fitted):
            break
        fitted = explained
    predicted = sources @ factors
    predicted_db = np.asarray(db_from_power(np.maximum(predicted[rests][fitted], 1e-20)))
    power_db = np.asarray(db_from_power(power[rests][fitted]))
    follows = _moves(predicted_db) and _moves(power_db) and float(np.corrcoef(predicted_db, power_db)[0, 1]) > _FOLLOWS
    quiet = float(np.percentile(predicted, 95)) < loud * power_from_db(-_QUIETER_DB)
    return predicted if follows and quiet and fitted.mean() >= _LEAST_EXPLAINED else None


def is_only_bleed(mean_square: NDArray[np.floating], others: Sequence[NDArray[np.floating]]) -> bool:
    """True where a microphone follows the other sources up and down all the time: nobody uses it.

    Parameters
    ----------
    mean_square : (blocks,) array
        Of the microphone, of each 100 ms that is looked at.
    others : sequence of (blocks,) arrays
        Of the other sources, in the same blocks.
    """
    power = np.asarray(mean_square, np.float64)
    sounding = power > _DEAD
    neighbours = [
        np.asarray(source_power, np.float64) for source_power in others if source_power.max(initial=0.0) > _DEAD
    ]
    if sounding.sum() < _LEAST_BLOCKS or not neighbours:
        return False
    # near microphones hear hits as they are, far ones as they ring on
    ways = (np.array(neighbours).T, np.array([_rung(neighbour) for neighbour in neighbours]).T)
    return any(_is_explained(power[sounding], way[sounding]) for way in ways)


def _is_explained(power: NDArray[np.float64], sources: NDArray[np.float64]) -> bool:
    """True where a sum of sources follows a power (blocks,) all the time; sources (blocks, sources)."""
    # no source can put more into the microphone than is there in its own loud moments: else a few of them would outweigh the rest
    shares = sources / power[:, None]
    shares = np.minimum(shares / np.maximum(np.percentile(shares, _LOUD_PERCENT, axis=0), 1e-20), 1.0)
    factors = nonnegative_factors(shares, np.ones(power.size))
    off_db = np.asarray(db_from_power(np.maximum(shares @ factors, 1e-12)))
    off_db = off_db - float(np.median(off_db))
    power_db = np.asarray(db_from_power(power))
    if float(np.mean(np.abs(off_db) < _EXPLAINED_DB)) < _ALL_EXPLAINED:
        return False
    return float(np.corrcoef(power_db + off_db, power_db)[0, 1]) > _FOLLOWS


def _level_shapes(powers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Levels in dB (sources, blocks) without their mean, each row with a norm of one: their products are correlations."""
    if not powers.size:
        return np.zeros(powers.shape)
    levels_db = np.asarray(db_from_power(np.maximum(powers, _DEAD)))
    levels_db = levels_db - levels_db.mean(axis=1, keepdims=True)
    return np.asarray(levels_db / np.maximum(np.linalg.norm(levels_db, axis=1, keepdims=True), 1e-9))


def bleed(
    mean_squares: Sequence[NDArray[np.floating]],
    *,
    siblings: Iterable[tuple[int, int]] = (),
    deaf: Collection[int] = (),
) -> list[NDArray[np.float64]]:
    """Mean squares that the other sources put into each source's microphone.

    Parameters
    ----------
    mean_squares : sequence of (blocks,) arrays
        One for each source, of each 100 ms.
    siblings : iterable of (int, int)
        Sources that are microphones of one instrument: the sound they share is no bleed.
    deaf : collection of int
        Sources that come by cable: who plays along with them, louder and softer, is not heard in them.

    Returns
    -------
    list of (blocks,) arrays of mean squares; zeros where no bleed could be told from playing.
    """
    powers = [np.asarray(mean_square, np.float64) for mean_square in mean_squares]
    ringing = np.array([_rung(power) for power in powers])
    shapes = _level_shapes(ringing)
    sibling_pairs = {pair for first, second in siblings for pair in ((first, second), (second, first))}
    bleeds = []
    for source, power in enumerate(powers):
        sounding_power = power[power > _DEAD]
        others = np.array(
            [index for index in range(len(powers)) if index != source and (source, index) not in sibling_pairs], int
        )
        if others.size > _MOST_NEIGHBOURS:
            followed = np.argsort(-(shapes[others] @ shapes[source]), kind="stable")[:_MOST_NEIGHBOURS]
            others = np.sort(others[followed])
        neighbours = ringing[others].T
        sounding = neighbours.max(axis=0, initial=0.0) > _DEAD
        predicted = None
        if source not in deaf and sounding_power.size >= _LEAST_BLOCKS and sounding.any():
            predicted = _predicted(power, neighbours[:, sounding], float(np.percentile(sounding_power, 95)))
        bleeds.append(np.zeros(power.size) if predicted is None else predicted)
    return bleeds
