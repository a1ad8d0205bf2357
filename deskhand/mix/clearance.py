"""Clearance: how much of a voice stands clear of everything else in the feed, where it does not, and who is in the way.

The extended speech intelligibility index of the voice against the rest of the mix, behind chains and faders, at the room's
level, while the voice is active. It describes the feed, not a seat; sung words are not spoken ones.
"""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from math import factorial
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.intelligibility import (
    BANDS_HZ,
    BANDWIDTH_DB,
    IMPORTANCE,
    BandEnergies,
    audible_over_time,
    in_windows,
    level_distortion,
)
from deskhand.errors import UsageError
from deskhand.units import amplitude_from_db, db_from_power, power_from_db

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence
    from concurrent.futures import Executor

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Energies = NDArray[np.floating]

PHRASE_S: Final = 4.0
"""The voice is taken by its spectrum over at most this long."""
MOST_S: Final = 150.0
"""Of a voice, this much is looked at, spread over the take."""
_LEAST_PHRASE_S: Final = 0.5
SHAPLEY_MOST: Final = 6
CLEAR_PCT, COVERED_PCT = 60.0, 35.0
"""Audible shares from which the words are clear, and below which they are covered, until the house has kept weeks of its own.
Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """Audible shares from which words are clear, and below which they are covered."""

    clear_pct: float = CLEAR_PCT
    covered_pct: float = COVERED_PCT

    def word(self, audible_pct: float) -> str:
        """The word that stands for an audible share."""
        return (
            "clear" if audible_pct >= self.clear_pct else "strained" if audible_pct >= self.covered_pct else "covered"
        )


_SIDES: Final = ("mono", "left", "right")
_EVERY: Final = 3
"""Costs and trims, which are differences, are worked out on every third frame."""
_TRIMS_DB: Final = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """One number for the mono sum and each side of the feed, in percent."""

    mono: float
    left: float
    right: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrase:
    """A few seconds of the voice."""

    start_s: float
    end_s: float
    audible_pct: float
    """In the mono sum."""
    left_pct: float
    """Audible on the left side alone."""
    right_pct: float
    """Audible on the right side alone."""
    clearance_pct: float
    word: str
    """clear, strained or covered."""
    by: str | None
    """Who covers it most, when it is not clear."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What one source takes from the voice."""

    source: str
    cost_pct: float
    """Points of audible share, in the mono sum, over all of the voice."""
    low_hz: float
    high_hz: float
    """The bands in which most of it is lost."""
    most_s: tuple[tuple[float, float], ...]
    """The phrases in which it costs most, up to three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What giving a pair's middle back to the voice would do, for trims of its middle."""

    source: str
    """The pair; "all pairs" for all together."""
    trim_db: tuple[float, ...]
    audible_pct: tuple[Sides, ...]
    width_db: tuple[float, ...]
    mono_loss_db: tuple[float, ...]
    level_db: tuple[float, ...]
    """Of the pair, against no trim."""
    knee_db: float | None
    """From here on a further decibel gives less than half of what the first gave; None when that is not so up to 6 dB, or the
    first gives nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WithMoves:
    """Of one voice with this week's moves, run and measured again."""

    clearance_pct: Sides
    audible_pct: Sides
    wanted_pct: float | None
    """What was aimed at, in the mono sum; None when nothing had to give way for it."""
    gives_way: tuple[str, ...]
    """The sources that are turned down for it, those that help most first."""
    change_db: float | None
    """Sum over them of the RMS change of their level in the feed, over the voice's third-octaves."""
    plain_db: float | None
    """The same for turning everything else down alike until the voice is as clear; None where 12 dB do not do it."""
    text: str
    """What comes of it, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clearance:
    """Of one voice."""

    source: str
    clearance_pct: Sides
    """The extended index (Rhebergen & Versfeld 2005), with the standard's term that makes loud speech score lower."""
    audible_pct: Sides
    """The same without that term."""
    method: str
    """How the costs were shared out: "shapley" (exact), or "mean of leave-one-out and add-one-in"."""
    by_source: tuple[Cost, ...]
    """Largest first."""
    by_band_pct: dict[str, float]
    """Audible share of each third-octave, mono."""
    phrases: tuple[Phrase, ...]
    covered_s: tuple[tuple[float, float], ...]
    room: tuple[Room, ...]
    words: Words = field(default_factory=Words)
    """Where its words are clear, strained and covered: by the house's own kept weeks, or by what is common."""
    voice_to_rest_db: float | None
    """Level of the voice against everything else, 160 Hz to 8 kHz, mono, while it is active; None when it is alone."""
    with_moves: WithMoves | None = None
    """None when no move changes what is heard with it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Feed:
    """Energies of a stretch of the feed, source by source."""

    start_s: float
    energies: Mapping[str, tuple[Energies, Energies, Energies]]
    """Source to its energies in the mono sum, left and right: (frames, 18) mean squares every 10 ms. The same array three times
    where they are the same."""
    pairs: frozenset[str]
    """Sources whose sides differ."""


@dataclass(slots=True, kw_only=True)
class _Part:
    """What a phrase adds to the result."""

    start_s: float
    end_s: float
    frames: int
    audible: dict[str, Array]
    """Side to audible shares of the bands."""
    distortion: dict[str, Array]
    costs: Array
    """(sources, bands) in importance-weighted share."""
    voice_power: float
    rest_power: float
    trims: dict[str, Array]
    """Pair to (trims, sides) of audible share."""
    pair_power: dict[str, Array]
    """Pair to summed energies of mid, left and right over bands."""


def phrases(stretches_s: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Stretches in which a voice is active, cut into phrases of at most 4 s, thinned evenly to at most 150 s."""
    cut: list[tuple[float, float]] = []
    for begin, end in stretches_s:
        pieces = max(1, int(np.ceil((end - begin) / PHRASE_S)))
        edges = np.linspace(begin, end, pieces + 1)
        cut += [(float(a), float(b)) for a, b in itertools.pairwise(edges) if b - a >= _LEAST_PHRASE_S]
    total = sum(end - begin for begin, end in cut)
    if total <= MOST_S:
        return cut
    # each stretch of time earns its share of the seconds that may be spent, so that short answers count like long verses
    chosen, credit_s = [], 0.0
    for begin, end in cut:
        credit_s += (end - begin) * MOST_S / total
        if credit_s >= end - begin:
            chosen.append((begin, end))
            credit_s -= end - begin
    return chosen


