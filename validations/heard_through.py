"""Changes of tone that are found through other songs every week, beside what the best judge could find who knew how each source varies.

Made houses (`tests/support/repertoires.py`): 14 sources whose songs differ by 2.2 dB in the median, repertoires of 25 to 60 songs, a
week of one or of four of them. Found is counted at the operating point where one clean week in ten has anything raised. The best
judge has the true covariance, from 400 weeks that nobody kept, and the mean of the same kept weeks.

python -m validations.heard_through --weeks WORK tune        # the kept weeks of a run of validations.clean_stage as well
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.baseline.filters import tone_directions
from deskhand.baseline.kept import KeptTakes, against, load
from deskhand.baseline.normal import judge_parts
from deskhand.baseline.numbers import TONE, third_octaves_db
from deskhand.baseline.predict import Predictive
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.findings.judgements import LEAST_NOTICEABLE, SHOW_BUDGET
from deskhand.house import ROLES
from deskhand.measure.passages import OCTAVES_HZ, tone_of
from tests.support.repertoires import PLANTS, MadeSource, Plant, drawn_plant, house_of, kept_weeks
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.normal import Normal
    from deskhand.store import KeptPart

    Array = NDArray[np.float64]

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-heard-through.md"
HOUSES: Final = 24
JUDGED: Final = 12
"""Clean weeks that each house judges; into each source of two of them the filters are planted, one at a time."""
KEPT: Final = (1, 2, 5, 10, 30)
SONGS: Final[tuple[int, ...]] = (1, 4)
DRAWN: Final = 2
"""Filters drawn by chance that are planted into each source of those weeks."""
SEED: Final = 20263
FALSE_WEEKS: Final = 0.1
CLASSES_DB: Final = (0.8, 1.2, 2.0, np.inf)
SEASON_PLANTS: Final = tuple(PLANTS)
_AUDIBLE_DB: Final = 35.0
"""Third-octaves this far below the loudest are no part of what is heard. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeRow:
    """Filter drawn by chance, as it was told."""

    chance: float
    off_db: float
    """Gain told less gain planted."""
    apart_octave: float
    """Between the places."""
    is_inside: bool
    """True where the planted gain lies in the range that is told."""
    is_kind: bool


@dataclass(slots=True)
class Outcome:
    """Least chance of each clean week, and the chance of each planted filter, by the package and by the best judge."""

    clean: list[tuple[float, float]] = field(default_factory=list)
    planted: dict[str, list[tuple[float, float, float]]] = field(default_factory=lambda: defaultdict(list))
    """Plant to (chance by the package, by the best judge, residual spread of the source)."""
    inside: list[bool] = field(default_factory=list)
    """Clean octaves inside their 95 % range."""
    sized: list[SizeRow] = field(default_factory=list)

    def add(self, other: Outcome) -> None:
        """Take in another house's."""
        self.clean += other.clean
        self.inside += other.inside
        self.sized += other.sized
        for name, rows in other.planted.items():
            self.planted[name] += rows


def chance_of(normal: Normal | None) -> float:
    """Chance of a tone, 1 where the change is too small to be said."""
    return 1.0 if normal is None or normal.noticeable < LEAST_NOTICEABLE else normal.probability


def tone_of_source(normals: dict[str, list[Normal]], source: str) -> Normal | None:
    return next((normal for normal in normals.get(source, ()) if normal.name == TONE), None)


def _above_db(kind: str, gain_db: float) -> float:
    """Gain above a shelf's corner against what is below it, of others their own: a tone is taken against its whole."""
    return -gain_db if kind == "low shelf" else gain_db


def _size_row(plant: Plant, normal: Normal | None) -> SizeRow | None:
    if normal is None or normal.departure is None:
        return None
    told = normal.departure
    low_db, high_db = sorted(_above_db(told.kind, gain_db) for gain_db in (told.low_db, told.high_db))
    planted_db = _above_db(plant.kind, plant.gain_db)
    return SizeRow(
        chance=chance_of(normal),
        off_db=_above_db(told.kind, told.gain_db) - planted_db,
        apart_octave=abs(float(np.log2(told.frequency_hz / plant.frequency_hz))),
        is_inside=low_db <= planted_db <= high_db,
        is_kind=told.kind.split()[-1] == plant.kind.split()[-1],
    )


