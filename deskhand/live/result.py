"""What was heard live, as a check's result: the same contract, kept and printed like any other take."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand import __version__
from deskhand.findings import Finding, first_texts, first_things, status_of, with_text
from deskhand.house import ROLES
from deskhand.result import SCHEMA, CheckResult, ShowResult, SourceResult

if TYPE_CHECKING:
    from collections.abc import Mapping

    from deskhand.house import HouseFile
    from deskhand.live.line import Input
    from deskhand.live.watch import Watch
    from deskhand.recording.show import Phase, Tap


def _findings(one: Input) -> list[Finding]:
    if one.state == "arrived":
        return one.findings
    spare = ROLES[one.source.role].may_be_silent
    return [
        Finding(
            id=f"{one.source.name}/silent",
            kind="silent",
            stage="tap",
            severity="listen" if spare or one.state == "skipped" else "fix",
            what="passed-over" if one.state == "skipped" else "not-arrived",
            advice=("look-muted",),
            metric="level_dbfs",
        ),
        *one.findings,
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
) -> CheckResult:
    """The result of a line check.

    Parameters
    ----------
    watch : Watch
    name, date, phase, tap, players
        Of the show.
    notes : tuple of str
        What happened to the device and the recording.
    """
    house: HouseFile = watch.house
    sources = []
    everything = []
    for one in watch.line.inputs:
        if one.state == "not tonight":
            continue
        found = [with_text(finding) for finding in _findings(one)]
        everything += [(one.source.name, one.source.role, one.source.where, finding) for finding in found]
        sources.append(
            SourceResult(
                name=one.source.name,
                role=one.source.role,
                tracks=tuple(map(str, one.source.tracks)),
                channel=None if one.source.channel is None else str(one.source.channel),
                status=status_of(found),
                before=one.heard.reading.readings if one.heard is not None else None,
                after=None,
                findings=tuple(found),
                stages=(),
                sounds=one.heard.reading.sounds if one.heard is not None else (),
                moves=(),
                with_moves=None,
                left_over=(),
                normal=(),
                step_db=None,
            )
        )
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
            start_s=0.0,
            duration_s=round(watch.now_s, 3),
            sample_rate_hz=watch.sample_rate_hz,
            tracks=watch.ring.channels,
            notes=notes,
        ),
        sources=tuple(sources),
        vocal=None,
        voices=(),
        mix=None,
        reference=None,
        first=first_texts(first_things(everything), everything),
    )
