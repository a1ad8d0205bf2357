"""Space for a voice: the fewest hands that let its words be heard, in the order in which an engineer would move them.

First whoever left its kept weeks goes back, then open microphones that nobody uses are muted, then the voice's own fader goes up as far as it
may, then one source or one group comes down, and only then an equaliser or a second source is turned: three hands at most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Literal

from deskhand.moves.feed_trial import ROUNDING_DB, FeedSettings, FeedTrial, feed_trial
from deskhand.moves.giving import MOST_DB, STEP_DB, Abilities, Giving

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.mix.clearance import TrialPhrase

HandKind = Literal["back", "mute", "voice", "fader", "group", "bell", "middle", "threshold"]

MOST_HANDS: Final = 3
"""Controls that are moved for a voice at most: what a tired person does in the minutes before doors. Common practice, no source."""
WORTH_PCT: Final = 1.0
"""Clearance for which a hand is asked for, and that it must bring: a percent is what is shown. Arithmetic."""
_WORTH_SHARE: Final = 0.2
"""Share of what is missing that a mute, or a source that goes back, must bring: less is not what covers the voice. Common practice, no
source; how often the mute comes first is counted in docs/validation-room.md."""
_EQUALISED: Final = 3
"""Sources at which an equaliser is tried: those that cover the voice most. A bound on the work."""
_MOST_ALIKE_DB: Final = 12.0
"""Turning everything down alike is tried up to here: twice what one source gives. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """One control that is moved for the voice."""

    kind: HandKind
    sources: tuple[str, ...]
    """Whose it is: all members of a group; the voice itself for its own fader."""
    change_db: float = 0.0
    """Change of the control, up or down; 0 for a mute."""
    giving: Giving = field(default_factory=Giving)
    """Change of each of the sources; nothing for the voice's own fader."""
    group: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomLimits:
    """Clearance that is wanted, and what may be moved for it."""

    wanted_pct: float
    """In the mono sum, mean over the phrases."""
    indexed: bool
    """Whether it is wanted of the extended index (with its level distortion) or of the audible share."""
    mono_loss_limit_db: float
    """The feed's mono loss may not fall below, unless it does already."""
    back_db: Mapping[str, float] = field(default_factory=dict)
    """Source that left its kept weeks to the dB (below 0) that bring it back."""
    unused: Sequence[str] = ()
    """Open microphones that nobody uses while the voice sings."""
    groups: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Group of the desk to its sources in the feed."""
    voice_up_db: float = 0.0
    """By how much the voice's own fader may go up."""
    voice_step_db: float = STEP_DB


@dataclass(frozen=True, slots=True, kw_only=True)
class Space:
    """Hands that are moved for a voice, and what comes of it."""

    hands: tuple[Hand, ...]
    """In the order in which they are moved."""
    settings: FeedSettings
    before_pct: float
    after_pct: float
    wanted_pct: float
    change_db: float
    """Sum over the sources that come down of the RMS change of their level in the feed, over the voice's third-octaves."""
    plain_db: float | None
    """Decibels by which everything else would have to come down alike; None where 12 dB do not do it."""
    sounding: int
    """Number of sources that can be turned and sound while the voice does."""
    mono_loss_before_db: float
    mono_loss_after_db: float

    @property
    def reached(self) -> bool:
        """True where the wanted clearance is met."""
        return self.after_pct > self.wanted_pct - WORTH_PCT


