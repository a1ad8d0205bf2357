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
from deskhand.baseline.numbers import third_octaves_db
from deskhand.baseline.predict import Prior
from deskhand.measure.passages import OCTAVES_HZ
from deskhand.report.weeks import print_overview, weeks_page
from deskhand.tasks import keep as keeping
from deskhand.tasks.check import check
from deskhand.tasks.keep_terms import FaultyShowError
from deskhand.tasks.sheet import SheetOptions, show_sheet
from tests.support.year import (
    DATE_IN_THE_FOLDER,
    DRIFTS,
    NEW_CHAIN,
    NEW_TAP,
    NO_DATE,
    OVER_MIDNIGHT,
    RENAMED_HOUSE,
    RENAMED_SOURCE,
    WEEKS,
    evening,
    house_text,
    keep_at,
    source_today,
    write_week,
)
from tools.provenance import write_page

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from deskhand.findings import Finding
    from deskhand.tasks.check import ShowCheck

YEARS: Final = 3
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-year.md"
PATIENCE_WEEKS: Final = 2
"""Weeks that somebody lets a level stand before it is turned down as the check says."""
COURSES: Final = 300
CHARTS: Final = 200
"""Charts of a house of a dozen sources."""
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
    first_octaves_db: NDArray[np.float64] | None = None
    """(31,) third-octave levels of the source whose tone drifts, the mean of the weeks that say where it was."""
    octave: int = -1
    """Place of the octave whose pace is told."""
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
        lines += [
            f"{name}: weeks set aside, kept with another chain: {count}" for name, count in reference.set_aside.items()
        ]
        lines += [
            f"{name}: weeks set aside, kept at another tap: {count}" for name, count in reference.other_tap.items()
        ]
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
    console = Console(file=io.StringIO(), width=2000, color_system=None)
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
        if trend or (finding.kind == "drift" and finding.severity != "note"):
            count.named.setdefault(planted.source, []).append(week)
        pace = re.search(r"crept (up|down) by ([\d.]+) \S+ a week", text)
        if pace is not None and planted.number in finding.id:
            true = planted.pace_db()
            if planted.number == "tone" and count.first_octaves_db is not None:
                octave = finding.id.rpartition("-")[2]
                if octave not in map(str, OCTAVES_HZ):
                    continue  # the slope is in decibels per octave
                count.octave = OCTAVES_HZ.index(int(octave))
                true = planted.pace_db(count.first_octaves_db, count.octave)
            count.paces.append((float(pace[2]), abs(true)))


def year(seed: int, folder: Path) -> YearCount:
    """Run a year, week by week, in a folder of its own."""
    count = YearCount()
    trims_db: dict[str, float] = {}
    asked: Counter[str] = Counter()
    before: Path | None = None
    first_tones: list[NDArray[np.float64]] = []
    tone_source = next(one.source for one in DRIFTS if one.number == "tone")
    for week in range(1, WEEKS + 1):
        standing = folder / "house.toml"
        standing.write_text(house_text(week, trims_db=trims_db), "utf-8")
        recording = write_week(folder, week, seed=seed)
        checked = check(recording)
        words = WeekWords(week, check=_words_of_check(checked), sheet=_sheet_words(checked, standing, before))
        findings = [(source.name, finding) for source in checked.result.sources for finding in source.findings]
        if week <= charts.BASELINE:
            first_tones += [
                levels_db
                for part in checked.parts
                if (part.source, part.stage) == (tone_source, "tap")
                and (levels_db := third_octaves_db(part.values)) is not None
            ]
            count.first_octaves_db = np.mean(first_tones, axis=0)
        _count_drifts(count, week, findings)
        for source in [
            name for name, finding in findings if finding.kind == "level-high" and finding.severity == "fix"
        ]:
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
        print(
            f"week {week} {checked.result.show.date or 'no date'}",
            *words.check,
            *words.page,
            *words.sheet,
            words.kept,
            sep="\n   ",
            flush=True,
        )
    return count


@dataclass(slots=True)
class CourseCount:
    """Count of made courses of one number each: level, then a steady change over some weeks, then level again."""

    courses: int = 0
    named_in_time: int = 0
    """Named within eight weeks of leaving 2 dB around the first weeks."""
    named_before: int = 0
    whole_right: list[bool] = field(default_factory=list)
    """Every week it is named: the whole change is right within a fifth, or 1 dB."""
    in_range: list[bool] = field(default_factory=list)
    pace_right: list[bool] = field(default_factory=list)
    first_right: list[bool] = field(default_factory=list)
    first_after: list[int] = field(default_factory=list)
    """Weeks from being named to the first pace that is told."""


