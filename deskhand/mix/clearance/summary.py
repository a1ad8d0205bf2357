"""Summary of a voice's phrases: its clearance, what each source costs it, and what turning middles down would give."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from deskhand.dsp.intelligibility import BANDS_HZ, IMPORTANCE
from deskhand.mix.clearance.phrases import SHAPLEY_MOST, TRIMS_DB
from deskhand.mix.clearance.result import SIDES, AudibilityLimits, Clearance, Cost, MiddleTrims, Phrase, Sides
from deskhand.units import db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from deskhand.mix.clearance.phrases import PhraseShares

    Array = NDArray[np.float64]


def gather(
    parts: Sequence[PhraseShares], voice: str, maskers: Sequence[str], *, words: AudibilityLimits | None = None
) -> Clearance | None:
    """Clearance of a voice from its phrases; None without any.

    Parameters
    ----------
    parts : sequence of PhraseShares
        From `measure_phrase`, of one feed.
    voice : str
    maskers : sequence of str
        The other sources, in the order of the feed.
    words : AudibilityLimits, optional
        Where words are clear and covered; the same for every house by default.
    """
    if not parts:
        return None
    weight = np.array([part.frames for part in parts], np.float64)
    weight /= weight.sum()

    def over(values: Sequence[float]) -> float:
        return float(np.dot(weight, values))

    def sides(value: Callable[[PhraseShares, str], float]) -> Sides:
        mono, left, right = (100.0 * over([value(part, side) for part in parts]) for side in SIDES)
        return Sides(mono=round(mono, 1), left=round(left, 1), right=round(right, 1))

    costs = np.tensordot(weight, np.array([part.costs for part in parts]), axes=1)  # (sources, bands)
    words = words or AudibilityLimits()
    phrases = tuple(_phrase(part, maskers, words) for part in parts)
    by_band = sum(share * part.audible["mono"] for share, part in zip(weight, parts, strict=True))
    voice_power = sum(part.voice_power for part in parts)
    rest_power = sum(part.rest_power for part in parts)
    return Clearance(
        source=voice,
        clearance_pct=sides(lambda part, side: float(np.sum(IMPORTANCE * part.distortion[side] * part.audible[side]))),
        audible_pct=sides(lambda part, side: float(np.sum(IMPORTANCE * part.audible[side]))),
        method="shapley" if len(maskers) <= SHAPLEY_MOST else "mean of leave-one-out and add-one-in",
        by_source=tuple(
            sorted(
                (_cost(number, name, costs[number], parts) for number, name in enumerate(maskers)),
                key=lambda cost: -cost.cost_pct,
            )
        ),
        by_band_pct={f"{hz:g}": round(100.0 * float(value), 1) for hz, value in zip(BANDS_HZ, by_band, strict=True)},
        phrases=phrases,
        covered_s=tuple((phrase.start_s, phrase.end_s) for phrase in phrases if phrase.word == "covered"),
        words=words,
        room=tuple(
            _middle_trims(name, parts, weight) for name in dict.fromkeys(pair for part in parts for pair in part.trims)
        ),
        voice_to_rest_db=None
        if rest_power < 1e-12 * voice_power
        else round(float(db_from_power(max(voice_power, 1e-20) / max(rest_power, 1e-20))), 2),
    )


def _phrase(part: PhraseShares, maskers: Sequence[str], words: AudibilityLimits) -> Phrase:
    """Phrase in percent, with its word and the source that covers it most."""
    audible, left, right = (100.0 * float(np.sum(IMPORTANCE * part.audible[side])) for side in SIDES)
    index = 100.0 * float(np.sum(IMPORTANCE * part.distortion["mono"] * part.audible["mono"]))
    word = words.word(audible)
    totals = part.costs.sum(axis=1)
    by = maskers[int(totals.argmax())] if word != "clear" and len(maskers) and totals.max() > 0.0 else None
    return Phrase(
        start_s=round(part.start_s, 2),
        end_s=round(part.end_s, 2),
        audible_pct=round(audible, 1),
        left_pct=round(left, 1),
        right_pct=round(right, 1),
        clearance_pct=round(index, 1),
        word=word,
        by=by,
    )


def _cost(number: int, name: str, bands: Array, parts: Sequence[PhraseShares]) -> Cost:
    """Cost of the source of a number in the feed's order, from its (18,) mean costs."""
    total = float(bands.sum())
    # the narrowest run of bands that holds two thirds of it
    best = (0, len(bands) - 1)
    for first, last in itertools.combinations_with_replacement(range(len(bands)), 2):
        if bands[first : last + 1].sum() >= 2 / 3 * total and last - first < best[1] - best[0]:
            best = (first, last)
    worst = sorted(parts, key=lambda part: -float(part.costs[number].sum()))[:3]
    return Cost(
        source=name,
        cost_pct=round(100.0 * total, 2),
        low_hz=BANDS_HZ[best[0]],
        high_hz=BANDS_HZ[best[1]],
        most_s=tuple(
            sorted((round(part.start_s, 2), round(part.end_s, 2)) for part in worst if part.costs[number].sum() > 0.005)
        ),
    )


def _middle_trims(name: str, parts: Sequence[PhraseShares], weight: Array) -> MiddleTrims:
    """Shares, width and levels of a pair (or of all) over the trims of its middle, phrases weighed by their length."""
    shares = np.tensordot(weight, np.array([part.trims[name] for part in parts]), axes=1)  # (trims, sides)
    members = [name] if name in parts[0].pair_power else list(parts[0].pair_power)
    mid, left, right = (
        sum(float(part.pair_power[member][row]) for part in parts for member in members) for row in range(3)
    )
    side = max(0.5 * (left + right) - mid, 0.0)
    mids = mid * power_from_db(-np.array(TRIMS_DB))
    wholes = np.maximum(mids + side, 1e-20)
    gains = np.diff(shares[:, 0])
    knee = None
    if gains[0] > 1e-4:
        weak = np.flatnonzero(gains < 0.5 * gains[0])
        knee = TRIMS_DB[int(weak[0])] if weak.size else None
    return MiddleTrims(
        source=name,
        trim_db=TRIMS_DB,
        audible_pct=tuple(
            Sides(mono=round(100 * row[0], 1), left=round(100 * row[1], 1), right=round(100 * row[2], 1))
            for row in shares
        ),
        width_db=tuple(round(float(db_from_power(max(side, 1e-20) / max(middle, 1e-20))), 2) for middle in mids),
        mono_loss_db=tuple(
            round(float(db_from_power(max(middle, 1e-20) / whole)), 2)
            for middle, whole in zip(mids, wholes, strict=True)
        ),
        level_db=tuple(round(float(db_from_power(whole / wholes[0])), 2) for whole in wholes),
        knee_db=knee,
    )
