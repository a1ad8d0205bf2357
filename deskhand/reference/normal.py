"""Sets a source's numbers against its kept takes."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.reference.numbers import (
    BY_NAME,
    MIX_NUMBERS,
    NUMBERS,
    OCTAVES_HZ,
    TONE_JND_DB,
    TONE_PLAYER_RATIO,
    Number,
    noise_of,
    number_of,
    player_ratio_of,
    third_octaves_db,
    tone_covariance,
    tone_noise,
    tone_vector,
)
from deskhand.reference.predict import Predictive, Prior, pooled, predictive, scaled, scatter_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.store import Dismissal, KeptPart, TakeRow

    Array = NDArray[np.float64]

MOST_TAKES: Final = 60
"""The newest this many kept takes of a phase are the reference: a house changes over the years."""
LEARNED: Final = 5
"""From this many kept takes on, a judgement may be raised."""
STRENGTH: Final = 4.0
"""Takes that the prior spread of a role is worth. Common practice, no source; coverage is measured in `validations/`."""
BY_SONG: Final = frozenset({"lead vocal", "backing vocal", "overheads"})
BY_SONG_STRENGTH: Final = 12.0
"""A few weeks of singing show only a few keys, and a few weeks of cymbals perhaps only the hat: how narrow they are takes longer to
learn. Common practice, no source."""
_POOL_WORTH, _POOL_MOST = 0.5, 10.0
_SCALE_WORTH, _SCALE_LEAST, _SCALE_LEAST_BY_SONG = 10.0, 0.1, 0.5
"""How steady the rest of the house is says less of what goes by the song: it narrows that by no more than the second."""
_LIKED_WEIGHT: Final = 3
"""A reading that a person found to be as liked counts as this many kept takes."""
_OWN_WEIGHT: Final = 3.0
_LEAST_SHARE: Final = 0.15
LEAST_PLAYING_S: Final = 3.0
TONE: Final = "tone"


@dataclass(frozen=True, slots=True, kw_only=True)
class Normal:
    """One number of a source against its kept takes."""

    name: str
    stage: str
    measured: float
    expected: float
    low: float
    high: float
    """The range that holds the next clean take's reading with 95 %."""
    unit: str
    kept: int
    """Takes it was learned from."""
    by_player: int
    """How many of them by whoever plays now."""
    probability: float
    """Of a reading as far out as this one or further, in a clean take."""
    noticeable: float
    """Distance from what is expected, in just noticeable differences."""
    bands_db: dict[str, tuple[float, float, float, float]] | None = None
    """Of tone: octave to what was measured, expected, low and high, as the ear weighs them, against the whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    rows: Array
    noise: Array
    players: list[str | None]


@dataclass(slots=True)
class Reference:
    """Kept takes of one house and phase, and what people said of their findings."""

    takes: Sequence[TakeRow] = ()
    parts: dict[tuple[str, str], list[KeptPart]] = field(default_factory=lambda: defaultdict(list))
    """(source, stage) to its kept readings, oldest first."""
    liked: dict[tuple[str, str], list[Array]] = field(default_factory=lambda: defaultdict(list))
    """(source, name of the number) to readings that were found to be as liked."""
    set_aside: dict[str, int] = field(default_factory=dict)
    """Source to how many after-chain readings were made with another chain."""
    other_tap: dict[str, int] = field(default_factory=dict)
    """Source to how many readings were taken at another tap."""

    rows: dict[tuple[str, str, str], _Rows] = field(default_factory=dict)
    """Worked out when first asked for, since every input is set against every source: (number, source, stage) to its takes."""
    priors: dict[tuple[str, str, str, str], Prior] = field(default_factory=dict)
    """The same: (number, source, role, stage) to the prior as wide as this house varies."""
    scatters: dict[tuple[str, str], dict[str, tuple[str, float, Array, int]]] = field(default_factory=dict)
    """Worked out when first asked for: (number, stage) to each source's role, size against its prior, scatter and its degrees of freedom."""

    @property
    def learned(self) -> bool:
        """Whether the house has kept enough to raise judgements."""
        alike = {part.take for (_, stage), parts in self.parts.items() if stage == "tap" for part in parts}
        return len(alike) >= LEARNED


