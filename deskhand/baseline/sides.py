"""Sides of a pair against each other, octave by octave: other songs change both alike, a moved or covered microphone one.

How far the sides differ from week to week is learned as a tone's spread is: a shape that the pairs of a house share, a scale for
each of them. What a filter does to one side is looked for along the same smooth changes as those of a tone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.filters import tone_directions
from deskhand.baseline.house_spread import Scatter, Worths, house_spread, within_takes
from deskhand.baseline.model import LEARNED, LEAST_PLAYING_S, MOST_TAKES
from deskhand.baseline.normal import LIKED_WEIGHT, Normal, usual_tone_db
from deskhand.baseline.numbers import BY_NAME, TONE_JND_DB, number_of, tone_noise, tone_vector
from deskhand.baseline.passage_scatters import scatter_between
from deskhand.baseline.predict import Prior, predictive, scatter_of
from deskhand.baseline.role_priors import STRENGTH
from deskhand.baseline.spreads import player_ratio_of, side_covariance
from deskhand.baseline.tone_departure import tone_departure
from deskhand.house.roles import ROLES
from deskhand.measure.passages import OCTAVES_HZ

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.filters import ToneDirections
    from deskhand.baseline.model import Baseline
    from deskhand.baseline.numbers import Values
    from deskhand.baseline.predict import Predictive
    from deskhand.store import KeptPart

    Array = NDArray[np.float64]

SIDES: Final = "side-tone"
"""Name of the number; where kept takes hold no octaves of it, it is the top alone."""
_WORTHS: Final = Worths(shape=40.0, own_shape=10.0, scale=1.5, house_scale=10.0)
"""As of a tone; a house has fewer pairs than sources (validations/pairs.py, half to tune on)."""
_LEAST_BY_SONG: Final = 1.0
"""Least factor on the variance of overheads: weeks without toms say nothing of those with them (validations/pairs.py, half to tune on)."""
_MOST_PASSAGES: Final = 4.0
"""Passages of a take that tell how songs differ, as of a tone. Common practice, no source."""


def side_vector(values: Values) -> Array | None:
    """(8,) tone of a pair's right side less that of its left; None where it was not read."""
    levels = [values.get(f"side_tone_db.{octave}") for octave in OCTAVES_HZ]
    held = [level[0] for level in levels if level is not None]
    return np.array(held) if len(held) == len(levels) else None


def with_sides(
    baseline: Baseline,
    parts: Sequence[KeptPart],
    normals: Mapping[str, Sequence[Normal]],
    groups: Sequence[tuple[str, str]] = (),
) -> dict[str, list[Normal]]:
    """Numbers against the kept takes, the sides of pairs among them judged by octave where enough takes hold them.

    Parameters
    ----------
    baseline : Baseline
    parts : sequence of KeptPart
        Of the take that is judged.
    normals : mapping
        Source to its numbers.
    groups : sequence of (source, source)
        Inputs of one instrument: the second is compared with the first as a right side with a left one.
    """
    baseline, taps, others = _with_couples(baseline, parts, groups)
    priors = _priors(baseline)
    judged = {source: list(numbers) for source, numbers in normals.items()}
    for source in judged.keys() & priors.keys() & taps.keys():
        by_octave = _judge(baseline, taps[source], priors[source])
        if by_octave is not None:
            rest = [normal for normal in judged[source] if normal.name != SIDES]
            judged[source] = [*rest, replace(by_octave, against=others.get(source))]
    return judged


def label_of(normal: Normal) -> str:
    """Label of a number in the middle of a sentence, with what it is compared with."""
    return BY_NAME[normal.name].label if normal.against is None else f"tone against {normal.against}"


