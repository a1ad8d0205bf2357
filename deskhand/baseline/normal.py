"""Sets a source's numbers against its kept takes."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy import special

from deskhand.baseline.filters import TOLD_SHARE, ToneDirections, tone_directions
from deskhand.baseline.model import (
    LEARNED,
    LEAST_PLAYING_S,
    MOST_TAKES,
    STRENGTH,
    Baseline,
    KeptReadings,
    baseline_of,
    house_prior,
    kept_readings,
    readings_at,
)
from deskhand.baseline.numbers import (
    BY_NAME,
    MIX_NUMBERS,
    NUMBERS,
    TONE,
    TONE_JND_DB,
    Number,
    noise_of,
    number_of,
    third_octaves_db,
    tone_noise,
    tone_vector,
)
from deskhand.baseline.predict import Predictive, Prior, predictive
from deskhand.baseline.tone_departure import ToneDeparture, tone_departure
from deskhand.measure.passages import FLOOR_DB, OCTAVES_HZ
from deskhand.units import power_from_db

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.store import KeptPart

    Array = NDArray[np.float64]

__all__ = [
    "LEARNED",
    "LEAST_PLAYING_S",
    "MOST_TAKES",
    "STRENGTH",
    "TONE",
    "Baseline",
    "Normal",
    "baseline_of",
    "judge_parts",
    "number_predictive",
    "tone_predictive",
    "usual_tone_db",
]

_LIKED_WEIGHT: Final = 3
"""A reading that a person found to be as liked counts as this many kept takes. Common practice, no source."""
_PLAYER_WEIGHT: Final = 3.0
"""A kept take of whoever plays now counts as this many in the usual tone. Common practice, no source."""
_RISES_DB: Final = 1.5
"""Spread of an octave that lies at the floor of a tone. Read from the seasons of validations/clean_stage.py, half to tune on."""
_LEAST_SHARE: Final = 0.15
"""Sounds that make up less of what a source plays are not compared by themselves. Common practice, no source."""


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
    """Takes among them by whoever plays now."""
    probability: float
    """Probability of a reading as far out as this one or further, in a clean take."""
    noticeable: float
    """Distance from what is expected, in just noticeable differences."""
    least_told: dict[str, float] | None = None
    """Smallest change that would be raised in nine weeks of ten, in its unit; of a tone, region (lows, middle, top) to a gain. None where
    nothing would, in a house that is learning."""
    departure: ToneDeparture | None = None
    """Of a tone, the smooth filter that would make this one of the usual one; None for other numbers."""
    bands_db: dict[str, tuple[float, float, float, float]] | None = None
    """Octave to what was measured, expected, low and high, as the ear weighs them, against the whole; None but for tone."""


def _with_liked(past_readings: KeptReadings, liked: Sequence[Array], player: str | None) -> KeptReadings:
    """Kept readings with what was found to be as liked, as if whoever plays now had played it."""
    if not liked:
        return past_readings
    return KeptReadings(
        rows=np.vstack([past_readings.rows, *(vector[None] for vector in liked)]),
        noise=np.append(past_readings.noise, np.full(len(liked), 1.0 / _LIKED_WEIGHT)),
        players=(*past_readings.players, *([player] * len(liked))),
    )


def _predict(past_readings: KeptReadings, prior: Prior, noise: float, player: str | None) -> Predictive:
    """Reading of the next take, of some noise and by some player."""
    return predictive(
        past_readings.rows, past_readings.noise, past_readings.players, prior, next_noise=noise, next_player=player
    )


def tone_predictive(baseline: Baseline, part: KeptPart, parts: Sequence[KeptPart] | None = None) -> Predictive | None:
    """Tone of a source expected in a take as long as this one, by whoever plays in it; None when nothing is kept.

    Parameters
    ----------
    baseline : Baseline
    part : KeptPart
        What is judged.
    parts : sequence of KeptPart, optional
        To compare with; the source's own by default.
    """
    past_readings = (
        readings_at(baseline, TONE, part.source, part.stage) if parts is None else kept_readings(TONE, parts)
    )
    if not len(past_readings.rows):
        return None
    prior = house_prior(baseline, TONE, part.source, part.role, part.stage)
    past_readings = _with_liked(past_readings, baseline.liked.get((part.source, TONE), ()), part.player)
    expected = _predict(past_readings, prior, tone_noise(part.playing_s), part.player)
    # near the floor levels hardly show in the weeks before, and rise out of it all the same
    beneath = np.minimum(power_from_db(FLOOR_DB - expected.location), 1.0)
    return replace(expected, scale=expected.scale + np.diag((_RISES_DB * beneath) ** 2))


def usual_tone_db(baseline: Baseline, part: KeptPart) -> Array | None:
    """(31,) third-octave levels that are usual of a source where a part was read; None when nothing is kept.

    The mean of the kept takes in dB, those of whoever plays now counting three times.
    """
    rows, weights = [], []
    for past_part in baseline.parts.get((part.source, part.stage), ())[-MOST_TAKES:]:
        levels = third_octaves_db(past_part.values)
        if levels is not None:
            rows.append(levels)
            weights.append(_PLAYER_WEIGHT if part.player is not None and past_part.player == part.player else 1.0)
    if not rows:
        return None
    return np.asarray(np.average(np.array(rows), axis=0, weights=weights))


def _by_player(parts: Sequence[KeptPart], player: str | None) -> int:
    """Number of parts by a player; none for a player who is not named."""
    return sum(part.player == player for part in parts) if player is not None else 0


def _likeliest_sound(baseline: Baseline, part: KeptPart, sounds: Sequence[KeptPart]) -> float:
    """Probability of the most usual of a source's sounds, each against the sound most like it in every kept take; 0 for none.

    More of one of its sounds, or less, is no other tone.
    """
    kept_sounds = [sound for sound in baseline.parts.get((part.source, "sound"), ()) if _share(sound) >= _LEAST_SHARE]
    sounds_now = [sound for sound in sounds if _share(sound) >= _LEAST_SHARE]
    if not kept_sounds and len(sounds_now) <= 1:
        return 0.0
    whole = baseline.parts.get((part.source, part.stage), ())
    candidates = [
        (vector, past_part)
        for past_part in (*whole, *kept_sounds)
        if (vector := tone_vector(past_part.values)) is not None
    ]
    probability = 0.0
    for sound in sounds_now if len(sounds_now) > 1 else [part]:
        sound_vector = tone_vector(sound.values)
        if sound_vector is None:
            continue
        nearest_of_take: dict[int, tuple[float, KeptPart]] = {}
        for vector, past_part in candidates:
            distance = float(np.sum((vector - sound_vector) ** 2))
            if past_part.take not in nearest_of_take or distance < nearest_of_take[past_part.take][0]:
                nearest_of_take[past_part.take] = (distance, past_part)
        expected = tone_predictive(baseline, part, [past_part for _, past_part in nearest_of_take.values()])
        levels_db = third_octaves_db(sound.values)
        if expected is not None and levels_db is not None:
            probability = max(probability, tone_directions(expected, levels_db).tail(sound_vector))
    return probability


def _share(sound: KeptPart) -> float:
    """Share that a sound makes up of what its source plays."""
    return sound.values.get("share", (0.0, None))[0]


def directions_of(baseline: Baseline, part: KeptPart) -> ToneDirections | None:
    """Smooth changes of a source's tone against its kept takes; None when nothing is kept or it holds no tone."""
    expected, usual_db = tone_predictive(baseline, part), usual_tone_db(baseline, part)
    return None if expected is None or usual_db is None else tone_directions(expected, usual_db)