def reference_of(
    kept: Iterable[tuple[TakeRow, KeptPart]],
    dismissals: Iterable[Dismissal] = (),
    *,
    taps: Mapping[str, str] | None = None,
    chains: Mapping[str, str | None] | None = None,
) -> Reference:
    """The reference for a take: of the kept readings those that are like it.

    Parameters
    ----------
    kept : iterable of (TakeRow, KeptPart)
        Of the same house and phase, oldest first.
    dismissals : iterable of Dismissal
    taps : mapping, optional
        Source to the tap of the take that is judged; all taps are alike without it.
    chains : mapping, optional
        Source to the digest of its chain now; all chains are alike without it.
    """
    out = Reference()
    takes: dict[int, TakeRow] = {}
    for row, part in kept:
        takes[row.id] = row
        if taps is not None and part.source in taps and part.tap != taps[part.source]:
            if part.stage == "tap":
                out.other_tap[part.source] = out.other_tap.get(part.source, 0) + 1
            continue
        if chains is not None and part.stage == "after" and part.chain != chains.get(part.source):
            if chains.get(part.source) is None:
                out.set_aside[part.source] = out.set_aside.get(part.source, 0) + 1
            continue
        out.parts[part.source, part.stage].append(part)
    for source, chain in (chains or {}).items():
        # kept with another chain, or with none
        missing = len(out.parts.get((source, "tap"), ())) - len(out.parts.get((source, "after"), ()))
        if chain is not None and missing > 0:
            out.set_aside[source] = missing
    out.takes = tuple(takes.values())
    for one in dismissals:
        if one.for_good and one.metric is not None and one.values:
            vector = np.array([one.values[name] for name in sorted(one.values)])
            out.liked[one.source, one.metric].append(vector)
    return out


def _tone_rows(parts: Sequence[KeptPart]) -> _Rows:
    found = [(tone_vector(part.values), part) for part in parts[-MOST_TAKES:] if part.playing_s >= LEAST_PLAYING_S]
    kept = [(vector, part) for vector, part in found if vector is not None]
    return _Rows(
        rows=np.array([vector for vector, _ in kept]).reshape(len(kept), len(OCTAVES_HZ)),
        noise=np.array([tone_noise(part.playing_s) for _, part in kept]),
        players=[part.player for _, part in kept],
    )


def _number_rows(parts: Sequence[KeptPart], number: Number) -> _Rows:
    newest = parts[-MOST_TAKES:]
    kept = [(found, part) for part in newest if (found := number_of(number, part.values)) is not None]
    kept = [(found, part) for found, part in kept if part.playing_s >= LEAST_PLAYING_S]
    return _Rows(
        rows=np.array([[found[0]] for found, _ in kept]).reshape(len(kept), 1),
        noise=np.array([noise_of(number, found[1], part.playing_s, part.role) for found, part in kept]),
        players=[part.player for _, part in kept],
    )


def _with_liked(rows: _Rows, liked: Sequence[Array], player: str | None) -> _Rows:
    """The kept takes with what was found to be as liked, as if whoever plays now had played it."""
    if not liked:
        return rows
    return _Rows(
        rows=np.vstack([rows.rows, *(vector[None] for vector in liked)]),
        noise=np.append(rows.noise, np.full(len(liked), 1.0 / _LIKED_WEIGHT)),
        players=[*rows.players, *([player] * len(liked))],
    )


def _rows_of(reference: Reference, name: str, source: str, stage: str) -> _Rows:
    """A number in the kept takes of a source."""
    key = (name, source, stage)
    if key not in reference.rows:
        parts = reference.parts.get((source, stage), [])
        reference.rows[key] = _tone_rows(parts) if name == TONE else _number_rows(parts, BY_NAME[name])
    return reference.rows[key]


def house_prior(reference: Reference, name: str, source: str, role: str, stage: str) -> Prior:
    """The prior of a number for a source, as wide as this house varies."""
    key = (name, source, role, stage)
    if key not in reference.priors:
        reference.priors[key] = _house_prior(reference, name, source, role, stage)
    return reference.priors[key]


