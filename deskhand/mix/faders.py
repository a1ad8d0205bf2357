"""What the desk really did: the faders of a recorded mix, found from the sources' energies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.mix.bus import source_matrix
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.measure.figures import Figures
    from deskhand.mix.bus import Strip

    Array = NDArray[np.float64]

_BANDS: Final = slice(4, 29)
"""50 Hz to 12.5 kHz."""
_WINDOW_S: Final = 20
_LEAST_S: Final = 10
_MOST_SECONDS: Final = 900
_RESAMPLES: Final = 40
_LEAST_SHARE: Final = 0.01
"""A source that makes up less of the mix than this, where it makes up most, cannot be told."""
_ROUNDS: Final = 4
_ALIKE: Final = 0.97
"""Sources whose energies are this much alike (cosine of their roots) are not told apart."""
_KNOWN_DB: Final = 6.0
"""A fader that is less sure than this is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fader:
    """One source's fader, written down and found in the recorded mix."""

    source: str
    written_db: float
    measured_db: float | None
    """Against the others: the median of all that could be found is brought to that of those written down."""
    measured_db_pm: float | None
    """Half the width of a 95 % interval, by resampling seconds; sounds in common make it too narrow."""
    over_time_db: tuple[tuple[float, float], ...]
    """(start in s, fader) for stretches of 20 s in which it could be found."""


def _weighted(sources: Array, mix: Array) -> Array | None:
    """Squared gains (sources,) that make the sources' energies the mix's, by relative least squares, none negative.

    Shapes: sources (cells, sources), mix (cells,): energies of bands in seconds.
    """
    from scipy.optimize import nnls

    heard = mix > 1e-12
    if heard.sum() < 4 * sources.shape[1]:
        return None
    # loud cells are known better in absolute terms, all alike in relative ones; in between, each by the root of its power
    weight = 1.0 / np.sqrt(mix[heard])
    rows, wanted = sources[heard] * weight[:, None], mix[heard] * weight
    found = np.zeros(sources.shape[1])
    kept = np.ones(wanted.size)
    for _ in range(_ROUNDS):
        scale = np.maximum(np.linalg.norm(rows * kept[:, None], axis=0), 1e-30)
        found, _ = nnls(rows * kept[:, None] / scale, wanted * kept)
        found = found / scale
        # sums of sounds that happen to add or cancel are no plain sums of energies: cells far off count less (Huber 1964)
        off = np.abs(rows @ found - wanted) / np.maximum(wanted, 1e-30)
        kept = np.minimum(1.0, 0.5 / np.maximum(off, 1e-9)) ** 0.5
    return found


def _untold(strip: Strip) -> Fader:
    return Fader(source=strip.source, written_db=strip.fader_db, measured_db=None, measured_db_pm=None, over_time_db=())


def _alike(sources: Array) -> NDArray[np.bool_]:
    """(sources,) whether another source rises and falls with it in all bands, as two microphones of one instrument do."""
    columns = np.sqrt(sources.reshape(-1, sources.shape[-1]))
    columns = columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-30)
    near = columns.T @ columns
    np.fill_diagonal(near, 0.0)
    return np.asarray(near.max(axis=1, initial=0.0) > _ALIKE)


def find_faders(figures: Figures, strips: Sequence[Strip], mix: tuple[int, ...]) -> list[Fader]:
    """The faders of a recorded mix.

    Parameters
    ----------
    figures : Figures
        Of all rows: sources behind their chains, and the tracks of the mix.
    strips : sequence of Strip
        Of the sources that may be in it, with their written faders.
    mix : one or two track positions

    Returns
    -------
    list of Fader
        In the order of the strips. Sources that are not told apart, or hardly heard, have no measured fader. The level of the
        whole mix is not known: faders are told against their common median.
    """
    tone = np.array([figures.tracks[track].tone[:, _BANDS] for track in mix], np.float64).mean(axis=0)
    parts = []
    for strip in strips:
        weights = source_matrix(len(strip.rows), 0.0) ** 2
        power = sum(
            0.5 * float(weights[:, place].sum()) * np.asarray(figures.tracks[row].tone[:, _BANDS], np.float64)
            for place, row in enumerate(strip.rows)
        )
        parts.append(power)
    if not parts:
        return []
    sources = np.stack([np.asarray(part) for part in parts], axis=-1)  # (seconds, bands, sources)
    known = np.flatnonzero(np.isfinite(tone).all(axis=1) & np.isfinite(sources).all(axis=(1, 2)))
    if known.size < _LEAST_S:
        return [_untold(strip) for strip in strips]
    used = known[:: -(-known.size // _MOST_SECONDS)]

    def solved(seconds: NDArray[np.intp]) -> Array:
        found = _weighted(sources[seconds].reshape(-1, len(strips)), tone[seconds].reshape(-1))
        return np.full(len(strips), np.nan) if found is None else np.asarray(db_from_power(np.maximum(found, 1e-12)))

    if not (tone[used] > 1e-12).any():
        return [_untold(strip) for strip in strips]
    levels_db = solved(used)
    rng = np.random.default_rng(1)
    drawn = np.array([solved(used[rng.integers(used.size, size=used.size)]) for _ in range(_RESAMPLES)])
    low, high = np.nanpercentile(drawn, (2.5, 97.5), axis=0)
    sure = 0.5 * (high - low)
    # how much of the mix it makes up in its own best cells
    made = sources[used] * power_from_db(levels_db)
    share = np.percentile(made / np.maximum(tone[used][..., None], 1e-20), 98, axis=(0, 1))
    told = (sure < _KNOWN_DB) & (share > _LEAST_SHARE) & (levels_db > -60.0) & ~_alike(sources[used])
    written = np.array([strip.fader_db for strip in strips])
    shift = float(np.median((written - levels_db)[told])) if told.any() else 0.0
    windows = [
        (int(first), known[(known >= first) & (known < first + _WINDOW_S)])
        for first in range(0, int(known[-1]) + 1, _WINDOW_S)
    ]
    times = [(first, solved(seconds)) for first, seconds in windows if seconds.size >= _LEAST_S]
    faders = []
    for place, strip in enumerate(strips):
        over = tuple(
            (float(first), round(float(found[place]) + shift, 1))
            for first, found in times
            if told[place] and np.isfinite(found[place]) and found[place] > -60.0
        )
        faders.append(
            Fader(
                source=strip.source,
                written_db=strip.fader_db,
                measured_db=float(levels_db[place]) + shift if told[place] else None,
                measured_db_pm=float(sure[place]) if told[place] else None,
                over_time_db=over,
            )
        )
    return faders
