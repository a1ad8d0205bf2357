"""This week's page: what to do before doors, what next, and what to listen to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.findings import short
from deskhand.findings.first import urgency
from deskhand.findings.kinds import KINDS
from deskhand.moves.text import brief
from deskhand.report.page import loudspeakers_section, seats_section
from deskhand.report.pictures import strip_picture
from deskhand.report.songs import songs_line
from deskhand.report.terminal import FORGOTTEN, by_urgency, headline, mix_line, reference_line, voice_line
from deskhand.report.turns import entries_at
from deskhand.report.words import text
from deskhand.tasks.handover import line_of
from deskhand.units import clock, number
from deskhand.web import render

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.findings import Finding, FirstThing
    from deskhand.report.turns import FindingEntry
    from deskhand.result import SourceResult
    from deskhand.store import HandoverNote
    from deskhand.web.hall import Hall, StoredCheck
    from deskhand.web.keeping import KeepingState

_ROW_MOMENTS: Final = 3
"""Moments that fit beside the line of an input. Common practice, no source."""


def first_moment(finding: Finding) -> float | None:
    """Second at which a finding can be heard; None where it holds throughout."""
    if finding.hear_s is not None:
        return finding.hear_s[0]
    return finding.at_s[0][0] if finding.at_s else None


def moments_of(source: SourceResult, *, of_each: int, limit: int) -> list[dict[str, Any]]:
    """Moments of a source's findings, each with its second and a short name."""
    return [
        {"at": begin_s, "label": KINDS[finding.kind].words}
        for finding in source.findings
        for begin_s, _ in finding.at_s[:of_each]
    ][:limit]


def _card(
    check: StoredCheck, sentence: str, source: SourceResult, entry: FindingEntry, where: str = ""
) -> dict[str, Any]:
    """A finding with its moves, and a moment to hear: where something is to be turned, its advice stands with how to turn it."""
    assert entry.finding is not None
    named = f"{source.name} ({where})" if where else source.name
    moment = first_moment(entry.finding)
    picture = check.pictures.get(source.name)
    if moment is None and picture is not None and source.before is not None and source.before.level_dbfs is not None:
        moment = picture.telling_s
    return {
        "source": source.name,
        "text": f"{named}: {short(entry.finding)}" if entry.moves else sentence,
        "whole": sentence if entry.moves else "",
        "finding": entry.finding.id,
        "label": KINDS[entry.finding.kind].words,
        "hear_at": moment,
        "moves": [
            {
                "id": line.move.id,
                "text": line.named(brief(line.move)),
                "whole": line.text,
                "effect": line.move.effect,
                "hears": ", ".join(text(f"hears.{group}") for group in line.move.who_hears),
                "undo": line.move.undo,
            }
            for line in entry.moves
        ],
        # what is done at the rig or the patch is the finding itself
        "job": next(
            (move.id for move in source.moves if not move.is_setting and move.finding == entry.finding.id), None
        ),
        "severity": entry.severity,
    }


def _seat_card(thing: FirstThing) -> dict[str, Any]:
    """Finding of a seat, which is no input: nothing of it is turned at the desk, and it has no page of its own."""
    card = {"source": thing.source, "text": thing.text, "finding": thing.finding, "severity": "fix"}
    kinds = {str(name): kind for name, kind in KINDS.items()}
    kind = kinds.get(thing.finding.rpartition("/")[2].partition(":")[0])
    return {**card, "label": "" if kind is None else kind.words, "hear_at": None, "moves": [], "job": None, "whole": ""}


