"""The reference for a take: kept takes that are like it, their readings, and how wide each number varies in the house.

All of it is worked out once, in `baseline_of`, and is only read afterwards, from as many threads as one likes.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.house_spread import HouseSpread, Scatter, Worths, house_spread
from deskhand.baseline.numbers import (
    BY_NAME,
    IDENTITY_NUMBERS,
    LEVEL,
    MIX_NUMBERS,
    NOISE,
    NUMBERS,
    TONE,
    TONE_NUMBERS,
    Number,
    noise_of,
    number_of,
    of_tones,
    tone_noise,
    tone_vector,
)
from deskhand.baseline.passage_scatters import between_passages
from deskhand.baseline.predict import Prior, pooled, scaled, scatter_of
from deskhand.baseline.role_priors import goes_by_song, role_prior
from deskhand.baseline.versions import other_version_takes, version_of_judged
from deskhand.measure.passages import OCTAVES_HZ

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.played import PlayedAgain
    from deskhand.store import Dismissal, KeptPart, TakeRow

    Array = NDArray[np.float64]

MOST_TAKES: Final = 60
"""Newest kept takes of a phase that are the reference: a house changes over the years. Common practice, no source."""
LEARNED: Final = 5
"""Kept takes from which on a judgement may be raised. Common practice, no source; what comes of it is counted in
docs/validation-normal.md."""
_TONE_WORTHS: Final = Worths(shape=80.0, own_shape=10.0, scale=1.5, house_scale=10.0)
"""Read from made seasons and the half to tune on (validations/heard_through.py)."""
_TONE_LEAST_BY_SONG: Final = 1.0
"""Least factor on the variance of a tone that goes by the song (validations/clean_stage.py, half to tune on)."""
_MOST_PASSAGES: Final = 4.0
"""Passages of a take that tell how songs differ: a rehearsal has 3 to 6 songs, and the verses of one are alike. Common practice, no source."""
_POOL_WORTH, _POOL_MOST = 0.5, 10.0
"""Weight of a take of another source of the role against one of its own, and most takes that all of them are worth. Common
practice, no source."""
_SCALE_WORTH, _SCALE_LEAST, _SCALE_LEAST_BY_SONG = 10.0, 0.1, 0.5
"""Takes that the priors' own width is worth against the house's, and the least factors on it: how steady the rest of the house is says
less of what goes by the song, which it narrows by no more than the last. Common practice, no source."""
LEAST_PLAYING_S: Final = 3.0
"""Shorter playing is not compared. Common practice, no source."""
_NAMES_AT: Final[dict[str, tuple[str, ...]]] = {
    "tap": (TONE, *dict.fromkeys(number.name for number in (*NUMBERS, *IDENTITY_NUMBERS, LEVEL, NOISE))),
    "after": tuple(number.name for number in NUMBERS if number.stage == "after"),
    "mix": (TONE, *(number.name for number in MIX_NUMBERS)),
    "turn": (TONE, LEVEL.name, NOISE.name),
}
"""Numbers that are set against the kept takes, by the stage at which they are read."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptReadings:
    """Readings of one number of a source in the kept takes in which it played long enough."""

    rows: Array
    """(takes, d) on the number's scale."""
    noise: Array
    """(takes,) variance of each, in units of a long and sure take's."""
    players: tuple[str | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SourceSpread:
    """Spread of one number of one source from take to take."""

    role: str
    size: float
    """Scatter whitened by the covariance of the role, the mean over its components."""
    scatter: Array
    """(d, d) around the players' means."""
    dof: int
    within: Array | None = None
    """(8, 8) of a tone's passages around their takes' means; None for other numbers, and where none were read."""
    within_dof: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Baseline:
    """Kept takes of one house and phase, and what people said of their findings."""

    takes: Sequence[TakeRow] = ()
    parts: Mapping[tuple[str, str], Sequence[KeptPart]] = field(default_factory=dict)
    """(source, stage) to its kept readings, oldest first."""
    liked: Mapping[tuple[str, str], Sequence[Array]] = field(default_factory=dict)
    """(source, name of the number) to readings that were found to be as liked."""
    set_aside: Mapping[str, int] = field(default_factory=dict)
    """Source to how many of its takes were kept with another chain than today's."""
    other_tap: Mapping[str, int] = field(default_factory=dict)
    """Source to how many readings were taken at another tap."""
    other_version: Mapping[str, int] = field(default_factory=dict)
    """Number to how many of its takes hold it by another definition than today's."""
    relearning: frozenset[str] = frozenset()
    """Numbers of which too few takes are left by today's definition for judgements to be raised."""
    readings: Mapping[tuple[str, str, str], KeptReadings] = field(default_factory=dict)
    """(number, source, stage) to its kept readings, for the numbers that are judged there."""
    spreads: Mapping[tuple[str, str], Mapping[str, SourceSpread]] = field(default_factory=dict)
    """(number, stage) to each source's spread, for the numbers that are judged there."""
    tone_spreads: Mapping[str, HouseSpread] = field(default_factory=dict)
    """Stage to the shape and the scales of the tones' covariances, for the stages at which tones are judged."""
    again: Mapping[str, PlayedAgain] = field(default_factory=dict)
    """Source to what of its playing in the take that is judged kept takes hold too."""
    priors: dict[tuple[str, str, str, str], Prior] = field(default_factory=dict, init=False, repr=False, compare=False)
    """(number, source, role, stage) to its prior in this house, once worked out: it asks every other source."""

    @property
    def learned(self) -> bool:
        """True when the house has kept enough takes to raise judgements."""
        takes = {part.take for (_, stage), parts in self.parts.items() if stage == "tap" for part in parts}
        return len(takes) >= LEARNED


def baseline_of(
    kept: Iterable[tuple[TakeRow, KeptPart]],
    dismissals: Iterable[Dismissal] = (),
    *,
    taps: Mapping[str, str] | None = None,
    chains: Mapping[str, str | None] | None = None,
) -> Baseline:
    """Baseline for a take: of the kept readings those that are like it.

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
    takes: dict[int, TakeRow] = {}
    parts: defaultdict[tuple[str, str], list[KeptPart]] = defaultdict(list)
    other_tap: dict[str, int] = {}
    set_aside: dict[str, int] = {}
    kept_rows = list(kept)
    for row, part in kept_rows:
        takes[row.id] = row
        if taps is not None and part.source in taps and part.tap != taps[part.source]:
            if part.stage == "tap":
                other_tap[part.source] = other_tap.get(part.source, 0) + 1
            continue
        if chains is not None and part.stage == "after" and part.chain != chains.get(part.source):
            if chains.get(part.source) is None:
                set_aside[part.source] = set_aside.get(part.source, 0) + 1
            continue
        parts[part.source, part.stage].append(part)
    set_aside |= _other_chain(parts, chains or {})
    readings = _all_readings(parts)
    spreads = {
        (name, stage): _spreads(name, stage, parts, readings)
        for stage, names in _NAMES_AT.items()
        for name in (*names, *((number.name for number in TONE_NUMBERS) if stage == "tap" else ()))
    }
    return Baseline(
        takes=tuple(takes.values()),
        parts=dict(parts),
        liked=_liked(dismissals),
        set_aside=set_aside,
        other_tap=other_tap,
        other_version=(other_version := other_version_takes(kept_rows)),
        relearning=frozenset(name for name in other_version if _most_read(name, readings) < LEARNED),
        readings=readings,
        spreads=spreads,
        tone_spreads={
            stage: _tone_spread(several, stage) for (name, stage), several in spreads.items() if name == TONE
        },
    )


def _tone_spread(spreads: Mapping[str, SourceSpread], stage: str) -> HouseSpread:
    """Shape and scales of the tones of all sources that are kept at a stage."""
    return house_spread(
        {
            source: Scatter(
                scatter=spread.scatter,
                dof=spread.dof,
                covariance=role_prior(TONE, spread.role, stage).covariance,
                within=spread.within,
                within_dof=spread.within_dof,
            )
            for source, spread in spreads.items()
        },
        len(OCTAVES_HZ),
        _TONE_WORTHS,
    )


def _all_readings(parts: Mapping[tuple[str, str], Sequence[KeptPart]]) -> dict[tuple[str, str, str], KeptReadings]:
    """Readings of all numbers at their stages; those of a tone are made from it once."""
    readings = {
        (name, source, stage): kept_readings(name, stage_parts)
        for (source, stage), stage_parts in parts.items()
        for name in _NAMES_AT.get(stage, ())
    }
    return readings | {
        (number.name, source, stage): _of_tone(number, tone)
        for (name, source, stage), tone in readings.items()
        if name == TONE and stage == "tap"
        for number in TONE_NUMBERS
    }


def _other_chain(
    parts: Mapping[tuple[str, str], Sequence[KeptPart]], chains: Mapping[str, str | None]
) -> dict[str, int]:
    """Source to how many of its takes were kept with another chain than today's, or with none."""
    missing = {
        source: len(parts.get((source, "tap"), ())) - len(parts.get((source, "after"), ()))
        for source, chain in chains.items()
        if chain is not None
    }
    return {source: count for source, count in missing.items() if count > 0}


def _most_read(name: str, readings: Mapping[tuple[str, str, str], KeptReadings]) -> int:
    """Takes in which a number was read of the source of which it was read most."""
    return max((len(held.rows) for (number, _, _), held in readings.items() if number == name), default=0)


def _liked(dismissals: Iterable[Dismissal]) -> dict[tuple[str, str], list[Array]]:
    """(source, name of the number) to readings that were dismissed for good: that is how people like it."""
    liked: defaultdict[tuple[str, str], list[Array]] = defaultdict(list)
    for dismissal in dismissals:
        if not dismissal.for_good or dismissal.metric is None or not dismissal.values:
            continue
        if dismissal.version == version_of_judged(dismissal.metric):
            vector = np.array([dismissal.values[name] for name in sorted(dismissal.values)])
            liked[dismissal.source, dismissal.metric].append(vector)
    return dict(liked)


def kept_readings(name: str, parts: Sequence[KeptPart]) -> KeptReadings:
    """Readings of a number, or of tone, in the newest of these parts.

    Parameters
    ----------
    name : str
        Of the number; `TONE` for tone.
    parts : sequence of KeptPart
        Of one source at one stage, oldest first.
    """
    newest = _newest(parts)
    return _tone_readings(newest) if name == TONE else _number_readings(newest, BY_NAME[name])


def _newest(parts: Sequence[KeptPart]) -> list[KeptPart]:
    """Newest parts that are the reference, those in which the source played long enough."""
    return [part for part in parts[-MOST_TAKES:] if part.playing_s >= LEAST_PLAYING_S]


def _tone_readings(parts: Sequence[KeptPart]) -> KeptReadings:
    """Tone in the parts that hold one."""
    read = [(vector, part) for part in parts if (vector := tone_vector(part.values)) is not None]
    return KeptReadings(
        rows=np.array([vector for vector, _ in read]).reshape(len(read), len(OCTAVES_HZ)),
        noise=np.array([tone_noise(part.playing_s) for _, part in read]),
        players=tuple(part.player for _, part in read),
    )


def _of_tone(number: Number, tone: KeptReadings) -> KeptReadings:
    """Number that is made from a tone, in the parts that hold one."""
    return KeptReadings(rows=of_tones(number, tone.rows)[:, None], noise=tone.noise, players=tone.players)


def _number_readings(parts: Sequence[KeptPart], number: Number) -> KeptReadings:
    """Number in the parts in which it was read."""
    read = [(reading, part) for part in parts if (reading := number_of(number, part.values)) is not None]
    return KeptReadings(
        rows=np.array([[value] for (value, _), _ in read]).reshape(len(read), 1),
        noise=np.array([noise_of(number, deviation, part.playing_s, part.role) for (_, deviation), part in read]),
        players=tuple(part.player for _, part in read),
    )


def readings_at(baseline: Baseline, name: str, source: str, stage: str) -> KeptReadings:
    """Readings of a number in the kept takes of a source; worked out anew where it is not judged at that stage."""
    readings = baseline.readings.get((name, source, stage))
    return kept_readings(name, baseline.parts.get((source, stage), ())) if readings is None else readings


def _spreads(
    name: str,
    stage: str,
    parts: Mapping[tuple[str, str], Sequence[KeptPart]],
    readings: Mapping[tuple[str, str, str], KeptReadings],
) -> dict[str, SourceSpread]:
    """Source to its spread in a number, for all sources that are kept at a stage."""
    spreads = {}
    for (source, source_stage), source_parts in parts.items():
        if source_stage != stage:
            continue
        role = source_parts[-1].role
        prior = role_prior(name, role, stage)
        past_readings = readings[name, source, stage]
        scatter, dof = scatter_of(past_readings.rows, past_readings.noise, past_readings.players, prior)
        size = float(np.trace(np.linalg.solve(prior.covariance, scatter))) / len(prior.covariance)
        within, within_dof = between_passages(_newest(source_parts), _MOST_PASSAGES) if name == TONE else (None, 0.0)
        spreads[source] = SourceSpread(
            role=role, size=size, scatter=scatter, dof=dof, within=within, within_dof=within_dof
        )
    return spreads


def house_prior(baseline: Baseline, name: str, source: str, role: str, stage: str) -> Prior:
    """Prior of a number for a source, as wide as the rest of this house varies.

    Parameters
    ----------
    baseline : Baseline
    name : str
        Of the number; `TONE` for tone.
    source, role, stage : str
    """
    # all sources are asked for each prior, and each input is compared with every source
    wanted = name, source, role, stage
    if wanted not in baseline.priors:
        baseline.priors[wanted] = _house_prior(baseline, name, source, role, stage)
    return baseline.priors[wanted]


def _house_prior(baseline: Baseline, name: str, source: str, role: str, stage: str) -> Prior:
    """Prior of a number for a source, worked out."""
    spreads = baseline.spreads.get((name, stage))
    if spreads is None:
        readings = {
            (name, kept_source, stage): kept_readings(name, parts)
            for (kept_source, kept_stage), parts in baseline.parts.items()
            if kept_stage == stage
        }
        spreads = _spreads(name, stage, baseline.parts, readings)
    if name == TONE:
        prior = role_prior(name, role, stage)
        house = baseline.tone_spreads.get(stage) or _tone_spread(spreads, stage)
        least = _TONE_LEAST_BY_SONG if goes_by_song(name, role, stage) else 0.0
        return replace(
            prior,
            covariance=house.covariance_of(source, prior.covariance, least=least),
            strength=prior.strength + house.worths.get(source, 0.0),
        )
    sizes = [(spread.size, spread.dof) for kept_source, spread in spreads.items() if kept_source != source]
    least = _SCALE_LEAST_BY_SONG if goes_by_song(name, role, stage) else _SCALE_LEAST
    prior = scaled(role_prior(name, role, stage), sizes, worth=_SCALE_WORTH, least=least)
    peers = [
        (spread.scatter, spread.dof)
        for kept_source, spread in spreads.items()
        if kept_source != source and spread.role == role
    ]
    return pooled(prior, peers, worth=_POOL_WORTH, most=_POOL_MOST)