def judged_house(seed: int, kept: int, songs: int) -> Outcome:
    """One house that kept so many weeks judges others, clean and planted."""
    rng = np.random.default_rng([SEED, seed, songs])
    drawn = np.random.default_rng([SEED, seed, songs, kept])
    sources = house_of(rng)
    residuals = [source.residual_db(rng, songs) for source in sources]
    past = [[source.week(rng, songs) for source in sources] for _ in range(max(KEPT))][-kept:]
    clean = [[source.week(rng, songs) for source in sources] for _ in range(JUDGED)]
    baseline = kept_weeks(
        [[source.part(levels) for source, levels in zip(sources, week, strict=True)] for week in past]
    )
    best = [_best_judge(rng, source, songs, [week[index] for week in past]) for index, source in enumerate(sources)]
    outcome = Outcome()
    for number, week in enumerate(clean):
        normals = judge_parts(baseline, [source.part(levels) for source, levels in zip(sources, week, strict=True)])
        rows = []
        for index, source in enumerate(sources):
            normal = tone_of_source(normals, source.name)
            rows.append((chance_of(normal), best[index](week[index])))
            if normal is not None and normal.bands_db is not None:
                outcome.inside += [low <= today <= high for today, _, low, high in normal.bands_db.values()]
        outcome.clean.append((min(row[0] for row in rows), min(row[1] for row in rows)))
        if number >= 2:
            continue
        for index, source in enumerate(sources):
            for _ in range(DRAWN):
                plant = drawn_plant(drawn)
                normals = judge_parts(baseline, [source.part(week[index] + plant.response_db)])
                row = _size_row(plant, tone_of_source(normals, source.name))
                if row is not None:
                    outcome.sized.append(row)
        for name, plant in PLANTS.items():
            for index, source in enumerate(sources):
                if source.role not in plant.roles:
                    continue
                levels = week[index] + plant.response_db
                normal = tone_of_source(judge_parts(baseline, [source.part(levels)]), source.name)
                chance = chance_of(normal)
                outcome.planted[name].append((chance, best[index](levels), residuals[index]))
    return outcome


def _best_judge(
    rng: np.random.Generator, source: MadeSource, songs: int, past: Sequence[Array]
) -> Callable[[Array], float]:
    """Chance by who knows the true covariance, and the mean of the kept weeks alone."""
    tones = np.array([tone_read(source.week(rng, songs)) for _ in range(400)])
    mean = np.mean([tone_read(week) for week in past], axis=0)
    expected = Predictive(location=mean, scale=np.cov(tones.T) * (1 + 1 / len(past)), dof=1e6)
    directions = tone_directions(expected, np.mean(np.concatenate(past), axis=0))
    return lambda levels: directions.tail(tone_read(levels))


def tone_read(passages_db: Array) -> Array:
    """(8,) tone of a week's passages, as the package reads it."""
    return np.asarray(np.mean([tone_of(levels) for levels in passages_db], axis=0))


def thresholds(outcome: Outcome) -> tuple[float, float]:
    """Chances at which one clean week in ten has anything raised, by the package and by the best judge."""
    clean = np.array(outcome.clean)
    return float(np.quantile(clean[:, 0], FALSE_WEEKS)), float(np.quantile(clean[:, 1], FALSE_WEEKS))


def _share(values: Iterable[bool]) -> str:
    held = list(values)
    return f"{100 * float(np.mean(held)):.0f} %" if held else "-"


def roc_table(outcomes: dict[int, Outcome]) -> list[str]:
    """Found, and by the best judge, by kept weeks."""
    lines = [
        "| planted | " + " | ".join(f"{kept} kept" for kept in outcomes) + " | cases |",
        "|---|" + "---|" * (len(outcomes) + 1),
    ]
    for name in PLANTS:
        cells = []
        for outcome in outcomes.values():
            ours, best = thresholds(outcome)
            rows = outcome.planted[name]
            cells.append(f"{_share(row[0] < ours for row in rows)} ({_share(row[1] < best for row in rows)})")
        lines.append(f"| {name} | {' | '.join(cells)} | {len(outcomes[KEPT[0]].planted[name])} |")
    cells = []
    for outcome in outcomes.values():
        ours, best = thresholds(outcome)
        rows = [row for several in outcome.planted.values() for row in several]
        cells.append(f"{_share(row[0] < ours for row in rows)} ({_share(row[1] < best for row in rows)})")
    return [*lines, f"| all | {' | '.join(cells)} | |"]