def _spectrum_db(power: Array, offset_db: float) -> Array:
    """(18,) spectrum level in dB re 20 uPa of mean squares in the bands."""
    return np.asarray(db_from_power(np.maximum(power, 1e-20)) + offset_db - BANDWIDTH_DB)


def _noise_power(power: Energies, offset_db: float) -> Array:
    """(frames, 18) spectrum power of energies, in each band's window."""
    return in_windows(power.astype(np.float64, copy=False)) * power_from_db(offset_db - BANDWIDTH_DB)


def measure_phrase(
    feed: Feed, voice: str, offset_db: float, *, pool: Executor | None = None, with_costs: bool = True
) -> _Part:
    """Audible shares of a voice in a phrase, and who costs what.

    Parameters
    ----------
    feed : Feed
        Of the phrase.
    voice : str
        The source whose words are to be heard.
    offset_db : float
        dB SPL of a feed with a mean square of 1.
    pool : Executor, optional
    with_costs : bool
    """
    others = [name for name in feed.energies if name != voice]
    frames = len(next(iter(feed.energies.values()))[0])
    audible: dict[str, Array] = {}
    distortion: dict[str, Array] = {}
    rest_power = 0.0
    for place, side in enumerate(_SIDES):
        speech = _spectrum_db(feed.energies[voice][place].mean(axis=0, dtype=np.float64), offset_db)
        # in double precision, whatever they are kept in: windows are differences of running sums
        rest = np.zeros((frames, 18))
        for name in others:
            rest += feed.energies[name][place]
        audible[side] = audible_over_time(speech, _noise_power(rest, offset_db))
        distortion[side] = level_distortion(speech)
        if side == "mono":
            rest_power = float(rest.sum())
    costs = np.zeros((len(others), 18))
    if with_costs and others:
        speech = _spectrum_db(feed.energies[voice][0].mean(axis=0, dtype=np.float64), offset_db)
        costs = _costs(speech, [_noise_power(feed.energies[name][0], offset_db) for name in others], pool)
    part = _Part(
        start_s=feed.start_s,
        end_s=feed.start_s + frames * 0.01,
        frames=frames,
        audible=audible,
        distortion=distortion,
        costs=costs,
        voice_power=float(feed.energies[voice][0].sum(dtype=np.float64)),
        rest_power=rest_power,
        trims={},
        pair_power={},
    )
    if with_costs:
        _trims(part, feed, voice, others, offset_db)
    return part


