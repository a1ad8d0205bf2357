"""Numbers outside their normal range that nothing is said of: marked where they stand, without being raised."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from deskhand.baseline.numbers import BY_NAME
from deskhand.baseline.sides import label_of
from deskhand.findings.judgements import KIND_OF, tone_change
from deskhand.findings.kinds import KINDS
from deskhand.report.words import text
from deskhand.units import number as plain_number
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.baseline.normal import Normal
    from deskhand.result import CheckResult, SourceResult

MARK: Final = "*"
_FAR_JND: Final = 5.0
"""Just noticeable differences from which a tone that is not raised is marked all the same. Common practice, no source."""
_FAR_CHANCE: Final = 0.01
"""Chance in a clean take above which it is not: with so many sources one would have it every week. Common practice, no source."""
_MOST_TOLD_DB: Final = 15
"""Changes from which nobody needs to be told. Common practice, no source."""
_TELLS_TONE: Final = frozenset(name for name, kind in KINDS.items() if name == "tone" or "tone" in kind.explains)
"""Kinds of finding that tell of a tone or explain it."""


def told_line(normal: Normal | None) -> str:
    """Sentence on the smallest changes of a tone that would be raised; empty where none would, and for other numbers."""
    if normal is None or normal.bands_db is None or not normal.least_told:
        return ""
    # rounded up: what is promised is said
    least = {region: math.ceil(least_db) for region, least_db in normal.least_told.items()}
    told = [
        text("source.told_part", least=f"{least_db}", region=text(f"source.region_{region}"))
        for region, least_db in least.items()
        if least_db <= _MOST_TOLD_DB
    ]
    untold = [text(f"source.region_{region}") for region, least_db in least.items() if least_db > _MOST_TOLD_DB]
    sentences = []
    if told:
        sentences.append(text("source.told", changes=_listed(told)))
    if normal.again_share is not None:
        sentences.append(text("source.again", share=plain_number(100.0 * normal.again_share, 0)))
    if untold:
        sentences.append(text("source.told_nothing", regions=_listed(untold)))
    return " ".join(sentences)


def _listed(words: list[str]) -> str:
    """Words in a row, "and" before the last."""
    return f"{', '.join(words[:-1])}{phrase(' and ')}{words[-1]}" if words[1:] else words[0]


def is_outside(normal: Normal) -> bool:
    """True where a number lies outside the range as both are printed; tone has a range for each octave, and is drawn."""
    if normal.bands_db is not None or normal.low <= normal.measured <= normal.high:
        return False
    told = BY_NAME[normal.name].told
    return told(normal.measured) not in (told(normal.low), told(normal.high))


def is_far_outside(normal: Normal) -> bool:
    """True for a tone with an octave well outside its range: every eighth octave of a clean take lies outside a little."""
    if normal.bands_db is None or normal.noticeable < _FAR_JND or normal.probability > _FAR_CHANCE:
        return False
    return any(not low <= today <= high for today, _, low, high in normal.bands_db.values())


def quietly_outside(source: SourceResult) -> list[Normal]:
    """Numbers of a source outside their range of which no finding tells.

    Parameters
    ----------
    source : SourceResult
    """
    raised = {finding.kind for finding in source.findings}
    return [
        normal
        for normal in source.normal
        if (is_outside(normal) and KIND_OF.get(normal.name) not in raised)
        or (is_far_outside(normal) and not raised & _TELLS_TONE)
    ]


def outside_line(result: CheckResult) -> str:
    """Sentence on the numbers that lie outside their range and are not raised; empty where there are none.

    Parameters
    ----------
    result : CheckResult
    """
    clauses = []
    for source in result.sources:
        for normal in quietly_outside(source):
            if normal.bands_db is not None:
                change = tone_change(normal)
                entry = "report.tone_more" if change.off_db > 0 else "report.tone_less"
                off = text(entry, off=plain_number(abs(change.off_db), 0), band=change.band_words)
                clauses.append(f"{source.name}: {off}")
                continue
            number = BY_NAME[normal.name]
            clauses.append(
                f"{source.name}: {phrase(label_of(normal))} {number.told(normal.measured)} {phrase(normal.unit)}, "
                f"{phrase('normally')} {number.told(normal.low)} … {number.told(normal.high)}"
            )
    if not clauses:
        return ""
    listed = "; ".join(clauses)
    return phrase(
        "{mark} outside what is normal here, not far enough to be raised: {listed}.", mark=MARK, listed=listed
    )
