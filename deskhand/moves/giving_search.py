"""Search for the least that all others can give way by, so that a voice is heard."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.intelligibility import IMPORTANCE, audible_over_time
from deskhand.moves.giving import BAND_COUNT, MOST_DB, Giving, power_gains
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.mix.clearance import TrialPhrase
    from deskhand.moves.giving import Abilities

    Array = NDArray[np.float64]

_TOUCH_DB: Final = 0.5
"""A source that is touched at all costs this much on top: fewer hands, fewer mistakes. Common practice, no source."""
_NEW_BELL_DB, _PER_Q_DB = 0.05, 0.05
"""Cost of a new bell against one that is there, and of narrow bells by their Q. Common practice, no source."""
_FIRST_BELL_DB: Final = 1.5
"""Depth at which a bell is tried first: enough to show what it is worth. Common practice, no source."""
_MATTERS_DB: Final = 40.0
"""Bands this far below a source's loudest are no part of its sound. Common practice, no source."""
_LEAST: Final = 1e-20
"""Least power that is divided by or brought to decibels: -200 dB. Arithmetic."""
_WORTH_PCT: Final = 1e-5
"""Clearance that a step must give: less is rounding."""
_SAME_PCT: Final = 0.05
"""Clearances nearer than this are alike: half of what is shown. Arithmetic."""
_LEAST_STEP_DB: Final = 0.05
"""Least cost of a step that its worth is divided by. Common practice, no source."""
ROUNDING_DB: Final = 1e-9
"""Tolerance of sums of decibels: rounding."""

FeedGains = tuple["Array", "Array"]
"""(sources, 18) power gains of the middles, and (sources,) thresholds against how they are set."""


@dataclass(slots=True, eq=False)
class PhraseEnergies:
    """Phrases of a voice as arrays, with what each source adds."""

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
    lowered: dict[tuple[int, float], tuple[list[Array], Array, Array]] = field(default_factory=dict)
    """(source, threshold) to its noise in each phrase, and its middle and sides over all."""
    known: dict[bytes, float] = field(default_factory=dict)

    def energies(self, source: int, threshold_db: float) -> tuple[Array, Array]:
        """(18,) energy of a source's middle and sides over all phrases."""
        if threshold_db:
            _, middle, side = self.lowered[source, threshold_db]
            return middle, side
        return self.middle[source], self.side[source]

    def pct(self, feed_gains: FeedGains) -> float:
        """Mean clearance in the mono sum, in percent."""
        gains, thresholds_db = feed_gains
        key = gains.tobytes() + thresholds_db.tobytes()
        if key not in self.known:
            total = 0.0
            moved = [(int(source), float(thresholds_db[source])) for source in np.flatnonzero(thresholds_db)]
            for number, (share, phrase) in enumerate(zip(self.shares, self.held, strict=True)):
                noise = np.einsum("sb,snb->nb", gains, phrase.noise[:-1]) + phrase.noise[-1]
                for source, threshold_db in moved:
                    lowered = self.lowered[source, threshold_db][0][number]
                    noise = np.maximum(noise + gains[source] * (lowered - phrase.noise[source]), 0.0)
                audible = audible_over_time(phrase.speech_db, noise)
                total += share * float(np.sum(IMPORTANCE * phrase.distortion * audible))
            self.known[key] = 100.0 * float(total)
        return self.known[key]