def _costs(speech: Array, noises: Sequence[Array], pool: Executor | None) -> Array:
    """(sources, 18) what each source takes, weighted by importance: exact Shapley values for few, else the mean of two ways."""
    count = len(noises)
    run: Callable[..., object] = map if pool is None else pool.map

    noises = [noise[::_EVERY] for noise in noises]

    def heard(members: tuple[int, ...]) -> Array:
        total = np.sum([noises[place] for place in members], axis=0) if members else np.zeros(noises[0].shape)
        return IMPORTANCE * audible_over_time(speech, np.asarray(total))

    def every(sets: list[tuple[int, ...]]) -> dict[tuple[int, ...], Array]:
        return dict(zip(sets, run(heard, sets), strict=True))  # type: ignore[call-overload]

    everyone = tuple(range(count))
    if count <= SHAPLEY_MOST:
        sets = [subset for size in range(count + 1) for subset in itertools.combinations(everyone, size)]
        values = every(sets)
        out = np.zeros((count, 18))
        for subset in sets:
            for one in everyone:
                if one not in subset:
                    weight = factorial(len(subset)) * factorial(count - len(subset) - 1) / factorial(count)
                    both = tuple(sorted((*subset, one)))
                    out[one] += weight * (values[subset] - values[both])
        return out
    sets = [(), everyone, *((one,) for one in everyone), *(tuple(p for p in everyone if p != one) for one in everyone)]
    values = every(sets)
    added = np.array([values[()] - values[one,] for one in everyone])
    left = np.array([values[tuple(p for p in everyone if p != one)] - values[everyone] for one in everyone])
    return np.asarray(0.5 * (added + left))


def each(
    energies: tuple[Energies, Energies, Energies], change: Callable[[Energies], Energies]
) -> tuple[Energies, Energies, Energies]:
    """Energies (mono, left, right), each changed: once only where all three are one array, which they stay."""
    mono, left, right = energies
    first = change(mono)
    return (first, first, first) if mono is left is right else (first, change(left), change(right))


def trimmed(energies: tuple[Energies, Energies, Energies], trim_db: float) -> tuple[Array, Array, Array]:
    """Energies of a pair (mono, left, right) whose middle is turned down by some dB.

    With M the middle and S the sides, L = M + S and R = M - S: their product is a quarter of the difference of the energies of
    L and R, so that nothing has to be filtered again.
    """
    mono, left, right = (part.astype(np.float64, copy=False) for part in energies)
    gain = amplitude_from_db(-trim_db)
    side = np.maximum(0.5 * (left + right) - mono, 0.0)
    product = 0.25 * (left - right)
    return (
        gain * gain * mono,
        np.maximum(gain * gain * mono + side + 2.0 * gain * product, 0.0),
        np.maximum(gain * gain * mono + side - 2.0 * gain * product, 0.0),
    )


def _trims(part: _Part, feed: Feed, voice: str, others: list[str], offset_db: float) -> None:
    """What turning down the middles does: each pair alone, and all."""
    pairs = [name for name in others if name in feed.pairs]
    totals = [np.sum([feed.energies[name][place] for name in others], axis=0) for place in range(3)] if others else []
    speech = [_spectrum_db(feed.energies[voice][place].mean(axis=0), offset_db) for place in range(3)]
    for name in pairs:
        part.pair_power[name] = np.array([float(one.sum()) for one in feed.energies[name]])
    for name, members in [*((one, [one]) for one in pairs), ("all pairs", pairs)]:
        if name == "all pairs" and len(pairs) < 2:
            continue
        rows = []
        for trim_db in _TRIMS_DB:
            changed = [trimmed(feed.energies[member], trim_db) for member in members]
            shares = []
            for place in range(3):
                noise = totals[place] + np.sum(
                    [new[place] - feed.energies[member][place] for new, member in zip(changed, members, strict=True)],
                    axis=0,
                )
                power = _noise_power(np.maximum(noise, 0.0), offset_db)[::_EVERY]
                shares.append(float(np.sum(IMPORTANCE * audible_over_time(speech[place], power))))
            rows.append(shares)
        part.trims[name] = np.array(rows)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """A phrase of a voice in the mono sum, kept so that other settings of everything else can be tried on it."""

    speech_db: Array
    """(18,) spectrum level of the voice."""
    distortion: Array
    """(18,) what its own level costs it."""
    names: tuple[str, ...]
    """The other sources."""
    noise: Array
    """(sources, frames, 18) spectrum power of each, in each band's window, every third frame."""
    middle: Array
    """(sources, 18) energy of the middle."""
    side: Array
    """(sources, 18) energy of the sides."""
    voice_middle: float
    voice_side: float
    frames: int
    """Of 10 ms."""