def class_table(outcomes: dict[int, Outcome]) -> list[str]:
    """Found by how much a source varies from week to week, for what is gross and for the rest."""
    lines = ["| kept | planted | " + " | ".join(_class_words()) + " |", "|---|---|" + "---|" * len(CLASSES_DB)]
    wanted = {"gross changes": [name for name, plant in PLANTS.items() if plant.gross]}
    wanted |= {name: [name] for name, plant in PLANTS.items() if not plant.gross}
    for kept, outcome in outcomes.items():
        if kept < 5:
            continue
        ours, best = thresholds(outcome)
        for label, names in wanted.items():
            cells = []
            for low, high in zip((0.0, *CLASSES_DB), CLASSES_DB, strict=False):
                rows = [row for name in names for row in outcome.planted[name] if low <= row[2] < high]
                cells.append(
                    f"{_share(row[0] < ours for row in rows)} ({_share(row[1] < best for row in rows)}) of {len(rows)}"
                )
            lines.append(f"| {kept} | {label} | {' | '.join(cells)} |")
    return lines


def _class_words() -> list[str]:
    return [
        f"under {high:g} dB"
        if index == 0
        else (f"{CLASSES_DB[index - 1]:g} dB and more" if np.isinf(high) else f"under {high:g}")
        for index, high in enumerate(CLASSES_DB)
    ]


def size_lines(outcomes: dict[int, Outcome]) -> list[str]:
    """Size and place of what was raised, and coverage."""
    lines = [
        (
            "| kept | raised | gain, median error | place, median error | bell or shelf told rightly | gain inside its range | clean octaves "
            "inside theirs |"
        ),
        "|---|---|---|---|---|---|---|",
    ]
    for kept, outcome in outcomes.items():
        ours, _ = thresholds(outcome)
        raised = [row for row in outcome.sized if row.chance < ours]
        errors = np.array([(abs(row.off_db), row.apart_octave) for row in raised] or [(np.nan, np.nan)])
        lines.append(
            f"| {kept} | {len(raised)} of {len(outcome.sized)} | {np.median(errors[:, 0]):.1f} dB | {np.median(errors[:, 1]):.2f} octave | "
            f"{_share(row.is_kind for row in raised)} | {_share(row.is_inside for row in raised)} | "
            f"{100 * float(np.mean(outcome.inside)):.1f} % |"
        )
    return lines


# kept weeks of the stage's seasons


@dataclass(slots=True)
class SeasonOutcome:
    """Kept weeks judged again, each against those before it."""

    shows: int = 0
    with_any: int = 0
    with_tone: int = 0
    planted: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))


def with_filter(part: KeptPart, response_db: Array) -> KeptPart:
    """Part with a filter on its levels, those of its passages included."""
    levels = third_octaves_db(part.values)
    if levels is None:
        return part
    gains = dict(zip((f"tone_db.{hz:g}" for hz in NOMINAL_HZ), response_db, strict=True))
    steps = tone_of(levels + response_db) - tone_of(levels)
    gains |= dict(zip((f"passage_tone_db.{octave}" for octave in OCTAVES_HZ), steps, strict=True))
    filtered = {
        name: (value + float(gains[name]), deviation)
        for name, (value, deviation) in part.values.items()
        if name in gains
    }
    return replace(part, values={**part.values, **filtered})


def is_audible(part: KeptPart, response_db: Array) -> bool:
    """True where a filter changes something that is heard of a source by 3 dB and more against the rest of it."""
    levels = third_octaves_db(part.values)
    if levels is None:
        return False
    heard = levels > levels.max() - _AUDIBLE_DB
    change = response_db[heard] - np.median(response_db[heard])
    return bool(np.abs(change).max() >= 3.0)


def judged_season(folder: Path) -> SeasonOutcome:
    """Kept weeks of a season from the sixth on, clean and with filters planted."""
    outcome = SeasonOutcome()
    kept = load(
        f"sqlite:///{folder / 'history.sqlite'}", house="Tern Street Hall", phase="rehearsal", show=("none", None)
    )
    if kept is None:
        return outcome
    takes = sorted(kept.takes, key=lambda take: take.date or "")
    for number in range(5, len(takes)):
        ids = {take.id for take in takes[:number]}
        before = KeptTakes(rows=[(row, part) for row, part in kept.rows if row.id in ids], takes=takes[:number])
        now = [part for row, part in kept.rows if row.id == takes[number].id]
        _judge_week(outcome, before, now)
    return outcome