def _with_couples(
    baseline: Baseline, parts: Sequence[KeptPart], groups: Sequence[tuple[str, str]]
) -> tuple[Baseline, dict[str, KeptPart], dict[str, str]]:
    """Baseline and parts at the tap in which the second input of an instrument holds its tone less the first's; second to first."""
    taps = {part.source: part for part in parts if part.stage == "tap" and part.sound == 0}
    kept_parts, now, others = dict(baseline.parts), dict(taps), {}
    for first, second in groups:
        # how far microphones of drums are apart from song to song was read nowhere
        if not {first, second} <= taps.keys() or (taps[second].role in ROLES and ROLES[taps[second].role].kit):
            continue
        couple = _less(taps[second], taps[first])
        kept_first = {part.take: part for part in baseline.parts.get((first, "tap"), ())}
        kept = [
            apart
            for part in baseline.parts.get((second, "tap"), ())
            if part.take in kept_first and (apart := _less(part, kept_first[part.take])) is not None
        ]
        if couple is not None and kept:
            now[second], kept_parts[second, "tap"], others[second] = couple, kept, first
    return (replace(baseline, parts=kept_parts) if others else baseline), now, others


def _less(part: KeptPart, other: KeptPart) -> KeptPart | None:
    """Part that holds its tone less another's as a pair's sides; None where one has no tone, or is of two sides."""
    tone, other_tone = tone_vector(part.values), tone_vector(other.values)
    if tone is None or other_tone is None or side_vector(part.values) is not None:
        return None
    apart = {
        f"side_tone_db.{octave}": (float(level), None)
        for octave, level in zip(OCTAVES_HZ, tone - other_tone, strict=True)
    }
    return replace(part, playing_s=min(part.playing_s, other.playing_s), values={**part.values, **apart})


def with_sides_told(
    baseline: Baseline,
    parts: Sequence[KeptPart],
    normals: Mapping[str, Sequence[Normal]],
    *,
    chance: float,
    least_jnd: float,
    groups: Sequence[tuple[str, str]] = (),
) -> dict[str, list[Normal]]:
    """Numbers with the smallest change of one side, by region, that would be raised; as they are in a house that is learning.

    Parameters
    ----------
    baseline : Baseline
    parts : sequence of KeptPart
        Of the take that is judged.
    normals : mapping
        Source to its numbers.
    chance, least_jnd : float
        As `deskhand.baseline.normal.least_told_of` has them.
    groups : sequence of (source, source)
        Inputs of one instrument.
    """
    baseline, taps, _ = _with_couples(baseline, parts, groups)
    priors = _priors(baseline) if baseline.learned else {}

    def told(source: str, normal: Normal) -> Normal:
        if normal.side_bands_db is None or source not in priors or SIDES in baseline.relearning:
            return normal
        directions = _directions(baseline, taps[source], priors[source])
        least_db = {} if directions is None else directions.least_told_db(chance)
        least_told = {f"{region}": max(change, least_jnd * TONE_JND_DB) for region, change in least_db.items()}
        return replace(normal, least_told=least_told or None)

    return {source: [told(source, normal) for normal in numbers] for source, numbers in normals.items()}


def _held(baseline: Baseline, source: str) -> list[KeptPart]:
    """Kept parts of a source that hold its sides' tones, and in which it played long enough."""
    kept = baseline.parts.get((source, "tap"), ())[-MOST_TAKES:]
    return [part for part in kept if part.playing_s >= LEAST_PLAYING_S and side_vector(part.values) is not None]


def _tops(baseline: Baseline, source: str) -> int:
    """Kept takes that hold the top alone, or with the octaves."""
    kept = baseline.parts.get((source, "tap"), ())[-MOST_TAKES:]
    return sum(number_of(BY_NAME[SIDES], part.values) is not None for part in kept)


def _rows(parts: Sequence[KeptPart]) -> tuple[Array, Array, tuple[str | None, ...]]:
    """(takes, 8) sides' tones, (takes,) noise and players of kept parts."""
    vectors = [vector for part in parts if (vector := side_vector(part.values)) is not None]
    noise = np.array([tone_noise(part.playing_s) for part in parts])
    return np.array(vectors), noise, tuple(part.player for part in parts)


def _role_prior(role: str) -> Prior:
    """Prior of the sides of a role, before anything is kept."""
    known = BY_NAME[SIDES].prior
    return Prior(
        covariance=side_covariance(role),
        strength=STRENGTH,
        player_ratio=player_ratio_of(known.player_ratio, role),
    )


