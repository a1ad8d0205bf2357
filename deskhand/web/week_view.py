"""This week's page: what to do before doors, and everything else after it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.findings.first import urgency
from deskhand.findings.kinds import KINDS
from deskhand.report.pictures import strip_picture
from deskhand.report.terminal import FORGOTTEN, by_urgency, headline, mix_line, reference_line, voice_line
from deskhand.report.words import text
from deskhand.units import clock, number
from deskhand.web import render

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.findings import Finding
    from deskhand.result import SourceResult
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
    check: StoredCheck, sentence: str, source: SourceResult, finding: Finding, *, with_moves: bool = True
) -> dict[str, Any]:
    """A finding with its moves, and a moment to hear."""
    moment = first_moment(finding)
    picture = check.pictures.get(source.name)
    if moment is None and picture is not None and source.before is not None and source.before.level_dbfs is not None:
        moment = picture.telling_s
    return {
        "source": source.name,
        "text": sentence,
        "finding": finding.id,
        "hear_at": moment,
        "moves": [
            {
                "text": move.text,
                "effect": move.effect,
                "hears": ", ".join(text(f"hears.{group}") for group in move.who_hears),
                "undo": move.undo,
            }
            for move in source.moves
            if move.is_setting and with_moves
        ],
        "severity": finding.severity,
    }


def _cards(check: StoredCheck) -> dict[str, list[dict[str, Any]]]:
    """Findings in three lists: before doors, to fix if there is time, and after the show."""
    result = check.result
    by_name = {source.name: source for source in result.sources}
    first, listed = [], set()
    for urgent in result.first:
        source = by_name[urgent.source]
        finding = next(finding for finding in source.findings if finding.id == urgent.finding)
        first.append(_card(check, urgent.text, source, finding))
        listed.add(finding.id)
    sources_with_moves = {urgent.source for urgent in result.first}
    also_to_fix: list[dict[str, Any]] = []
    after_show: list[dict[str, Any]] = []
    for source in by_urgency(result):
        for finding in sorted(source.findings, key=urgency):
            if finding.severity == "note" or finding.id in listed:
                continue
            # what to turn at a source is said once
            sentence = f"{source.name}: {finding.text}"
            later = also_to_fix if finding.severity == "fix" else after_show
            later.append(_card(check, sentence, source, finding, with_moves=source.name not in sources_with_moves))
            sources_with_moves.add(source.name)
    return {"first": first, "also": also_to_fix, "after": after_show}


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
        notes=result.show.notes,
        forgotten=FORGOTTEN,
        length=clock(result.show.duration_s),
        show=result.show,
        news=news,
        keeping=keeping,
        changed=changed,
        left=[_ignored(check, finding_id) for finding_id in left],
    )
