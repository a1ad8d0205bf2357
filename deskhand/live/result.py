"""Result of a line check in the contract of a check: kept and printed like any other take."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand import __version__
from deskhand.findings import Finding, fix_texts, status_of, with_text
from deskhand.house import ROLES
from deskhand.live.line import not_heard_yet
from deskhand.result import SCHEMA, CheckResult, ShowResult, SourceResult

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.live.entry import PatchEntry
    from deskhand.live.watch import Watch
    from deskhand.recording.show import Phase, Tap


def unmeasured(entry: PatchEntry) -> Finding:
    """Finding of an input that somebody heard, and of which nothing is measured: it is called neither well nor wrong."""
    return Finding(
        id=f"{entry.source.name}/silent",
        kind="silent",
        stage="tap",
        severity="listen",
        what="before-the-start" if entry.confirmed_by is None else "heard-only",
        metric="level_dbfs",
        facts={"by": f" by {entry.confirmed_by}" if entry.confirmed_by else ""},
    )


def _findings(entry: PatchEntry) -> list[Finding]:
    if entry.state == "arrived" and entry.stretch is None:
        return [unmeasured(entry), *entry.findings]
    if entry.state == "arrived":
        return entry.findings
    spare = ROLES[entry.source.role].may_be_silent
    return [
        Finding(
            id=f"{entry.source.name}/silent",
            kind="silent",
            stage="tap",
            severity="listen" if spare or entry.state == "skipped" else "fix",
            what="passed-over" if entry.state == "skipped" else "not-arrived",
            advice=("look-muted",),
            metric="level_dbfs",
        ),
        *entry.findings,
    ]


def result_of(
    watch: Watch,
    *,
    name: str,
    date: str | None,
    phase: Phase,
    tap: Tap,
    players: Mapping[str, str],
    notes: tuple[str, ...],
    house_file: str | None = None,
) -> CheckResult:
    """Result of a line check.

    Parameters
    ----------
    watch : Watch
    name, date, phase, tap, players
        Of the show.
    notes : tuple of str
        Events of the device and the recording, a sentence each.
    house_file : str, optional
        Name of the house file that was read.
    """
    house = watch.house
    ahead = not_heard_yet(watch.line)
    entries = [entry for entry in watch.line.inputs if entry.state != "not tonight" and entry.source.name not in ahead]
    if ahead:
        notes = (f"not heard yet: {len(ahead)} input{'s' if len(ahead) > 1 else ''} ({', '.join(ahead)})", *notes)
    findings = [tuple(with_text(finding) for finding in _findings(entry)) for entry in entries]
    everything = [
        (entry.source.name, entry.source.role, entry.source.where, finding)
        for entry, of_source in zip(entries, findings, strict=True)
        for finding in of_source
    ]
    first, later = fix_texts(everything)
    return CheckResult(
        schema=SCHEMA,
        deskhand=__version__,
        house=house.house.name,
        show=ShowResult(
            name=name,
            date=date,
            phase=phase,
            tap=tap,
            players=dict(players),
            house_file=house_file,
            start_s=0.0,
            duration_s=round(watch.now_s, 3),
            sample_rate_hz=watch.sample_rate_hz,
            tracks=watch.ring.channels,
            notes=notes,
        ),
        sources=tuple(_source_result(entry, of_source) for entry, of_source in zip(entries, findings, strict=True)),
        vocal=None,
        voices=(),
        mix=None,
        reference=None,
        first=first,
        next=later,
    )


def _source_result(entry: PatchEntry, findings: tuple[Finding, ...]) -> SourceResult:
    source, stretch = entry.source, entry.stretch
    return SourceResult(
        name=source.name,
        role=source.role,
        tracks=tuple(map(str, source.tracks)),
        channel=None if source.channel is None else str(source.channel),
        status=status_of(findings),
        before=stretch.reading.readings if stretch is not None else None,
        after=None,
        findings=findings,
        stages=(),
        sounds=stretch.reading.sounds if stretch is not None else (),
        moves=(),
        earlier_moves=(),
        with_moves=None,
        left_over=(),
        normal=(),
        step_db=None,
        line_check=entry.memory,
    )