def _middle_and_side(feed: Feed, name: str) -> tuple[Array, Array]:
    """(18,) energies of a source's middle and sides over the phrase."""
    mono, left, right = (np.asarray(part, np.float64).sum(axis=0) for part in feed.energies[name])
    return mono, np.maximum(0.5 * (left + right) - mono, 0.0)


def hold_one(feed: Feed, name: str, offset_db: float) -> tuple[Array, Array, Array]:
    """Of one source, what `hold` keeps of it: (frames, 18) noise, (18,) energy of its middle, (18,) of its sides."""
    noise = _noise_power(np.asarray(feed.energies[name][0], np.float64), offset_db)[::_EVERY]
    return (noise, *_middle_and_side(feed, name))


def hold(feed: Feed, voice: str, offset_db: float) -> Held:
    """What is needed of a phrase to try other settings of everything but the voice.

    Parameters
    ----------
    feed : Feed
        Of the phrase.
    voice : str
    offset_db : float
        dB SPL of a feed with a mean square of 1.
    """
    names = tuple(name for name in feed.energies if name != voice)
    speech = _spectrum_db(feed.energies[voice][0].mean(axis=0), offset_db)
    own = _middle_and_side(feed, voice)
    others = [_middle_and_side(feed, name) for name in names]
    return Held(
        speech_db=speech,
        distortion=level_distortion(speech),
        names=names,
        noise=np.array([_noise_power(feed.energies[name][0], offset_db)[::_EVERY] for name in names]),
        middle=np.array([one[0] for one in others]).reshape(-1, 18),
        side=np.array([one[1] for one in others]).reshape(-1, 18),
        voice_middle=float(own[0].sum()),
        voice_side=float(own[1].sum()),
        frames=len(feed.energies[voice][0]),
    )


def gather(
    parts: Sequence[_Part], voice: str, others: Sequence[str], *, words: Words | None = None
) -> Clearance | None:
    """Phrases to the clearance of a voice; None without any.

    Parameters
    ----------
    parts : sequence
        From `measure_phrase`, of one feed.
    voice : str
    others : sequence of str
        The other sources, in the order of the feed.
    words : Words, optional
        Where words are clear and covered; the same for every house by default.
    """
    if not parts:
        return None
    weight = np.array([part.frames for part in parts], np.float64)
    weight /= weight.sum()

    def over(values: Sequence[float]) -> float:
        return float(np.dot(weight, values))

    def sides(value: Callable[[_Part, str], float]) -> Sides:
        mono, left, right = (100.0 * over([value(part, side) for part in parts]) for side in _SIDES)
        return Sides(mono=round(mono, 1), left=round(left, 1), right=round(right, 1))

    costs = np.tensordot(weight, np.array([part.costs for part in parts]), axes=1)  # (sources, bands)
    words = words or Words()
    told = [_phrase(part, others, words) for part in parts]
    by_band = sum(share * part.audible["mono"] for share, part in zip(weight, parts, strict=True))
    voice_power = sum(part.voice_power for part in parts)
    rest_power = sum(part.rest_power for part in parts)
    return Clearance(
        source=voice,
        clearance_pct=sides(lambda part, side: float(np.sum(IMPORTANCE * part.distortion[side] * part.audible[side]))),
        audible_pct=sides(lambda part, side: float(np.sum(IMPORTANCE * part.audible[side]))),
        method="shapley" if len(others) <= SHAPLEY_MOST else "mean of leave-one-out and add-one-in",
        by_source=tuple(
            sorted(
                (_cost(place, name, costs[place], parts) for place, name in enumerate(others)),
                key=lambda cost: -cost.cost_pct,
            )
        ),
        by_band_pct={f"{hz:g}": round(100.0 * float(value), 1) for hz, value in zip(BANDS_HZ, by_band, strict=True)},
        phrases=tuple(told),
        covered_s=tuple((one.start_s, one.end_s) for one in told if one.word == "covered"),
        words=words,
        room=tuple(_room(name, parts, weight) for name in dict.fromkeys(n for part in parts for n in part.trims)),
        voice_to_rest_db=None
        if rest_power < 1e-12 * voice_power
        else round(float(db_from_power(max(voice_power, 1e-20) / max(rest_power, 1e-20))), 2),
    )


