"""How much of the other sources is in a microphone while its own source is silent.

While a source rests, what its microphone hears is the others: its power is then a sum of theirs, each with a fixed factor. The
factors are fitted to the moments that such a sum explains, and believed only when the microphone follows it up and down.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

_DEAD: Final = 1e-9
"""-87 dBFS: below it there is nothing to explain."""
_BELOW_LOUD_DB: Final = 6.0
"""Moments this far below a microphone's loud ones may be rests."""
_EXPLAINED_DB: Final = 4.0
_LEAST_EXPLAINED: Final = 0.4
_LEAST_BLOCKS: Final = 50
_FOLLOWS: Final = 0.7
"""Least correlation of level and predicted level, in dB, over the moments explained."""
_QUIETER_DB: Final = 6.0
"""Bleed that comes nearer to a microphone's own loud moments cannot be told from playing."""
_MOVES_DB: Final = 3.5
"""What hardly moves tells nothing of who follows whom: 10th to 90th percentile."""
_RING: Final = 0.2
"""What a far microphone keeps of the sound of 100 ms ago: -7 dB. Common practice, no source."""
_ROUNDS: Final = 8
_MOST_BLOCKS: Final = 3000


def _rung(mean_square: NDArray[np.floating]) -> NDArray[np.float64]:
    """An origin as a far microphone has it: hits ring on there."""
    out = np.asarray(mean_square, np.float64).copy()
    kept = out.copy()
    for back in range(1, 6):
        kept[back:] = np.maximum(kept[back:], _RING**back * out[:-back])
    return kept


def _moves(levels_db: NDArray[np.float64]) -> bool:
    return float(np.ptp(np.percentile(levels_db, (10, 90)))) > _MOVES_DB


def _predicted(own: NDArray[np.float64], others: NDArray[np.float64], loud: float) -> NDArray[np.float64] | None:
    """What the others put into a microphone, (blocks,), or None when it does not follow them."""
    from scipy.optimize import nnls

    rests = np.flatnonzero((own < loud * power_from_db(-_BELOW_LOUD_DB)) & (own > _DEAD * 0.1))
    if rests.size < _LEAST_BLOCKS:
        return None
    rests = rests[:: -(-rests.size // _MOST_BLOCKS)]
    # in shares of the microphone's power: soft moments, which are bleed alone, weigh as much as loud ones
    shares = others[rests] / own[rests, None]
    kept = np.ones(rests.size, bool)
    sums = np.zeros(rests.size)
    factors = np.zeros(others.shape[1])
    for _ in range(_ROUNDS):
        factors, _ = nnls(shares[kept], np.ones(int(kept.sum())))
        sums = shares @ factors
        near = np.asarray(db_from_power(np.maximum(sums, 1e-12)))
        explained = np.abs(near) < _EXPLAINED_DB
        for _ in range(_ROUNDS):
            if explained.sum() < _LEAST_BLOCKS:
                return None
            # least squares on restless shares come out small: what is explained lies round the prediction, not above it
            low = float(np.median(near[explained]))
            near, factors = near - low, factors * power_from_db(-low)
            again = np.abs(near) < _EXPLAINED_DB
            if np.array_equal(again, explained):
                break
            explained = again
        if np.array_equal(explained, kept):
            break
        kept = explained
    predicted = others @ factors
    here = np.asarray(db_from_power(np.maximum(predicted[rests][kept], 1e-20)))
    there = np.asarray(db_from_power(own[rests][kept]))
    follows = _moves(here) and _moves(there) and float(np.corrcoef(here, there)[0, 1]) > _FOLLOWS
    quiet = float(np.percentile(predicted, 95)) < loud * power_from_db(-_QUIETER_DB)
    return predicted if follows and quiet and kept.mean() >= _LEAST_EXPLAINED else None


def bleed(
    mean_squares: Sequence[NDArray[np.floating]], *, siblings: Iterable[tuple[int, int]] = ()
) -> list[NDArray[np.float64]]:
    """What the other sources put into each source's microphone.

    Parameters
    ----------
    mean_squares : sequence of (blocks,) arrays
        One for each source, of each 100 ms.
    siblings : iterable of (int, int)
        Sources that are microphones of one instrument: what they share is no bleed.

    Returns
    -------
    list of (blocks,) arrays of mean squares; zeros where no bleed could be told from playing.
    """
    known = [np.asarray(one, np.float64) for one in mean_squares]
    rung = np.array([_rung(one) for one in known])
    apart = {pair for one, other in siblings for pair in ((one, other), (other, one))}
    out = []
    for at, own in enumerate(known):
        heard = own[own > _DEAD]
        others = rung[[other for other in range(len(known)) if other != at and (at, other) not in apart]].T
        sounding = others.max(axis=0, initial=0.0) > _DEAD
        found = None
        if heard.size >= _LEAST_BLOCKS and sounding.any():
            found = _predicted(own, others[:, sounding], float(np.percentile(heard, 95)))
        out.append(np.zeros(own.size) if found is None else found)
    return out
