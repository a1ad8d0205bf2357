"""Changes of tone that are found where songs of kept weeks are known again and compared with themselves, and without.

Made houses (`tests/support/repertoires.py`), weeks of four songs out of a repertoire that all sources share. As many songs are known
again as `validations/songs.py` found. Found is counted at the point where one clean week in ten has anything raised.

python -m validations.played_again --houses 8
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.again import expected_again
from deskhand.baseline.filters import tone_directions
from deskhand.baseline.normal import tone_predictive, usual_tone_db
from deskhand.baseline.played import PlayedAgain
from deskhand.findings.judgements import LEAST_NOTICEABLE, SHOW_BUDGET
from deskhand.measure.passages import tone_of
from tests.support.repertoires import PASSAGES, PLANTS, SOURCES, MadeSource, house_of, kept_weeks
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.model import Baseline

    Array = NDArray[np.float64]

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-played-again.md"
HOUSES, JUDGED, SONGS, SEED = 8, 8, 4, 20265
FALSE_WEEKS: Final = 0.1
KNOWN: Final = {(25, 5): 0.42, (25, 10): 0.50, (25, 30): 0.83, (60, 5): 0.28, (60, 10): 0.39, (60, 30): 0.69}
"""(songs of the repertoire, kept weeks) to the share of a rehearsal that is known again (docs/validation-songs.md, half to tune on)."""
AGAIN_SHARES: Final = {0.4: "two fifths", 0.6: "three fifths"}
"""How one song differs when it is played another night, as a share of how songs differ, to words for it."""
LEFT_OUT: Final = """\
## Left out: how it was played

What a filter does not change, the way an octave's level moves over time (its 10th and 90th percentile against its median, its rises from
one twentieth of a second to the next, strong rises a second, its crest), was regressed on the tones of 60 sources of real notes and of one
guitarist's four recorded songs, half to tune on, each source by coefficients of the others. The spread between takes came to 0.96 to 1.02 of
what it was (median), by coefficients of the same role to 0.89 to 0.96, of the recorded guitar to 1.00 to 1.16; by the guitar's own other
songs at best to 0.93. A place in the judgement was to be earned by 0.85: how something is played is not told by what other instruments, or
a few songs, show. It would take nothing of a filter away, since none moves an octave against itself. Not counted on the half to verify.
"""


@dataclass(slots=True)
class Outcome:
    """Chances without and with the songs known again, of clean weeks and of planted filters."""

    clean: list[tuple[float, float]] = field(default_factory=list)
    planted: dict[str, list[tuple[float, float]]] = field(default_factory=lambda: defaultdict(list))
    known: list[float] = field(default_factory=list)
    """Share of each clean week that was known again."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evening:
    """Songs of a week, by their numbers, and (12, 31) levels of each source's passages."""

    songs: NDArray[np.integer]
    levels_db: list[Array]


def evening(rng: np.random.Generator, sources: Sequence[MadeSource], repertoire: int, again_share: float) -> Evening:
    """A week of songs that all sources play."""
    songs = rng.choice(repertoire, SONGS, replace=False)
    return Evening(songs=songs, levels_db=[source.evening(rng, songs, again_share) for source in sources])


def played(index: int, now: Evening, kept: Sequence[Evening], is_known: Sequence[bool]) -> PlayedAgain | None:
    """Passages of a source that kept evenings hold too, of the songs that are known again."""
    apart_db, takes = [], []
    for song, known in zip(now.songs, is_known, strict=True):
        held = {take: list(old.songs).index(song) for take, old in enumerate(kept, 1) if known and song in old.songs}
        if not held:
            continue
        apart = []
        for take, place in held.items():
            tones = tone_of(kept[take - 1].levels_db[index])
            apart.append(tones[PASSAGES * place : PASSAGES * (place + 1)] - tones.mean(axis=0))
        apart_db += list(np.mean(apart, axis=0))
        takes += [tuple(held)] * PASSAGES
    if not takes:
        return None
    return PlayedAgain(apart_db=np.array(apart_db), takes=tuple(takes), cells=PASSAGES * SONGS)


def _chances(
    baseline: Baseline, source: MadeSource, levels_db: Array, again: PlayedAgain | None
) -> tuple[float, float]:
    """Chance of a tone without and with what was played before, 1 where the change is too small to be said."""
    part = source.part(levels_db)
    plain, usual_db = tone_predictive(baseline, part), usual_tone_db(baseline, part)
    assert plain is not None
    assert usual_db is not None
    with_again = plain if again is None else expected_again(plain, replace(baseline, again={source.name: again}), part)
    tone = tone_of(levels_db).mean(axis=0)
    chances = []
    for expected in (plain, with_again):
        off = tone - expected.location
        heard = np.abs(off - np.median(off)).max() >= LEAST_NOTICEABLE
        chances.append(tone_directions(expected, usual_db).tail(tone) if heard else 1.0)
    return chances[0], chances[1]


