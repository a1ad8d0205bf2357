"""Identity of inputs: those that sound like another of the house's sources (wrong patch, exchanged), and turned sides."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.model import LEAST_PLAYING_S, MOST_TAKES, STRENGTH, house_prior
from deskhand.baseline.normal import number_predictive, tone_predictive
from deskhand.baseline.numbers import (
    BY_NAME,
    IDENTITY_NUMBERS,
    TONE,
    noise_of,
    number_of,
    tone_vector,
)
from deskhand.baseline.predict import Prior, predictive
from deskhand.baseline.spreads import width_covariance
from deskhand.house import ROLES
from deskhand.measure.passages import OCTAVES_HZ

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.baseline.model import Baseline
    from deskhand.baseline.predict import Predictive
    from deskhand.store import KeptPart

LIKE_OTHER: Final = 1e-4
"""Tail probability as the other that an input taken for it has at least: what is like nobody is new, and in nobody's place. Common
practice, no source; how often clean inputs are accused is counted in docs/validation-normal.md, as for all limits here."""
EXCHANGED_NATS: Final = 6.0
"""Log likelihood ratio from which two inputs are taken to be each other. Common practice, no source; how often a clean show reaches
it is counted in docs/validation-normal.md."""
ALIKE_NATS: Final = 30.0
"""Log likelihood ratio for two of one kind: two singers may well sound like each other for an evening. Common practice, no source."""
MOVED_NATS: Final = 12.0
"""Log likelihood ratio for one input alone, which sounds like a source of another family while that one does not sound like it. Common
practice, no source."""
LEAST_HEARD_S: Final = 0.5
"""Playing from which an input can be told: speech in an input that waits for hits shows for moments only. Common practice, no source."""
_WIDTH: Final = BY_NAME["width"]
_WIDEST_DB: Final = 15.0
"""Beyond this, what is left between the sides is noise. Common practice, no source."""
TURNED_NATS: Final = 4.0
"""Log likelihood ratio from which one side of a pair is taken to be turned over. Common practice, no source; counted in
docs/validation-normal.md."""
_SOMEBODY_NEW: Final = "\0"
"""Name that no player has: a file cannot hold it."""
_CHANGED: Final = 1e-2
"""Tail probability as itself below which another input of the same person has changed as well. Common practice, no source."""
UNLIKE_ITSELF: Final = 5e-2
"""Tail probability as itself below which an input alone is taken for another. Common practice, no source."""
_UNCLEAR: Final = frozenset(name for name, role in ROLES.items() if role.unclear)
"""Roles that stand for whatever is not known yet."""
_SELDOM: Final = 0.5
"""Share of the kept takes up to which an input of unclear role plays for guests only. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mispatch:
    """An input that sounds like another source."""

    source: str
    like: str
    exchanged: bool
    """True when the other one sounds like this one in turn."""
    nats: float
    """Log likelihood ratio against being itself."""
    sure: bool
    """False where it may be somebody new at the same input: a player who was never heard there, several inputs of one person that all
    changed, or a likeness that a new player explains nearly as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Likeness:
    """Likeness of an input to a source."""

    terms: dict[str, float]
    """Log density of each number that is kept of the source."""
    tail: float
    """Probability of a tone as far out as its own or further, in that source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Inputs:
    """Inputs of the take with their likenesses, and what they are when nobody has changed a cable."""

    parts: Mapping[str, KeptPart]
    """By source."""
    likenesses: Mapping[tuple[str, str], _Likeness]
    """(input, source it is taken for) to its likeness."""
    played_anew: Mapping[str, _Likeness]
    """Input to its likeness to its own source, played by somebody new."""
    newcomers: frozenset[str]
    """Inputs whose player was never heard there, where players are named."""

    def changed_together(self, first: str, second: str) -> bool:
        """True where another input of the same person as either has changed as well."""
        persons = {self._person(source) for source in (first, second) if source in self.parts}
        return any(
            self._person(source) in persons
            and source not in (first, second)
            and (itself := self.likenesses.get((source, source))) is not None
            and itself.tail < _CHANGED
            for source in self.parts
        )

    def _person(self, source: str) -> str:
        """Whoever plays at an input: the named player; unnamed, one person at a kit and one at inputs of a role."""
        part = self.parts[source]
        if part.player is not None:
            return f"player {part.player}"
        role = ROLES.get(part.role)
        return "kit" if role is not None and role.kit else f"role {part.role}"

    def is_sure(self, matches: Sequence[tuple[str, str]], least_nats: float) -> bool | None:
        """True where (input, source) matches leave no doubt; None where somebody new is the likelier explanation."""
        nats = sum(_nats(self.likenesses[source, like], self.played_anew[source]) for source, like in matches)
        if nats <= 0.0:
            return None
        (source, like), *_ = matches
        new = any(name in self.newcomers for match in matches for name in match)
        return nats >= least_nats and not new and not self.changed_together(source, like)