def _judge_week(outcome: SeasonOutcome, before: KeptTakes, now: list[KeptPart]) -> None:
    players = defaultdict(set)
    for _, part in before.rows:
        if part.player:
            players[part.source].add(part.player)
    judged = {
        part.source
        for part in now
        if part.stage == "tap"
        and part.role in ROLES
        and ROLES[part.role].shaped
        and not ROLES[part.role].finished
        and not (part.player and players[part.source] and part.player not in players[part.source])
    }
    baseline, normals = against(
        before,
        now,
        taps={part.source: part.tap for part in now},
        chains={part.source: part.chain for part in now if part.stage == "after"},
    )
    budget = SHOW_BUDGET / max(1, sum(len(numbers) for numbers in normals.values()))
    raised = [
        normal.name
        for source, numbers in normals.items()
        if source in judged
        for normal in numbers
        if normal.probability < budget and normal.noticeable >= LEAST_NOTICEABLE
    ]
    outcome.shows += 1
    outcome.with_any += bool(raised)
    outcome.with_tone += TONE in raised
    for name, plant in PLANTS.items():
        for part in now:
            if part.stage != "tap" or part.source not in judged or part.role not in plant.roles:
                continue
            if not is_audible(part, plant.response_db):
                continue
            sounds = [
                with_filter(other, plant.response_db)
                for other in now
                if other.stage == "sound" and other.source == part.source
            ]
            again = judge_parts(baseline, [with_filter(part, plant.response_db), *sounds])
            outcome.planted[name].append(chance_of(tone_of_source(again, part.source)) < budget)


def season_lines(work: Path, half: str) -> list[str]:
    """Kept weeks of the clean seasons that a run of `validations.clean_stage` left in its work folder."""
    total = SeasonOutcome()
    folders = sorted(folder for folder in work.glob(f"clean-{half}-*") if (folder / "history.sqlite").exists())
    with ProcessPoolExecutor(max_workers=2) as pool:
        for outcome in pool.map(judged_season, folders):
            total.shows += outcome.shows
            total.with_any += outcome.with_any
            total.with_tone += outcome.with_tone
            for name, found in outcome.planted.items():
                total.planted[name] += found
    lines = [
        f"## Seasons of real notes, half `{half}`: {total.shows} clean weeks from the sixth on",
        "",
        (
            f"At the package's own operating point. Something is judged unusual in {_percent(total.with_any, total.shows)} of the clean "
            f"weeks, a tone in {_percent(total.with_tone, total.shows)}. A filter is planted into every source of its roles where it changes "
            "something that is heard by 3 dB and more."
        ),
        "",
        "| planted | found | cases |",
        "|---|---|---|",
    ]
    lines += [f"| {name} | {_share(total.planted[name])} | {len(total.planted[name])} |" for name in PLANTS]
    return [*lines, ""]


def _percent(count: int, of: int) -> str:
    return f"{100 * count / of:.1f} %" if of else "-"


def main() -> None:
    """Run the study and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--houses", type=int, default=HOUSES)
    parser.add_argument("--weeks", nargs=2, action="append", default=[], metavar=("WORK", "HALF"))
    parser.add_argument("--page", type=Path, default=TARGET)
    options = parser.parse_args()
    lines = [
        "# Validation: heard through the song",
        "",
        (
            "Made by `make test-all` (`validations/heard_through.py`). Made houses of 14 sources: songs differ by 2.2 dB in the median (mean of "
            "the octaves from 125 Hz to 8 kHz; 1.1 to 4.5 dB, read of two guitarists' songs: 1.8 and 2.5), repertoires of 25 to 60 songs; the "
            "same song played again differs by two fifths of that, all songs of a week by 0.35 dB. Found: at the point where one clean week in "
            "ten has anything raised. In brackets the best judge: the true covariance of each source, and the mean of the same kept weeks."
        ),
        "",
        (
            "Songs that are known again and compared with themselves: [validation-played-again.md](validation-played-again.md), which also "
            "says why how something is played is left out. One side of a pair against the other: [validation-pairs.md](validation-pairs.md)."
        ),
        "",
    ]
    for songs in SONGS:
        outcomes = {}
        for kept in KEPT:
            outcomes[kept] = Outcome()
            with ProcessPoolExecutor(max_workers=2) as pool:
                for outcome in pool.map(
                    judged_house, range(options.houses), [kept] * options.houses, [songs] * options.houses
                ):
                    outcomes[kept].add(outcome)
            print(songs, "songs", kept, "kept", thresholds(outcomes[kept]), flush=True)
        word = "song" if songs == 1 else "songs"
        lines += [
            f"## {songs} {word} a week",
            "",
            *roc_table(outcomes),
            "",
            "By how much a source varies from week to week:",
            "",
            *class_table(outcomes),
            "",
        ]
        lines += [
            (
                "Bells and shelves of 3 to 12 dB, their place, gain and width drawn by chance; of those raised (a low shelf up is a high shelf "
                "down to a tone that is taken against its whole):"
            ),
            "",
            *size_lines(outcomes),
            "",
        ]
    for work, half in options.weeks:
        lines += season_lines(Path(work), half)
    write_page(options.page, "\n".join(lines), __file__)
    print(options.page)


if __name__ == "__main__":
    main()
