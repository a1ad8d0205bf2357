"""Space for a voice: the least change of everything else, all sources together, that lets its words be heard.

Others give way by faders, by their middle, and by cuts of the equaliser; the voice is never raised, so that headroom is kept.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.intelligibility import IMPORTANCE, audible_over_time
from deskhand.moves.equaliser import BANDS, Shape
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.mix.clearance import TrialPhrase

    Array = NDArray[np.float64]

MOST_DB: Final = 6.0
"""Nothing gives way by more. Common practice, no source."""
STEP_DB: Final = 0.5
BELLS_HZ: Final = (500.0, 710.0, 1000.0, 1410.0, 2000.0, 2830.0, 4000.0, 5660.0)
BELL_QS: Final = (0.7, 1.4)
_FIRST_BAND: Final = 9
"""Of the third-octaves from 20 Hz, the one at 160 Hz, where the voice's bands begin."""
_COUNT: Final = 18
_TOUCH_DB: Final = 0.5
"""A source that is touched at all costs this much on top: fewer hands, fewer mistakes. Common practice, no source."""
_MATTERS_DB: Final = 40.0
_LEAST: Final = 1e-20
_WORTH: Final = 1e-5


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
class Other:
    """A source in one phrase, with another setting of a block that follows its level: what no gain can tell."""

    noise: Array
    """(frames, 18) its spectrum power in the mono sum, as in `TrialPhrase`."""
    middle: Array
    """(18,) energy of its middle over the phrase."""
    side: Array
    """(18,) of its sides."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Abilities:
    """What can be turned at one source."""

    fader: bool = True
    middle: bool = False
    """Whether its middle can be trimmed."""
    thresholds: Mapping[float, Sequence[Other]] = field(default_factory=dict)
    """By how much (below 0) the threshold of its middle can be lowered, and what is then heard of it in each phrase."""
    bells: tuple[Bell, ...] = ()
    fader_step_db: float = STEP_DB
    bell_step_db: float = STEP_DB


@dataclass(frozen=True, slots=True, kw_only=True)
class Giving:
    """How one source gives way, in decibels (never above 0)."""

    fader_db: float = 0.0
    middle_db: float = 0.0
    bell: Bell | None = None
    bell_db: float = 0.0
    """Against what it is set to."""
    threshold_db: float = 0.0
    """Of its middle's compressor, against what it is set to."""

    @property
    def nothing(self) -> bool:
        """Whether it stays as it is."""
        return self == Giving()


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """Who gives way by how much."""

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
        """Whether the wanted clearance is met."""
        return self.after_pct >= self.wanted_pct - 0.05


def bands_of(bell: Bell, gain_db: float) -> Array:
    """(18,) power gain of a bell in the voice's third-octaves, against how it is set now."""
    made = Shape(kind="bell", frequency_hz=bell.frequency_hz, gain_db=bell.gain_db + gain_db, q=bell.q).power()
    if bell.gain_db:
        made = made / Shape(kind="bell", frequency_hz=bell.frequency_hz, gain_db=bell.gain_db, q=bell.q).power()
    wanted = BANDS[_FIRST_BAND : _FIRST_BAND + _COUNT]
    return np.asarray((wanted @ made) / wanted.sum(axis=1))


Setting = tuple["Array", "Array"]


@dataclass(slots=True, eq=False)
class _Feed:
    """The voice's phrases as arrays, and what each source adds."""

    held: Sequence[TrialPhrase]
    names: list[str]
    middle: Array
    """(sources, 18) energy of the middle over all phrases."""
    side: Array
    """(sources, 18) of the sides."""
    voice_middle: float
    voice_side: float
    shares: Array
    """(phrases,) of the time."""
    others: dict[tuple[int, float], tuple[list[Array], Array, Array]] = field(default_factory=dict)
    """(source, threshold) to its noise in each phrase, and its middle and sides over all."""
    known: dict[bytes, float] = field(default_factory=dict)

    def energies(self, place: int, threshold_db: float) -> tuple[Array, Array]:
        """(18,) energy of a source's middle and sides over all phrases."""
        if threshold_db:
            _, middle, side = self.others[place, threshold_db]
            return middle, side
        return self.middle[place], self.side[place]

    def pct(self, setting: Setting) -> float:
        """Mean clearance in the mono sum for (sources, 18) power gains of the middles, and (sources,) thresholds."""
        gains, thresholds_db = setting
        key = gains.tobytes() + thresholds_db.tobytes()
        if key not in self.known:
            total = 0.0
            moved = [(int(place), float(thresholds_db[place])) for place in np.flatnonzero(thresholds_db)]
            for at, (share, one) in enumerate(zip(self.shares, self.held, strict=True)):
                noise = np.einsum("sb,snb->nb", gains, one.noise[:-1]) + one.noise[-1]
                for place, threshold_db in moved:
                    own = self.others[place, threshold_db][0][at]
                    noise = np.maximum(noise + gains[place] * (own - one.noise[place]), 0.0)
                total += share * float(np.sum(IMPORTANCE * one.distortion * audible_over_time(one.speech_db, noise)))
            self.known[key] = 100.0 * float(total)
        return self.known[key]


