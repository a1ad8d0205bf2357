"""Seasons that are checked week by week against the weeks kept so far, as `deskhand check` and `deskhand keep` do it."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import soundfile

from deskhand.baseline.kept import KeptTakes, against, drifts, load
from deskhand.errors import UsageError
from deskhand.findings import KINDS, judge_drifts, say
from deskhand.findings.causes import drift_number
from deskhand.house import ROLES
from deskhand.recording.held import held_recording
from deskhand.store import history_url
from deskhand.tasks.check import CheckOptions, check
from deskhand.tasks.keep import KeepTerms, keep_result
from tests.support.stage.effects import RATE_HZ
from tests.support.stage.show import HOUSE_NAME, StageShow, clean_show, house_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from deskhand.findings import Finding
    from deskhand.tasks.check import ShowCheck
    from tests.support.stage.library import Library

FIRST_WEEK: Final = date(2026, 1, 4)
KEPT_KINDS: Final = frozenset({"wrong-patch", "swapped", "drift"})
"""Faults that are told only by kept weeks, beside the judgements."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Raised:
    """Finding that asks somebody to do or hear something."""

    source: str
    rig: str
    kind: str
    severity: str
    text: str
    is_fault: bool
    """True for a fault that needs no kept week."""
    at_s: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowRow:
    """Outcome of one clean show."""

    season: int
    week: int
    kept: int
    inputs: int
    raised: tuple[Raised, ...] = ()
    notes: tuple[str, ...] = ()
    """Complaints of the audit: a show that has any is not counted as clean."""
    made_s: float = 0.0
    checked_s: float = 0.0
    rigs: tuple[str, ...] = field(default=())
    moves: tuple[str, ...] = ()
    """Settings that are asked for: source and control."""

    def line(self) -> str:
        """Row as a line of JSON."""
        from dataclasses import asdict

        return json.dumps(asdict(self), ensure_ascii=False)


def row_of(line: str) -> ShowRow:
    """Row out of a line of JSON."""
    values: dict[str, Any] = json.loads(line)
    values["raised"] = tuple(
        Raised(**entry | {"at_s": tuple((begin, end) for begin, end in entry["at_s"])}) for entry in values["raised"]
    )
    return ShowRow(**values | {name: tuple(values.get(name, ())) for name in ("notes", "rigs", "moves")})


def date_of(week: int) -> str:
    """Date of a week of the season."""
    return (FIRST_WEEK + timedelta(weeks=week - 1)).isoformat()


def checked(show: StageShow, folder: Path, *, week: int | None = None) -> ShowCheck:
    """Check of a show against the weeks that the season's folder keeps."""
    folder.mkdir(parents=True, exist_ok=True)
    house_file = folder / "house.toml"
    house_file.write_text(house_text(show), "utf-8")
    names = list(show.tracks)
    samples = np.clip(np.array(list(show.tracks.values()), np.float32), -1.0, 1.0)
    options = CheckOptions(date=date_of(week or show.week), players=show.players)
    return check(folder, recording=held_recording(samples, names, RATE_HZ), threads=1, options=options)


