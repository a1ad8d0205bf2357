"""Drifts that `deskhand houses` tells: how often of houses in which nothing drifts, and how soon of an input that changes by 3 dB.

    python -m validations.houses [tune]      # DESKHAND_AUDIO names the folder of recordings with its manifest and split

Years are made up: months of numbers as the history keeps them; no sound is measured for them. How single evenings scatter is made
(normal), or drawn from recordings. With "tune" other seeds and the other half of the recordings, and no page.
"""

from __future__ import annotations

import csv
import os
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import soundfile

from deskhand.baseline.drift import LEAST_TAKES
from deskhand.baseline.houses import LOOKED_AT, WATCHED, drifts_of
from deskhand.store.across import Months
from tools.provenance import write_page

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Scatter = Callable[[np.random.Generator, int], Array]

TARGET: Final = Path(__file__).parent.parent / "docs" / "validation-houses.md"
SEED: Final = 41
MONTHS: Final = 36
TAKES_A_MONTH: Final = 4
CHANGE_DB: Final = 3.0
BEGIN: Final = 15
"""Month after which something changes."""
RAMP_MONTHS: Final = 6
SPREADS_DB: Final = {
    "side_tone_db.4000": 0.7,
    "balance_db": 0.7,
    "tone_db.4000": 1.5,
    "noise_dbfs": 1.5,
    "level_dbfs": 1.5,
}
"""Standard deviation of an evening: what the reference assumes before it knows a house (deskhand/baseline/spreads.py), rounded."""
INPUTS: Final = 16
HISTORIES: Final = 6
CHANGED: Final = "tone_db.4000"
"""Reading of one input that changes."""
PLAYER_DB: Final = 1.5
"""Standard deviation between two players who take turns."""
LEAST_OF_A_SOURCE: Final = 4
"""Recordings of a source from which on their scatter counts."""


def normal(rng: np.random.Generator, count: int) -> Array:
    """Normal scatter."""
    return rng.standard_normal(count)