def _judge_tone(baseline: Baseline, part: KeptPart, sounds: Sequence[KeptPart]) -> Normal | None:
    """Tone of a part against its kept takes; None when nothing is kept or it holds no tone."""
    directions, usual_db = directions_of(baseline, part), usual_tone_db(baseline, part)
    vector = tone_vector(part.values)
    if directions is None or usual_db is None or vector is None:
        return None
    expected = directions.expected
    past_parts = baseline.parts.get((part.source, part.stage), ())
    probability = max(directions.tail(vector), _likeliest_sound(baseline, part, sounds))
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
        kept=sum(third_octaves_db(past_part.values) is not None for past_part in past_parts),
        by_player=_by_player(past_parts, part.player),
        probability=probability,
        noticeable=float(np.abs(off).max() / TONE_JND_DB),
        departure=tone_departure(expected, usual_db, vector) if len(directions.units) else None,
        bands_db={
            f"{band}": (
                float(vector[octave]),
                float(expected.location[octave]),
                float(low[octave]),
                float(high[octave]),
            )
            for octave, band in enumerate(OCTAVES_HZ)
        },
    )


def number_predictive(baseline: Baseline, part: KeptPart, number: Number) -> Predictive | None:
    """Number expected in this take; None when nothing is kept of it."""
    past_readings = readings_at(baseline, number.name, part.source, part.stage)
    if not len(past_readings.rows):
        return None
    reading = number_of(number, part.values)
    prior = house_prior(baseline, number.name, part.source, part.role, part.stage)
    past_readings = _with_liked(past_readings, baseline.liked.get((part.source, number.name), ()), part.player)
    noise = noise_of(number, reading[1] if reading else None, part.playing_s, part.role)
    return _predict(past_readings, prior, noise, part.player)


