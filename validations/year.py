"""A made year, week by week: what the check, the history, the page of the weeks and the sheet say, into docs/validation-year.md.

python -m validations.year [YEARS]

The year is made by `tests/support/year.py`; each week is recorded, checked, kept and its sheet made. The first year is printed week by
week; further ones, with other songs and levels, are only counted. Drifts of numbers alone, without sound, are counted in hundreds.
"""

from __future__ import annotations

import io
import re
import shutil
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from rich.console import Console

from deskhand.baseline import drift as charts
from deskhand.baseline.predict import Prior
from deskhand.report.weeks import print_overview, weeks_page
from deskhand.tasks import keep as keeping
from deskhand.tasks.check import check
from deskhand.tasks.keep_terms import FaultyShowError
from deskhand.tasks.sheet import SheetOptions, show_sheet
from tests.support.year import DRIFTS, NO_DATE, WEEKS, PlantedDrift, evening, house_text, keep_at, source_today, write_week
from tools.prose import wrapped

if TYPE_CHECKING:
    from deskhand.findings import Finding
    from deskhand.tasks.check import ShowCheck

YEARS: Final = 3
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-year.md"
PATIENCE_WEEKS: Final = 2
"""Weeks that somebody lets a level stand before it is turned down as the check says."""
COURSES: Final = 400
NEAR: Final = 0.2
"""Share by which a pace that is told may be wrong."""


@dataclass(slots=True)
class WeekWords:
    """Everything that is said in a week, in the words that are printed."""

    week: int
    check: list[str] = field(default_factory=list)
    history: list[str] = field(default_factory=list)
    page: list[str] = field(default_factory=list)
    sheet: list[str] = field(default_factory=list)
    kept: str = ""


@dataclass(slots=True)
class YearCount:
    """Count of a year against its truth."""

    words: list[WeekWords] = field(default_factory=list)
    named: dict[str, list[int]] = field(default_factory=dict)
    """Planted source to the weeks in which its drift is named."""
    paces: list[tuple[float, float]] = field(default_factory=list)
    """Pace that is told and the true one."""
    false: list[str] = field(default_factory=list)
    raised: Counter[str] = field(default_factory=Counter)
    """What else is raised."""


def _words_of_check(checked: ShowCheck) -> list[str]:
    """Findings that ask somebody for something, and drifts."""
    lines = [f"first: {thing.text}" for thing in checked.result.first]
    for source in checked.result.sources:
        lines += [
            f"{finding.severity}: {source.name}: {finding.text}"
            for finding in source.findings
            if finding.severity != "note" or finding.kind == "drift"
        ]
    reference = checked.result.reference
    if reference is not None:
        lines += [f"reference: {name} {count}" for name, count in (*reference.set_aside.items(), *reference.other_tap.items())]
    return lines


def _level_move(checked: ShowCheck, source: str) -> float:
    """Change of a source's level that the check asks for."""
    result = next(one for one in checked.result.sources if one.name == source)
    return sum(
        float(move.settings["gain"].after or 0.0) - float(move.settings["gain"].before or 0.0)
        for move in result.moves
        if move.block == "trim" and "gain" in move.settings
    )


def _sheet_words(checked: ShowCheck, standing: Path, since: Path | None) -> list[str]:
    """What the sheet says is changed or left to do."""
    sheet = show_sheet(
        checked.result, house_file=standing, standing_file=standing, house_text=checked.house_text,
        options=SheetOptions(since=since),
    )  # fmt: skip
    lines = []
    for row in sheet.rows:
        how = {"new": "new", "out": "taken out"}
        changed = [
            f"{line.text} ({how.get(line.change, f'was {line.was}')})" for line in row.settings if line.change != "same"
        ]
        if row.new:
            changed.append("new input")
        if changed or row.to_do:
            lines.append(f"{row.name}: {'; '.join([*changed, *([row.to_do] if row.to_do else [])])}")
    return lines