def _gains(giving: Giving) -> tuple[Array, Array]:
    """(18,) power gains of the middle and of the sides."""
    all_ = np.full(_COUNT, float(power_from_db(giving.fader_db)))
    middle = np.full(_COUNT, float(power_from_db(giving.middle_db)))
    if giving.bell is not None:
        made = bands_of(giving.bell, giving.bell_db)
        if giving.bell.on_middle:
            middle = middle * made
        else:
            all_ = all_ * made
    return all_ * middle, all_


class _Search:
    """The state of a search."""

    def __init__(
        self, feed: _Feed, abilities: Mapping[str, Abilities], wanted_pct: float, mono_loss_limit_db: float
    ) -> None:
        self.feed = feed
        self.abilities = abilities
        self.wanted_pct = wanted_pct
        self.limit_db = mono_loss_limit_db
        self.giving = [Giving() for _ in feed.names]
        self.gains = np.ones((len(feed.names), _COUNT))
        self.thresholds_db = np.zeros(len(feed.names))
        level = feed.middle + feed.side
        loudest = level.max(axis=1, keepdims=True)
        self.matters = (level >= loudest * power_from_db(-_MATTERS_DB)) & (loudest > _LEAST)

    def change_db(self, place: int, giving: Giving) -> float:
        """RMS change of a source's level in the feed."""
        if giving.nothing or not self.matters[place].any():
            return 0.0
        middle, side = _gains(giving)
        mine, sides = self.feed.energies(place, giving.threshold_db)
        before = self.feed.middle[place] + self.feed.side[place]
        after = middle * mine + side * sides
        moved = np.asarray(db_from_power(np.maximum(after, _LEAST) / np.maximum(before, _LEAST)))
        return float(np.sqrt(np.mean(moved[self.matters[place]] ** 2)))

    def cost_db(self, place: int, giving: Giving) -> float:
        """The same with what touching it at all costs; a new bell a little more, a narrow one too."""
        if giving.nothing:
            return 0.0
        more = 0.0 if giving.bell is None else (0.05 if giving.bell.index is None else 0.0) + 0.05 * giving.bell.q
        return self.change_db(place, giving) + _TOUCH_DB + more

    def mono_loss_db(self, giving: Sequence[Giving]) -> float:
        """Of the whole feed, voice and all, in the voice's third-octaves."""
        middle, side = self.feed.voice_middle, self.feed.voice_side
        for place, one in enumerate(giving):
            of_middle, of_side = _gains(one)
            mine, sides = self.feed.energies(place, one.threshold_db)
            middle += float(of_middle @ mine)
            side += float(of_side @ sides)
        return float(db_from_power(max(middle, _LEAST) / max(middle + side, _LEAST)))

    def with_(self, place: int, giving: Giving) -> Setting:
        """All gains and thresholds with another setting of one source."""
        gains, thresholds_db = self.gains.copy(), self.thresholds_db.copy()
        gains[place] = _gains(giving)[0]
        thresholds_db[place] = giving.threshold_db
        return gains, thresholds_db

    def next_of(self, place: int) -> list[Giving]:
        """One step further, by each way."""
        now, able = self.giving[place], self.abilities[self.feed.names[place]]
        out = []
        if able.fader and now.fader_db - able.fader_step_db >= -MOST_DB - 1e-9:
            out.append(replace(now, fader_db=round(now.fader_db - able.fader_step_db, 6)))
        if able.middle and now.middle_db - able.fader_step_db >= -MOST_DB - 1e-9:
            out.append(replace(now, middle_db=round(now.middle_db - able.fader_step_db, 6)))
        lower = [one for one in able.thresholds if one < now.threshold_db]
        if lower:
            out.append(replace(now, threshold_db=max(lower)))
        if now.bell is not None:
            if now.bell_db - able.bell_step_db >= -MOST_DB - 1e-9:
                out.append(replace(now, bell_db=round(now.bell_db - able.bell_step_db, 6)))
        else:
            # a bell is tried at a depth that shows what it is worth
            first = -able.bell_step_db * max(1, round(1.5 / able.bell_step_db))
            out += [replace(now, bell=bell, bell_db=first) for bell in able.bells]
        return out

    def take(self, place: int, giving: Giving) -> None:
        """Turn one source."""
        self.gains, self.thresholds_db = self.with_(place, giving)
        self.giving[place] = giving

    def pct(self) -> float:
        """As it stands."""
        return self.feed.pct((self.gains, self.thresholds_db))

    def total_db(self) -> float:
        """The cost as it stands."""
        return sum(self.cost_db(place, one) for place, one in enumerate(self.giving))

    def allowed(self, place: int, giving: Giving) -> bool:
        """Whether the mono loss stays inside its limit, or does not grow."""
        several = list(self.giving)
        several[place] = giving
        loss = self.mono_loss_db(several)
        return loss >= self.limit_db or loss >= self.mono_loss_db(self.giving) - 1e-9

    def go(self, banned: frozenset[int] = frozenset()) -> None:
        """Turn what gives most for its cost, step by step, until the voice is clear or nothing helps."""
        now = self.pct()
        worth = {place: self._best(place, now) for place in range(len(self.giving)) if place not in banned}
        heap = [(-one[0], place) for place, one in worth.items() if one is not None]
        heapq.heapify(heap)
        while heap and now < self.wanted_pct:
            _, place = heapq.heappop(heap)
            fresh = self._best(place, now)
            if fresh is None:
                continue
            if heap and fresh[0] < -heap[0][0] - 1e-12:
                heapq.heappush(heap, (-fresh[0], place))
                continue
            self.take(place, fresh[1])
            now = self.pct()
            again = self._best(place, now)
            if again is not None:
                heapq.heappush(heap, (-again[0], place))

    def _best(self, place: int, now: float) -> tuple[float, Giving] | None:
        """What a step of a source is worth per decibel of its cost, and which."""
        best: tuple[float, Giving] | None = None
        paid = self.change_db(place, self.giving[place])
        touched = 0.0 if not self.giving[place].nothing else _TOUCH_DB / 4.0
        for giving in self.next_of(place):
            gain = min(self.feed.pct(self.with_(place, giving)), self.wanted_pct) - now
            if gain < _WORTH:
                continue
            cost = max(self.change_db(place, giving) - paid, 0.05) + touched
            if (best is None or gain / cost > best[0]) and self.allowed(place, giving):
                best = (gain / cost, giving)
        return best

    def give_back(self) -> None:
        """Undo what is not needed, dearest first."""
        while True:
            options = []
            for place, now in enumerate(self.giving):
                for less in self._less(place, now):
                    saved = self.cost_db(place, now) - self.cost_db(place, less)
                    if saved > 1e-9:
                        options.append((saved, place, less))
            for _, place, less in sorted(options, key=lambda item: -item[0]):
                if self.feed.pct(self.with_(place, less)) >= self.wanted_pct and self.allowed(place, less):
                    self.take(place, less)
                    break
            else:
                return

    def _less(self, place: int, now: Giving) -> list[Giving]:
        able = self.abilities[self.feed.names[place]]
        out = []
        if now.fader_db:
            out += [replace(now, fader_db=0.0), replace(now, fader_db=round(now.fader_db + able.fader_step_db, 6))]
        if now.middle_db:
            out += [replace(now, middle_db=0.0), replace(now, middle_db=round(now.middle_db + able.fader_step_db, 6))]
        if now.threshold_db:
            higher = [one for one in able.thresholds if one > now.threshold_db]
            out += [replace(now, threshold_db=one) for one in {0.0, min(higher, default=0.0)}]
        if now.bell is not None:
            less_db = round(now.bell_db + able.bell_step_db, 6)
            out.append(replace(now, bell=None, bell_db=0.0))
            if less_db < 0:
                out.append(replace(now, bell_db=less_db))
        return out

    def copy(self) -> _Search:
        """Another search from the same state."""
        other = _Search(self.feed, self.abilities, self.wanted_pct, self.limit_db)
        other.giving = list(self.giving)
        other.gains = self.gains.copy()
        other.thresholds_db = self.thresholds_db.copy()
        return other


