"""Loads the moves of a show that were done or declined, and counts them in: the desk's state, findings, and what became of each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from deskhand.desk import desk_state, earlier_moves, fates
from deskhand.desk.text import with_remark
from deskhand.findings import status_of, with_text
from deskhand.recording.identity import take_digest, written_at
from deskhand.store import file_of, history_url

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.desk import Fate
    from deskhand.findings import Finding
    from deskhand.recording import Recording
    from deskhand.result import CheckResult
    from deskhand.store import DeskChange
    from deskhand.tasks.check.measure import TakeReadings
    from deskhand.tasks.check.options import CheckOptions
    from deskhand.tasks.check.resolve import ShowSetup


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowChanges:
    """Moves of a show that were done or declined, and the take they are looked at from."""

    changes: tuple[DeskChange, ...] = ()
    take: str = ""
    """Digest of the take."""
    written_at: str | None = None
    """When the take was recorded, in UTC."""


def _show_changes(setup: ShowSetup, recording: Recording, options: CheckOptions) -> ShowChanges:
    """Moves of the show that were done or declined; none where there is no history.

    Raises
    ------
    HistoryError
        The history cannot be read.
    RecordingError
        A file of the recording went away.
    """
    url = history_url(options.history, setup.folder)
    file = None if url is None else file_of(url)
    if url is None or (file is not None and not file.exists()):
        return ShowChanges(take=take_digest(recording))
    from deskhand.store.desk_changes import desk_changes
    from deskhand.store.history import open_history

    history = open_history(url, names=setup.names)
    if history is None:
        return ShowChanges(take=take_digest(recording))
    try:
        changes = desk_changes(history, house=setup.house.house.name, show=setup.show.name, date=setup.show.date)
    finally:
        history.close()
    return ShowChanges(changes=tuple(changes), take=take_digest(recording), written_at=written_at(recording))


def with_changes(setup: ShowSetup, recording: Recording, options: CheckOptions) -> tuple[ShowSetup, ShowChanges]:
    """Setup with what was turned before the taps since the take was recorded, and the changes of the show.

    Raises
    ------
    HistoryError
        The history cannot be read.
    RecordingError
        A file of the recording went away.
    """
    shown = _show_changes(setup, recording, options)
    desk = desk_state(setup.house, tap=setup.desk.tap, taps=setup.desk.taps, changes=shown.changes, take=shown.take)
    return replace(setup, desk=desk), shown


def with_answered(findings: Mapping[str, Sequence[Finding]], shown: ShowChanges) -> dict[str, list[Finding]]:
    """Findings, of which those that a person has answered are notes that say so: done, the next take shows it; or declined tonight.

    What was declined holds in every take of the show, what was done in the take it was asked for.
    """
    answered: dict[str, DeskChange] = {}
    for change in shown.changes:
        if not change.done or change.take == shown.take:
            answered |= dict.fromkeys(change.findings, change)
    return {
        source: [_answered(finding, answered.get(finding.id)) for finding in several]
        for source, several in findings.items()
    }


def _answered(finding: Finding, change: DeskChange | None) -> Finding:
    if change is None or finding.severity == "note":
        return finding
    return replace(
        finding,
        severity="note",
        dismissed="done" if change.done else "tonight",
        dismissed_by=change.said_by or None,
    )


def with_ticks(result: CheckResult, shown: ShowChanges) -> CheckResult:
    """Result of a check with what was done or declined since it was made: it is asked for no more, and its findings say so.

    Parameters
    ----------
    result : CheckResult
    shown : ShowChanges
        Of the result's show and take.
    """
    listed = {move.number for source in result.sources for move in source.earlier_moves}
    new = [change for change in shown.changes if change.id not in listed]
    if not new:
        return result
    findings = with_answered(
        {source.name: source.findings for source in result.sources}, replace(shown, changes=tuple(new))
    )
    fate_of: dict[bool, Fate] = {True: "done", False: "declined"}
    earlier = earlier_moves((change, fate_of[change.done]) for change in new)
    ticked = {change.move for change in new if change.take == shown.take}
    sources = []
    for source in result.sources:
        moves = tuple(move for move in source.moves if move.id not in ticked)
        answered = tuple(map(with_text, findings[source.name]))
        sources.append(
            replace(
                source,
                findings=answered,
                moves=moves,
                status=status_of(answered, to_turn=any(move.is_setting for move in moves)),
                earlier_moves=(*source.earlier_moves, *map(with_remark, earlier.get(source.name, ()))),
            )
        )
    return replace(result, sources=tuple(sources))


def judged_changes(
    setup: ShowSetup, readings: TakeReadings, findings: Mapping[str, Sequence[Finding]], shown: ShowChanges
) -> list[tuple[DeskChange, Fate]]:
    """Each move that was done or declined, with what this take says of it."""
    return fates(
        shown.changes,
        house=setup.house,
        desk=setup.desk,
        take=shown.take,
        written_at=shown.written_at,
        level_dbfs={name: reading.readings.level_dbfs for name, reading in readings.before.items()},
        faders=readings.mix.faders if readings.mix is not None else (),
        found={
            name: {finding.id for finding in several if finding.severity != "note"}
            for name, several in findings.items()
        },
    )
