"""Sentences of findings, from the one catalogue `texts.toml`: rendered last, read back by nobody.

A finding says which sentence (`what`) and which advice (`advice`) with its numbers (`facts`); the words are made here, for terminal,
page, report, sheet and live alike.
"""

from __future__ import annotations

import string
import tomllib
from dataclasses import replace
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

from deskhand.units import clock, hertz, number

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from deskhand.findings.finding import Finding
    from deskhand.findings.first import FirstThing

_NAMED_TIMES: Final = 4
"""More moments than this are counted instead of listed: about what fits on a line. Common practice, no source."""


def times(spans: Sequence[tuple[float, float]]) -> str:
    """Moments in words: the first seconds in which it happens, or how often and until when."""
    seconds = list(dict.fromkeys(clock(begin) for begin, _ in spans))
    if len(seconds) <= _NAMED_TIMES:
        return f"at {', '.join(seconds)}"
    return f"at {', '.join(seconds[:2])} and {len(seconds) - 2} more times up to {seconds[-1]}"


class _SentenceFormatter(string.Formatter):
    """Fills a sentence of the catalogue: `{level_db:1}` a number with one decimal, `{gain_db:+1}` one with its sign."""

    def format_field(self, value: Any, format_spec: str) -> str:
        """Text of one value."""
        if format_spec == "":
            return number(value) if isinstance(value, float) else str(value)
        if format_spec.startswith("+"):
            return ("+" if value > 0 else "") + number(value, int(format_spec[1:]))
        if format_spec.isdigit():
            return number(value, int(format_spec))
        return _FORMS[format_spec](value)


def _plural(count: float) -> str:
    return "" if count == 1 else "s"


def _listed(names: Sequence[str]) -> str:
    return " and ".join(f'"{name}"' for name in names)


def _lines(frequencies_hz: Sequence[float]) -> str:
    return ", ".join(f"{frequency_hz:.0f}" for frequency_hz in frequencies_hz)


_FORMS: Final[dict[str, Callable[[Any], str]]] = {
    "times": times,
    "clock": clock,
    "hertz": hertz,
    "plural": _plural,
    "listed": _listed,
    "lines": _lines,
}
"""Forms a value can take in a sentence, by the word after the colon."""
_WORDS: Final = _SentenceFormatter()


@cache
def catalogue() -> Mapping[str, Any]:
    """Sentences by kind and name, pieces of advice and cautions by name."""
    text = resources.files("deskhand.findings").joinpath("texts.toml").read_text("utf-8")
    return tomllib.loads(text)


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
    words = catalogue()
    parts = [words["finding"][finding.kind][finding.what], *(words["advice"][name] for name in finding.advice)]
    sentence = "; ".join(_WORDS.vformat(part, (), values) for part in parts)
    if finding.cautions:
        sentence += f" ({'; '.join(words['caution'][name] for name in finding.cautions)})"
    if finding.dismissed is not None:
        by = f" by {finding.dismissed_by}" if finding.dismissed_by else ""
        sentence = f"({_WORDS.format(words['dismissed'][finding.dismissed], by=by)}) {sentence}"
    return sentence


def short(finding: Finding) -> str:
    """First part of a finding's sentence: what was found, without what to do."""
    return say(replace(finding, advice=(), cautions=()))


def with_text(finding: Finding) -> Finding:
    """The finding with its sentence, for the result."""
    return replace(finding, text=say(finding))


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
