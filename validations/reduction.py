"""Thresholds for a wanted reduction: random compressors at the sources of synthesised shows and of shows from real samples.

The threshold is found on the product's excerpt of 20 s; what it takes off is then measured over the whole show.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.demo.season import _SOURCES, pick_players
from deskhand.demo.sounds import RATE_HZ
from deskhand.house import ROLES, CompressorBlock, changed, make_block
from deskhand.measure.excerpt import LENGTH_S, telling_start_s
from deskhand.measure.readings import read_source
from deskhand.moves.reduction import reduction_db, solve
from tests.measure.feed import figures_of
from validations.season_data import tracks_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

PAIRS: Final = 100
SHOW_S: Final = 45.0
SEED: Final = 818
LEFT_OUT: Final = ("audience", "click", "overheads")
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-reduction.md"


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


def main() -> None:
    """Run the study and write the page."""
    found = list(pairs(PAIRS))
    lines = [
        "# Validation: thresholds for a wanted reduction",
        "",
        f"Made by `make test-all` (`validations/reduction.py`). {len(found)} pairs of a source and a random compressor (ratio 1.5 to 6, knee 0 to 12 dB, attack 2",
        f"to 45 ms, release 64 to 512 ms, peak and RMS), wanted ranges 1 dB wide from 1 to 8 dB, seed {SEED}.",
        "",
        "| | synthesised | real samples |",
        "|---|---|---|",
    ]

    def row(title: str, value: object) -> None:
        cells = [value([one for one in found if one.kind == kind]) for kind in ("synthesised", "samples")]  # type: ignore[operator]
        lines.append(f"| {title} | {cells[0]} | {cells[1]} |")

    row("pairs", len)
    row("a threshold found", lambda some: f"{sum(one.said for one in some)}")
    row(
        "of those, median reduction in the range on the excerpt it was found on",
        lambda some: f"{sum(one.low_db <= one.excerpt_db <= one.low_db + 1 for one in some if one.said)}",
    )
    row(
        "of those, in the range over the whole show too",
        lambda some: f"{sum(one.low_db <= one.whole_db <= one.low_db + 1 for one in some if one.said)}",
    )
    row(
        "over the whole show, outside by at most",
        lambda some: (
            f"{max((max(one.low_db - one.whole_db, one.whole_db - one.low_db - 1, 0.0) for one in some if one.said), default=0.0):.2f} dB"
        ),
    )
    row(
        "none found, and none does it over the whole show",
        lambda some: f"{sum(one.gated for one in some if not one.said)}",
    )
    lines.append("")
    TARGET.write_text("\n".join(lines), "utf-8")
    print(TARGET)


if __name__ == "__main__":
    main()