def with_settings(
    feed: Feed, *, mid_down_db: Mapping[str, float], fader_db: Mapping[str, float], muted: Collection[str]
) -> Feed:
    """The feed as it would be with other settings, without running its chains again.

    Parameters
    ----------
    feed : Feed
    mid_down_db : mapping
        Pair to the dB that its middle is turned down by, behind its chain.
    fader_db : mapping
        Source to the dB that its fader is moved by, up or down, from where it was when the feed was measured.
    muted : collection of str
        Sources that are left out.

    Returns
    -------
    Feed. What is not changed is shared with the old one, and not to be written into.

    Raises
    ------
    UsageError
        A source is not in the feed, or its middle cannot be turned down because it is no pair.
    """
    for name in (*mid_down_db, *fader_db, *muted):
        if name not in feed.energies:
            raise UsageError(name, "is not in the feed", "name one of: " + ", ".join(feed.energies))
    for name in mid_down_db:
        if name not in feed.pairs:
            raise UsageError(
                name, "has no middle to turn down", "turn down its fader: only pairs have a middle and sides"
            )
    changed = {}
    for name, old in feed.energies.items():
        if name in muted:
            continue
        mid_db, gain_db = mid_down_db.get(name, 0.0), fader_db.get(name, 0.0)
        new = trimmed(old, mid_db) if mid_db else old
        changed[name] = each(new, partial(np.multiply, power_from_db(gain_db), dtype=np.float64)) if gain_db else new
    return replace(feed, energies=changed, pairs=feed.pairs & changed.keys())


def clearance_of(
    feeds: Sequence[Feed], voice: str, *, offset_db: float, words: Words | None = None, threads: int = 2
) -> Clearance:
    """The clearance of a voice in stretches of the feed that are held, without who costs what.

    Parameters
    ----------
    feeds : sequence of Feed
        The voice's phrases, from `deskhand.mix.voices.hold_feeds`, or from `with_settings`.
    voice : str
    offset_db : float
        dB SPL of a feed with a mean square of 1.
    words : Words, optional
        Where words are clear and covered; the same for every house by default.
    threads : int

    Returns
    -------
    Clearance, with all costs 0, and nobody named who covers a phrase.

    Raises
    ------
    UsageError
        There are no stretches, or the voice is not in them.
    """
    if not feeds:
        raise UsageError(voice, "has no phrase in this take", "choose a voice that sounds, or a longer stretch")
    for feed in feeds:
        if voice not in feed.energies:
            raise UsageError(voice, "is not in the feed", "name one of: " + ", ".join(feed.energies))
    with ThreadPoolExecutor(threads) as pool:
        parts = list(pool.map(lambda feed: measure_phrase(feed, voice, offset_db, with_costs=False), feeds))
    found = gather(parts, voice, [name for name in feeds[0].energies if name != voice], words=words)
    assert found is not None
    return found