class GivingSearch:
    """Search from how every source gives way so far."""

    def __init__(
        self, feed: PhraseEnergies, abilities: Mapping[str, Abilities], wanted_pct: float, mono_loss_limit_db: float
    ) -> None:
        self.feed = feed
        self.abilities = abilities
        self.wanted_pct = wanted_pct
        self.limit_db = mono_loss_limit_db
        self.giving = [Giving() for _ in feed.names]
        self.gains = np.ones((len(feed.names), BAND_COUNT))
        self.thresholds_db = np.zeros(len(feed.names))
        level = feed.middle + feed.side
        loudest = level.max(axis=1, keepdims=True)
        self.matters = (level >= loudest * power_from_db(-_MATTERS_DB)) & (loudest > _LEAST)

    def change_db(self, source: int, giving: Giving) -> float:
        """RMS change of a source's level in the feed."""
        if giving.nothing or not self.matters[source].any():
            return 0.0
        middle, side = power_gains(giving)
        mine, sides = self.feed.energies(source, giving.threshold_db)
        before = self.feed.middle[source] + self.feed.side[source]
        after = middle * mine + side * sides
        moved = np.asarray(db_from_power(np.maximum(after, _LEAST) / np.maximum(before, _LEAST)))
        return float(np.sqrt(np.mean(moved[self.matters[source]] ** 2)))

    def sum_db(self) -> float:
        """Sum of the changes over the sources."""
        return sum(self.change_db(source, giving) for source, giving in enumerate(self.giving))

    def cost_db(self, source: int, giving: Giving) -> float:
        """Change of a source with what touching it at all costs; a new bell a little more, a narrow one too."""
        if giving.nothing:
            return 0.0
        bell = giving.bell
        bell_db = 0.0 if bell is None else (_NEW_BELL_DB if bell.index is None else 0.0) + _PER_Q_DB * bell.q
        return self.change_db(source, giving) + _TOUCH_DB + bell_db

    def mono_loss_db(self, giving: Sequence[Giving]) -> float:
        """Mono loss of the whole feed, voice and all, in the voice's third-octaves."""
        middle, side = self.feed.voice_middle, self.feed.voice_side
        for source, setting in enumerate(giving):
            of_middle, of_side = power_gains(setting)
            mine, sides = self.feed.energies(source, setting.threshold_db)
            middle += float(of_middle @ mine)
            side += float(of_side @ sides)
        return float(db_from_power(max(middle, _LEAST) / max(middle + side, _LEAST)))

    def with_(self, source: int, giving: Giving) -> FeedGains:
        """Gains and thresholds of all with another setting of one source."""
        gains, thresholds_db = self.gains.copy(), self.thresholds_db.copy()
        gains[source] = power_gains(giving)[0]
        thresholds_db[source] = giving.threshold_db
        return gains, thresholds_db

    def next_of(self, source: int) -> list[Giving]:
        """One step further, by each way."""
        current, able = self.giving[source], self.abilities[self.feed.names[source]]
        steps = []
        if able.fader and current.fader_db - able.fader_step_db >= -MOST_DB - ROUNDING_DB:
            steps.append(replace(current, fader_db=round(current.fader_db - able.fader_step_db, 6)))
        if able.middle and current.middle_db - able.fader_step_db >= -MOST_DB - ROUNDING_DB:
            steps.append(replace(current, middle_db=round(current.middle_db - able.fader_step_db, 6)))
        lower = [threshold_db for threshold_db in able.thresholds if threshold_db < current.threshold_db]
        if lower:
            steps.append(replace(current, threshold_db=max(lower)))
        if current.bell is not None:
            if current.bell_db - able.bell_step_db >= -MOST_DB - ROUNDING_DB:
                steps.append(replace(current, bell_db=round(current.bell_db - able.bell_step_db, 6)))
        else:
            first_db = -able.bell_step_db * max(1, round(_FIRST_BELL_DB / able.bell_step_db))
            steps += [replace(current, bell=bell, bell_db=first_db) for bell in able.bells]
        return steps

    def take(self, source: int, giving: Giving) -> None:
        """Turn one source."""
        self.gains, self.thresholds_db = self.with_(source, giving)
        self.giving[source] = giving

    def pct(self) -> float:
        """Clearance as it stands, in percent."""
        return self.feed.pct((self.gains, self.thresholds_db))

    def total_db(self) -> float:
        """Sum of the costs as it stands."""
        return sum(self.cost_db(source, giving) for source, giving in enumerate(self.giving))

    def allowed(self, source: int, giving: Giving) -> bool:
        """True where the mono loss stays inside its limit, or does not grow."""
        several = list(self.giving)
        several[source] = giving
        loss = self.mono_loss_db(several)
        return loss >= self.limit_db or loss >= self.mono_loss_db(self.giving) - ROUNDING_DB

    def go(self, banned: frozenset[int] = frozenset()) -> None:
        """Turn what gives most for its cost, step by step, until the voice is clear or nothing helps."""
        pct = self.pct()
        steps = {source: self._best(source, pct) for source in range(len(self.giving)) if source not in banned}
        heap = [(-step[0], source) for source, step in steps.items() if step is not None]
        heapq.heapify(heap)
        while heap and pct < self.wanted_pct:
            _, source = heapq.heappop(heap)
            fresh = self._best(source, pct)
            if fresh is None:
                continue
            if heap and fresh[0] < -heap[0][0] - 1e-12:
                heapq.heappush(heap, (-fresh[0], source))
                continue
            self.take(source, fresh[1])
            pct = self.pct()
            again = self._best(source, pct)
            if again is not None:
                heapq.heappush(heap, (-again[0], source))

    def _best(self, source: int, pct: float) -> tuple[float, Giving] | None:
        """Best step of a source, with its clearance per decibel of its cost; None where none helps."""
        best: tuple[float, Giving] | None = None
        paid = self.change_db(source, self.giving[source])
        touched = 0.0 if not self.giving[source].nothing else _TOUCH_DB / 4.0
        for giving in self.next_of(source):
            gain = min(self.feed.pct(self.with_(source, giving)), self.wanted_pct) - pct
            if gain < _WORTH_PCT:
                continue
            cost = max(self.change_db(source, giving) - paid, _LEAST_STEP_DB) + touched
            if (best is None or gain / cost > best[0]) and self.allowed(source, giving):
                best = (gain / cost, giving)
        return best

    def give_back(self) -> None:
        """Undo what is not needed, dearest first."""
        while True:
            options = []
            for source, current in enumerate(self.giving):
                for lesser_giving in self._less(source, current):
                    saved = self.cost_db(source, current) - self.cost_db(source, lesser_giving)
                    if saved > ROUNDING_DB:
                        options.append((saved, source, lesser_giving))
            for _, source, lesser_giving in sorted(options, key=lambda option: -option[0]):
                if self.feed.pct(self.with_(source, lesser_giving)) >= self.wanted_pct and self.allowed(
                    source, lesser_giving
                ):
                    self.take(source, lesser_giving)
                    break
            else:
                return

    def _less(self, source: int, current: Giving) -> list[Giving]:
        """Settings of a source that give less: nothing by one of its ways, or a step back."""
        able = self.abilities[self.feed.names[source]]
        settings = []
        if current.fader_db:
            back_db = round(current.fader_db + able.fader_step_db, 6)
            settings += [replace(current, fader_db=0.0), replace(current, fader_db=back_db)]
        if current.middle_db:
            back_db = round(current.middle_db + able.fader_step_db, 6)
            settings += [replace(current, middle_db=0.0), replace(current, middle_db=back_db)]
        if current.threshold_db:
            higher = [threshold_db for threshold_db in able.thresholds if threshold_db > current.threshold_db]
            settings += [replace(current, threshold_db=less_db) for less_db in {0.0, min(higher, default=0.0)}]
        if current.bell is not None:
            back_db = round(current.bell_db + able.bell_step_db, 6)
            settings.append(replace(current, bell=None, bell_db=0.0))
            if back_db < 0:
                settings.append(replace(current, bell_db=back_db))
        return settings

    def copy(self) -> GivingSearch:
        """Another search from the same state."""
        twin = GivingSearch(self.feed, self.abilities, self.wanted_pct, self.limit_db)
        twin.giving = list(self.giving)
        twin.gains = self.gains.copy()
        twin.thresholds_db = self.thresholds_db.copy()
        return twin

    def in_order(self) -> dict[str, Giving]:
        """Sources that give way, those that help most first, so that stopping early still helps."""
        left = {source: giving for source, giving in enumerate(self.giving) if not giving.nothing}
        state = GivingSearch(self.feed, self.abilities, self.wanted_pct, self.limit_db)
        ordered: dict[str, Giving] = {}
        while left:
            best = max(left, key=lambda source: state.feed.pct(state.with_(source, left[source])))
            state.take(best, left[best])
            ordered[state.feed.names[best]] = left.pop(best)
        return ordered


