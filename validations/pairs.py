"""Filters planted into one side of a pair, against how its sides differ from week to week.

Made houses of four pairs, weeks of one or of four songs; and weekly shows of pairs and of microphones of one instrument from real notes
(`tests/support/stage`). Sides are judged by octave along smooth changes, and, as it was before, by the top alone.

python -m validations.pairs --audio FOLDER --half tune --work WORK
"""

from __future__ import annotations

import argparse
import pickle
import tempfile
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, get_args

import numpy as np

from deskhand.baseline.normal import judge_parts
from deskhand.baseline.sides import SIDES, with_sides
from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.findings.judgements import LEAST_NOTICEABLE, SHOW_BUDGET
from deskhand.house import ROLES
from deskhand.measure.passages import PASSAGE_S, _passage_power, side_tones
from deskhand.measure.readings import read_source
from deskhand.measure.tone import playing_seconds
from deskhand.store import KeptPart
from tests.support.feed import figures_of
from tests.support.repertoires import HZ, MadeSource, _cookbook, _smooth, kept_weeks
from tests.support.stage.library import VARIABLE, Half, folder_given, open_library
from tests.support.stage.show import clean_show
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.normal import Normal
    from tests.support.stage.library import Library

    Array = NDArray[np.float64]

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-pairs.md"
WORK: Final = Path(tempfile.gettempdir()) / "deskhand-pairs"
SEED: Final = 20264
CHANCE: Final = SHOW_BUDGET / 100
"""Chance that a number has in a show of some eighteen sources, which have a hundred of them."""
HOUSES, KEPT, JUDGED = 6, 10, 4
SONGS: Final = (1, 4)
SPREADS_DB: Final = (0.2, 1.2)
"""Spread of the sides' difference from song to song, read of two guitarists' songs."""
SEASONS, WEEKS, LENGTH_S = 4, 14, 45.0
DRAWS: Final = 3
"""Times that other weeks of a season are the kept ones."""
PLANTS: Final = {
    "+4 dB above 2.5 kHz": _cookbook("high shelf", 2500, 4, 0.7),
    "+4 dB above 3 kHz": _cookbook("high shelf", 3000, 4, 0.7),
    "+4 dB above 4 kHz": _cookbook("high shelf", 4000, 4, 0.7),
    "+6 dB above 3 kHz": _cookbook("high shelf", 3000, 6, 0.7),
    "-6 dB above 3 kHz": _cookbook("high shelf", 3000, -6, 0.7),
    "bell +4 dB at 3 kHz": _cookbook("bell", 3000, 4),
    "bell -6 dB at 500 Hz": _cookbook("bell", 500, -6),
    "high-pass 300 Hz": _cookbook("high-pass", 300),
}
_AUDIBLE_DB: Final = 35.0
"""Third-octaves this far below the loudest are no part of what is heard. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairWeek:
    """Sides of a pair in a week."""

    role: str
    power: Array
    """(2, passages, 31) in third-octaves."""


@dataclass(slots=True)
class Outcome:
    """Chances of clean and of planted weeks: by the top alone, and by octave."""

    clean: list[tuple[float, float]] = field(default_factory=list)
    planted: dict[str, list[tuple[float, float]]] = field(default_factory=lambda: defaultdict(list))


def top_db(power: Array) -> float:
    """Right against left from 2 to 8 kHz, less the same from 125 Hz to 1 kHz (`deskhand.measure.provided.side_top`)."""
    low, top = ((first <= HZ) & (last > HZ) for first, last in ((88.0, 1414.0), (1414.0, 11314.0)))
    whole = power.sum(axis=1)
    return float(10 * np.log10(whole[1, top].sum() * whole[0, low].sum() / (whole[0, top].sum() * whole[1, low].sum())))


def part_of(source: str, week: PairWeek, *, by_octave: bool) -> KeptPart:
    """Pair as a take keeps it, read by the package's own definitions; without its octaves it is compared by the top alone."""
    seconds = np.repeat(week.power, PASSAGE_S, axis=1)
    levels = week.power.mean(axis=(0, 1))
    values: dict[str, tuple[float, float | None]] = {
        f"tone_db.{hz:g}": (float(10 * np.log10(level)), None) for hz, level in zip(NOMINAL_HZ, levels, strict=True)
    }
    values |= {
        "width_db": (-8.0, None),
        "side_top_db": (top_db(week.power), None),
        "passages": (float(week.power.shape[1]), None),
    }
    tones = side_tones(seconds[0], seconds[1], np.ones(10 * seconds.shape[1], bool))
    if by_octave and tones is not None:
        values |= {f"side_tone_db.{octave}": (level, None) for octave, level in tones.tone_db.items()}
        values |= {f"side_scatter_db2.{octaves}": (value, None) for octaves, value in tones.scatter_db2.items()}
    return KeptPart(
        source=source, stage="tap", role=week.role, player=None, tap="preamp", playing_s=float(seconds.shape[1]),
        values=values,
    )  # fmt: skip