def _judge_number(baseline: Baseline, part: KeptPart, number: Number) -> Normal | None:
    """Number of a part against its kept takes; None when nothing is kept or it was not read."""
    reading = number_of(number, part.values)
    expected = number_predictive(baseline, part, number)
    if reading is None or expected is None:
        return None
    value = reading[0]
    past_parts = baseline.parts[part.source, part.stage]
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
        kept=sum(number_of(number, kept_part.values) is not None for kept_part in past_parts),
        by_player=_by_player(past_parts, part.player),
        probability=probability,
        noticeable=abs(off) / number.jnd,
    )


def least_told_of(
    baseline: Baseline, part: KeptPart, normal: Normal, chance: float, least_jnd: float
) -> dict[str, float]:
    """Smallest changes of a number that would be raised, by region for a tone.

    Parameters
    ----------
    baseline : Baseline
    part : KeptPart
        What is judged.
    normal : Normal
        Its number against the kept takes.
    chance : float
        Probability in a clean take below which a number is raised.
    least_jnd : float
        Just noticeable differences below which nothing is said.
    """
    if normal.name == TONE:
        directions = directions_of(baseline, part)
        told_db = {} if directions is None else directions.least_told_db(chance)
        return {region: max(least_db, least_jnd * TONE_JND_DB) for region, least_db in told_db.items()}
    number = BY_NAME[normal.name]
    expected = number_predictive(baseline, part, number)
    if expected is None:
        return {}
    quantiles = special.stdtrit(expected.dof, (1.0 - chance / 2.0, TOLD_SHARE))
    step = max(float(np.sum(quantiles)) * float(np.sqrt(expected.scale[0, 0])), least_jnd * number.jnd)
    return {"up": number.from_scale(float(expected.location[0]) + step) - normal.expected}


def with_least_told(
    baseline: Baseline,
    parts: Sequence[KeptPart],
    normals: Mapping[str, Sequence[Normal]],
    *,
    chance: float,
    least_jnd: float,
) -> dict[str, list[Normal]]:
    """Numbers with the smallest change of each that would be raised; as they are in a house that is learning.

    Parameters
    ----------
    baseline : Baseline
    parts : sequence of KeptPart
        Of the take that is judged.
    normals : mapping
        Source to its numbers against the kept takes.
    chance, least_jnd : float
        As `least_told_of` has them.
    """
    by_stage: dict[tuple[str, str], KeptPart] = {(part.source, part.stage): part for part in parts}
    if not baseline.learned:
        return {source: list(numbers) for source, numbers in normals.items()}
    return {
        source: [
            replace(
                normal,
                least_told=least_told_of(baseline, by_stage[source, normal.stage], normal, chance, least_jnd) or None,
            )
            if normal.name not in baseline.relearning
            else normal
            for normal in numbers
        ]
        for source, numbers in normals.items()
    }


def judge_parts(baseline: Baseline, parts: Sequence[KeptPart]) -> dict[str, list[Normal]]:
    """All numbers of all sources against the kept takes; source to them.

    Parameters
    ----------
    baseline : Baseline
    parts : sequence of KeptPart
        Of the take that is judged, made as it would be kept.
    """
    by_stage: dict[tuple[str, str], list[KeptPart]] = defaultdict(list)
    for part in parts:
        by_stage[part.source, part.stage].append(part)
    normals: dict[str, list[Normal]] = {}
    for source in dict.fromkeys(part.source for part in parts if part.stage == "tap"):
        tap = by_stage[source, "tap"][0]
        if tap.playing_s < LEAST_PLAYING_S:
            continue
        chained = (source, "after") in by_stage
        judged = [_judge_tone(baseline, tap, by_stage[source, "sound"])]
        pair = "width_db" in tap.values
        judged += [
            _judge_number(baseline, by_stage[source, number.stage_of(chained=chained)][0], number)
            for number in NUMBERS
            if pair or not number.pairs_only
        ]
        normals[source] = [normal for normal in judged if normal is not None]
    for part in parts:
        if part.stage == "mix":
            judged = [_judge_tone(baseline, part, ())]
            judged += [_judge_number(baseline, part, number) for number in MIX_NUMBERS]
            normals[part.source] = [normal for normal in judged if normal is not None]
    return normals
