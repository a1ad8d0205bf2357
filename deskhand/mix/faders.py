"""Faders of a recorded mix, found from the sources' energies: what the desk really did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.nonnegative import nonnegative_factors
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
"""Stretch over which a fader is followed over time. Common practice, no source."""
_LEAST_S: Final = 10
"""Seconds that a fit needs: several times as many cells as sources. Common practice, no source."""
_MOST_SECONDS: Final = 900
"""Seconds of the take that are used, spread over it: a bound on the work. Common practice, no source."""
_RESAMPLES: Final = 40
"""Resamples of the seconds for the 95 % interval of a fader: a bound on the work. Common practice, no source."""
_LEAST_SHARE: Final = 0.01
"""A source that makes up less of the mix than this, where it makes up most, cannot be told. Common practice, no
source; how far off the faders are that are found is counted in docs/validation-chain.md."""
_ROUNDS: Final = 4
"""Rounds of reweighing cells that are far off (Huber 1964): weights settle within a few. Common practice, no source."""
_ALIKE: Final = 0.97
"""Sources whose energies are this much alike (cosine of their roots) are not told apart. Common practice, no source."""
_KNOWN_DB: Final = 6.0
"""A fader that is less sure than this is not known. Common practice, no source."""


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
    audible = mix > 1e-12
    if audible.sum() < 4 * sources.shape[1]:
        return None
    # loud cells are known better in absolute terms, all alike in relative ones; in between, each by the root of its power
    weight = 1.0 / np.sqrt(mix[audible])
    rows, wanted = sources[audible] * weight[:, None], mix[audible] * weight
    power_gains = np.zeros(sources.shape[1])
    robust_weight = np.ones(wanted.size)
    for _ in range(_ROUNDS):
        scale = np.maximum(np.linalg.norm(rows * robust_weight[:, None], axis=0), 1e-30)
        scaled_gains = nonnegative_factors(rows * robust_weight[:, None] / scale, wanted * robust_weight)
        power_gains = scaled_gains / scale
        # sums of sounds that happen to add or cancel are no plain sums of energies: cells far off count less (Huber 1964)
        off = np.abs(rows @ power_gains - wanted) / np.maximum(wanted, 1e-30)
        robust_weight = np.minimum(1.0, 0.5 / np.maximum(off, 1e-9)) ** 0.5
    return power_gains


def _unmeasured(strip: Strip) -> Fader:
    """Fader as it is written down, that could not be found in the mix."""
    return Fader(source=strip.source, written_db=strip.fader_db, measured_db=None, measured_db_pm=None, over_time_db=())


def _alike(sources: Array) -> NDArray[np.bool_]:
    """(sources,) true where another source rises and falls with it in all bands, as two microphones of one instrument do."""
    columns = np.sqrt(sources.reshape(-1, sources.shape[-1]))
    columns = columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-30)
    near = columns.T @ columns
    np.fill_diagonal(near, 0.0)
    return np.asarray(near.max(axis=1, initial=0.0) > _ALIKE)


def _source_energies(figures: Figures, strip: Strip) -> Array:
    """(seconds, bands) energies of a source at a fader of 0 dB, mean of both sides."""
    weights = source_matrix(len(strip.rows), 0.0) ** 2
    power = sum(
        0.5 * float(weights[:, channel].sum()) * np.asarray(figures.tracks[row].tone[:, _BANDS], np.float64)
        for channel, row in enumerate(strip.rows)
    )
    return np.asarray(power)


def _levels_db(sources: Array, mix: Array, seconds: NDArray[np.intp]) -> Array:
    """(sources,) levels in dB at which the sources' energies make the mix's over some seconds; NaN where they cannot be told."""
    power_gains = _weighted(sources[seconds].reshape(-1, sources.shape[-1]), mix[seconds].reshape(-1))
    if power_gains is None:
        return np.full(sources.shape[-1], np.nan)
    return np.asarray(db_from_power(np.maximum(power_gains, 1e-12)))


def _half_width_db(sources: Array, mix: Array, seconds: NDArray[np.intp]) -> Array:
    """(sources,) half the width of the 95 % interval of their levels, by resampling seconds (bootstrap, Efron 1979)."""
    rng = np.random.default_rng(1)
    resampled_db = np.array(
        [_levels_db(sources, mix, seconds[rng.integers(seconds.size, size=seconds.size)]) for _ in range(_RESAMPLES)]
    )
    low_db, high_db = np.nanpercentile(resampled_db, (2.5, 97.5), axis=0)
    return np.asarray(0.5 * (high_db - low_db))


def find_faders(figures: Figures, strips: Sequence[Strip], mix: tuple[int, ...]) -> list[Fader]:
    """Faders of a recorded mix.

    Parameters
    ----------
    figures : Figures
        Of all rows: sources after their chains, and the tracks of the mix.
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
    if not strips:
        return []
    sources = np.stack([_source_energies(figures, strip) for strip in strips], axis=-1)  # (seconds, bands, sources)
    known = np.flatnonzero(np.isfinite(tone).all(axis=1) & np.isfinite(sources).all(axis=(1, 2)))
    if known.size < _LEAST_S:
        return [_unmeasured(strip) for strip in strips]
    used = known[:: -(-known.size // _MOST_SECONDS)]
    if not (tone[used] > 1e-12).any():
        return [_unmeasured(strip) for strip in strips]
    levels_db = _levels_db(sources, tone, used)
    half_width_db = _half_width_db(sources, tone, used)
    # how much of the mix it makes up in its own best cells
    contributions = sources[used] * power_from_db(levels_db)
    share = np.percentile(contributions / np.maximum(tone[used][..., None], 1e-20), 98, axis=(0, 1))
    measured = (half_width_db < _KNOWN_DB) & (share > _LEAST_SHARE) & (levels_db > -60.0) & ~_alike(sources[used])
    written_db = np.array([strip.fader_db for strip in strips])
    shift_db = float(np.median((written_db - levels_db)[measured])) if measured.any() else 0.0
    windows = [
        (int(first), known[(known >= first) & (known < first + _WINDOW_S)])
        for first in range(0, int(known[-1]) + 1, _WINDOW_S)
    ]
    levels_over_time = [
        (float(first), _levels_db(sources, tone, seconds)) for first, seconds in windows if seconds.size >= _LEAST_S
    ]
    return [
        Fader(
            source=strip.source,
            written_db=strip.fader_db,
            measured_db=float(levels_db[number]) + shift_db,
            measured_db_pm=float(half_width_db[number]),
            over_time_db=tuple(
                (start_s, round(float(window_db[number]) + shift_db, 1))
                for start_s, window_db in levels_over_time
                if np.isfinite(window_db[number]) and window_db[number] > -60.0
            ),
        )
        if measured[number]
        else _unmeasured(strip)
        for number, strip in enumerate(strips)
    ]
