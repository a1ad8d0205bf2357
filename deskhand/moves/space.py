"""Space for a voice: the least change of everything else, all sources together, that lets its words be heard.

Others give way by faders, by their middle, and by cuts of the equaliser; the voice is never raised, so that headroom is kept.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.moves.giving import BAND_COUNT, MOST_DB, STEP_DB, Abilities, Giving
from deskhand.moves.giving_search import ROUNDING_DB, GivingSearch, is_better, phrases_of
from deskhand.units import power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.mix.clearance import TrialPhrase

_NEAR_PCT: Final = 0.05
"""Clearance that may be missing: half of what is shown. Arithmetic."""
_MOST_ALIKE_DB: Final = 12.0
"""Turning everything down alike is tried up to here: twice what one source gives. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """Sources that give way, by how much, and what comes of it."""

    giving: dict[str, Giving]
    """Those that help most first."""
    before_pct: float
    after_pct: float
    wanted_pct: float
    change_db: float
    """Sum over the sources of the RMS change of their level in the feed, over the voice's third-octaves."""
    plain_db: float | None
    """The same for turning everything else down alike until the voice is as clear; None where 12 dB do not do it."""
    sounding: int
    """How many sources can be turned and sound while the voice does."""
    mono_loss_before_db: float
    mono_loss_after_db: float

    @property
    def reached(self) -> bool:
        """True where the wanted clearance is met."""
        return self.after_pct >= self.wanted_pct - _NEAR_PCT


def _plain_db(search: GivingSearch) -> float | None:
    """Decibels by which everything else must go down alike, up to 12 dB, to be as clear; in steps of the faders."""
    names = search.feed.names
    aim = min(search.wanted_pct, search.pct())
    for step in range(int(_MOST_ALIKE_DB / STEP_DB) + 1):
        down_db = step * STEP_DB
        alike = np.full((len(names), BAND_COUNT), float(power_from_db(-down_db)))
        if search.feed.pct((alike, np.zeros(len(names)))) >= aim - ROUNDING_DB:
            return down_db
    return None


def _in_steps_db(down_db: float, step_db: float) -> float:
    """The least a fader of such steps can be turned down to do as much, within what it may be."""
    steps = min(math.ceil(down_db / step_db - ROUNDING_DB), math.floor(MOST_DB / step_db + ROUNDING_DB))
    return round(step_db * steps, 6)


def _spared(search: GivingSearch) -> GivingSearch:
    """Search with each source that gives way spared in turn, where the list without it is cheaper."""
    for source, giving in enumerate(list(search.giving)):
        if giving.nothing:
            continue
        without = search.copy()
        without.take(source, Giving())
        without.go(frozenset({source}))
        without.give_back()
        if is_better(without, search):
            search = without
    return search


def _all_alike(search: GivingSearch, plain_db: float, loss_before_db: float) -> GivingSearch:
    """Search with everything turned down alike, where that changes less; else the search as it is."""
    alike = search.copy()
    for source, name in enumerate(search.feed.names):
        down_db = _in_steps_db(plain_db, search.abilities[name].fader_step_db)
        alike.take(source, Giving(fader_db=-down_db))
    alike.give_back()
    loss = alike.mono_loss_db(alike.giving)
    inside = loss >= search.limit_db or loss >= loss_before_db - ROUNDING_DB
    as_clear = alike.pct() >= min(search.pct(), search.wanted_pct) - _NEAR_PCT
    return alike if inside and as_clear and alike.sum_db() < search.sum_db() else search


def _best(search: GivingSearch, loss_before_db: float) -> tuple[GivingSearch, float | None]:
    """Search at its end, and the decibels that everything else must go down alike to be as clear."""
    search.go()
    search.give_back()
    search = _spared(search)
    # turning everything down alike is one of the lists there are
    plain_db = _plain_db(search)
    if plain_db is not None and plain_db <= MOST_DB and all(search.abilities[name].fader for name in search.feed.names):
        search = _all_alike(search, plain_db, loss_before_db)
    return search, plain_db


def make_space(
    held: Sequence[TrialPhrase],
    abilities: Mapping[str, Abilities],
    *,
    wanted_pct: float,
    indexed: bool,
    mono_loss_limit_db: float,
) -> Space | None:
    """Find the least change of all other sources together that brings a voice to a wanted clearance.

    Parameters
    ----------
    held : sequence of TrialPhrase
        The phrases of the voice, from `mix.clearance.hold`.
    abilities : mapping
        Knobs of each of the other sources; those that are not in it stay as they are.
    wanted_pct : float
        In the mono sum, mean over the phrases.
    indexed : bool
        Whether it is wanted of the extended index (with its level distortion) or of the audible share.
    mono_loss_limit_db : float
        The feed's mono loss may not fall below, unless it does already.

    Returns
    -------
    Space or None
        None when the voice is as clear as wanted, or there is nothing to turn. When it cannot be reached within 6 dB of each
        source, the nearest to it.

    Notes
    -----
    Step by step, what gives most clearance for its cost; then what turned out not to be needed is given back; then each source
    that gives way is spared in turn, and the cheaper of both lists kept. The sum of RMS changes is what is made small.
    """
    names = [name for name in held[0].names if name in abilities] if held and abilities else []
    if not names:
        return None
    feed = phrases_of(held, names, abilities, indexed=indexed)
    search = GivingSearch(feed, abilities, wanted_pct, mono_loss_limit_db)
    before_pct = search.pct()
    loss_before_db = search.mono_loss_db(search.giving)
    if before_pct >= wanted_pct:
        return None
    search, plain_db = _best(search, loss_before_db)
    if all(giving.nothing for giving in search.giving):
        return None
    sounding = int(search.matters.any(axis=1).sum())
    return Space(
        giving=search.in_order(),
        before_pct=before_pct,
        after_pct=search.pct(),
        wanted_pct=wanted_pct,
        change_db=search.sum_db(),
        plain_db=None if plain_db is None else plain_db * sounding,
        sounding=sounding,
        mono_loss_before_db=loss_before_db,
        mono_loss_after_db=search.mono_loss_db(search.giving),
    )