def courses(count: int = COURSES) -> CourseCount:
    """Made courses, looked at every second week."""
    rng = np.random.default_rng(6)
    prior = Prior(covariance=np.array([[1.0]]), strength=4.0, player_ratio=1.0)
    limit = charts.limit_for(CHARTS)
    counted = CourseCount()
    while counted.courses < count:
        spread_db = float(rng.uniform(0.5, 1.2))
        a_week_db = float(rng.choice([0.2, 0.3, 0.4, 0.5, 0.7, 1.0]) * rng.choice([-1, 1]))
        after, length = int(rng.integers(6, 24)), int(rng.integers(10, 26))
        if abs(a_week_db * length) < 3.0:
            continue
        counted.courses += 1
        true_db = a_week_db * np.clip(np.arange(60) - after, 0, length)
        values = true_db + spread_db * rng.standard_normal(60)
        leaves = int(np.argmax(np.abs(true_db) > 2.0))
        named: int | None = None
        has_pace = False
        for weeks in range(max(charts.LEAST_TAKES, after), 61, 2):
            looked_at = values[:weeks]
            chart = charts.chart(looked_at, charts.spread_of(looked_at, prior), limit, np.arange(float(weeks)))
            if chart is None or not chart.drifted:
                continue
            if named is None:
                named = weeks - 1
            whole_db = chart.line[1] - chart.line[0]
            counted.whole_right.append(abs(whole_db - true_db[weeks - 1]) <= max(1.0, NEAR * abs(true_db[weeks - 1])))
            if chart.pace is not None:
                counted.in_range.append(chart.pace[0] <= a_week_db <= chart.pace[1])
            if chart.knows_pace:
                right = abs(whole_db / chart.weeks / a_week_db - 1.0) <= NEAR
                counted.pace_right.append(right)
                if not has_pace:
                    counted.first_right.append(right)
                    counted.first_after.append(weeks - 1 - named)
                has_pace = True
        counted.named_in_time += named is not None and named - leaves <= 8
        counted.named_before += named is not None and named < leaves
    return counted


def _share(values: list[bool]) -> str:
    """Share of what is right, with how many there are."""
    return f"{100 * sum(values) / len(values):.0f} % of {len(values)}" if values else "none"


def _happens() -> dict[int, str]:
    """Week to what happens in it."""
    events = {
        DATE_IN_THE_FOLDER: "no note: the date is in the folder's name", NO_DATE: "no note, and no date anywhere",
        RENAMED_SOURCE: "the bass is called bass DI", NEW_CHAIN: "the piano has another equaliser",
        RENAMED_HOUSE: "the house is called Tern Street", NEW_TAP: "voice 2 is recorded after its gain",
        OVER_MIDNIGHT: "recorded over midnight, no note",
    }  # fmt: skip
    for planted in DRIFTS:
        words = {"level": "gets louder", "tone": "loses its top", "noise": "gets noisier"}[planted.number]
        events[planted.after + 1] = f"the {planted.source} {words}, {abs(planted.a_week_db):g} dB a week"
        events[planted.until + 1] = f"the {planted.source} stays as it is now"
    return events


def _new_lines(words: WeekWords, before: WeekWords | None) -> list[tuple[str, str]]:
    """What is said this week and was not last week, numbers aside: where, and the words."""

    def pattern(line: str) -> str:
        return re.sub(
            r"[\d.,−]+|January|February|March|April|May|June|July|August|September|October|November|December", "#", line
        )

    lines = []
    for where in ("check", "history", "page", "sheet"):
        said_before = {pattern(line) for line in getattr(before, where)} if before is not None else set()
        lines += [(where, line) for line in getattr(words, where) if pattern(line) not in said_before]
    # the page of the weeks says what the history says at the terminal
    lines = [(where, line) for where, line in lines if where != "page" or ("history", line) not in lines]
    return lines + ([("keep", words.kept)] if words.kept and (before is None or not before.kept) else [])