def _family(role: str) -> str:
    """Family of a role, its own where it has none (the mix is no role): sources of one may sound like each other for an evening."""
    return (ROLES[role].family if role in ROLES else None) or role


def _kind(role: str) -> str:
    """Kind of a role of which two are hard to tell apart: the lead of one week sings harmony the next."""
    return "singing" if role in ROLES and ROLES[role].sings else role


def _is_pair(part: KeptPart) -> bool:
    """True where a part was read of two tracks."""
    return "width_db" in part.values or "width_db" in part.other_version


def guest_inputs(baseline: Baseline) -> frozenset[str]:
    """Inputs of unclear role that play in few of the kept takes: whoever comes as a guest sounds as nobody did there before."""
    takes = len({part.take for (_, stage), parts in baseline.parts.items() if stage == "tap" for part in parts})
    return frozenset(
        source
        for (source, stage), parts in baseline.parts.items()
        if stage == "tap" and parts and parts[-1].role in _UNCLEAR and len(parts) <= _SELDOM * takes
    )


def _likenesses(baseline: Baseline, inputs: Sequence[KeptPart]) -> dict[tuple[str, str], _Likeness]:
    """(input, source it is taken for) to its likeness; sources are all that were ever kept, playing tonight or not."""
    for_guests = guest_inputs(baseline)
    likenesses: dict[tuple[str, str], _Likeness] = {}
    players = {part.source: part.player for part in inputs}
    known = {source: parts[-1] for (source, stage), parts in baseline.parts.items() if stage == "tap" and parts}
    for part in inputs:
        for source, newest in known.items():
            if _is_pair(newest) != _is_pair(part) or source in for_guests:
                continue
            # as if it were that source, played by whoever plays that tonight
            as_source = replace(part, source=source, role=newest.role, player=players.get(source))
            likeness = _likeness(baseline, part, as_source)
            if likeness is not None:
                likenesses[part.source, source] = likeness
    return likenesses


def _likeness(baseline: Baseline, part: KeptPart, as_source: KeptPart, *, anew: bool = False) -> _Likeness | None:
    """Likeness of an input to what it is taken for; `anew` as somebody new would play that. None where nothing is kept of it."""
    vector = tone_vector(part.values)
    if anew:
        as_source = replace(as_source, player=_SOMEBODY_NEW)
    expected_tone = tone_predictive(baseline, as_source)
    if vector is None or expected_tone is None:
        return None
    if anew:
        expected_tone = _as_new(baseline, as_source, TONE, expected_tone)
    terms = {"tone": expected_tone.log_density(vector)}
    for number in IDENTITY_NUMBERS:
        if number.of_hits and ROLES[as_source.role].strikes != ROLES[part.role].strikes:
            continue
        reading = number_of(number, part.values)
        expected = number_predictive(baseline, as_source, number) if reading is not None else None
        if reading is not None and expected is not None:
            if anew:
                expected = _as_new(baseline, as_source, number.name, expected)
            terms[number.name] = expected.log_density(np.array([reading[0]]))
    return _Likeness(terms=terms, tail=expected_tone.tail(vector))


def _as_new(baseline: Baseline, part: KeptPart, name: str, expected: Predictive) -> Predictive:
    """Expectation of a number as somebody new plays it: wider by the variance between players, where nobody is ever named."""
    if any(kept.player is not None for kept in baseline.parts.get((part.source, "tap"), ())):
        return expected
    ratio = house_prior(baseline, name, part.source, part.role, "tap").player_ratio
    return replace(expected, scale=expected.scale * (1.0 + ratio))


def _newcomers(baseline: Baseline, inputs: Sequence[KeptPart]) -> frozenset[str]:
    """Inputs whose player was never heard at that source, where players are named there."""
    newcomers = set()
    for part in inputs:
        players = {kept.player for kept in baseline.parts.get((part.source, "tap"), ()) if kept.player is not None}
        if part.player is not None and players and part.player not in players:
            newcomers.add(part.source)
    return frozenset(newcomers)


def _nats(as_other: _Likeness, as_itself: _Likeness) -> float:
    """Log likelihood ratio over the numbers that are kept of both."""
    common = as_other.terms.keys() & as_itself.terms.keys()
    return sum(as_other.terms[name] - as_itself.terms[name] for name in common)


def _widths(values: Mapping[str, tuple[float, float | None]]) -> dict[int, float]:
    """Octave to the width of a pair there, in dB, where it was read."""
    readings = {band: values.get(f"width_octave_db.{band}") for band in OCTAVES_HZ}
    return {
        band: float(np.clip(reading[0], -_WIDEST_DB, _WIDEST_DB))
        for band, reading in readings.items()
        if reading is not None
    }


