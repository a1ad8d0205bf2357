"""Clean weekly shows of rigs from real notes: what the check raises that is not there, and planted faults that it misses.

python -m validations.clean_stage --audio FOLDER --half tune --clean 40 --faults 0 --work FOLDER
python -m validations.clean_stage --audio FOLDER --half tune --again 2:7        # what is said of one show, as often as you like

The recordings are no part of the project (`tests/support/stage/library.py`). What was run is appended to files in the work
folder, a line a show, so that the study can be stopped and goes on where it was; the page is written anew from all lines.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final, get_args

from deskhand.files import write_atomically
from tests.support.stage.faulty import FaultRow, fault_row_of, fault_rows
from tests.support.stage.library import VARIABLE, Half, folder_given, open_library
from tests.support.stage.report import false_list, page_text
from tests.support.stage.season import ShowRow, checked, clean_weeks, drift_judged_again, row_of, write_show
from tests.support.stage.show import clean_show
from tools.provenance import write_page

if TYPE_CHECKING:
    from tests.support.stage.library import Library

CLEAN: Final = 400
FAULTS: Final = 2000
WEEKS: Final = 20
"""Weeks of a season: from the first, with nothing kept, to the twentieth, with nineteen."""
WORK: Final = Path(tempfile.gettempdir()) / "deskhand-clean-stage"
FORGETFUL: Final = 5
"""Each fifth season keeps no week."""
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-clean-stage.md"


def stored_clean(work: Path, half: Half) -> list[ShowRow]:
    """Rows of clean shows that were run before."""
    file = work / f"clean-{half}.jsonl"
    return [row_of(line) for line in file.read_text("utf-8").splitlines()] if file.exists() else []


def stored_faults(work: Path, half: Half) -> list[FaultRow]:
    """Rows of planted faults that were run before."""
    file = work / f"faults-{half}.jsonl"
    return [fault_row_of(line) for line in file.read_text("utf-8").splitlines()] if file.exists() else []


def clean_rows(library: Library, count: int, weeks: int, work: Path) -> list[ShowRow]:
    """Rows of all clean shows, those of earlier runs and those that are still to be made."""
    file = work / f"clean-{library.half}.jsonl"
    rows = stored_clean(work, library.half)
    for season in range(-(-count // weeks)):
        done = sum(row.season == season for row in rows)
        folder = work / f"clean-{library.half}-{season}"
        wanted = min(weeks, count - season * weeks)
        for row in clean_weeks(library, season, wanted, folder, done=done, keeps=season % FORGETFUL != FORGETFUL - 1):
            with file.open("a", encoding="utf-8") as lines:
                lines.write(row.line() + "\n")
            rows.append(row)
            print(
                f"season {row.season} week {row.week} ({len(rows)} of {count}), {row.kept} kept, {row.made_s:.1f} + "
                f"{row.checked_s:.1f} s: {'; '.join(f'{one.severity} {one.source} {one.kind}' for one in row.raised) or '-'}"
                f"{' AUDIT ' + ', '.join(row.notes) if row.notes else ''}",
                flush=True,
            )
    return rows


def judge_drift_again(library: Library, weeks: int, work: Path) -> None:
    """Put the drifts that today's rules find in the kept weeks in place of those in the stored rows of clean shows."""
    file = work / f"clean-{library.half}.jsonl"
    rows = stored_clean(work, library.half)
    judged: list[ShowRow] = []
    for season in sorted({row.season for row in rows}):
        rigs = {part.name: part.rig for part in clean_show(library, season, 1).parts}
        of_season = [row for row in rows if row.season == season and row.week <= weeks]
        judged += drift_judged_again(of_season, season, work / f"clean-{library.half}-{season}", rigs)
    write_atomically(file, "".join(row.line() + "\n" for row in judged).encode())