def _named_rows(count: YearCount) -> list[str]:
    """Rows of the planted drifts of a year."""
    rows = []
    for planted in DRIFTS:
        is_tone = planted.number == "tone"
        leaves = planted.leaves(count.first_octaves_db if is_tone else None, count.octave)
        named = count.named.get(planted.source, [])
        after = "" if leaves is None or not named else f" ({named[0] - leaves:+d})"
        told = f"{named[0]}{after}" if named else "never"
        rows.append(f"| {planted.source}, {planted.number} | {planted.after + 1} | {leaves} | {told} | {len(named)} |")
    return rows


def page_text(counts: list[YearCount], made: CourseCount) -> str:
    """Page of the study, its lines not yet wrapped."""
    lines = [
        "# Validation: a made year",
        "",
        f"Made by `python -m validations.year` (`tests/support/year.py`): {WEEKS} Sundays of a house of seven sources, each with another song, key and tempo by the",
        "demo's band, recorded, checked, kept, its sheet made. The guitar gets louder by 0.4 dB a week, the acoustic guitar loses its top (a shelf at 2 kHz, half a",
        "decibel a week), the bass gets noisier by 1 dB a week; each stops after some months. A level that is to be mended stands for two weeks and is then",
        "trimmed as the check says. The truth is arithmetic: gains, a filter, noise.",
        "",
        "## Counts",
        "",
    ]
    for number, count in enumerate(counts, 1):
        lines += [
            f"Year {number}:",
            "",
            "| planted | begins in week | leaves 2 dB around the first weeks in | named in (weeks after that) | weeks in which it is named |",
            "|---|---|---|---|---|",
            *_named_rows(count),
            "",
        ]
    paces = [abs(told / true - 1.0) <= NEAR for count in counts for told, true in count.paces]
    false = [
        line
        for count in counts
        for line in dict.fromkeys(re.sub(r"week \d+, ", "", line).split(" has ")[0] for line in count.false)
    ]
    raised = sum((count.raised for count in counts), Counter())
    lines += [
        f"Paces that are told, within a fifth of the true one: {_share(paces)}.",
        "",
        f"Drifts that were not planted: {len(false)} in {len(counts)} years"
        + (f" ({'; '.join(false)})." if false else "."),
        "",
        "Raised beside drifts, all years (weeks): "
        + (", ".join(f"{name} {weeks}" for name, weeks in raised.most_common()) or "nothing")
        + ".",
        "",
        "## Numbers alone",
        "",
        f"{made.courses} made courses of a number that is level, goes away by 0.2 to 1 dB a week for 10 to 25 weeks and stays there, beside 0.5 to 1.2 dB of chance from week to",
        f"week, among {CHARTS} charts; looked at every second week.",
        "",
        "| | |",
        "|---|---|",
        f"| named within 8 weeks of leaving 2 dB around the first weeks | {made.named_in_time} of {made.courses} ({made.named_before} before it left) |",
        f"| the whole change that is told: right within a fifth, or 1 dB | {_share(made.whole_right)} |",
        f"| least and most a week hold the true one | {_share(made.in_range)} |",
        f"| a pace that is told as one number: right within a fifth | {_share(made.pace_right)} |",
        f"| the first one that is told of a course | {_share(made.first_right)}, {np.median(made.first_after):.0f} weeks after it is named |",
        "",
        "## Week by week",
        "",
        "The first year; of each week what was not said the week before, numbers and months aside. *history* is the overview at the terminal and the page of the weeks, which",
        "say the same; *keep* is what it says of a show with something to fix.",
        "",
        "| week | happens | says |",
        "|---|---|---|",
    ]
    happens, before = _happens(), None
    for words in counts[0].words:
        said = "<br>".join(f"*{where}* {line}" for where, line in _new_lines(words, before))
        if said or words.week in happens:
            lines.append(
                f"| {words.week}, {evening(words.week)} | {happens.get(words.week, '')} | {said.replace('|', '/')} |"
            )
        before = words
    return "\n".join([*lines, ""])


def main(years: int = YEARS) -> None:
    """Run the years and write the page."""
    counts = []
    for seed in range(1, years + 1):
        with tempfile.TemporaryDirectory(prefix="deskhand-year-") as name:
            counts.append(year(seed, Path(name)))
    write_page(TARGET, page_text(counts, courses()), __file__)
    print(TARGET)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else YEARS)
