"""Clipping: takes that are 3 to 35 dB too hot, the number that is said, and the second take once it is carried out.

Made voices, strings and hits; with a folder of single files beside `manifest.csv` and `split.csv`, named as an argument or in the
environment variable `DESKHAND_AUDIO`, real ones as well. Each take is brought to a highest peak above full scale and clipped there with numpy;
then the preamp is turned until its peaks read what the sentence says, and what the moves save is done: what is left to turn?
"""

from __future__ import annotations

import csv
import os
import sys
import textwrap
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile

from tests.support.advice import Check, house_text
from tests.support.signals import RATE_HZ, hits, plucks, speech_like
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FOLDER: Final = "DESKHAND_AUDIO"
HALVES: Final = ("tune", "verify")
VERIFY_RUNS: Final = "once"
"""How often the verify half was run; to be put right with each run that a limit follows from."""
TOO_HOT_DB: Final = (3.0, 6.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0)
LENGTH_S: Final = 16.0
FILES_OF_A_ROLE: Final = 2
SEED: Final = 4711
TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-clipping.md"
ROLES_HEARD: Final = ("lead vocal", "backing vocal", "speech", "guitar", "acoustic guitar", "bass", "keys")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One take that is too hot."""

    group: str
    too_hot_db: float
    at_least_db: float | None
    """By how much it is said to be cut at least; None where clipping is not said."""
    steps: int
    """Moves on the card."""
    numbers: int
    """Different amounts for the preamp."""
    left: int
    """Moves that the second take asks for."""
    clipped_again: bool
    """Whether the second take is clipped or near it."""


def case(group: str, role: str, sound: Array, too_hot_db: float) -> Case:
    """Make a take too hot, do what is said, and look again."""
    wave = sound / np.abs(sound).max()
    text = house_text(role)
    take = Check(np.clip(wave * 10 ** (too_hot_db / 20), -1.0, 1.0), text)
    clipped = [finding for finding in take.findings if finding.kind == "clipped" and finding.change_db is not None]
    preamps = {
        finding.change_db for finding in take.findings if finding.facts.get("turned") == "gain" or finding in clipped
    }
    preamps |= {move.settings["gain"].after for move in take.plan.moves if move.block == "gain"}
    peak_dbfs = float(clipped[0].facts["peak_dbfs"]) if clipped else -6.0  # type: ignore[arg-type]
    second = Check(wave * 10 ** (peak_dbfs / 20), take.week(text))
    return Case(
        group=group,
        too_hot_db=too_hot_db,
        at_least_db=float(clipped[0].facts["over_db"]) if clipped else None,  # type: ignore[arg-type]
        steps=sum(move.block is not None for move in take.plan.moves),
        numbers=len(preamps),
        left=len(second.plan.moves),
        clipped_again=any(finding.kind in ("clipped", "headroom") for finding in second.findings),
    )


def synthetic() -> Iterator[Case]:
    """Takes of made sources."""
    rng = np.random.default_rng(SEED)
    made = {
        "lead vocal": speech_like(rng, LENGTH_S, -20.0),
        "bass": plucks(rng, LENGTH_S, level_dbfs=-20.0),
        "percussion": hits(rng, LENGTH_S),
    }
    for role, sound in made.items():
        for too_hot_db in TOO_HOT_DB:
            yield case("made", role, sound, too_hot_db)


def recordings(folder: Path) -> Iterator[Case]:
    """Takes of real sources, a few of each role and half."""
    with (folder / "split.csv").open(encoding="utf-8", newline="") as file:
        half_of = {row["source"]: row["half"] for row in csv.DictReader(file)}
    chosen: dict[tuple[str, str], list[str]] = defaultdict(list)
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            half = half_of.get(row["source_repository"], "")
            files = chosen[half, row["role"]]
            whole = row["sample_rate_hz"] in ("44100", "48000") and float(row["seconds"]) > 2.0
            if half in HALVES and row["role"] in ROLES_HEARD and whole and len(files) < FILES_OF_A_ROLE:
                files.append(row["file"])
    for (half, role), names in sorted(chosen.items()):
        for number, name in enumerate(names):
            samples, _ = soundfile.read(folder / name, always_2d=True)
            # again and again, as one who goes on playing
            sound = np.tile(samples[:, 0], -(-round(LENGTH_S * RATE_HZ) // len(samples)))[: round(LENGTH_S * RATE_HZ)]
            for too_hot_db in TOO_HOT_DB[number % 2 :: 2]:
                yield case(half, role, sound, too_hot_db)


def page(cases: list[Case]) -> list[str]:
    """Lines of the page."""
    lines = [
        "# How much too hot a clipped input is",
        "",
        "Each take is brought to a highest peak 3 to 35 dB above full scale and clipped there. deskhand tells how far its peaks",
        "went over at least, from how the waves run into the cut. Then the preamp is turned until peaks read what the sentence",
        "says, the further moves are made, and the next take is judged. Written by `validations/clipping.py`; real sources: a",
        f"folder named in `{FOLDER}`, of whose halves only tune was looked into (verify run: {VERIFY_RUNS}).",
        "",
        "| sources | too hot by | takes | clipping said | at least (median) | above the truth | two numbers for the preamp | clipped again | moves left, at most |",
        "|---|---|---|---|---|---|---|---|---|",
    ]  # fmt: skip
    for group in ("made", *HALVES):
        for too_hot_db in TOO_HOT_DB:
            row = [entry for entry in cases if entry.group == group and entry.too_hot_db == too_hot_db]
            if not row:
                continue
            told = [entry.at_least_db for entry in row if entry.at_least_db is not None]
            median = f"{np.median(told):.0f} dB" if told else ""
            over = sum(at_least > too_hot_db + 0.5 for at_least in told)
            lines.append(
                f"| {group} | {too_hot_db:.0f} dB | {len(row)} | {len(told)} | {median} | {over} | {sum(entry.numbers > 1 for entry in row)} "
                f"| {sum(entry.clipped_again for entry in row)} | {max(entry.left for entry in row)} |"
            )
    told_all = [entry for entry in cases if entry.at_least_db is not None]
    over_all = sum(entry.at_least_db > entry.too_hot_db + 0.5 for entry in told_all if entry.at_least_db is not None)
    lines += [
        "",
        textwrap.fill(f"In all: {len(cases)} takes, clipping said of {len(told_all)}; the number was above the truth by more than 0.5 dB in {over_all}; "
        f"one number for the preamp in {sum(entry.numbers <= 1 for entry in cases)}; after it, {sum(entry.left == 0 for entry in cases)} asked for no move, "
        f"{sum(entry.left == 1 for entry in cases)} for one, {sum(entry.left > 1 for entry in cases)} for more.", 120),
        "",
        "Far above 20 dB the slope beside the cut is cut as well, and the number stays",
        "where it is: turn until the peaks read what they should.",
        "",
    ]  # fmt: skip
    return lines


def main() -> None:
    """Run the study and write its page."""
    cases = list(synthetic())
    folder = sys.argv[1] if len(sys.argv) > 1 else os.environ.get(FOLDER)
    if folder:
        cases += recordings(Path(folder))
    lines = page(cases)
    print("\n".join(lines))
    # without the real sources the page would lose half of its rows
    if folder or not TARGET.exists():
        write_page(TARGET, "\n".join(lines), __file__)


if __name__ == "__main__":
    main()
