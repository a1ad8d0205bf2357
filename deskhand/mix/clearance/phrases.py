"""Phrases of a voice: where they lie, what of each is audible, what every other source costs it, and what trims give."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from math import factorial
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.intelligibility import (
    BANDWIDTH_DB,
    IMPORTANCE,
    audible_over_time,
    in_windows,
    level_distortion,
)
from deskhand.mix.clearance.meter import map_sides, trimmed
from deskhand.mix.clearance.result import SIDES
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.mix.clearance.meter import FeedEnergies

    Array = NDArray[np.float64]
    Energies = NDArray[np.floating]

PHRASE_S: Final = 4.0
"""Longest stretch over which the voice is taken by its mean spectrum. Common practice, no source."""
MOST_S: Final = 150.0
"""Seconds of a voice that are looked at, spread over the take: a bound on the work. Common practice, no source."""
_LEAST_PHRASE_S: Final = 0.5
"""Shorter stretches hold a word at most and are left out. Common practice, no source."""
SHAPLEY_MOST: Final = 6
"""Other sources up to which costs are exact: every set of them is tried, 2^6 = 64 runs. A bound on the work; common practice, no
source."""
EVERY: Final = 3
"""Costs and trims, which are differences, are worked out on every third frame: a bound on the work, some tenths of a point off
(docs/clearance.md)."""
TRIMS_DB: Final = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
"""Trims of a middle that are tried; 6 dB halve it. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhraseShares:
    """Audible shares of a phrase, costs of the other sources, and energies: what it adds to the clearance."""

    start_s: float
    end_s: float
    frames: int
    audible: Mapping[str, Array]
    """Side to audible shares of the bands."""
    distortion: Mapping[str, Array]
    """Side to the factors by which loud speech scores lower in the bands."""
    costs: Array
    """(sources, bands) in importance-weighted share."""
    voice_power: float
    rest_power: float
    trims: Mapping[str, Array]
    """Pair to (trims, sides) of audible share; "all pairs" for all together."""
    pair_power: Mapping[str, Array]
    """Pair to summed energies of mid, left and right over bands."""


