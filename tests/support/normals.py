"""Seasons of clean and planted shows, kept and judged by houses that know some of them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.baseline.identity import mistaken, upside_down
from deskhand.baseline.keep import source_parts
from deskhand.baseline.model import readings_at
from deskhand.baseline.normal import TONE, baseline_of, judge_parts
from deskhand.findings.judgements import LEAST_NOTICEABLE, SHOW_BUDGET
from deskhand.house import ROLES
from deskhand.measure.readings import Readings
from deskhand.measure.sounds import Sound
from deskhand.store import TakeRow
from tests.support.season_data import CLEAN_SHOWS, PLANTED_SHOWS, shows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.baseline.normal import Baseline, Normal
    from deskhand.store import KeptPart

HOUSES: Final = 10

"""Houses for each number of kept shows: other kept shows each."""

JUDGED_CLEAN: Final = 25

JUDGED_PLANTED: Final = 40

SEED: Final = 20262


@dataclass(slots=True)
class Show:
    """A show as it is kept and judged."""

    parts: list[KeptPart]
    planted: dict[str, str]
    findings: dict[str, set[str]]
    """Source to kinds of the findings that need no reference."""


def show_of(result: dict[str, Any]) -> Show:
    parts: list[KeptPart] = []
    for source in result["sources"]:
        if source["before"] is None or source["before"]["level_dbfs"] is None:
            continue
        parts += source_parts(
            source["name"],
            role=source["role"],
            player=result["show"]["players"].get(source["name"]),
            tap="preamp",
            chain="as it is" if source["after"] else None,
            duration_s=result["show"]["duration_s"],
            before=Readings(**source["before"]),
            after=Readings(**source["after"]) if source["after"] else None,
            sounds=[Sound(**entry) for entry in source["sounds"]],
        )
    return Show(
        parts=parts,
        planted=dict(result["planted"]),
        findings={source["name"]: {entry["kind"] for entry in source["findings"]} for source in result["sources"]},
    )


def season(kind: str, *, clean: int = CLEAN_SHOWS, planted: int = PLANTED_SHOWS) -> tuple[list[Show], list[Show]]:
    """Clean shows, and shows with things wrong."""
    return (
        [show_of(result) for result in shows(kind, clean, planted=False)],
        [show_of(result) for result in shows(kind, planted, planted=True)],
    )


def house(kept: Sequence[Show]) -> Baseline:
    """What a house knows that kept these shows."""
    rows = []
    for week, show in enumerate(kept, 1):
        take = TakeRow(
            id=week, house="Tern Street Hall", show=f"week {week}", date=None, phase="rehearsal", duration_s=1.0, recording="",
            house_hash="", note="", kept_by="", kept_at=f"{week:04d}", forgotten_by=None, forgotten_at=None,
        )  # fmt: skip
        rows += [(take, replace(part, take=week)) for part in show.parts]
    return baseline_of(rows)


@dataclass(slots=True)
class Outcome:
    """What came of judging with a number of kept shows."""

    clean: list[list[tuple[float, str, str]]] = field(default_factory=list)
    """Clean shows: (probability times the number of tests, source, number) of all tests that could be noticed."""
    planted: dict[str, list[tuple[float, bool]]] = field(default_factory=lambda: defaultdict(list))
    """What was planted: (least probability times the number of tests, named as exchanged or moved) for each source."""
    pairs: dict[tuple[str, str], list[bool]] = field(default_factory=lambda: defaultdict(list))
    """Two exchanged sources that are kept: whether one of them, or both, were named as the other."""
    mistaken: list[str] = field(default_factory=list)
    """Clean inputs that were taken for another."""
    inputs: int = 0
    turned: list[bool] = field(default_factory=list)
    """Sides planted upside down: whether it was said, with the kept takes or without."""
    turned_clean: list[str] = field(default_factory=list)
    covered: dict[str, list[bool]] = field(default_factory=lambda: defaultdict(list))


def _tests(normals_by_source: dict[str, list[Normal]], roles: dict[str, str]) -> list[tuple[float, str, str]]:
    tests = [
        (normal, source)
        for source, several in normals_by_source.items()
        if ROLES[roles[source]].shaped
        for normal in several
    ]
    return [
        (normal.probability * len(tests) if normal.noticeable >= LEAST_NOTICEABLE else np.inf, source, normal.name)
        for normal, source in tests
    ]


def study(clean: Sequence[Show], planted: Sequence[Show], kept: int, *, houses: int = HOUSES) -> Outcome:
    """Houses that kept so many shows judge others."""
    rng = np.random.default_rng([SEED, kept])
    outcome = Outcome()
    for _ in range(houses):
        order = rng.permutation(len(clean))
        baseline = house([clean[number] for number in order[:kept]])
        for number in order[kept : kept + JUDGED_CLEAN]:
            parts = clean[number].parts
            roles = {part.source: part.role for part in parts}
            normals_by_source = judge_parts(baseline, parts)
            outcome.clean.append(_tests(normals_by_source, roles))
            for source, several in normals_by_source.items():
                for one in several:
                    if not ROLES[roles[source]].shaped:
                        continue
                    bands = one.bands_db.values() if one.bands_db else [(one.measured, 0, one.low, one.high)]
                    outcome.covered[one.name] += [low <= value_db <= high for value_db, _, low, high in bands]
            outcome.mistaken += [f"{one.source} for {one.like}" for one in mistaken(baseline, parts)]
            outcome.inputs += len(roles)
            outcome.turned_clean += list(upside_down(baseline, parts))
        for number in rng.permutation(len(planted))[:JUDGED_PLANTED]:
            one = planted[number]
            roles = {part.source: part.role for part in one.parts}
            tests = _tests(judge_parts(baseline, one.parts), roles)
            named = {item.source: item.like for item in mistaken(baseline, one.parts)}
            exchanged = tuple(sorted(source for source, fault in one.planted.items() if fault.startswith("exchanged")))
            turned = upside_down(baseline, one.parts)
            for source, fault in one.planted.items():
                if fault == "side upside down":
                    outcome.turned.append(source in turned or "polarity" in one.findings[source])
                least = min((value for value, where, _ in tests if where == source), default=np.inf)
                kind = "exchanged" if fault.startswith("exchanged") else fault
                if source in roles:
                    outcome.planted[kind].append((least, source in named))
            # of what played too little in all kept weeks nothing can be told
            kept_well = [len(readings_at(baseline, TONE, source, "tap").rows) > 0 for source in exchanged]
            if len(exchanged) == 2 and all(source in roles for source in exchanged) and all(kept_well):
                outcome.pairs[exchanged].append(any(named.get(source) in exchanged for source in exchanged))
    return outcome


def raised(tests: Sequence[tuple[float, str, str]], budget: float = SHOW_BUDGET) -> list[tuple[str, str]]:
    """What is raised of a show at a budget."""
    return [(source, name) for value, source, name in tests if value < budget]