def _priors(baseline: Baseline) -> dict[str, Prior]:
    """Pair to the prior of its sides in this house, as wide as they and the other pairs vary."""
    held = {source: kept for source, stage in baseline.parts if stage == "tap" and (kept := _held(baseline, source))}
    priors = {source: _role_prior(kept[-1].role) for source, kept in held.items()}
    scatters = {}
    for source, kept in held.items():
        scatter, dof = scatter_of(*_rows(kept), priors[source])
        between = [scatter_between(part.values, "side_scatter_db2") for part in kept]
        within, within_dof = within_takes([read for read in between if read is not None], _MOST_PASSAGES)
        scatters[source] = Scatter(
            scatter=scatter, dof=dof, covariance=priors[source].covariance, within=within, within_dof=within_dof
        )

    def goes_by_song(source: str) -> bool:
        role = held[source][-1].role
        return role in ROLES and ROLES[role].tone_family == "cymbals"

    house = house_spread(scatters, len(OCTAVES_HZ), _WORTHS)
    return {
        source: replace(
            prior,
            covariance=house.covariance_of(
                source, prior.covariance, least=_LEAST_BY_SONG if goes_by_song(source) else 0.0
            ),
            strength=prior.strength + house.worths.get(source, 0.0),
        )
        for source, prior in priors.items()
    }


def _predictive(baseline: Baseline, part: KeptPart, prior: Prior) -> Predictive | None:
    """Sides of a pair expected in this take; None where too few kept takes hold its octaves."""
    kept = _held(baseline, part.source)
    if len(kept) < min(LEARNED, _tops(baseline, part.source)):
        return None
    rows, noise, players = _rows(kept)
    liked = [vector for vector in baseline.liked.get((part.source, SIDES), ()) if vector.size == rows.shape[1]]
    return predictive(
        np.vstack([rows, *liked]),
        np.append(noise, np.full(len(liked), 1.0 / LIKED_WEIGHT)),
        (*players, *([part.player] * len(liked))),
        prior,
        next_noise=tone_noise(part.playing_s),
        next_player=part.player,
    )


def _directions(baseline: Baseline, part: KeptPart, prior: Prior) -> ToneDirections | None:
    """Smooth changes of one side of a pair against its kept takes; None where too few of them hold its octaves."""
    expected, usual_db = _predictive(baseline, part, prior), usual_tone_db(baseline, part)
    return None if expected is None or usual_db is None else tone_directions(expected, usual_db, of_sides=True)


def _judge(baseline: Baseline, part: KeptPart, prior: Prior) -> Normal | None:
    """Sides of a pair against its kept takes, by octave; None where too few of them hold them."""
    vector = side_vector(part.values)
    directions, usual_db = _directions(baseline, part, prior), usual_tone_db(baseline, part)
    if vector is None or directions is None or usual_db is None:
        return None
    expected = directions.expected
    low, high = expected.interval()
    off = vector - expected.location
    # a bump in a side's loudest octaves lowers all others against its whole
    shift = float(np.median(off))
    worst = int(np.argmax(np.abs(off - shift)))
    kept = _held(baseline, part.source)
    return Normal(
        name=SIDES,
        stage=part.stage,
        measured=float(vector[worst]) - shift,
        expected=float(expected.location[worst]),
        low=float(low[worst]),
        high=float(high[worst]),
        unit="dB",
        kept=len(kept),
        by_player=sum(past.player == part.player for past in kept) if part.player is not None else 0,
        probability=directions.tail(vector),
        noticeable=float(np.abs(off - shift).max() / TONE_JND_DB),
        departure=tone_departure(expected, usual_db, vector) if len(directions.units) else None,
        side_bands_db={
            f"{band}": (
                float(vector[octave]), float(expected.location[octave]), float(low[octave]), float(high[octave]),
            )
            for octave, band in enumerate(OCTAVES_HZ)
        },
    )  # fmt: skip