def judged_house(seed: int, repertoire: int, again_share: float) -> dict[int, Outcome]:
    """Kept weeks to what one house finds in others."""
    rng = np.random.default_rng([SEED, seed, repertoire])
    sources = house_of(rng)
    for source in sources:
        source.learn(rng, repertoire)
    counts = [kept for songs, kept in KNOWN if songs == repertoire]
    past = [evening(rng, sources, repertoire, again_share) for _ in range(max(counts))]
    weeks = [evening(rng, sources, repertoire, again_share) for _ in range(JUDGED)]
    outcomes = {}
    for count in counts:
        kept, outcome = past[-count:], Outcome()
        baseline = kept_weeks(
            [[source.part(levels) for source, levels in zip(sources, old.levels_db, strict=True)] for old in kept]
        )
        # not all that was played before is known again
        likely = KNOWN[repertoire, count] / (1.0 - (1.0 - SONGS / repertoire) ** count)
        for number, week in enumerate(weeks):
            is_known = list(rng.random(SONGS) < likely)
            rows = []
            for index, source in enumerate(sources):
                again = played(index, week, kept, is_known)
                rows.append(_chances(baseline, source, week.levels_db[index], again))
                if index == 0:
                    outcome.known.append(0.0 if again is None else again.share)
                for name, plant in PLANTS.items() if number < 2 else ():
                    if source.role in plant.roles:
                        planted_db = week.levels_db[index] + plant.response_db
                        outcome.planted[name].append(_chances(baseline, source, planted_db, again))
            first, second = np.min(rows, axis=0)
            outcome.clean.append((float(first), float(second)))
        outcomes[count] = outcome
    return outcomes


def joined(outcomes: Sequence[Outcome]) -> Outcome:
    """Outcomes of several houses as one."""
    total = Outcome()
    for outcome in outcomes:
        total.clean += outcome.clean
        total.known += outcome.known
        for name, rows in outcome.planted.items():
            total.planted[name] += rows
    return total


def table(by_kept: dict[tuple[int, int], Outcome]) -> list[str]:
    """Found without and with, by repertoire and kept weeks."""
    heads = [f"{songs} songs, {kept} kept" for songs, kept in by_kept]
    points = {key: np.quantile(np.array(outcome.clean), FALSE_WEEKS, axis=0) for key, outcome in by_kept.items()}
    lines = [f"| planted | {' | '.join(heads)} |", "|---|" + "---|" * len(heads)]

    def row(label: str, names: Sequence[str]) -> str:
        cells = []
        for key, outcome in by_kept.items():
            rows = np.array([chances for name in names for chances in outcome.planted[name]])
            plain, again = 100 * (rows < points[key]).mean(axis=0)
            cells.append(f"{plain:.0f} → {again:.0f} %")
        return f"| {label} | {' | '.join(cells)} |"

    lines += [row(name, [name]) for name in PLANTS]
    lines.append(row("all", list(PLANTS)))
    lines.append(
        f"| known again | {' | '.join(f'{100 * float(np.mean(outcome.known)):.0f} %' for outcome in by_kept.values())} |"
    )
    chance = SHOW_BUDGET / SOURCES
    clean = [100 * (np.array(outcome.clean) < chance).mean(axis=0) for outcome in by_kept.values()]
    cells = [f"{plain:.0f} → {again:.0f} %" for plain, again in clean]
    return [*lines, f"| clean weeks below the nominal chance | {' | '.join(cells)} |", ""]


def main() -> None:
    """Run the study and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=HOUSES)
    parser.add_argument("--page", type=Path, default=TARGET)
    options = parser.parse_args()
    lines = [
        "# Validation: songs compared with themselves",
        "",
        (
            "Made by `make test-all` (`validations/played_again.py`). Houses of 14 sources as in "
            "[validation-heard-through.md](validation-heard-through.md), weeks of four songs. Where a song is known again, what is expected of a "
            "source in it is drawn towards what it was in the kept weeks, and the range becomes narrower (`deskhand/baseline/again.py`): "
            "nothing is judged twice. Before the arrow without, behind it with that; found at the point where one clean week in ten has "
            "anything raised."
        ),
        "",
    ]
    for again_share, words in AGAIN_SHARES.items():
        by_kept: dict[tuple[int, int], Outcome] = {}
        for repertoire in (25, 60):
            houses = [judged_house(seed, repertoire, again_share) for seed in range(options.houses)]
            for kept in houses[0]:
                by_kept[repertoire, kept] = joined([house[kept] for house in houses])
            print(words, repertoire, flush=True)
        lines += [f"## Played another night a song differs by {words} of how songs differ", "", *table(by_kept)]
    write_page(options.page, "\n".join([*lines, LEFT_OUT]), __file__)
    print(options.page)


if __name__ == "__main__":
    main()