def _house_prior(reference: Reference, name: str, source: str, role: str, stage: str) -> Prior:
    key = (name, stage)
    if key not in reference.scatters:
        made: dict[str, tuple[str, float, Array, int]] = {}
        for (other, place), parts in reference.parts.items():
            if place != stage or not parts:
                continue
            prior = _role_prior(name, parts[-1].role)
            rows = _rows_of(reference, name, other, stage)
            scatter, dof = scatter_of(rows.rows, rows.noise, rows.players, prior)
            size = float(np.trace(np.linalg.solve(prior.covariance, scatter))) / len(prior.covariance)
            made[other] = (parts[-1].role, size, scatter, dof)
        reference.scatters[key] = made
    found = reference.scatters[key]
    everyone = [(size, dof) for other, (_, size, _, dof) in found.items() if other != source]
    least = _SCALE_LEAST_BY_SONG if _by_song(name, role) else _SCALE_LEAST
    prior = scaled(_role_prior(name, role), everyone, worth=_SCALE_WORTH, least=least)
    peers = [(scatter, dof) for other, (own, _, scatter, dof) in found.items() if other != source and own == role]
    return pooled(prior, peers, worth=_POOL_WORTH, most=_POOL_MOST)


def _by_song(name: str, role: str) -> bool:
    """Whether a number goes by the song in a role, so that a few weeks show little of how it varies."""
    if name == TONE:
        return role in BY_SONG
    # what varies more in one role does so by the song
    number = BY_NAME[name].prior
    return number.spread_of(role) > number.spread


def _role_prior(name: str, role: str) -> Prior:
    if name == TONE:
        covariance, ratio = tone_covariance(role), TONE_PLAYER_RATIO
    else:
        number = BY_NAME[name].prior
        covariance, ratio = np.array([[number.spread_of(role) ** 2]]), number.player_ratio
    return Prior(
        covariance=covariance,
        strength=BY_SONG_STRENGTH if _by_song(name, role) else STRENGTH,
        player_ratio=player_ratio_of(ratio, role),
    )


def _predict(rows: _Rows, prior: Prior, noise: float, player: str | None) -> Predictive:
    return predictive(rows.rows, rows.noise, rows.players, prior, next_noise=noise, next_player=player)


def tone_predictive(reference: Reference, part: KeptPart, parts: Sequence[KeptPart] | None = None) -> Predictive | None:
    """Where a source's tone should be in a take as long as this one, by whoever plays in it; None when nothing is kept.

    Parameters
    ----------
    reference : Reference
    part : KeptPart
        What is judged.
    parts : sequence of KeptPart, optional
        To compare with; the source's own by default.
    """
    rows = _rows_of(reference, TONE, part.source, part.stage) if parts is None else _tone_rows(parts)
    if not len(rows.rows):
        return None
    prior = house_prior(reference, TONE, part.source, part.role, part.stage)
    rows = _with_liked(rows, reference.liked.get((part.source, TONE), []), part.player)
    return _predict(rows, prior, tone_noise(part.playing_s), part.player)


def usual_tone_db(reference: Reference, part: KeptPart) -> Array | None:
    """(31,) third-octave levels that are usual of a source where a part was read; None when nothing is kept.

    The mean of the kept takes in dB, those of whoever plays now counting three times.
    """
    kept = reference.parts.get((part.source, part.stage), [])[-MOST_TAKES:]
    rows, weights = [], []
    for one in kept:
        levels = third_octaves_db(one.values)
        if levels is not None:
            rows.append(levels)
            weights.append(_OWN_WEIGHT if part.player is not None and one.player == part.player else 1.0)
    if not rows:
        return None
    return np.asarray(np.average(np.array(rows), axis=0, weights=weights))


def _by_player(parts: Sequence[KeptPart], player: str | None) -> int:
    return sum(part.player == player for part in parts) if player is not None else 0