def upside_down(baseline: Baseline, parts: Sequence[KeptPart]) -> dict[str, float]:
    """Pairs of which one side is upside down against the kept takes; source to the log likelihood ratio.

    Turning one side over exchanges the sum of the sides with their difference, so that the width changes its sign and keeps
    its size, in every octave: a spaced pair as wide as it is narrow is one sound in the low octaves. Microphones in a room are
    left out, which may hear low notes one way or the other.
    """
    turned = {}
    for part in parts:
        if part.stage != "tap" or ROLES[part.role].hears_room or part.playing_s < LEAST_PLAYING_S:
            continue
        measured = _widths(part.values)
        past_widths = [
            (widths, kept_part)
            for kept_part in baseline.parts.get((part.source, "tap"), ())[-MOST_TAKES:]
            if kept_part.playing_s >= LEAST_PLAYING_S and (widths := _widths(kept_part.values))
        ]
        bands = [band for band in measured if all(band in widths for widths, _ in past_widths)]
        if not past_widths or not bands:
            continue
        expected = predictive(
            np.array([[widths[band] for band in bands] for widths, _ in past_widths]),
            np.array([noise_of(_WIDTH, None, kept_part.playing_s) for _, kept_part in past_widths]),
            [kept_part.player for _, kept_part in past_widths],
            Prior(covariance=width_covariance(bands), strength=STRENGTH, player_ratio=_WIDTH.prior.player_ratio),
            next_noise=noise_of(_WIDTH, None, part.playing_s),
            next_player=part.player,
        )
        widths_db = np.array([measured[band] for band in bands])
        nats = expected.log_density(-widths_db) - expected.log_density(widths_db)
        if nats >= TURNED_NATS:
            turned[part.source] = nats
    return turned


def mistaken(baseline: Baseline, parts: Sequence[KeptPart]) -> list[Mispatch]:
    """Inputs that sound like another source; both of two that are exchanged.

    Parameters
    ----------
    baseline : Baseline
    parts : sequence of KeptPart
        Of the take that is judged.
    """
    roles = {source: past_parts[-1].role for (source, _), past_parts in baseline.parts.items() if past_parts}
    roles |= {part.source: part.role for part in parts}
    families = {source: _family(role) for source, role in roles.items()}
    kinds = {source: _kind(role) for source, role in roles.items()}
    for_guests = guest_inputs(baseline)
    inputs = [
        part
        for part in parts
        if part.stage == "tap" and part.playing_s >= LEAST_HEARD_S and part.source not in for_guests
    ]
    likenesses = _likenesses(baseline, inputs)
    heard = _Inputs(
        parts={part.source: part for part in inputs},
        likenesses=likenesses,
        played_anew={
            part.source: anew
            for part in inputs
            if (part.source, part.source) in likenesses
            and (anew := _likeness(baseline, part, part, anew=True)) is not None
        },
        newcomers=_newcomers(baseline, inputs),
    )
    names = [part.source for part in inputs if part.source in heard.played_anew]
    mispatches = _exchanged(names, heard, kinds)
    likeliest: dict[str, tuple[float, str]] = {}
    for (source, like), likeness in likenesses.items():
        itself = likenesses.get((source, source))
        if source in mispatches or like == source or itself is None:
            continue
        if itself.tail > UNLIKE_ITSELF or likeness.tail < LIKE_OTHER or families[source] == families[like]:
            continue
        likeliest[source] = max(likeliest.get(source, (-np.inf, "")), (_nats(likeness, itself), like))
    for source, (nats, like) in likeliest.items():
        sure = heard.is_sure([(source, like)], MOVED_NATS) if nats >= MOVED_NATS else None
        if sure is not None:
            mispatches[source] = Mispatch(source=source, like=like, exchanged=False, nats=nats, sure=sure)
    return list(mispatches.values())


def _exchanged(names: Sequence[str], heard: _Inputs, kinds: Mapping[str, str]) -> dict[str, Mispatch]:
    """Inputs that are exchanged two by two, the likeliest first; both of each two, by source."""
    likenesses = heard.likenesses
    pairs: list[tuple[float, str, str]] = []
    for number, first in enumerate(names):
        for second in names[number + 1 :]:
            if (first, second) in likenesses and (second, first) in likenesses:
                nats = _nats(likenesses[first, second], likenesses[first, first])
                nats += _nats(likenesses[second, first], likenesses[second, second])
                pairs.append((nats, first, second))
    exchanged: dict[str, Mispatch] = {}
    for nats, first, second in sorted(pairs, reverse=True):
        least = ALIKE_NATS if kinds[first] == kinds[second] else EXCHANGED_NATS
        if nats < least or first in exchanged or second in exchanged:
            continue
        sure = heard.is_sure([(first, second), (second, first)], least)
        if sure is not None:
            exchanged[first] = Mispatch(source=first, like=second, exchanged=True, nats=nats, sure=sure)
            exchanged[second] = Mispatch(source=second, like=first, exchanged=True, nats=nats, sure=sure)
    return exchanged