def recorded(folder: Path, half: int) -> Scatter:
    """Scatter drawn from how the octave around 4 kHz differs among recordings of one kind and source, of unit variance."""
    with (folder / "split.csv").open(encoding="utf-8") as file:
        of_half = {row["source"] for row in csv.DictReader(file) if (row["half"] == "tune") == (half == 0)}
    levels: dict[tuple[str, str], list[float]] = defaultdict(list)
    with (folder / "manifest.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["source_repository"] in of_half:
                levels[row["source_repository"], row.get("kind", "")].append(_octave_share_db(folder / row["file"]))
    parts = [np.array(group) for group in levels.values() if len(group) >= LEAST_OF_A_SOURCE]
    # each about its own mean and in units of its own spread: the shape of the scatter, heavy tails and all
    residuals = np.concatenate([(part - part.mean()) / max(float(part.std()), 1e-9) for part in parts])
    return lambda rng, count: rng.choice(residuals, count)


def _octave_share_db(path: Path) -> float:
    samples, rate_hz = soundfile.read(path, dtype="float64", always_2d=True)
    power = np.abs(np.fft.rfft(samples.mean(axis=1))) ** 2
    frequency_hz = np.fft.rfftfreq(len(samples), 1.0 / rate_hz)
    octave = power[(frequency_hz > 2828.0) & (frequency_hz < 5657.0)].sum()
    return float(10.0 * np.log10(max(octave, 1e-12) / max(power.sum(), 1e-12)))


@dataclass(frozen=True, kw_only=True)
class Case:
    """Kind of made-up houses."""

    name: str
    scatter: Scatter
    houses: int
    players: int = 1
    drift: str = ""
    """"ramp", "step", or nothing."""


@dataclass(kw_only=True)
class Count:
    """Told of the histories of a case."""

    false: int = 0
    house_years: float = 0.0
    told_after: list[int] = field(default_factory=list)
    """Months from the begin of each planted drift to the look that tells it."""
    missed: int = 0


def _planted_db(case: Case, month: int) -> float:
    if not case.drift or month < BEGIN:
        return 0.0
    return CHANGE_DB if case.drift == "step" else CHANGE_DB * min(1.0, (month - BEGIN + 1) / RAMP_MONTHS)


def _month_means(case: Case, rng: np.random.Generator, players: Array) -> Array:
    """(readings, houses, inputs, months) means of what does not change."""
    shape = (*players.shape[:3], MONTHS)
    spreads = np.array(list(SPREADS_DB.values()))[:, None, None, None, None]
    evenings = spreads * case.scatter(rng, int(np.prod(shape)) * TAKES_A_MONTH).reshape(*shape, TAKES_A_MONTH)
    turns = rng.integers(0, case.players, (*shape, TAKES_A_MONTH))
    of_players = np.broadcast_to(players[..., None, :], (*shape, case.players))
    return (evenings + np.take_along_axis(of_players, turns, axis=-1)).mean(axis=-1)


def _widest(means: Array, months: int) -> list[Months]:
    """Inputs that `across.widest_months` would name, with the months so far."""
    spread = np.ptp(means[..., :months], axis=-1)
    inputs = sorted(np.ndindex(spread.shape), key=lambda place: -spread[place])[:LOOKED_AT]
    labels = tuple(f"{2023 + month // 12}-{month % 12 + 1:02}" for month in range(months))
    return [
        Months(
            house=f"house {house}", room="", desk="", source=f"source {source}", months=labels,
            means=tuple(means[house, source, :months].tolist()),
        )
        for house, source in inputs
    ]  # fmt: skip


def look_over(case: Case, rng: np.random.Generator, count: Count) -> None:
    """Look over the houses of a history at the end of each month."""
    shape = (len(SPREADS_DB), case.houses, INPUTS)
    players = rng.normal(0.0, PLAYER_DB, (*shape, case.players)) if case.players > 1 else np.zeros((*shape, 1))
    means = _month_means(case, rng, players) + rng.normal(-18.0, 3.0, shape)[..., None]
    changed = list(SPREADS_DB).index(CHANGED)
    means[changed, 0, 3] -= [_planted_db(case, month) for month in range(MONTHS)]
    planted, told_in = ("house 0", "source 3", WATCHED[CHANGED]), None
    told: set[tuple[str, str, str]] = set()
    for months in range(LEAST_TAKES, MONTHS + 1):
        found = drifts_of({metric: _widest(means[index], months) for index, metric in enumerate(SPREADS_DB)})
        drifts = {(each.house, each.source, each.reading) for each in found}
        if case.drift and months > BEGIN:
            told_in = months if planted in drifts and told_in is None else told_in
            drifts.discard(planted)
        count.false += len(drifts - told)
        told |= drifts
    count.house_years += case.houses * (MONTHS - LEAST_TAKES + 1) / 12.0
    if case.drift:
        count.missed += told_in is None
        count.told_after += [] if told_in is None else [told_in - BEGIN]


def counted(case: Case, half: int) -> Count:
    """Counts over the histories of a case, of the half to tune on (0) or to verify on (1)."""
    count = Count()
    for number in range(HISTORIES):
        look_over(case, np.random.default_rng([SEED, half, number, case.houses, case.players]), count)
    return count


def cases(audio: Path | None, half: int) -> list[Case]:
    """Kinds of made-up houses."""
    scatters: list[tuple[str, Scatter, int]] = [
        ("normal", normal, 1),
        ("normal, half as much again", lambda rng, count: 1.5 * normal(rng, count), 1),
        ("normal, two players in turn", normal, 2),
    ]
    if audio is not None:
        scatters.append(("drawn from recordings", recorded(audio, half), 1))
    return [
        Case(name=name, scatter=scatter, houses=houses, players=players, drift=drift)
        for name, scatter, players in scatters
        for houses, drift in ((1, ""), (10, ""), (1, "ramp"), (1, "step"))
    ]


def main() -> None:
    """Count, and write the page."""
    half = 0 if "tune" in sys.argv[1:] else 1
    audio = os.environ.get("DESKHAND_AUDIO")
    lines = [
        "| scatter of an evening | houses | what changes | told that are none, a year of all of them | told after, months |"
    ]
    lines.append("|---|---|---|---|---|")
    for case in cases(None if audio is None else Path(audio), half):
        count = counted(case, half)
        words = {
            "": "nothing",
            "ramp": f"{CHANGE_DB:g} dB in {RAMP_MONTHS} months",
            "step": f"{CHANGE_DB:g} dB at once",
        }
        years = count.house_years / case.houses
        lines.append(
            f"| {case.name} | {case.houses} | {words[case.drift]} | {count.false / years:.2f} ({count.false} in {years:.0f}) | "
            f"{_told_text(case, count)} |"
        )
        print(lines[-1], flush=True)
    if half:
        write_page(TARGET, _page("\n".join(lines)), __file__)


def _told_text(case: Case, count: Count) -> str:
    if not case.drift:
        return ""
    told = np.array(count.told_after)
    text = f"median {np.median(told):.0f}, most {told.max()}" if told.size else "never"
    return text + (f"; {count.missed} of {HISTORIES} not told" if count.missed else "")


def _page(table: str) -> str:
    return f"""\
# Validation: drifts over many houses

Made by `python -m validations.houses`. Made-up years: {MONTHS} months of {INPUTS} inputs a house, {TAKES_A_MONTH} kept evenings a month, written
where the history keeps months and looked over by `deskhand houses` at the end of each month from the {LEAST_TAKES}th on. One evening
scatters by 0.7 dB (balance, sides) or 1.5 dB (tone, level, noise), normally or as the octave around 4 kHz does among recordings of one
kind and source, of the half that nothing was tuned on; two players in turn differ by {PLAYER_DB:g} dB more. A drift is told once a history, when
it is first told; nothing told again is counted. {HISTORIES} histories a row; what changes is the tone of one input, after {BEGIN} months.

{table}
"""


if __name__ == "__main__":
    main()