def is_better(first: GivingSearch, second: GivingSearch) -> bool:
    """True where the first search ended nearer to what is wanted than the second, or as near and cheaper."""
    first_pct, second_pct = min(first.pct(), first.wanted_pct), min(second.pct(), second.wanted_pct)
    if abs(first_pct - second_pct) > _SAME_PCT:
        return first_pct > second_pct
    return first.total_db() < second.total_db() - ROUNDING_DB


def phrases_of(
    held: Sequence[TrialPhrase], names: Sequence[str], abilities: Mapping[str, Abilities], *, indexed: bool
) -> PhraseEnergies:
    """Phrases with the sources that can be turned; all others belong to what stays."""
    every = held[0].names
    turned = [every.index(name) for name in names]
    fixed = [row for row in range(len(every)) if row not in turned]
    parts = [
        replace(
            phrase,
            noise=np.concatenate([phrase.noise[turned], phrase.noise[fixed].sum(axis=0, keepdims=True)]),
            distortion=phrase.distortion if indexed else np.ones(BAND_COUNT),
        )
        for phrase in held
    ]
    middle, side = (np.sum([getattr(phrase, name) for phrase in held], axis=0) for name in ("middle", "side"))
    frames = np.array([phrase.frames for phrase in held], np.float64)
    lowered = {
        (row, threshold_db): (
            [phrase.noise for phrase in several],
            np.sum([phrase.middle for phrase in several], axis=0),
            np.sum([phrase.side for phrase in several], axis=0),
        )
        for row, name in enumerate(names)
        for threshold_db, several in abilities[name].thresholds.items()
    }
    return PhraseEnergies(
        held=parts,
        names=list(names),
        middle=middle[turned],
        side=side[turned],
        voice_middle=float(sum(phrase.voice_middle for phrase in held)) + float(middle[fixed].sum()),
        voice_side=float(sum(phrase.voice_side for phrase in held)) + float(side[fixed].sum()),
        shares=frames / frames.sum(),
        lowered=lowered,
    )
