"""Sentences of findings, from `texts.toml` and the files of single kinds: rendered last, read back by nobody.

A finding says which sentence (`what`) and which advice (`advice`) with its numbers (`facts`); the words are made here, for terminal,
page, report, sheet and live alike.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from deskhand.findings.first import things_to_fix
from deskhand.findings.kinds import ENTRIES, KINDS
from deskhand.language import in_language, language, read_catalogue
from deskhand.words import filled, phrase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.findings.entry import KindEntry
    from deskhand.findings.finding import Finding
    from deskhand.findings.first import FirstThing


_WORDS: Final = ("block", "label", "number_unit", "side", "turned", "word")
"""Facts that are words of a table in English, which also steer: they are told in the chosen language."""


def catalogue() -> Mapping[str, Any]:
    """Sentences by kind and name, pieces of advice and cautions by name."""
    return _catalogue_in(language())


@cache
def _catalogue_in(code: str) -> Mapping[str, Any]:
    english = with_sentences(read_catalogue("deskhand.findings", "texts"), ENTRIES)
    return in_language("deskhand.findings", "texts", dict(english), code)


def with_sentences(words: Mapping[str, Any], entries: Iterable[KindEntry]) -> Mapping[str, Any]:
    """Catalogue with the sentences and advice of kinds that stand in a file of their own.

    Raises
    ------
    ValueError
        A sentence or advice that stands in two files.
    """
    findings, advice = dict(words["finding"]), dict(words["advice"])
    reading = {part: dict(rows) for part, rows in words["reading"].items()}
    for entry in entries:
        name = entry.kind.name
        twice = [*(entry.advice.keys() & advice.keys()), *({name} & findings.keys())]
        if twice:
            raise ValueError(f"the words of {', '.join(sorted(twice))} stand in two files")
        findings[name] = dict(entry.sentences)
        advice |= {name: piece.text for name, piece in entry.advice.items()}
        reading["finding"][name] = {"who": entry.who, **entry.remarks}
        reading["advice"] |= {name: {"who": piece.who, **piece.remarks} for name, piece in entry.advice.items()}
    return {**words, "finding": findings, "advice": advice, "reading": reading}


def say(finding: Finding) -> str:
    """Sentence of a finding: what was found, what to do, and the cautions that belong to it; without the source's name.

    Raises
    ------
    KeyError
        A sentence, advice or fact that the catalogue or the finding does not have.
    """
    values = {
        "measured": finding.measured,
        "expected": finding.expected,
        "change_db": finding.change_db,
        "other": finding.other,
        "track": finding.track,
        "at_s": finding.at_s,
        **finding.facts,
    }
    values |= {name: phrase(str(values[name])) for name in _WORDS if name in values}
    words = catalogue()
    parts = [words["finding"][finding.kind][finding.what], *(words["advice"][name] for name in finding.advice)]
    sentences = [filled(part, values) for part in parts]
    if "trend" in finding.facts:
        sentences[0] += phrase(", and {trend}", trend=finding.facts["trend"])
    sentence = _joined(sentences)
    if finding.cautions:
        sentence += f" ({'; '.join(words['caution'][name] for name in finding.cautions)})"
    if finding.dismissed is not None:
        by = phrase(" by {name}", name=finding.dismissed_by) if finding.dismissed_by else ""
        sentence = f"({filled(words['dismissed'][finding.dismissed], {'by': by})}) {sentence}"
    return sentence


def _joined(parts: Sequence[str]) -> str:
    """Parts of a sentence, one after the other; after a question a new sentence begins."""
    sentence = parts[0]
    for part in parts[1:]:
        sentence += f" {part[0].upper()}{part[1:]}" if sentence.endswith("?") else f"; {part}"
    return sentence


def short(finding: Finding) -> str:
    """First part of a finding's sentence: what was found, without what to do."""
    return say(replace(finding, advice=(), cautions=()))


def with_text(finding: Finding) -> Finding:
    """The finding with its sentence, for the result."""
    return replace(finding, text=say(finding))


def with_live_advice(finding: Finding, phase: str) -> Finding:
    """Finding with what to do while it happens, instead of what to do once it is over; its sentence is to be made again.

    Parameters
    ----------
    finding : Finding
    phase : str
        Of the listening: "line-check", "rehearsal" or "show".
    """
    advice = KINDS[finding.kind].live_advice.get(phase)
    if advice is None:
        return finding
    doubt = tuple(name for name in finding.advice if name in KINDS[finding.kind].doubts)
    return replace(finding, advice=(*doubt, *advice))


def fix_texts(
    items: Sequence[tuple[str, str, str, Finding]],
) -> tuple[tuple[FirstThing, ...], tuple[FirstThing, ...]]:
    """Things to do before doors, and next, with their sentences.

    Parameters
    ----------
    items : sequence of (source, role, where, finding)
        All findings of the show.
    """
    first, later = things_to_fix(items)
    return first_texts(first, items), first_texts(later, items)


def first_texts(first: Sequence[FirstThing], items: Sequence[tuple[str, str, str, Finding]]) -> tuple[FirstThing, ...]:
    """Things to do before doors with their sentences: the source, where it is, what is wrong and what to do.

    Parameters
    ----------
    first : sequence of FirstThing
    items : sequence of (source, role, where, finding)
        All findings of the show.
    """
    findings = {(source, finding.id): finding for source, _, _, finding in items}
    with_texts = []
    for entry in first:
        where = f" ({entry.where})" if entry.where else ""
        sentence = say(findings[entry.source, entry.finding])
        with_texts.append(replace(entry, text=f"{entry.source}{where}: {sentence}"))
    return tuple(with_texts)