class HandSearch:
    """Search for the changes by hand that clear the voice, from how the feed stands.

    Parameters
    ----------
    trial : FeedTrial
    abilities : mapping
        Knobs of each source that may be turned.
    limits : RoomLimits
    """

    def __init__(self, trial: FeedTrial, abilities: Mapping[str, Abilities], limits: RoomLimits) -> None:
        self.trial = trial
        self.abilities = {name: abilities[name] for name in trial.names if name in abilities}
        self.limits = limits
        self.hands: list[Hand] = []

    def settings(self, hands: Iterable[Hand]) -> FeedSettings:
        """Settings of the feed with some hands."""
        giving: dict[str, Giving] = {}
        voice_db = 0.0
        for hand in hands:
            if hand.kind == "voice":
                voice_db += hand.change_db
                continue
            for name in hand.sources:
                giving[name] = _joined(giving.get(name, Giving()), hand.giving)
        return FeedSettings(giving=giving, voice_db=voice_db)

    def pct(self, *more: Hand) -> float:
        """Clearance with the hands so far and more of them, in percent."""
        return self.trial.pct(self.settings([*self.hands, *more]))

    @property
    def missing_pct(self) -> float:
        """Clearance that is missing still; 0 or less where it is reached."""
        return self.limits.wanted_pct - self.pct()

    @property
    def goes_on(self) -> bool:
        """True while clearance is missing and a hand is free."""
        return self.missing_pct >= WORTH_PCT and len(self.hands) < MOST_HANDS

    def allowed(self, hand: Hand) -> bool:
        """True where the mono loss stays inside its limit, or does not grow."""
        loss = self.trial.mono_loss_db(self.settings([*self.hands, hand]))
        before = self.trial.mono_loss_db(self.settings(self.hands))
        return loss >= self.limits.mono_loss_limit_db or loss >= before - ROUNDING_DB

    def brings(self, hand: Hand) -> float:
        """Clearance that a hand brings beyond those so far, no more than is missing, in percent."""
        return min(self.pct(hand), self.limits.wanted_pct) - self.pct()

    def move_causes(self, hands: Sequence[Hand]) -> None:
        """Move those of some hands that bring a good part of what is missing, the best first."""
        remaining = list(hands)
        missing_pct = self.missing_pct
        while remaining and self.goes_on:
            best = max(remaining, key=self.pct)
            remaining.remove(best)
            least_pct = max(WORTH_PCT, _WORTH_SHARE * missing_pct)
            if self.brings(best) >= min(least_pct, self.missing_pct) and self.allowed(best):
                self.hands.append(best)

    def raise_voice(self) -> None:
        """Raise the voice's own fader, by no more than is needed and than it may."""
        step_db = self.limits.voice_step_db
        steps = math.floor(self.limits.voice_up_db / step_db + ROUNDING_DB)
        if not self.goes_on or steps < 1:
            return
        hands = [
            Hand(kind="voice", sources=(), change_db=round(number * step_db, 6), giving=Giving())
            for number in range(1, steps + 1)
        ]
        hand = self._least(hands) or max(hands, key=self.pct)
        if self.brings(hand) >= WORTH_PCT:
            self.hands.append(hand)

    def _least(self, hands: Sequence[Hand]) -> Hand | None:
        """First of some hands, each stronger than the one before, that reaches what is wanted; None where none does."""
        return next((hand for hand in hands if self.pct(hand) >= self.limits.wanted_pct and self.allowed(hand)), None)

    def _lowered(self) -> list[list[Hand]]:
        """Faders of sources and of groups that were not moved yet, each by every step it may come down."""
        touched = {name for hand in self.hands for name in hand.sources}
        ladders = []
        singles = [("", (name,)) for name in self.abilities]
        for group, members in [*singles, *((group, tuple(names)) for group, names in self.limits.groups.items())]:
            if touched & {*members} or not all(self._has_fader(name) for name in members):
                continue
            step_db = max(self.abilities[name].fader_step_db for name in members)
            ladders.append(
                [
                    Hand(
                        kind="group" if group else "fader",
                        sources=members,
                        change_db=-round(number * step_db, 6),
                        giving=Giving(fader_db=-round(number * step_db, 6)),
                        group=group,
                    )
                    for number in range(1, math.floor(MOST_DB / step_db + ROUNDING_DB) + 1)
                ]
            )
        return [ladder for ladder in ladders if ladder]

    def _has_fader(self, name: str) -> bool:
        return name in self.abilities and self.abilities[name].fader

    def _equalised(self) -> list[list[Hand]]:
        """Bells, middles and thresholds of the sources that cover the voice most, each by every step."""
        worth = {
            name: self.pct(Hand(kind="fader", sources=(name,), giving=Giving(fader_db=-MOST_DB)))
            for name in self.abilities
        }
        ladders = []
        for name in sorted(worth, key=lambda name: -worth[name])[:_EQUALISED]:
            able = self.abilities[name]
            bell_steps = range(1, math.floor(MOST_DB / able.bell_step_db + ROUNDING_DB) + 1)
            steps = range(1, math.floor(MOST_DB / able.fader_step_db + ROUNDING_DB) + 1)
            bell_givings = [
                [Giving(bell=bell, bell_db=-round(number * able.bell_step_db, 6)) for number in bell_steps]
                for bell in able.bells
            ]
            middle_givings = [Giving(middle_db=-round(number * able.fader_step_db, 6)) for number in steps]
            threshold_givings = [Giving(threshold_db=by_db) for by_db in sorted(able.thresholds, reverse=True)]
            ladders += [_hands(name, "bell", givings) for givings in bell_givings]
            ladders += [_hands(name, "middle", middle_givings)] if able.middle else []
            ladders += [_hands(name, "threshold", threshold_givings)]
        used = {(hand.kind, hand.sources) for hand in self.hands}
        return [ladder for ladder in ladders if ladder and (ladder[0].kind, ladder[0].sources) not in used]

    def _reaching(self, ladders: Sequence[Sequence[Hand]]) -> list[Hand]:
        """Least hand of each ladder whose last reaches what is wanted."""
        able = [ladder for ladder in ladders if self.pct(ladder[-1]) >= self.limits.wanted_pct]
        return [hand for hand in map(self._least, able) if hand is not None]

    def _furthest(self, ladders: Sequence[Sequence[Hand]]) -> Hand | None:
        """Largest change of the one source or group that clears most, within the limit of mono loss; None where none brings a percent."""
        ends = [ladder[-1] for ladder in ladders if self.allowed(ladder[-1])]
        best = max(ends, key=self.pct, default=None)
        return best if best is not None and self.brings(best) >= WORTH_PCT else None

    def lower_others(self) -> None:
        """Turn down one source or group; where that is not enough an equaliser or a second one, until no hand is free."""
        while self.goes_on:
            faders = self._lowered()
            hand = None
            ladders = faders
            if any(moved.kind in ("fader", "group") for moved in self.hands):
                equalised = self._equalised()
                hand = min(self._reaching(equalised), key=self._size_db, default=None)
                ladders = [*faders, *equalised]
            if hand is None:
                # the one that has to come down least; of several as good, one source before a group
                hand = min(
                    self._reaching(faders), key=lambda reached: (-reached.change_db, len(reached.sources)), default=None
                )
            hand = hand or self._furthest(ladders)
            if hand is None:
                return
            self.hands.append(hand)

    def _size_db(self, hand: Hand) -> float:
        """Change that a hand makes to its sources, in dB."""
        return sum(self.trial.change_db(name, hand.giving) for name in hand.sources)

    def drop_unneeded(self) -> None:
        """Leave out the hands that are not needed any more, the last first; what is a cause stays."""
        for hand in reversed(list(self.hands)):
            without = [moved for moved in self.hands if moved is not hand]
            enough = self.trial.pct(self.settings(without)) >= self.limits.wanted_pct
            if hand.kind not in ("back", "mute") and enough:
                self.hands = without

    def plain_db(self) -> float | None:
        """Decibels by which everything that can be turned must come down alike to be as clear, up to 12 dB."""
        for step in range(int(_MOST_ALIKE_DB / STEP_DB) + 1):
            down_db = step * STEP_DB
            alike = dict.fromkeys(self.abilities, Giving(fader_db=-down_db))
            if self.trial.pct(FeedSettings(giving=alike)) >= self.limits.wanted_pct - ROUNDING_DB:
                return down_db
        return None