def phrases(stretches_s: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Stretches in which a voice is active, cut into phrases of at most 4 s, thinned evenly to at most 150 s."""
    cut: list[tuple[float, float]] = []
    for begin, end in stretches_s:
        pieces = max(1, int(np.ceil((end - begin) / PHRASE_S)))
        edges = np.linspace(begin, end, pieces + 1)
        cut += [(float(a), float(b)) for a, b in itertools.pairwise(edges) if b - a >= _LEAST_PHRASE_S]
    total = sum(end - begin for begin, end in cut)
    if total <= MOST_S:
        return cut
    # each stretch of time earns its share of the seconds that may be spent, so that short answers count like long verses
    chosen, credit_s = [], 0.0
    for begin, end in cut:
        credit_s += (end - begin) * MOST_S / total
        if credit_s >= end - begin:
            chosen.append((begin, end))
            credit_s -= end - begin
    return chosen


def spectrum_db(power: Array, offset_db: float) -> Array:
    """(18,) spectrum level in dB re 20 uPa of mean squares in the bands."""
    return np.asarray(db_from_power(np.maximum(power, 1e-20)) + offset_db - BANDWIDTH_DB)


def noise_power(power: Energies, offset_db: float, *, every: int = 1) -> Array:
    """(frames, 18) spectrum power of energies, in each band's window; of one frame in so many."""
    return in_windows(power.astype(np.float64, copy=False), every=every) * power_from_db(offset_db - BANDWIDTH_DB)


def measure_phrase(feed: FeedEnergies, voice: str, offset_db: float, *, with_costs: bool = True) -> PhraseShares:
    """Audible shares of a voice in a phrase, and who costs what.

    Parameters
    ----------
    feed : FeedEnergies
        Of the phrase.
    voice : str
        The source whose words are to be heard.
    offset_db : float
        dB SPL of a feed with a mean square of 1.
    with_costs : bool
        Work out costs and trims as well; costs are 0 and there are no trims otherwise.
    """
    maskers = [name for name in feed.energies if name != voice]
    frames = len(next(iter(feed.energies.values()))[0])
    audible: dict[str, Array] = {}
    distortion: dict[str, Array] = {}
    rest_power = 0.0
    for side_number, side in enumerate(SIDES):
        speech = spectrum_db(feed.energies[voice][side_number].mean(axis=0, dtype=np.float64), offset_db)
        # in double precision, whatever they are kept in: windows are differences of running sums
        masker_energies = np.zeros((frames, 18))
        for name in maskers:
            masker_energies += feed.energies[name][side_number]
        audible[side] = audible_over_time(speech, noise_power(masker_energies, offset_db))
        distortion[side] = level_distortion(speech)
        if side == "mono":
            rest_power = float(masker_energies.sum())
    costs = np.zeros((len(maskers), 18))
    pairs = [name for name in maskers if name in feed.pairs] if with_costs else []
    windows: dict[str, tuple[Energies, Energies, Energies]] = {}
    if with_costs and maskers:

        def windows_of(energies: Energies) -> Energies:
            return noise_power(energies, offset_db, every=EVERY)

        for name in maskers:
            mono, left, right = feed.energies[name]
            # costs are of the mono sum; the two sides are for trims of pairs
            windows[name] = map_sides((mono, left, right) if pairs else (mono, mono, mono), windows_of)
        speech = spectrum_db(feed.energies[voice][0].mean(axis=0, dtype=np.float64), offset_db)
        costs = _costs(speech, [windows[name][0] for name in maskers])
    return PhraseShares(
        start_s=feed.start_s,
        end_s=feed.start_s + frames * 0.01,
        frames=frames,
        audible=audible,
        distortion=distortion,
        costs=costs,
        voice_power=float(feed.energies[voice][0].sum(dtype=np.float64)),
        rest_power=rest_power,
        trims=_trim_shares(feed, voice, windows, pairs, offset_db),
        pair_power={name: np.array([float(part.sum()) for part in feed.energies[name]]) for name in pairs},
    )


def _costs(speech: Array, noises: Sequence[Energies]) -> Array:
    """(sources, 18) audible share that each source takes, weighted by importance.

    Exact Shapley values (Shapley 1953) for few sources; beyond, the mean of what a source takes alone and of what leaving it out
    gives back.
    """
    count = len(noises)

    def share_against(maskers: tuple[int, ...]) -> Array:
        total = np.sum([noises[masker] for masker in maskers], axis=0) if maskers else np.zeros(noises[0].shape)
        return IMPORTANCE * audible_over_time(speech, np.asarray(total))

    def shares_against(sets: list[tuple[int, ...]]) -> dict[tuple[int, ...], Array]:
        return {subset: share_against(subset) for subset in sets}

    everyone = tuple(range(count))
    if count <= SHAPLEY_MOST:
        sets = [subset for size in range(count + 1) for subset in itertools.combinations(everyone, size)]
        shares = shares_against(sets)
        costs = np.zeros((count, 18))
        for subset in sets:
            for masker in everyone:
                if masker not in subset:
                    weight = factorial(len(subset)) * factorial(count - len(subset) - 1) / factorial(count)
                    joined = tuple(sorted((*subset, masker)))
                    costs[masker] += weight * (shares[subset] - shares[joined])
        return costs
    without = [tuple(present for present in everyone if present != masker) for masker in everyone]
    sets = [(), everyone, *((masker,) for masker in everyone), *without]
    shares = shares_against(sets)
    taken_alone = np.array([shares[()] - shares[masker,] for masker in everyone])
    given_back = np.array([shares[without[masker]] - shares[everyone] for masker in everyone])
    return np.asarray(0.5 * (taken_alone + given_back))


def _trim_shares(
    feed: FeedEnergies,
    voice: str,
    windows: Mapping[str, tuple[Energies, Energies, Energies]],
    pairs: list[str],
    offset_db: float,
) -> dict[str, Array]:
    """Pair to (trims, sides) of audible share with its middle turned down: each pair alone, and all together."""
    if not pairs:
        return {}
    totals = [np.sum([of_source[side] for of_source in windows.values()], axis=0) for side in range(3)]
    speech = [spectrum_db(feed.energies[voice][side].mean(axis=0), offset_db) for side in range(3)]
    # what each pair adds less with its middle turned down; windows are means: turned down before or after them comes to the same
    changes = [
        {
            name: [new - old for new, old in zip(trimmed(windows[name], trim_db), windows[name], strict=True)]
            for name in pairs
        }
        for trim_db in TRIMS_DB
    ]

    def trims_of(members: Sequence[str]) -> Array:
        rows = []
        for change in changes:
            shares = []
            for side in range(3):
                noise = totals[side] + np.sum([change[member][side] for member in members], axis=0)
                shares.append(float(np.sum(IMPORTANCE * audible_over_time(speech[side], np.maximum(noise, 0.0)))))
            rows.append(shares)
        return np.array(rows)

    groups = {pair: [pair] for pair in pairs}
    if len(pairs) > 1:
        groups["all pairs"] = pairs
    return {group: trims_of(members) for group, members in groups.items()}