def _cards(check: StoredCheck) -> dict[str, list[dict[str, Any]]]:
    """Findings in three lists: before doors, next, and to listen to."""
    result = check.result
    by_name = {source.name: source for source in result.sources}
    entries = {
        entry.finding.id: entry
        for source in result.sources
        for entry in entries_at(source, result)
        if entry.finding is not None and entry.finding in source.findings
    }

    def cards(things: Sequence[FirstThing]) -> list[dict[str, Any]]:
        return [
            _card(check, thing.text, by_name[thing.source], entries[thing.finding], thing.where)
            if thing.source in by_name
            else _seat_card(thing)
            for thing in things
        ]

    listed = {name for thing in (*result.first, *result.next) for name in (thing.finding, *thing.partners)}
    to_listen = [
        _card(check, f"{source.name}: {finding.text}", source, entries[finding.id])
        for source in by_urgency(result)
        for finding in sorted(source.findings, key=urgency)
        # a note is told where something is to be turned for it
        if finding.id not in listed and (finding.severity != "note" or entries[finding.id].moves)
    ]
    return {"first": cards(result.first), "next": cards(result.next), "to_listen": to_listen}


def _input_row(check: StoredCheck, source: SourceResult) -> dict[str, Any]:
    """Line of an input in the table of all."""
    picture = check.pictures.get(source.name)
    level = None if source.before is None else source.before.level_dbfs
    return {
        "name": source.name,
        "role": source.role,
        "status": source.status,
        "where": f"{text('label.channel')} {source.channel}" if source.channel else "",
        "player": check.result.show.players.get(source.name, ""),
        "level": "" if level is None else number(level, 1),
        "strip": strip_picture(source.name, picture, source.findings) if picture is not None else "",
        "moves": sum(move.is_setting for move in source.moves),
        "moments": moments_of(source, of_each=_ROW_MOMENTS, limit=_ROW_MOMENTS),
    }


def _ignored(check: StoredCheck, finding_id: str) -> dict[str, str]:
    """A finding that is ignored tonight: its id, and words for people."""
    findings = {finding.id: finding for source in check.result.sources for finding in source.findings}
    source, _, kind = finding_id.rpartition("/")
    finding = findings.get(finding_id)
    label = kind.replace("-", " ") if finding is None else KINDS[finding.kind].words
    return {"id": finding_id, "text": f"{source}: {label}"}


def week_page(
    hall: Hall,
    check: StoredCheck,
    *,
    news: Mapping[str, Any] | None,
    keeping: KeepingState,
    changed: bool,
    left: Sequence[str],
    handover: tuple[Sequence[HandoverNote], Sequence[HandoverNote]],
) -> str:
    """HTML of one show's page.

    Parameters
    ----------
    hall : Hall
    check : StoredCheck
    news : mapping, optional
        A newer recording to ask about.
    keeping : KeepingState
        How far the show was kept.
    changed : bool
        Settings were changed since the check.
    left : sequence of str
        Ids of the findings that are ignored tonight.
    handover : pair of sequences of HandoverNote
        Open jobs, and notes that stand.
    """
    result = check.result
    voices = [voice_line(voice) for voice in (*((result.vocal,) if result.vocal else ()), *result.voices)]
    return render.page(
        "week",
        **render.page_head(hall, check.shelf, check),
        **_cards(check),
        headline=headline(result),
        rows=[_input_row(check, source) for source in result.sources],
        voices=[line for line in voices if line],
        mix=mix_line(result),
        mix_findings=[finding.text for finding in result.mix.findings] if result.mix else [],
        reference=reference_line(result),
        songs=songs_line(result),
        recorded_mix=result.recorded_mix,
        seats=seats_section(result.seats),
        loudspeakers=loudspeakers_section(result),
        notes=result.show.notes,
        forgotten=FORGOTTEN,
        length=clock(result.show.duration_s),
        show=result.show,
        news=news,
        keeping=keeping,
        # what to do about them stands above
        fault_lines=[f"{source}: {short(finding)}" for source, finding in keeping.faults],
        earlier=sorted(
            (move for source in result.sources for move in source.earlier_moves),
            key=lambda move: move.fate != "contradicted",
        ),
        changed=changed,
        left=[_ignored(check, finding_id) for finding_id in left],
        open_jobs=handover[0],
        standing=[(note, line_of(note)) for note in handover[1]],
    )
