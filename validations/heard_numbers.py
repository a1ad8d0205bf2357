"""Reverberation, softer onsets and narrower pairs in weeks of real notes: how many are told, beside a judge who knows how each number varies.

The seasons are those that a run of `validations.clean_stage` left in its work folder; their weeks are made once more, with the change in
every source, and measured as `deskhand check` does it. Found is counted where one clean week in ten has any of these numbers raised. The
best judge takes each number of a source as normal with the spread of all clean weeks of the season, and has the mean of the same kept
weeks.

python -m validations.heard_numbers --audio FOLDER --weeks WORK tune
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.signal as ss
from scipy import special

from deskhand.baseline.kept import KeptTakes, against, load
from deskhand.baseline.numbers import BY_NAME, number_of
from deskhand.findings.judgements import LEAST_NOTICEABLE
from deskhand.house import ROLES
from tests.support.stage.effects import RATE_HZ, Sound, in_room, room_response
from tests.support.stage.library import VARIABLE, Half, folder_given, open_library
from tests.support.stage.season import checked, date_of
from tests.support.stage.show import HOUSE_NAME, clean_show
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from deskhand.store import KeptPart
    from tests.support.stage.part import Part

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-heard-numbers.md"
NUMBERS: Final = ("articulation", "tail", "width", "balance", "dynamics")
KEPT: Final = (1, 2, 5, 10)
FIRST_WEEK: Final = max(KEPT) + 1
FALSE_WEEKS: Final = 0.1
LEAST_WEEKS: Final = 6
"""Weeks of a source from which its spread is read: with fewer nobody knows it."""
DECAY_S: Final = 1.2
ATTACK_MS, RELEASE_MS = 2.0, 80.0
SEED: Final = 20264


def with_reverberation(sound: Sound, level_db: float) -> Sound:
    """(tracks, frames) with a decay of 1.2 s, so loud against the sound itself; another one in each track."""
    rng = np.random.default_rng(SEED)
    wet = 10.0 ** (level_db / 20.0)
    return np.stack([in_room(row, room_response(rng, DECAY_S), wet) for row in sound])


def with_soft_onsets(sound: Sound, ratio: float) -> Sound:
    """(tracks, frames) with what stands out of the last 80 ms turned down by a ratio, in dB."""
    power = np.mean(sound**2, axis=0)
    fast, slow = (_smoothed(power, ms) for ms in (ATTACK_MS, RELEASE_MS))
    above_db = 10.0 * np.log10(np.maximum(fast, 1e-14) / np.maximum(slow, 1e-14))
    return np.asarray(sound * 10.0 ** (-np.maximum(above_db, 0.0) * (1.0 - 1.0 / ratio) / 20.0))


def _smoothed(power: Sound, time_ms: float) -> Sound:
    keep = np.exp(-1000.0 / (time_ms * RATE_HZ))
    return np.asarray(ss.lfilter([1.0 - keep], [1.0, -keep], power))


def narrowed(sound: Sound, by_db: float) -> Sound:
    """(2, frames) with the difference of the sides turned down."""
    middle, side = sound.mean(axis=0), (sound[0] - sound[1]) / 2.0 * 10.0 ** (-by_db / 20.0)
    return np.stack([middle + side, middle - side])


CHANGES: Final[dict[str, Callable[[Sound], Sound]]] = {
    "reverberation of 1.2 s, 10 dB below": lambda sound: with_reverberation(sound, -10.0),
    "reverberation of 1.2 s, 5 dB below": lambda sound: with_reverberation(sound, -5.0),
    "onsets halved in dB": lambda sound: with_soft_onsets(sound, 2.0),
    "pair 4 dB narrower": lambda sound: narrowed(sound, 4.0),
    "pair 8 dB narrower": lambda sound: narrowed(sound, 8.0),
}


def changed(part: Part, change: str) -> Part:
    """Part with a change, where it can have it."""
    if not ROLES[part.role].shaped or ("pair" in change and len(part.tracks) < 2):
        return part
    return replace(part, sound=CHANGES[change](part.sound))


@dataclass(slots=True)
class Judged:
    """Chances of clean and of changed weeks by the package and by the best judge."""

    clean: list[tuple[float, float]] = field(default_factory=list)
    """Least of each week."""
    planted: dict[str, list[tuple[float, float]]] = field(default_factory=lambda: defaultdict(list))
    """Change to the least chance of each source that has it."""
    steps: dict[tuple[str, str], list[float]] = field(default_factory=lambda: defaultdict(list))
    """(Change, number) to how far it moved, in spreads of the source from week to week."""

    def add(self, other: Judged) -> None:
        """Take in another season's."""
        self.clean += other.clean
        for change, rows in other.planted.items():
            self.planted[change] += rows
        for key, values in other.steps.items():
            self.steps[key] += values


