"""Thresholds for a wanted reduction: random compressors at the sources of shows, and what the thresholds found take off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.demo.season import pick_players
from deskhand.demo.sounds import RATE_HZ
from deskhand.demo.venue import SOURCES as _SOURCES
from deskhand.house import ROLES, CompressorBlock, changed, make_block
from deskhand.measure.excerpt import LENGTH_S, telling_start_s
from deskhand.measure.readings import read_source
from deskhand.moves.reduction import reduction_db, solve
from tests.support.feed import figures_of
from tests.support.season_data import tracks_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

PAIRS: Final = 100

SHOW_S: Final = 45.0

SEED: Final = 818

LEFT_OUT: Final = ("audience", "click", "overheads")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One source with one compressor."""

    kind: str
    source: str
    low_db: float
    said: bool
    """Whether a threshold was found that does it."""
    excerpt_db: float
    whole_db: float
    """Over the whole show."""
    gated: bool
    """Whether no threshold of the whole show does it either."""


def compressor(rng: np.random.Generator) -> CompressorBlock:
    """Ratio, knee and times as people set them."""
    made = make_block(
        {
            "block": "compressor",
            "threshold": "-20 dBFS",
            "ratio": float(rng.choice([1.5, 2.0, 3.0, 4.0, 6.0])),
            "knee": f"{rng.choice([0, 3, 6, 12])} dB",
            "attack": f"{2 ** rng.uniform(1, 5.5):.1f} ms",
            "release": f"{2 ** rng.uniform(6, 9):.0f} ms",
            "senses": str(rng.choice(["peak", "rms"])),
        }
    )
    assert isinstance(made, CompressorBlock)
    return made


def pair(kind: str, name: str, sound: NDArray[np.float64], role: str, rng: np.random.Generator) -> Pair | None:
    """Find a threshold on an excerpt, and run it on the whole."""
    figures = figures_of(sound, pairs=[(0, 1)] if len(sound) == 2 else [])
    reading = read_source(figures, tuple(range(len(sound))), strikes=ROLES[role].strikes, mains_hz=50.0)
    if reading.readings.level_dbfs is None or reading.activity.blocks.sum() < 50:
        return None
    start_s = telling_start_s(figures, reading.tracks, reading.activity)
    first = round(start_s * RATE_HZ)
    excerpt = np.ascontiguousarray(sound[:, first : first + round(LENGTH_S * RATE_HZ)])
    playing = reading.activity.blocks[round(start_s * 10) :][: round(10 * LENGTH_S)]
    block, low_db = compressor(rng), float(rng.integers(1, 8))

    def over(signal: NDArray[np.float64], mask: NDArray[np.bool_], threshold_dbfs: float) -> float:
        return reduction_db(signal, changed(block, threshold_dbfs=threshold_dbfs), RATE_HZ, mask)

    found = solve(lambda threshold: over(excerpt, playing, threshold), low_db, low_db + 1.0)
    best = (
        found
        if found.reached
        else solve(lambda threshold: over(sound, reading.activity.blocks, threshold), low_db, low_db + 1.0)
    )
    return Pair(
        kind=kind,
        source=name,
        low_db=low_db,
        said=found.reached,
        excerpt_db=found.reduction_db,
        whole_db=over(sound, reading.activity.blocks, found.threshold_dbfs),
        gated=not best.reached,
    )


def pairs(
    count: int, *, seed: int = SEED, kinds: tuple[str, ...] = ("synthesised", "samples"), show_s: float = SHOW_S
) -> Iterator[Pair]:
    """So many of each kind, alike."""
    for at, kind in enumerate(kinds):
        rng = np.random.default_rng([seed, at])
        made, number = 0, 4000
        while made < count // len(kinds):
            own = np.random.default_rng([515, number, False, kind == "samples"])
            tracks = tracks_of(kind, own, show_s, pick_players(own))
            number += 1
            for name, role, names, *_ in _SOURCES:
                if name in LEFT_OUT or made >= count // len(kinds):
                    continue
                one = pair(kind, name, np.array([tracks[track] for track in names]), role, rng)
                if one is not None:
                    made += 1
                    yield one
