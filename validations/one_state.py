"""One state of a show behind the command's sheet, the page's sheet and the JSON of a check: counted over 50 shows.

Shows are of the invented venue, short, each with its own seed and with levels that the house wants elsewhere, so that there are moves.
`make test` does the same on a small hall (tests/web/test_one_state.py).

python -m validations.one_state [SHOWS]
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Final

import numpy as np
from click.testing import CliRunner

from deskhand.cli import main as command
from deskhand.demo.season import ShowPlan, make_show
from deskhand.demo.venue import house_text
from tests.support.one_state import differences
from tests.support.small_hall import Asker
from tools.provenance import write_page

SHOWS: Final = 50
LENGTH_S: Final = 18.0
"""Length of a show: two speeches and some bars of a song. The question is what is printed, not what is heard."""
STATES: Final = (
    "no file of its own",
    "this week's file, written by a check and changed by hand",
    "an earlier week's file",
    "this week's file and an earlier one",
    "moves ticked as done and declined",
)
FIRST_SEED: Final = 7001
DATE: Final = "2026-03-01"
EARLIER: Final = "2026-02-22"
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-one-state.md"


def shifted(text: str, rng: np.random.Generator) -> str:
    """House file in which four inputs are wanted 5 to 12 dB elsewhere."""
    lines = text.splitlines(keepends=True)
    # the first is the house's own
    levels = [index for index, line in enumerate(lines) if line.startswith("nominal = ")][1:]
    for index in rng.choice(levels, 4, replace=False):
        level_dbfs = float(lines[index].split('"')[1].split()[0])
        change_db = float(rng.choice([-1.0, 1.0]) * rng.integers(5, 13))
        lines[index] = f'nominal = "{level_dbfs + change_db:g} dBFS"\n'
    return "".join(lines)


def run(*arguments: object) -> None:
    """Run the command."""
    done = CliRunner().invoke(command, list(map(str, arguments)))
    assert done.exit_code in (0, 1), done.output


def prepare(hall: Path, show: Path, state: str) -> None:
    """Bring a hall into a state, as people do it."""
    house = (hall / "house.toml").read_text("utf-8")
    if "earlier" in state:
        earlier = house.replace('"-19 dB"', '"-17 dB"').replace('preamp = "20 dB"', 'preamp = "24 dB"')
        (hall / f"week-{EARLIER}.toml").write_text(earlier, "utf-8")
    week = hall / f"week-{DATE}.toml"
    if "this week" in state:
        run("check", show, "--no-report", "--write-week", week)
        text = week.read_text("utf-8").replace('gain = "-2 dB"', 'gain = "-3.5 dB"').replace("tall booms", "bar")
        week.write_text(text, "utf-8")
    if "ticked" in state:
        for answer, share in (("--declined", 0.25), ("", 0.5)):
            # what was answered before changes what is asked for
            run("check", show, "--no-report", "--json", hall / "moves.json")
            run("done", show, "--by", "Mara", *filter(None, (answer,)), *_some_moves(hall / "moves.json", share))


def _some_moves(result: Path, share: float) -> list[str]:
    """Options that name the first moves of a result, at least one."""
    moves = [move["id"] for source in json.loads(result.read_text("utf-8"))["sources"] for move in source["moves"]]
    return [option for name in moves[: max(1, round(share * len(moves)))] for option in ("--move", name)]


def look(seed: int, state: str) -> tuple[list[str], int, int]:
    """Differences in one show; how many inputs and how many moves were compared."""
    with tempfile.TemporaryDirectory() as name:
        hall = Path(name) / "hall"
        show = hall / f"show-{DATE}"
        hall.mkdir()
        (hall / "house.toml").write_text(shifted(house_text(), np.random.default_rng(seed)), "utf-8")
        make_show(show, ShowPlan(name=show.name, date=DATE, seed=seed, length_s=LENGTH_S))
        prepare(hall, show, state)
        scratch = Path(name) / "scratch"
        scratch.mkdir()
        with Asker(hall) as asker:
            found = differences(asker, show, scratch)
            stored = asker.hall.check_of(next(iter(asker.hall.recordings())))
            assert stored is not None
            sources = stored.result.sources
        return found, len(sources), sum(len(source.moves) + len(source.earlier_moves) for source in sources)


def main(shows: int = SHOWS) -> None:
    """Compare, and write the table."""
    counts: dict[str, Counter[str]] = {state: Counter() for state in STATES}
    failures = []
    for index in range(shows):
        state = STATES[index % len(STATES)]
        found, inputs, moves = look(FIRST_SEED + index, state)
        counts[state] += Counter(shows=1, inputs=inputs, moves=moves, different=bool(found))
        failures += [f"seed {FIRST_SEED + index}, {state}: {difference}" for difference in found]
        print(f"{index + 1}: {state}: {found or 'one state'} ({moves} moves)", flush=True)
    rows = [
        f"| {state} | {count['shows']} | {count['inputs']} | {count['moves']} | {count['different']} |"
        for state, count in counts.items()
    ]
    text = f"""\
# Validation: one state behind all doors

Made by `python -m validations.one_state`. {shows} shows of the invented venue, {LENGTH_S:g} s each, seeds {FIRST_SEED} to
{FIRST_SEED + shows - 1}; in each, four inputs are wanted 5 to 12 dB elsewhere, so that there are moves.

Of each show at one moment: `deskhand check --json`, `deskhand sheet` (PDF and table) and the page's check and sheet.
Compared: PDF and table of the command and the page, to the byte; the JSON of the command and what the page holds (show,
status, findings, moves, what was ticked); and every input of the table, field by field, with the house file that the JSON
names, read by the standard library's TOML reader, the JSON's moves put into it by a few lines of the test's own.
Different: any field of any input was.

| the show has | shows | inputs | moves, open and ticked | different |
|---|---|---|---|---|
{chr(10).join(rows)}

{chr(10).join(f"- {failure}" for failure in failures) or "No field differed."}

Not compared: what is printed where settings were saved on the page after its check; there the page says so, and a new check
is what the command makes anyway.
"""
    write_page(TARGET, text, __file__)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else SHOWS)