def shifted(clearance: Clearance, by_s: float) -> Clearance:
    """The same with all times later by some seconds."""

    def spans(old: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        return tuple((round(begin + by_s, 2), round(end + by_s, 2)) for begin, end in old)

    return replace(
        clearance,
        phrases=tuple(
            replace(one, start_s=round(one.start_s + by_s, 2), end_s=round(one.end_s + by_s, 2))
            for one in clearance.phrases
        ),
        covered_s=spans(clearance.covered_s),
        by_source=tuple(replace(one, most_s=spans(one.most_s)) for one in clearance.by_source),
    )


def _phrase(part: _Part, others: Sequence[str], words: Words) -> Phrase:
    audible, left, right = (100.0 * float(np.sum(IMPORTANCE * part.audible[side])) for side in _SIDES)
    index = 100.0 * float(np.sum(IMPORTANCE * part.distortion["mono"] * part.audible["mono"]))
    word = words.word(audible)
    totals = part.costs.sum(axis=1)
    by = others[int(totals.argmax())] if word != "clear" and len(others) and totals.max() > 0.0 else None
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


def _cost(place: int, name: str, bands: Array, parts: Sequence[_Part]) -> Cost:
    total = float(bands.sum())
    # the narrowest run of bands that holds two thirds of it
    best = (0, len(bands) - 1)
    for first, last in itertools.combinations_with_replacement(range(len(bands)), 2):
        if bands[first : last + 1].sum() >= 2 / 3 * total and last - first < best[1] - best[0]:
            best = (first, last)
    worst = sorted(parts, key=lambda part: -float(part.costs[place].sum()))[:3]
    return Cost(
        source=name,
        cost_pct=round(100.0 * total, 2),
        low_hz=BANDS_HZ[best[0]],
        high_hz=BANDS_HZ[best[1]],
        most_s=tuple(
            sorted((round(part.start_s, 2), round(part.end_s, 2)) for part in worst if part.costs[place].sum() > 0.005)
        ),
    )


def _room(name: str, parts: Sequence[_Part], weight: Array) -> Room:
    shares = np.tensordot(weight, np.array([part.trims[name] for part in parts]), axes=1)  # (trims, sides)
    members = [name] if name in parts[0].pair_power else list(parts[0].pair_power)
    mid, left, right = (
        sum(float(part.pair_power[member][place]) for part in parts for member in members) for place in range(3)
    )
    side = max(0.5 * (left + right) - mid, 0.0)
    mids = mid * 10.0 ** (-0.1 * np.array(_TRIMS_DB))
    whole = np.maximum(mids + side, 1e-20)
    gains = np.diff(shares[:, 0])
    knee = None
    if gains[0] > 1e-4:
        later = np.flatnonzero(gains < 0.5 * gains[0])
        knee = _TRIMS_DB[int(later[0])] if later.size else None
    return Room(
        source=name,
        trim_db=_TRIMS_DB,
        audible_pct=tuple(
            Sides(mono=round(100 * row[0], 1), left=round(100 * row[1], 1), right=round(100 * row[2], 1))
            for row in shares
        ),
        width_db=tuple(round(float(db_from_power(max(side, 1e-20) / max(one, 1e-20))), 2) for one in mids),
        mono_loss_db=tuple(
            round(float(db_from_power(max(one, 1e-20) / all_)), 2) for one, all_ in zip(mids, whole, strict=True)
        ),
        level_db=tuple(round(float(db_from_power(all_ / whole[0])), 2) for all_ in whole),
        knee_db=knee,
    )


class FeedMeter:
    """Energies of the feed from what comes out of the chains, weighed by faders and pans.

    Parameters
    ----------
    sources : mapping
        Source to its (2, channels) matrix to left and right.
    sample_rate_hz : int
    pairs : collection of str
        Sources of two tracks, whose middle can be turned down.
    """

    def __init__(self, sources: Mapping[str, Array], sample_rate_hz: int, *, pairs: Collection[str] = ()) -> None:
        self._pairs = frozenset(pairs)
        self._sources = dict(sources)
        # a single channel in the centre is the same in the mono sum and on both sides
        self._centred = {
            name: matrix.shape[1] == 1 and float(matrix[0, 0]) == float(matrix[1, 0])
            for name, matrix in self._sources.items()
        }
        self.channels = [
            (name, place) for name, centred in self._centred.items() for place in range(1 if centred else 3)
        ]
        self._meter = BandEnergies(len(self.channels), sample_rate_hz)
        self.step = self._meter.step

    def take(
        self, signals: Mapping[str, NDArray[np.floating]], start_s: float, *, pool: Executor | None = None
    ) -> Feed:
        """The feed of a stretch of whole frames: source to (channels, samples) behind its chain."""
        rows: dict[str, NDArray[np.float32]] = {}
        for name, matrix in self._sources.items():
            left, right = matrix @ signals[name]
            stacked = left[None] if self._centred[name] else np.stack([0.5 * (left + right), left, right])
            rows[name] = stacked.astype(np.float32)
        every = [rows[name][place] for name, place in self.channels]
        groups = [every[first : first + 4] for first in range(0, len(every), 4)]
        run: Callable[..., object] = map if pool is None else pool.map
        found = list(
            run(lambda item: self._meter.take(np.stack(item[1]), item[0]), list(enumerate(groups)))  # type: ignore[call-overload]
        )
        columns = np.concatenate(found, axis=2)
        energies: dict[str, list[Array]] = {}
        for place, (name, _) in enumerate(self.channels):
            energies.setdefault(name, []).append(columns[:, :, place].astype(np.float64))
        return Feed(
            start_s=start_s,
            energies={
                name: (parts[0], parts[0], parts[0]) if len(parts) == 1 else (parts[0], parts[1], parts[2])
                for name, parts in energies.items()
            },
            pairs=self._pairs,
        )