def planted_rows(library: Library, count: int, work: Path) -> list[FaultRow]:
    """Rows of all planted faults, those of earlier runs and those that are still to be made."""
    file = work / f"faults-{library.half}.jsonl"
    rows = stored_faults(work, library.half)
    for of_show in fault_rows(library, count, work, tuple(rows)):
        with file.open("a", encoding="utf-8") as lines:
            lines.write("".join(row.line() + "\n" for row in of_show))
        rows += of_show
        told = "; ".join(
            f"{row.kind} {row.strength:g} {row.source}: {'yes' if row.right_time else 'kind' if row.right_kind else 'no'}"
            for row in of_show
        )
        print(f"{len(rows)} of {count}: {told}", flush=True)
    return rows


def again(library: Library, season: int, week: int, *, kept: bool, recording: Path | None) -> None:
    """Print what is said of one clean show, notes too; with the weeks before it kept, or without any."""
    show = clean_show(library, season, week)
    if recording is not None:
        write_show(show, recording)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if kept:
            for row in clean_weeks(library, season, week - 1, folder):
                print(f"week {row.week} kept", flush=True)
        for source in checked(show, folder).result.sources:
            for finding in source.findings:
                print(
                    f"{finding.severity:6} {source.name} ({show.rig_of(source.name)}) {finding.kind}: {finding.text} {finding.at_s or ''}"
                )
    print("audit:", "; ".join(show.notes) or "clean")


def _options(words: list[str]) -> argparse.Namespace:
    """Options of the study as they are typed."""
    parser = argparse.ArgumentParser(description="Clean weekly shows of rigs, and planted faults.")
    parser.add_argument("--audio", type=Path, help=f"folder of the recordings, else ${VARIABLE}")
    parser.add_argument("--half", choices=get_args(Half), default="tune")
    parser.add_argument("--clean", type=int, default=CLEAN, help="clean shows")
    parser.add_argument("--faults", type=int, default=FAULTS, help="planted faults")
    parser.add_argument("--weeks", type=int, default=WEEKS, help="weeks of a season")
    parser.add_argument("--work", type=Path, default=WORK, help="folder for what was run so far")
    parser.add_argument("--false-list", type=Path, help="write every false finding with how to make it again")
    parser.add_argument("--page", type=Path, default=TARGET, help="page that is written from all that was run")
    parser.add_argument(
        "--verify-runs", type=int, default=0, help="how often the half to verify was run so far, for the page"
    )
    parser.add_argument(
        "--drift-again",
        action="store_true",
        help="judge the drifts of the clean shows again from what their seasons keep",
    )
    parser.add_argument("--remark", default="", help="sentence that the page says of this run")
    parser.add_argument("--again", metavar="SEASON:WEEK", help="only one clean show, and all that is said of it")
    parser.add_argument("--kept", action="store_true", help="with --again: keep the weeks before it first")
    parser.add_argument("--write", type=Path, help="with --again: write the recording, its house file and note there")
    return parser.parse_args(words)


def main(words: list[str] | None = None) -> None:
    """Run what is still to be run of one half, and write the page."""
    options = _options(words or [])
    folder = folder_given(options.audio)
    if folder is None:
        print(f"clean_stage: no folder of recordings; name it with --audio or ${VARIABLE}. Nothing was run.")
        return
    library = open_library(folder, options.half)
    if options.again:
        season, week = map(int, options.again.split(":"))
        again(library, season, week, kept=options.kept, recording=options.write)
        return
    options.work.mkdir(parents=True, exist_ok=True)
    if options.drift_again:
        judge_drift_again(library, options.weeks, options.work)
    rows = clean_rows(library, options.clean, options.weeks, options.work)
    if options.false_list:
        options.false_list.write_text(false_list(rows, options.half, options.weeks), "utf-8")
    planted_rows(library, options.faults, options.work)
    halves = {half: (stored_clean(options.work, half), stored_faults(options.work, half)) for half in get_args(Half)}
    write_page(options.page, page_text(halves, verify_runs=options.verify_runs, remark=options.remark), __file__)
    print(options.page)


if __name__ == "__main__":
    main(sys.argv[1:])