def _judge_tone(reference: Reference, part: KeptPart, sounds: Sequence[KeptPart]) -> Normal | None:
    own = reference.parts.get((part.source, part.stage), [])
    expected = tone_predictive(reference, part)
    vector = tone_vector(part.values)
    if expected is None or vector is None:
        return None
    probability = expected.tail(vector)
    # more of one of its sounds, or less, is no other tone: each of them against the sound most like it in every kept take
    kept_sounds = [
        one
        for one in reference.parts.get((part.source, "sound"), [])
        if one.values.get("share", (0.0, None))[0] >= _LEAST_SHARE
    ]
    used = [one for one in sounds if one.values.get("share", (0.0, None))[0] >= _LEAST_SHARE]
    if kept_sounds or len(used) > 1:
        choices = [(tone_vector(one.values), one) for one in [*own, *kept_sounds]]
        pool = [(candidate, one) for candidate, one in choices if candidate is not None]
        for sound in used if len(used) > 1 else [part]:
            heard = tone_vector(sound.values)
            if heard is None:
                continue
            nearest: dict[int, tuple[float, KeptPart]] = {}
            for candidate, one in pool:
                far = float(np.sum((candidate - heard) ** 2))
                if one.take not in nearest or far < nearest[one.take][0]:
                    nearest[one.take] = (far, one)
            found = tone_predictive(reference, part, [one for _, one in nearest.values()])
            if found is not None:
                probability = max(probability, found.tail(heard))
    low, high = expected.interval()
    off = vector - expected.location
    # a bump in the loudest octaves lowers all others against the whole: what most of them do is no change of tone
    shift = float(np.median(off))
    off = off - shift
    worst = int(np.argmax(np.abs(off)))
    return Normal(
        name=TONE,
        stage=part.stage,
        measured=float(vector[worst]) - shift,
        expected=float(expected.location[worst]),
        low=float(low[worst]),
        high=float(high[worst]),
        unit="dB",
        kept=len(own),
        by_player=_by_player(own, part.player),
        probability=probability,
        noticeable=float(np.abs(off).max() / TONE_JND_DB),
        bands_db={
            f"{band}": (float(vector[at]), float(expected.location[at]), float(low[at]), float(high[at]))
            for at, band in enumerate(OCTAVES_HZ)
        },
    )


def number_predictive(reference: Reference, part: KeptPart, number: Number) -> Predictive | None:
    """Where a number should be in this take; None when nothing is kept of it."""
    found = number_of(number, part.values)
    rows = _rows_of(reference, number.name, part.source, part.stage)
    if not len(rows.rows):
        return None
    prior = house_prior(reference, number.name, part.source, part.role, part.stage)
    rows = _with_liked(rows, reference.liked.get((part.source, number.name), []), part.player)
    return _predict(rows, prior, noise_of(number, found[1] if found else None, part.playing_s, part.role), part.player)


def _judge_number(reference: Reference, part: KeptPart, number: Number) -> Normal | None:
    found = number_of(number, part.values)
    expected = number_predictive(reference, part, number)
    if found is None or expected is None:
        return None
    value = found[0]
    parts = reference.parts[part.source, part.stage]
    probability = expected.tail(np.array([value]))
    off = value - float(expected.location[0])
    if number.upwards_only:
        probability = probability / 2 if off > 0 else 1.0
    low, high = expected.interval()
    return Normal(
        name=number.name,
        stage=part.stage,
        measured=number.from_scale(value),
        expected=number.from_scale(float(expected.location[0])),
        low=number.from_scale(float(low[0])),
        high=number.from_scale(float(high[0])),
        unit=number.unit,
        kept=sum(number_of(number, one.values) is not None for one in parts),
        by_player=_by_player(parts, part.player),
        probability=probability,
        noticeable=abs(off) / number.jnd,
    )


def judge_parts(reference: Reference, parts: Sequence[KeptPart]) -> dict[str, list[Normal]]:
    """All numbers of all sources against the kept takes; source to them.

    Parameters
    ----------
    reference : Reference
    parts : sequence of KeptPart
        Of the take that is judged, made as it would be kept.
    """
    places: dict[tuple[str, str], list[KeptPart]] = defaultdict(list)
    for part in parts:
        places[part.source, part.stage].append(part)
    out: dict[str, list[Normal]] = {}
    for source in dict.fromkeys(part.source for part in parts if part.stage == "tap"):
        tap = places[source, "tap"][0]
        if tap.playing_s < LEAST_PLAYING_S:
            continue
        after = places.get((source, "after"))
        found: list[Normal | None] = [_judge_tone(reference, tap, places[source, "sound"])]
        pair = "width_db" in tap.values
        for number in NUMBERS:
            if number.pairs_only and not pair:
                continue
            place = number.place(chained=after is not None)
            found.append(_judge_number(reference, places[source, place][0], number))
        out[source] = [one for one in found if one is not None]
    for part in parts:
        if part.stage == "mix":
            tests = [_judge_tone(reference, part, ())]
            tests += [_judge_number(reference, part, number) for number in MIX_NUMBERS]
            out[part.source] = [one for one in tests if one is not None]
    return out