def readings_of(parts: Sequence[KeptPart]) -> dict[tuple[str, str], float]:
    """(Source, number) to its reading on the number's scale."""
    chained = {part.source for part in parts if part.stage == "after"}
    readings = {}
    for name in NUMBERS:
        number = BY_NAME[name]
        for part in parts:
            if part.stage == number.stage_of(chained=part.source in chained) and part.role in ROLES:
                reading = number_of(number, part.values)
                if reading is not None and ROLES[part.role].shaped:
                    readings[part.source, name] = reading[0]
    return readings


def _ours(before: KeptTakes, parts: Sequence[KeptPart]) -> dict[tuple[str, str], float]:
    """(Source, number) to its chance by the package, 1 where too small to be said."""
    _, normals = against(
        before,
        parts,
        taps={part.source: part.tap for part in parts},
        chains={part.source: part.chain for part in parts if part.stage == "after"},
    )
    return {
        (source, normal.name): normal.probability if normal.noticeable >= LEAST_NOTICEABLE else 1.0
        for source, numbers in normals.items()
        for normal in numbers
        if normal.name in NUMBERS
    }


def _best(
    weeks: Sequence[Mapping[tuple[str, str], float]],
    spreads: Mapping[tuple[str, str], float],
    now: Mapping[tuple[str, str], float],
) -> dict[tuple[str, str], float]:
    """(Source, number) to its chance by who knows the spread and has the mean of the same weeks."""
    chances = {}
    for key, reading in now.items():
        past = [week[key] for week in weeks if key in week]
        if past and key in spreads:
            off = abs(reading - np.mean(past)) / (spreads[key] * np.sqrt(1.0 + 1.0 / len(past)))
            chances[key] = (
                1.0
                if abs(reading - np.mean(past)) < LEAST_NOTICEABLE * BY_NAME[key[1]].jnd
                else float(2.0 * special.ndtr(-off))
            )
    return chances


def season_judged(audio: Path, half: Half, season: int, folder: Path) -> dict[int, Judged]:
    """Weeks of a season from the eleventh on, clean and changed, by how many weeks are kept before them."""
    library = open_library(audio, half)
    kept = load(f"sqlite:///{folder / 'history.sqlite'}", house=HOUSE_NAME, phase="rehearsal", show=("none", None))
    outcomes = {count: Judged() for count in KEPT}
    if kept is None:
        return outcomes
    takes = sorted(kept.takes, key=lambda take: take.date or "")
    parts_of = {take.date: [part for row, part in kept.rows if row.id == take.id] for take in takes}
    readings = [readings_of(parts_of[take.date]) for take in takes]
    spreads = {}
    for key in set().union(*readings):
        values = [week[key] for week in readings if key in week]
        if len(values) >= LEAST_WEEKS:
            spreads[key] = max(float(np.std(values, ddof=1)), 1e-6)
    for week in range(FIRST_WEEK, len(takes) + 1):
        show = clean_show(library, season, week)
        plays = {part.name for part in show.parts if ROLES[part.role].shaped}
        of_change: dict[str, list[KeptPart]] = {"": list(parts_of[date_of(week)])}
        for change in CHANGES:
            other = replace(show, parts=tuple(changed(part, change) for part in show.parts))
            with tempfile.TemporaryDirectory() as name:
                of_change[change] = list(checked(other, Path(name)).parts)
        pairs = {part.name for part in show.parts if len(part.tracks) == 2}
        for count, outcome in outcomes.items():
            first = week - 1 - count
            ids = {take.id for take in takes[first : week - 1]}
            before = KeptTakes(
                rows=[(row, part) for row, part in kept.rows if row.id in ids], takes=takes[first : week - 1]
            )
            for change, parts in of_change.items():
                now = readings_of(parts)
                ours, best = _ours(before, parts), _best(readings[first : week - 1], spreads, now)
                shared = [key for key in best if key in ours and key[0] in plays]
                if not change:
                    if shared:
                        outcome.clean.append((min(ours[key] for key in shared), min(best[key] for key in shared)))
                    continue
                for source in {key[0] for key in shared if "pair" not in change or key[0] in pairs}:
                    keys = [key for key in shared if key[0] == source]
                    outcome.planted[change].append((min(ours[key] for key in keys), min(best[key] for key in keys)))
                clean = readings_of(of_change[""])
                for key in shared:
                    if key in clean and ("pair" not in change or key[0] in pairs):
                        outcome.steps[change, key[1]].append((now[key] - clean[key]) / spreads[key])
    return outcomes


