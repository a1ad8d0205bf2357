"""Mixes in which the voice is covered, brought back by the product and by turning the whole band down."""

from __future__ import annotations

import itertools
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.chain.run import still_to_come
from deskhand.demo.season import pick_players
from deskhand.demo.sounds import RATE_HZ
from deskhand.demo.venue import SOURCES as _SOURCES
from deskhand.demo.venue import house_text
from deskhand.house import changed, parse_house
from deskhand.measure.activity import activity
from deskhand.mix.bus import level_offset_db
from deskhand.mix.voices import feed_strips, hold_voice, measure_voices
from deskhand.moves.giving import MOST_DB
from deskhand.moves.space import make_space
from deskhand.moves.voice import FEED_MONO_LOSS_DB, abilities, strips_with_faders
from deskhand.moves.voice_moves import add_moves
from deskhand.recording.held import held_recording
from deskhand.units import power_from_db
from tests.support.season_data import tracks_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.house import HouseFile
    from deskhand.mix.clearance import TrialPhrase
    from deskhand.moves.state import Plan
    from deskhand.recording import Recording

MIXES: Final = 50

LENGTH_S: Final = 40.0

SEED: Final = 909

LEAD: Final = "lead voice"

LEAST_MISSING_PCT: Final = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """What became of one mix."""

    kind: str
    wanted_pct: float
    before_pct: float
    predicted_pct: float
    after_pct: float
    """Run through the chains again and measured."""
    sources: int
    change_db: float
    plain_db: float | None
    dense_db: float | None
    """Least sum of decibels that a dense search over four faders finds; None where it does not get there."""
    most_pct: float
    """With everything that can be turned turned down by 6 dB."""
    seconds: float


@dataclass(slots=True)
class Show:
    """One show of the venue, in memory."""

    kind: str
    recording: Recording
    own: dict[str, tuple[int, ...]]
    playing: dict[str, Any] = field(default_factory=dict)