def _history_words(folder: Path) -> tuple[list[str], list[str]]:
    """What creeps, by the history at the terminal and by its page."""
    house, house_file = keeping.house_at(folder / "house.toml")
    store = keeping.history_at(None, house_file)
    try:
        weeks = keeping.weeks(store, house, source=None, phase="rehearsal")
    finally:
        store.close()
    console = Console(file=io.StringIO(), width=240, color_system=None)
    print_overview(weeks.by_source, console)
    rows = console.file.getvalue().splitlines()[1:]  # type: ignore[attr-defined]
    printed = [" ".join(row.split()) for row in rows if not row.rstrip().endswith(("nothing", "too few to tell"))]
    page = weeks_page(house.house.name, weeks.by_source)
    creeping = re.findall(r"<h2[^>]*>([^<]*)</h2>\s*<p>([^<]*)</p>", page)
    return printed, [f"{source}: {text}" for source, text in creeping]


def _count_drifts(count: YearCount, week: int, findings: list[tuple[str, Finding]]) -> None:
    """Drifts of a week against what was planted."""
    for source, finding in findings:
        planted = next((one for one in DRIFTS if source_today(one.source, week) == source), None)
        trend = str(finding.facts.get("trend", ""))
        if finding.kind != "drift" and not trend:
            if finding.severity != "note":
                count.raised[f"{source} {finding.kind}"] += 1
            continue
        text = finding.text
        if planted is None or week <= planted.after:
            count.false.append(f"week {week}, {source}: {text}")
            continue
        if finding.kind == "drift" and finding.severity != "note" or trend:
            count.named.setdefault(planted.source, []).append(week)
        pace = re.search(r"crept (up|down) by ([\d.]+) \S+ a week", text)
        if pace is not None and planted.number in finding.id:
            octave_hz = float(finding.id.rpartition("-")[2]) if planted.number == "tone" else None
            count.paces.append((float(pace[2]), abs(planted.pace_db(octave_hz))))


def year(seed: int, folder: Path) -> YearCount:
    """Run a year, week by week, in a folder of its own."""
    count = YearCount()
    trims_db: dict[str, float] = {}
    asked: Counter[str] = Counter()
    before: Path | None = None
    for week in range(1, WEEKS + 1):
        standing = folder / "house.toml"
        standing.write_text(house_text(week, trims_db=trims_db), "utf-8")
        recording = write_week(folder, week, seed=seed)
        checked = check(recording)
        words = WeekWords(week, check=_words_of_check(checked), sheet=_sheet_words(checked, standing, before))
        findings = [(source.name, finding) for source in checked.result.sources for finding in source.findings]
        _count_drifts(count, week, findings)
        for source in [name for name, finding in findings if finding.kind == "level-high" and finding.severity == "fix"]:
            asked[source] += 1
            if asked[source] > PATIENCE_WEEKS:
                trims_db[source] = trims_db.get(source, 0.0) + _level_move(checked, source)
                asked[source] = 0
        terms = keeping.KeepTerms(by="Mara")
        try:
            kept = keeping.keep(checked, recording, history=None, terms=terms)
        except FaultyShowError as error:
            words.kept = str(error)
            kept = keeping.keep(checked, recording, history=None, terms=keeping.KeepTerms(by="Mara", with_faults=True))
        keep_at(folder, kept.number, week)
        if week >= charts.LEAST_TAKES:
            words.history, words.page = _history_words(folder)
        before = folder / f"week-{evening(week)}.toml"
        before.write_text(standing.read_text("utf-8"), "utf-8")
        shutil.rmtree(recording)
        count.words.append(words)
        print(f"week {week} {checked.result.show.date or 'no date'}", *words.check, *words.page, *words.sheet, words.kept, sep="\n   ", flush=True)
    return count


def main(years: int = YEARS) -> None:
    """Run the years and write the page."""
    counts = []
    for seed in range(1, years + 1):
        with tempfile.TemporaryDirectory(prefix="deskhand-year-") as name:
            counts.append(year(seed, Path(name)))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else YEARS)