def half_lines(audio: Path, work: Path, half: Half) -> list[str]:
    """Tables of one half."""
    folders = sorted(folder for folder in work.glob(f"clean-{half}-*") if (folder / "history.sqlite").exists())
    totals = {count: Judged() for count in KEPT}
    with ProcessPoolExecutor(max_workers=2) as pool:
        seasons = [
            pool.submit(season_judged, audio, half, int(folder.name.rsplit("-", 1)[1]), folder) for folder in folders
        ]
        for each in seasons:
            for count, outcome in each.result().items():
                totals[count].add(outcome)
    lines = [
        f"## Half `{half}`: {len(folders)} seasons, {len(totals[KEPT[-1]].clean)} weeks",
        "",
        "| changed | " + " | ".join(f"{count} kept" for count in KEPT) + " | sources |",
        "|---|" + "---|" * (len(KEPT) + 1),
    ]
    for change in CHANGES:
        cells = []
        for outcome in totals.values():
            limits = [float(np.quantile([row[judge] for row in outcome.clean], FALSE_WEEKS)) for judge in (0, 1)]
            rows = outcome.planted[change]
            shares = [100 * float(np.mean([row[judge] < limits[judge] for row in rows])) for judge in (0, 1)]
            cells.append(f"{shares[0]:.0f} % ({shares[1]:.0f} %)")
        lines.append(f"| {change} | {' | '.join(cells)} | {len(totals[KEPT[0]].planted[change])} |")
    lines += [
        "",
        "How far each change moves a number, in spreads of the source from week to week (median; nine sources in ten lie above the second figure):",
        "",
        "| changed | " + " | ".join(NUMBERS) + " |",
        "|---|" + "---|" * len(NUMBERS),
    ]
    for change in CHANGES:
        cells = []
        for name in NUMBERS:
            values = np.abs(totals[KEPT[-1]].steps[change, name])
            cells.append(f"{np.median(values):.1f}, {np.percentile(values, 10):.1f}" if len(values) else "-")
        lines.append(f"| {change} | {' | '.join(cells)} |")
    return [*lines, ""]


def main() -> None:
    """Run the study and write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--audio", type=Path, help=f"folder of the recordings, else ${VARIABLE}")
    parser.add_argument("--weeks", nargs=2, action="append", default=[], metavar=("WORK", "HALF"))
    parser.add_argument("--page", type=Path, default=TARGET)
    options = parser.parse_args()
    audio = folder_given(options.audio)
    if audio is None or not options.weeks:
        print(
            f"heard_numbers: name the recordings with --audio or ${VARIABLE}, and the weeks with --weeks. Nothing was run."
        )
        return
    lines = [
        "# Validation: reverberation, onsets and width, heard through the song",
        "",
        (
            "Made by `python -m validations.heard_numbers`, from seasons of the clean stage ([validation-clean-stage.md]"
            "(validation-clean-stage.md)): weeks of 30 s, one song each. Each change is made in the recording with numpy and scipy, in every "
            "source of a week, and measured as `deskhand check` does it. Found: articulation, tail, width, balance or dynamics, at the point "
            "where one clean week in ten has any of these raised. In brackets the best judge: the spread of all clean weeks of the season, the "
            "mean of the same kept weeks. Nothing was tuned by this study; the half to verify was counted once. Weeks are few, so that the point of "
            "one in ten is two or three weeks: shares are rough, most of all of the half to verify."
        ),
        "",
    ]
    for work, half in options.weeks:
        lines += half_lines(audio, Path(work), half)
    write_page(options.page, "\n".join(lines), __file__)
    print(options.page)


if __name__ == "__main__":
    main()