def write_show(show: StageShow, folder: Path) -> None:
    """Write a show as a folder of 24-bit files with its house file and note."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "house.toml").write_text(house_text(show), "utf-8")
    players = [f'"{source}" = "{player}"' for source, player in show.players]
    (folder / "show.toml").write_text("\n".join([f"date = {date_of(show.week)}", "[players]", *players, ""]), "utf-8")
    for number, (track, samples) in enumerate(show.tracks.items(), 1):
        soundfile.write(folder / f"{number:02d} {track}.wav", np.clip(samples, -1.0, 1.0), RATE_HZ, subtype="PCM_24")


def keep_week(checked_show: ShowCheck, folder: Path) -> None:
    """Keep a week, whatever is said of it; one that is kept already stays."""
    terms = KeepTerms(by="study", with_faults=True)
    try:
        keep_result(checked_show.result, checked_show.parts, folder / "house.toml", history=None, terms=terms)
    except UsageError as error:
        if "kept already" not in str(error):
            raise


def settings_of(checked_show: ShowCheck) -> tuple[str, ...]:
    """Settings that a check asks for, by source and control."""
    return tuple(
        f"{source.name}: {move.control}"
        for source in checked_show.result.sources
        for move in source.moves
        if move.is_setting
    )


def raised_in(show: StageShow, checked_show: ShowCheck) -> tuple[Raised, ...]:
    """Findings of a check that are more than a note."""
    result = checked_show.result
    findings = [(source.name, finding) for source in result.sources for finding in source.findings]
    findings += [("the mix", finding) for finding in (result.mix.findings if result.mix else ())]
    return tuple(_raised(show, source, finding) for source, finding in findings if finding.severity != "note")


def _raised(show: StageShow, source: str, finding: Finding) -> Raised:
    return Raised(
        source=source, rig=show.rig_of(source), kind=finding.kind, severity=finding.severity, text=finding.text,
        is_fault=KINDS[finding.kind].tier == "fault" and finding.kind not in KEPT_KINDS and finding.what not in ("kept", "kept-numbers"),
        at_s=tuple(finding.at_s),
    )  # fmt: skip


def drift_judged_again(rows: Sequence[ShowRow], season: int, folder: Path, rigs: dict[str, str]) -> list[ShowRow]:
    """Rows of a season with the drifts that today's rules find in its kept weeks in place of those that were found.

    Parameters
    ----------
    rows : sequence of ShowRow
        Of the season, each of whose weeks was kept in `folder` after it was checked.
    season : int
    folder : Path
    rigs : dict
        Source to the rig it belongs to.
    """
    url = history_url(None, folder)
    assert url is not None
    kept = load(url, house=HOUSE_NAME, phase="rehearsal", show=("", None))
    if kept is None:
        return list(rows)
    takes = sorted(kept.takes, key=lambda take: take.date or "")
    unshaped = {role.name for role in ROLES.values() if not role.shaped}
    judged = []
    for row in rows:
        date = date_of(row.week)
        earlier = [take for take in takes if (take.date or "") < date]
        ids = {take.id for take in earlier}
        parts = [part for take, part in kept.rows if take.date == date]
        before = KeptTakes(rows=[(take, part) for take, part in kept.rows if take.id in ids], takes=earlier)
        baseline, _ = against(
            before,
            parts,
            taps={part.source: part.tap for part in parts},
            chains={part.source: part.chain for part in parts if part.stage == "after"},
        )
        found = judge_drifts(drifts(baseline, parts, date=date, left_out=unshaped)) if row.kept else {}
        raised = [finding for finding in row.raised if finding.kind != "drift"]
        raised += [
            Raised(
                source=source, rig=rigs.get(source, ""), kind=finding.kind, severity=finding.severity,
                text=say(finding), is_fault=False,
            )
            for source, findings in found.items()
            for finding in findings
            if finding.severity != "note" and not _explained(source, finding, row)
        ]  # fmt: skip
        judged.append(replace(row, raised=tuple(raised)))
    return judged


def _explained(source: str, drift: Finding, row: ShowRow) -> bool:
    """True where what is raised at a source already explains a drift of it."""
    number = drift_number(drift)
    return any(raised.source == source and number in KINDS[raised.kind].explains_drifts for raised in row.raised)


def clean_weeks(
    library: Library, season: int, weeks: int, folder: Path, *, done: int = 0, keeps: bool = True
) -> Iterator[ShowRow]:
    """Rows of a season's clean weeks, one after the other; the first `done` are there already."""
    for week in range(done + 1, weeks + 1):
        began_s = time.process_time()
        show = clean_show(library, season, week)
        made_s = time.process_time()
        checked_show = checked(show, folder)
        reference = checked_show.result.reference
        if keeps:
            keep_week(checked_show, folder)
        yield ShowRow(
            season=season, week=week, kept=reference.kept if reference else 0, inputs=len(show.tracks),
            raised=raised_in(show, checked_show), notes=show.notes, made_s=round(made_s - began_s, 2),
            checked_s=round(time.process_time() - made_s, 2), rigs=tuple(dict.fromkeys(part.rig for part in show.parts)),
            moves=settings_of(checked_show),
        )  # fmt: skip