def show(kind: str, number: int, length_s: float = LENGTH_S) -> Show:
    """A clean show."""
    rng = np.random.default_rng([515, number, False, kind == "samples"])
    tracks = tracks_of(kind, rng, length_s, pick_players(rng))
    names = list(tracks)
    clean = Show(
        kind=kind,
        recording=held_recording(np.array([tracks[name] for name in names], np.float32), names, RATE_HZ),
        own={name: tuple(names.index(track) for track in own) for name, _, own, *_ in _SOURCES},
    )
    hop = RATE_HZ // 10
    voice = np.asarray(tracks[names[clean.own[LEAD][0]]], np.float32)
    mean_square = (voice[: voice.size // hop * hop].reshape(-1, hop).astype(np.float64) ** 2).mean(axis=1)
    clean.playing[LEAD] = activity(mean_square.astype(np.float32))
    return clean


def with_faders(house: HouseFile, change_db: dict[str, float]) -> HouseFile:
    """The house with other faders."""
    return replace(
        house,
        source=[
            changed(source, fader_db=(source.fader_db or 0.0) + change_db[source.name])
            if source.name in change_db
            else source
            for source in house.source
        ],
    )


def clearance_pct(clean: Show, strips: Any, offset_db: float) -> float:
    """Measured."""
    [voice] = measure_voices(clean.recording, strips, clean.playing, [LEAD], offset_db=offset_db, with_costs=False)
    return voice.clearance_pct.mono


def dense_db(held: Sequence[TrialPhrase], wanted_pct: float) -> float | None:
    """The least sum of whole decibels at four faders, tried out one after the other."""
    from deskhand.moves.giving import Abilities
    from deskhand.moves.giving_search import phrases_of

    names = list(held[0].names)
    feed = phrases_of(held, names, dict.fromkeys(names, Abilities()), indexed=True)

    def pct(down: dict[int, int]) -> float:
        gains = np.ones((len(names), 18))
        for fader, step in down.items():
            gains[fader] = power_from_db(-float(step))
        return feed.pct((gains, np.zeros(len(names))))

    worth = sorted(range(len(names)), key=lambda fader: -pct({fader: 6}))[:4]
    lists = sorted(itertools.product(range(int(MOST_DB) + 1), repeat=4), key=sum)
    return next(
        (float(sum(steps_db)) for steps_db in lists if pct(dict(zip(worth, steps_db, strict=True))) >= wanted_pct), None
    )


def mix(clean: Show, house: HouseFile, rng: np.random.Generator, *, dense: bool = True) -> Mix | None:
    """Cover the voice, and have room made for it; None when it is hardly covered."""
    offset_db = level_offset_db(house.room, -23.0)
    blocks = {one.name: tuple(still_to_come(one.chain, "preamp")) for one in house.source}
    wanted = clearance_pct(clean, feed_strips(house, clean.own, blocks), offset_db)
    change: dict[str, float] = {}
    if rng.random() < 0.5:
        change[LEAD] = -float(rng.uniform(3, 10))
    audible = [name for name in feed_strips(house, clean.own, blocks) if name != LEAD]
    if rng.random() < 0.7 or not change:
        for name in rng.choice(audible, int(rng.integers(1, 4)), replace=False):
            change[str(name)] = float(rng.uniform(3, 9))
    wrong = with_faders(house, change)
    strips = feed_strips(wrong, clean.own, blocks)
    before = clearance_pct(clean, strips, offset_db)
    if wanted - before < LEAST_MISSING_PCT:
        return None
    begun = time.perf_counter()
    held = hold_voice(clean.recording, strips, clean.playing[LEAD], LEAD, offset_db=offset_db)
    able = {
        one.name: abilities(one, wrong.desk, blocks[one.name], blocks[one.name])
        for one in wrong.source
        if one.name in audible
    }
    giving_way = make_space(held, able, wanted_pct=wanted, indexed=True, mono_loss_limit_db=FEED_MONO_LOSS_DB)
    seconds = time.perf_counter() - begun
    assert giving_way is not None
    planned: dict[str, Plan] = {}
    faders = add_moves(SimpleNamespace(house=wrong, blocks=blocks, turned={}), planned, giving_way)  # type: ignore[arg-type]
    after_blocks = {**blocks, **{name: tuple(one.blocks) for name, one in planned.items()}}
    after = clearance_pct(clean, strips_with_faders(feed_strips(wrong, clean.own, after_blocks), faders), offset_db)
    everything = with_faders(wrong, {**dict.fromkeys(audible, -MOST_DB)})
    return Mix(
        kind=clean.kind,
        wanted_pct=wanted,
        before_pct=before,
        predicted_pct=giving_way.after_pct,
        after_pct=after,
        sources=len(giving_way.giving),
        change_db=giving_way.change_db,
        plain_db=giving_way.plain_db,
        dense_db=dense_db(held, wanted) if dense else None,
        most_pct=clearance_pct(clean, feed_strips(everything, clean.own, blocks), offset_db),
        seconds=seconds,
    )


def mixes(
    count: int,
    *,
    seed: int = SEED,
    kinds: Sequence[str] = ("synthesised", "samples"),
    dense: bool = True,
    length_s: float = LENGTH_S,
) -> list[Mix]:
    """So many of each kind, alike."""
    house = parse_house(house_text(), Path("house.toml"))
    covered: list[Mix] = []
    for kind_number, kind in enumerate(kinds):
        rng = np.random.default_rng([seed, kind_number])
        wanted = count * (kind_number + 1) // len(kinds)
        number = 2000
        while len(covered) < wanted:
            clean = show(kind, number, length_s)
            number += 1
            for _ in range(3):
                covered_mix = mix(clean, house, rng, dense=dense)
                if covered_mix is not None and len(covered) < wanted:
                    covered.append(covered_mix)
                    print(len(covered), covered_mix, flush=True)
    return covered