def _better(one: _Search, other: _Search) -> bool:
    """Whether one search ended in a better place than another: nearer to what is wanted, then cheaper."""
    mine, theirs = min(one.pct(), one.wanted_pct), min(other.pct(), other.wanted_pct)
    if abs(mine - theirs) > 0.05:
        return mine > theirs
    return one.total_db() < other.total_db() - 1e-9


def _plain_db(search: _Search) -> float | None:
    """How far everything else must go down alike, up to 12 dB, to be as clear; in steps of the faders."""
    names = search.feed.names
    aim = min(search.wanted_pct, search.pct())
    for step in range(int(12.0 / STEP_DB) + 1):
        down_db = step * STEP_DB
        alike = np.full((len(names), _COUNT), float(power_from_db(-down_db)))
        if search.feed.pct((alike, np.zeros(len(names)))) >= aim - 1e-9:
            return down_db
    return None


def _in_steps_db(down_db: float, step_db: float) -> float:
    """The least a fader of such steps can be turned down to do as much, within what it may be."""
    return round(step_db * min(math.ceil(down_db / step_db - 1e-9), math.floor(MOST_DB / step_db + 1e-9)), 6)


def make_space(
    held: Sequence[TrialPhrase],
    abilities: Mapping[str, Abilities],
    *,
    wanted_pct: float,
    indexed: bool,
    mono_loss_limit_db: float,
) -> Space | None:
    """The least change of all other sources together that brings a voice to a wanted clearance.

    Parameters
    ----------
    held : sequence of TrialPhrase
        The phrases of the voice, from `mix.clearance.hold`.
    abilities : mapping
        What can be turned at each of the other sources; those that are not in it stay as they are.
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
    if not held or not abilities:
        return None
    names = [name for name in held[0].names if name in abilities]
    if not names:
        return None
    feed = _feed_of(held, names, indexed=indexed)
    for place, name in enumerate(names):
        for threshold_db, several in abilities[name].thresholds.items():
            feed.others[place, threshold_db] = (
                [one.noise for one in several],
                np.sum([one.middle for one in several], axis=0),
                np.sum([one.side for one in several], axis=0),
            )
    search = _Search(feed, abilities, wanted_pct, mono_loss_limit_db)
    before = search.pct()
    loss_before = search.mono_loss_db(search.giving)
    if before >= wanted_pct:
        return None
    search.go()
    search.give_back()
    for place, one in enumerate(list(search.giving)):
        if one.nothing:
            continue
        other = search.copy()
        other.take(place, Giving())
        other.go(frozenset({place}))
        other.give_back()
        if _better(other, search):
            search = other
    # turning everything down alike is one of the lists there are
    plain_db = _plain_db(search)
    if plain_db is not None and plain_db <= MOST_DB and all(abilities[name].fader for name in names):
        alike = search.copy()
        for place, name in enumerate(names):
            alike.take(place, Giving(fader_db=-_in_steps_db(plain_db, abilities[name].fader_step_db)))
        alike.give_back()
        changed = [
            sum(one.change_db(place, giving) for place, giving in enumerate(one.giving)) for one in (alike, search)
        ]
        loss = alike.mono_loss_db(alike.giving)
        inside = loss >= mono_loss_limit_db or loss >= loss_before - 1e-9
        if inside and alike.pct() >= min(search.pct(), wanted_pct) - 0.05 and changed[0] < changed[1]:
            search = alike
    if all(one.nothing for one in search.giving):
        return None
    sounding = int(search.matters.any(axis=1).sum())
    return Space(
        giving=_in_order(search),
        before_pct=before,
        after_pct=search.pct(),
        wanted_pct=wanted_pct,
        change_db=sum(search.change_db(place, one) for place, one in enumerate(search.giving)),
        plain_db=None if plain_db is None else plain_db * sounding,
        sounding=sounding,
        mono_loss_before_db=loss_before,
        mono_loss_after_db=search.mono_loss_db(search.giving),
    )


def _in_order(search: _Search) -> dict[str, Giving]:
    """Those that help most first, so that stopping early still helps."""
    left = {place: one for place, one in enumerate(search.giving) if not one.nothing}
    state = _Search(search.feed, search.abilities, search.wanted_pct, search.limit_db)
    out: dict[str, Giving] = {}
    while left:
        best = max(left, key=lambda place: state.feed.pct(state.with_(place, left[place])))
        state.take(best, left[best])
        out[state.feed.names[best]] = left.pop(best)
    return out


def _feed_of(held: Sequence[TrialPhrase], names: Sequence[str], *, indexed: bool) -> _Feed:
    """The phrases with the sources that can be turned; all others belong to what stays."""
    every = held[0].names
    own = [every.index(name) for name in names]
    rest = [place for place in range(len(every)) if place not in own]
    parts = [
        replace(
            one,
            noise=np.concatenate([one.noise[own], one.noise[rest].sum(axis=0, keepdims=True)]),
            distortion=one.distortion if indexed else np.ones(_COUNT),
        )
        for one in held
    ]
    middle, side = (np.sum([getattr(one, name) for one in held], axis=0) for name in ("middle", "side"))
    frames = np.array([one.frames for one in held], np.float64)
    return _Feed(
        held=parts,
        names=list(names),
        middle=middle[own],
        side=side[own],
        voice_middle=float(sum(one.voice_middle for one in held)) + float(middle[rest].sum()),
        voice_side=float(sum(one.voice_side for one in held)) + float(side[rest].sum()),
        shares=frames / frames.sum(),
    )
