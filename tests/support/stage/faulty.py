"""Shows with several planted faults, each at another source, checked against twelve kept weeks."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from deskhand.house import ROLES
from tests.support.stage.advice import Carried, carried
from tests.support.stage.plants import EXCHANGED, EXCHANGED_ACCEPTED, PLANTS, Planted, Scene, plays
from tests.support.stage.score import seeded
from tests.support.stage.season import checked, clean_weeks, raised_in
from tests.support.stage.show import StageShow, clean_show

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    import numpy as np

    from tests.support.stage.library import Library
    from tests.support.stage.part import Part

FIRST_SEASON: Final = 1000
"""Seasons of the planted faults are others than those of the clean shows."""
SEASONS: Final = 6
FAULTS_A_SEASON: Final = 300
"""A short run has fewer seasons, since each begins with twelve weeks that are kept."""
KEPT: Final = 12
A_SHOW: Final = 5
"""Faults in one show, each at sources of its own."""
TIME_TOLERANCE_S: Final = 0.2
"""Two blocks of 100 ms."""
TWICE: Final = 2
"""Each show is used so often, with other faults."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultRow:
    """Outcome of one planted fault."""

    show: int
    kind: str
    strength: float
    source: str
    rig: str
    found: bool
    """Anything is raised at its source."""
    right_kind: bool
    right_time: bool
    """Each moment lies in a span of the right kind; True for what has no moments and is of the right kind."""
    severity: str = ""
    said: tuple[str, ...] = ()
    """Kinds raised at its source."""
    elsewhere: int = 0
    """Findings of its kind at sources where nothing is planted."""
    advice: Carried | None = None
    """Its advice as it was carried out; None where nothing is set at the desk for it."""

    def line(self) -> str:
        """Row as a line of JSON."""
        return json.dumps(asdict(self), ensure_ascii=False)


def fault_row_of(line: str) -> FaultRow:
    """Row out of a line of JSON."""
    values: dict[str, Any] = json.loads(line)
    advice = values.get("advice")
    return FaultRow(
        **values
        | {
            "said": tuple(values["said"]),
            "advice": advice and Carried(**{name: tuple(entry) for name, entry in advice.items()}),
        }
    )


def _exchanged(parts: dict[str, Part], free: list[str], rng: np.random.Generator) -> tuple[str, str] | None:
    """Two inputs of one track each and of unlike roles, which change cables."""
    single = [
        name for name in free if len(parts[name].tracks) == 1 and plays(parts[name]) and ROLES[parts[name].role].shaped
    ]
    rng.shuffle(single)
    for first in single:
        for second in single:
            if parts[first].role != parts[second].role and parts[first].rig != parts[second].rig:
                return first, second
    return None


def planted_show(show: StageShow, number: int, counts: Counter[str]) -> tuple[StageShow, list[Planted]]:
    """Show with faults of the kinds that were planted least so far."""
    rng = seeded("faults", show.season, show.week, number)
    scene = Scene(parts={part.name: part for part in show.parts}, rng=rng, nominal_dbfs=show.nominal_dbfs)
    parts, planted = dict(scene.parts), list[Planted]()
    free = [part.name for part in show.parts]
    kinds = [*(plant.kind for plant in PLANTS), EXCHANGED]
    order = sorted(rng.permutation(len(kinds)), key=lambda place: counts[kinds[place]])
    for place in order:
        if len(planted) == A_SHOW:
            break
        if kinds[place] == EXCHANGED:
            names = _exchanged(parts, free, rng)
            if names is not None:
                first, second = names
                parts[first], parts[second] = (
                    replace(parts[first], sound=parts[second].sound),
                    replace(parts[second], sound=parts[first].sound),
                )
                planted.append(Planted(kind=EXCHANGED, strength=1.0, sources=names))
                free = [name for name in free if name not in names]
            continue
        plant = PLANTS[place]
        fitting = [name for name in free if plant.fits(parts[name])]
        if not fitting or (plant.needs_click and "click" not in parts):
            continue
        name = str(rng.choice(fitting))
        strength = float(rng.choice(plant.strengths))
        outcome = plant.apply(scene, parts[name], strength)
        if outcome is None:
            continue
        parts[name], moments_s = outcome
        planted.append(Planted(kind=plant.kind, strength=strength, sources=(name,), at_s=moments_s))
        free.remove(name)
    return replace(show, parts=tuple(parts[part.name] for part in show.parts)), planted


def _rows(number: int, base: StageShow, show: StageShow, planted: list[Planted], folder: Path) -> list[FaultRow]:
    """Outcomes of the faults of one show, which was clean as `base`."""
    show_check = checked(show, folder, week=KEPT + 1)
    raised = raised_in(show, show_check)
    moves = {source.name: source.moves for source in show_check.result.sources}
    parts, unfaulted = ({part.name: part for part in of_show.parts} for of_show in (show, base))
    touched = {source for fault in planted for source in fault.sources}
    accepted_of = {plant.kind: plant.accepted for plant in PLANTS} | {EXCHANGED: EXCHANGED_ACCEPTED}
    rows = []
    for fault in planted:
        accepted = accepted_of[fault.kind]
        here = [finding for finding in raised if finding.source in fault.sources]
        right = [finding for finding in here if finding.kind in accepted]
        spans_s = [span for finding in right for span in finding.at_s]
        in_time = bool(right) and all(
            any(begin - TIME_TOLERANCE_S <= moment_s <= end + TIME_TOLERANCE_S for begin, end in spans_s)
            for moment_s in fault.at_s
        )
        rows.append(
            FaultRow(
                show=number, kind=fault.kind, strength=fault.strength, source=" and ".join(fault.sources),
                rig=show.rig_of(fault.sources[0]), found=bool(here), right_kind=bool(right), right_time=in_time,
                severity=right[0].severity if right else "", said=tuple(finding.kind for finding in here),
                elsewhere=sum(finding.kind in accepted and finding.source not in touched for finding in raised),
                advice=carried(
                    fault.kind, parts[fault.sources[0]], unfaulted[fault.sources[0]], moves.get(fault.sources[0], ()),
                    show.nominal_dbfs[fault.sources[0]],
                ),
            )
        )  # fmt: skip
    return rows


def fault_rows(library: Library, count: int, work: Path, rows_so_far: Iterable[FaultRow]) -> Iterator[list[FaultRow]]:
    """Rows of one show after the other, until `count` faults are planted; what was run before is not run again."""
    rows = list(rows_so_far)
    number = 1 + max((row.show for row in rows), default=-1)
    counts = Counter(row.kind for row in rows)
    base: StageShow | None = None
    seasons = min(SEASONS, -(-count // FAULTS_A_SEASON))
    while counts.total() < count:
        season = FIRST_SEASON + number // TWICE % seasons
        folder = work / f"faults-{library.half}-{season}"
        _keep_weeks(library, season, folder)
        week = KEPT + 1 + number // TWICE // seasons
        if base is None or (base.season, base.week) != (season, week):
            base = clean_show(library, season, week)
        show, planted = planted_show(base, number, counts)
        of_show = _rows(number, base, show, planted, folder)
        counts.update(row.kind for row in of_show)
        yield of_show
        number += 1


def _keep_weeks(library: Library, season: int, folder: Path) -> None:
    """Twelve clean weeks in a season's history, where they are not there yet."""
    mark = folder / "kept"
    done = int(mark.read_text("utf-8")) if mark.exists() else 0
    for row in clean_weeks(library, season, KEPT, folder, done=done):
        mark.write_text(str(row.week), "utf-8")
        print(f"season {season}: week {row.week} kept", flush=True)