def _joined(first: Giving, second: Giving) -> Giving:
    """Sum of two changes at one source: gains in dB add up, the later bell counts, muted once is muted."""
    return replace(
        first if second.bell is None else replace(first, bell=second.bell, bell_db=second.bell_db),
        fader_db=first.fader_db + second.fader_db,
        middle_db=first.middle_db + second.middle_db,
        threshold_db=first.threshold_db + second.threshold_db,
        muted=first.muted or second.muted,
    )


def _hands(name: str, kind: HandKind, givings: Iterable[Giving]) -> list[Hand]:
    """Hands at one source, one for each setting."""
    return [
        Hand(
            kind=kind,
            sources=(name,),
            change_db=giving.bell_db + giving.middle_db + giving.threshold_db,
            giving=giving,
        )
        for giving in givings
    ]


def make_space(held: Sequence[TrialPhrase], abilities: Mapping[str, Abilities], limits: RoomLimits) -> Space | None:
    """Find the fewest hands that bring a voice to a wanted clearance.

    Parameters
    ----------
    held : sequence of TrialPhrase
        Phrases of the voice, from `mix.clearance.hold`.
    abilities : mapping
        Knobs of each of the other sources that may be turned down; speech is not among them.
    limits : RoomLimits

    Returns
    -------
    Space or None
        None when the voice is as clear as wanted, or there is nothing that helps. When it cannot be reached with three hands, the
        nearest to it.

    Notes
    -----
    The order is that of the job: causes (a source that left its kept weeks, an open microphone that nobody uses), the voice's own fader, one
    source or group down, then an equaliser or a second source. The search stops at the first hand with which the wanted clearance is there.
    """
    if not held:
        return None
    names = [name for name in held[0].names if name in abilities or name in limits.unused]
    trial = feed_trial(held, names, abilities, indexed=limits.indexed)
    search = HandSearch(trial, abilities, limits)
    before_pct = search.pct()
    if before_pct > limits.wanted_pct - WORTH_PCT:
        return None
    search.move_causes(
        [
            Hand(kind="back", sources=(name,), change_db=by_db, giving=Giving(fader_db=by_db))
            for name, by_db in limits.back_db.items()
            if name in search.abilities
        ]
    )
    muted = Giving(muted=True)
    search.move_causes([Hand(kind="mute", sources=(name,), giving=muted) for name in limits.unused if name in names])
    search.raise_voice()
    search.lower_others()
    search.drop_unneeded()
    if not search.hands:
        return None
    settings = search.settings(search.hands)
    return Space(
        hands=tuple(search.hands),
        settings=settings,
        before_pct=before_pct,
        after_pct=search.pct(),
        wanted_pct=limits.wanted_pct,
        change_db=sum(trial.change_db(name, giving) for name, giving in settings.giving.items()),
        plain_db=search.plain_db(),
        sounding=trial.sounding,
        mono_loss_before_db=trial.mono_loss_db(FeedSettings()),
        mono_loss_after_db=trial.mono_loss_db(settings),
    )