def _chance(normals: Iterable[Normal]) -> float:
    """Chance of a pair's sides, 1 where the change is too small to be said."""
    normal = next(normal for normal in normals if normal.name == SIDES)
    return normal.probability if normal.noticeable >= LEAST_NOTICEABLE else 1.0


def judged(weeks: dict[str, list[PairWeek]], kept: dict[str, list[int]]) -> Outcome:
    """Clean and planted weeks of one house's pairs against some of their weeks, each of the others judged."""
    outcome = Outcome()
    baselines = []
    for by_octave in (False, True):
        most = max(len(numbers) for numbers in kept.values())
        takes = [
            [
                part_of(source, weeks[source][numbers[take]], by_octave=by_octave)
                for source, numbers in kept.items()
                if take < len(numbers)
            ]
            for take in range(most)
        ]
        baselines.append(kept_weeks(takes))

    def chances(source: str, week: PairWeek) -> tuple[float, float]:
        part = part_of(source, week, by_octave=True)
        top = judge_parts(baselines[0], [part])
        octaves = with_sides(baselines[1], [part], judge_parts(baselines[1], [part]))
        return _chance(top[source]), _chance(octaves[source])

    for source, of_source in weeks.items():
        for number in sorted(set(range(len(of_source))) - set(kept[source])):
            week = of_source[number]
            outcome.clean.append(chances(source, week))
            for name, response_db in PLANTS.items():
                for side in range(2):
                    if is_audible(week.power[side].mean(axis=0), response_db):
                        power = week.power.copy()
                        power[side] *= 10 ** (response_db / 10)
                        outcome.planted[name].append(chances(source, PairWeek(role=week.role, power=power)))
    return outcome


def is_audible(power: Array, response_db: Array) -> bool:
    """True where a filter changes something that is heard of a side by 3 dB and more against the rest of it."""
    levels_db = 10 * np.log10(power + 1e-20)
    change_db = response_db[levels_db > levels_db.max() - _AUDIBLE_DB]
    return bool(np.abs(change_db - np.median(change_db)).max() >= 3.0)


# made houses


