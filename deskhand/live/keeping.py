"""Turns of a line check kept by themselves, so that next week's are compared with them by somebody who never asked for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.live.answers import ASKING
from deskhand.recording.names import dated
from deskhand.report.words import text as words
from deskhand.store.kept_takes import replace_take
from deskhand.tasks.keep import LIVE, KeepTerms, history_at, kept_take, who
from deskhand.tasks.keep_terms import faults_of, left_out_text

if TYPE_CHECKING:
    from pathlib import Path

    from deskhand.live.session import LiveOptions, LiveOutcome

BY_ITSELF: Final = "kept by itself"
"""Note of a line check that nobody asked to keep; a later one of the same evening takes its place."""


def is_invented(house_file: Path) -> bool:
    """True for the invented hall, whose shows say what was planted in them: nothing of it belongs into a history."""
    return any((folder / "truth.json").is_file() for folder in house_file.parent.iterdir() if folder.is_dir())


def keep_turns(outcome: LiveOutcome, options: LiveOptions) -> list[str]:
    """Keep the turns of a line check that was heard from a device.

    What is at fault is left out, and so is an input of which nobody has answered who was playing. Of the same evening the one with more
    inputs stays. Practice with a recording, a soundcheck and the invented hall are never kept.

    Parameters
    ----------
    outcome : LiveOutcome
    options : LiveOptions
        With which it was heard.

    Returns
    -------
    list of str
        What was done, for people; empty where there is nothing to keep.

    Raises
    ------
    HistoryError
        The history cannot be written.
    """
    result = outcome.result
    if options.replay is not None or options.phase != "line-check" or is_invented(outcome.house_file):
        return []
    without = {source for source, _ in faults_of(result)}
    without |= {source.name for source in result.sources if any(finding.what in ASKING for finding in source.findings)}
    # the other of the two that are asked about
    without |= {
        str(finding.other) for source in result.sources for finding in source.findings if finding.what in ASKING
    }
    if not any(part.source not in without for part in outcome.parts):
        return []
    terms = KeepTerms(note=BY_ITSELF, by=who(None), without=tuple(sorted(without)))
    take = kept_take(result, outcome.parts, outcome.house_file, recording=LIVE, digest=None, terms=terms)
    store = history_at(options.history, outcome.house_file, create=True)
    try:
        earlier = next(
            (
                row
                for row in store.takes_here(house=result.house)
                if row.phase == take.phase and row.show == take.show and row.date == take.date
            ),
            None,
        )
        if earlier is None:
            number = store.keep(take)
        else:
            before = store.parts(
                house=result.house, phase=take.phase, metrics=["level_dbfs"], most=1000, stages=["tap"]
            )
            of_earlier = {part.source for row, part in before if row.id == earlier.id}
            if earlier.note != BY_ITSELF or len(of_earlier) > len({part.source for part in take.parts}):
                return [words("live.kept_before", show=dated(take.show, take.date), number=earlier.id)]
            number = replace_take(store, earlier, take, by=take.kept_by)
    finally:
        store.close()
    count = len({part.source for part in take.parts})
    lines = [words("live.kept_by_itself", count=count, number=number)]
    return lines + ([left_out_text(take.left_out, mix_too=False)] if take.left_out else [])