def made_weeks(seed: int, songs: int) -> dict[str, list[PairWeek]]:
    """Weeks of a house's four pairs: the right side differs from the left by the song."""
    rng = np.random.default_rng([SEED, seed, songs])
    weeks: dict[str, list[PairWeek]] = {}
    for number in range(4):
        source = MadeSource(rng, f"pair {number + 1}")
        spread_db = float(np.exp(rng.uniform(*np.log(SPREADS_DB))))
        usual_db, reach = _smooth(rng, 1, 1.0, 1.5)[0], rng.uniform(0.5, 1.2)
        songs_db = _smooth(rng, 40, reach, spread_db)
        weeks[source.name] = []
        for _ in range(KEPT + JUDGED):
            left_db = source.week(rng, songs)
            apart_db = np.repeat(songs_db[rng.choice(40, songs, replace=False)], len(left_db) // songs, axis=0)
            apart_db = usual_db + apart_db + _smooth(rng, len(left_db), reach, 0.5 * spread_db)
            apart_db = apart_db + _smooth(rng, 1, 1.0, 0.1)
            power = 10 ** (np.stack([left_db, left_db + apart_db]) / 10)
            weeks[source.name].append(PairWeek(role=source.role, power=power))
    return weeks


# shows of real notes


def show_pairs(library: Library, season: int, week: int) -> dict[str, PairWeek]:
    """Sides of the pairs of a clean show, and of inputs of one rig and role; not where somebody new plays."""
    show = clean_show(library, season, week, length_s=LENGTH_S)
    regular = [part for part in show.parts if part.player is None or part.player.endswith(" 0")]
    couples = [(part.name, part.role, part.sound) for part in regular if len(part.tracks) == 2]
    couples += [
        (f"{first.name} / {second.name}", first.role, np.concatenate([first.sound, second.sound]))
        for first, second in _of_one_instrument(regular)
    ]
    pairs = {}
    for name, role, sound in couples:
        figures = figures_of(np.clip(sound, -1.0, 1.0), pairs=[(0, 1)], threads=1)
        reading = read_source(figures, (0, 1), strikes=ROLES[role].strikes, mains_hz=50.0)
        tones = np.stack([figures.tracks[side].tone for side in range(2)])
        power = _passage_power(tones, playing_seconds(tones.mean(axis=0), reading.activity.blocks))
        if len(power):
            pairs[name] = PairWeek(role=role, power=np.maximum(power.transpose(1, 0, 2), 1e-20))
    return pairs


def _of_one_instrument(parts: Sequence) -> list[tuple]:  # type: ignore[type-arg]
    """Two and two inputs of one track that hear one instrument."""
    single = [part for part in parts if len(part.tracks) == 1 and part.role in ("bass", "guitar")]
    return [
        (first, second)
        for number, first in enumerate(single)
        for second in single[number + 1 :]
        if first.rig == second.rig
    ]


def season_weeks(library: Library, season: int, work: Path) -> dict[str, list[PairWeek]]:
    """Weeks of a season's pairs; what was made before is read again."""
    weeks: dict[str, list[PairWeek]] = defaultdict(list)
    for number in range(1, WEEKS + 1):
        file = work / f"pairs-{library.half}-{season}-{number}.pickle"
        if not file.exists():
            work.mkdir(parents=True, exist_ok=True)
            file.write_bytes(pickle.dumps(show_pairs(library, season, number)))
            print(file.name, flush=True)
        for name, week in pickle.loads(file.read_bytes()).items():
            weeks[name].append(week)
    return {name: several for name, several in weeks.items() if len(several) > KEPT}


def table(outcome: Outcome) -> list[str]:
    """Found at the package's own operating point and at one false pair in a hundred."""
    clean = np.array(outcome.clean)
    hundredth = np.quantile(clean, 0.01, axis=0)
    lines = [
        (
            f"{len(clean)} clean weeks of pairs; said at the package's own operating point: by the top alone "
            f"{(clean[:, 0] < CHANCE).sum()}, by octave {(clean[:, 1] < CHANCE).sum()}."
        ),
        "",
        "| planted into one side | by octave | top alone | by octave, one false pair in 100 | top alone | cases |",
        "|---|---|---|---|---|---|",
    ]
    for name, rows in outcome.planted.items():
        chances = np.array(rows)
        cells = [
            f"{100 * share:.0f} %"
            for point in (np.full(2, CHANCE), hundredth)
            for share in (chances < point).mean(axis=0)[::-1]
        ]
        lines.append(f"| {name} | {' | '.join(cells)} | {len(rows)} |")
    return [*lines, ""]


def joined(outcomes: Iterable[Outcome]) -> Outcome:
    """Outcomes of several houses as one."""
    total = Outcome()
    for outcome in outcomes:
        total.clean += outcome.clean
        for name, rows in outcome.planted.items():
            total.planted[name] += rows
    return total


def _made_outcomes(houses: int, songs: int) -> Iterable[Outcome]:
    for seed in range(houses):
        weeks = made_weeks(seed, songs)
        yield judged(weeks, {source: list(range(KEPT)) for source in weeks})


def _season_outcomes(library: Library, work: Path, seasons: int) -> Iterable[Outcome]:
    for season in range(seasons):
        weeks = season_weeks(library, season, work)
        rng = np.random.default_rng([SEED, season])
        for _ in range(DRAWS):
            yield judged(weeks, {name: list(rng.permutation(len(several))[:KEPT]) for name, several in weeks.items()})


def main() -> None:
    """Run the study and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--audio", type=Path, help=f"folder of recordings, or {VARIABLE}")
    parser.add_argument("--half", choices=get_args(Half), action="append", default=[])
    parser.add_argument("--houses", type=int, default=HOUSES)
    parser.add_argument("--seasons", type=int, default=SEASONS)
    parser.add_argument("--work", type=Path, default=WORK)
    parser.add_argument("--page", type=Path, default=TARGET)
    options = parser.parse_args()
    lines = [
        "# Validation: one side of a pair",
        "",
        (
            "Made by `make test-all` (`validations/pairs.py`). A filter is planted into the left or the right of a pair where it changes "
            f"something that is heard of it by 3 dB and more; {KEPT} weeks are kept. By octave: right against left in eight octaves, along "
            "what filters do, as the package judges them; the top alone: from 2 to 8 kHz, as weeks are judged that "
            "hold no octaves. Spreads were read of the half to tune on; the half to verify was counted once."
        ),
        "",
    ]
    for songs in SONGS if options.houses else ():
        heading = f"## Made houses of four pairs, {songs} song{'s' if songs > 1 else ''} a week"
        print(heading, flush=True)
        lines += [heading, "", *table(joined(_made_outcomes(options.houses, songs)))]
    folder = folder_given(options.audio)
    for half in options.half:
        if folder is None:
            break
        library = open_library(folder, half)
        heading = f"## Shows of real notes, half `{half}`: pairs, and inputs of one instrument"
        print(heading, flush=True)
        lines += [heading, "", *table(joined(_season_outcomes(library, options.work, options.seasons)))]
    write_page(options.page, "\n".join(lines), __file__)
    print(options.page)


if __name__ == "__main__":
    main()
