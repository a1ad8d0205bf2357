"""Findings of numbers that have crept away over the weeks, and what they add to the finding of a level."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Final

from deskhand.baseline.numbers import NOISE
from deskhand.baseline.weeks import weeks_text
from deskhand.findings.finding import Finding
from deskhand.findings.judgements import LEAST_NOTICEABLE
from deskhand.house.roles import ROLES
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from deskhand.baseline.kept import Drift

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_YEAR_TOLD_WEEKS: Final = 48
"""From so many weeks on a month alone could be this year's: eleven months (arithmetic)."""


LEAST_STEP_WEEKS: Final = 3.0
"""Takes behind a step from which on it is one: a drift is never told from one take. Common practice, no source."""
_BOTTOM_HZ: Final = ("63", "125", "250")
RUMBLE_DB: Final = -20.0
"""Level against the whole of a sound below which the lowest octaves are no part of it. Common practice, no source; in a made year the octave
below a voice moved by 18 dB from key to key (validations/year.py)."""
SETTLED_WEEKS: Final = 6.0
"""What has stayed where it is for so many weeks is how it is now, and a note: six shows in which somebody could have listened to it. Common
practice, no source."""


def judge_drifts(drifts: Iterable[Drift]) -> dict[str, list[Finding]]:
    """Findings of numbers that have crept away over the weeks, far enough to be noticed; a chart needs more takes than a house to have learned."""
    findings: dict[str, list[Finding]] = {}
    for drift in _one_of_each_tone(drifts):
        number = drift.number
        away = abs(float(drift.chart.average[-1]) - drift.chart.centre)
        # the line that is told has to tell of something, too
        gone = drift.chart.line[1] - drift.chart.line[0]
        # the average follows a step only slowly, which some takes show on their own; a tone may be the songs' for some weeks
        is_step = drift.chart.is_step and drift.chart.weeks >= LEAST_STEP_WEEKS and not number.is_of_tone
        far = abs(gone) if is_step else min(away, abs(gone))
        if far < LEAST_NOTICEABLE * number.jnd or (number is NOISE and gone < 0) or _is_rumble(drift):
            continue
        start, newest = (number.told(number.from_scale(float(value))) for value in drift.chart.line)
        findings.setdefault(drift.source, []).append(
            Finding(
                id=f"{drift.source}/drift-{number.name}",
                kind="drift",
                stage="after" if number.stage == "after" else "tap",
                severity="note" if _is_played(drift) or _settled_weeks(drift) >= SETTLED_WEEKS else "listen",
                what=_case(drift),
                advice=("hiss-first", "see-history") if number is NOISE else ("see-history",),
                facts={
                    "gone": number.told(abs(gone)),
                    "label": number.label,
                    "crept": drift.crept,
                    "start": start,
                    "newest": newest,
                    "number_unit": number.unit,
                },
                metric=number.metric,
                measured=round(number.from_scale(float(drift.chart.average[-1])), 3),
                expected=round(number.from_scale(drift.chart.centre), 3),
                unit=number.unit,
            )
        )
    return findings


def _is_played(drift: Drift) -> bool:
    """True where whoever plays makes a number; of somebody who speaks, how near to the microphone makes the tone."""
    speaks = drift.role in ROLES and ROLES[drift.role].tone_family == "speech"
    return drift.number.played or (speaks and (drift.number.is_of_tone or drift.number.name == "harsh"))


def _is_rumble(drift: Drift) -> bool:
    """True for an octave at the bottom of a sound that lies far below all of it: there are the others, the hall and the stand."""
    name = drift.number.name.removeprefix("tone-")
    return name in _BOTTOM_HZ and max(drift.chart.line) < RUMBLE_DB


def _settled_weeks(drift: Drift) -> float:
    """Weeks for which a number has stayed where it went."""
    return drift.chart.weeks if drift.chart.is_step else drift.chart.stayed_weeks


def _case(drift: Drift) -> str:
    """Case of a drift: of a tone its octave's level says nothing, so that its whole way is told, unless the words hold it already."""
    if drift.number.is_of_tone:
        if drift.chart.is_step:
            return "stepped-tone"
        return "crept-tone" if drift.chart.knows_pace else "crept-tone-so-far"
    return "stepped" if drift.chart.is_step else "crept"


def _one_of_each_tone(drifts: Iterable[Drift]) -> list[Drift]:
    """Drifts of which each source has one of its tone: the octave or the slope that has gone farthest, with what is harsh in it."""
    drifts = list(drifts)
    farthest: dict[str, Drift] = {}
    for drift in drifts:
        if drift.number.is_of_tone and _gone(drift) > _gone(farthest.get(drift.source)):
            farthest[drift.source] = drift
    return [
        drift
        for drift in drifts
        if (drift.source not in farthest or drift.number.name != "harsh")
        and (not drift.number.is_of_tone or drift is farthest[drift.source])
    ]


def _gone(drift: Drift | None) -> float:
    """Length of the way a number has crept, in just noticeable differences."""
    return 0.0 if drift is None else abs(drift.chart.line[1] - drift.chart.line[0]) / drift.number.jnd


def with_trends(findings: Mapping[str, Sequence[Finding]], drifts: Iterable[Drift]) -> dict[str, list[Finding]]:
    """Findings of which a level that has crept to where it is says since when, in its own sentence."""
    trends = {}
    for drift in drifts:
        rises = drift.chart.line[1] > drift.chart.line[0]
        if drift.number.name == "level" and _gone(drift) >= LEAST_NOTICEABLE:
            trends[drift.source, "level-high" if rises else "level-low"] = _trend_words(drift, rises=rises)
    return {
        source: [
            replace(finding, facts={**finding.facts, "trend": trends[source, finding.kind]})
            if (source, finding.kind) in trends
            else finding
            for finding in several
        ]
        for source, several in findings.items()
    }


def _trend_words(drift: Drift, *, rises: bool) -> str:
    """Words for the way a level goes, went, or stays since a step, and since when: a month, where the take has a date."""
    chart = drift.chart
    word = phrase("so" if chart.is_step else "rising" if rises else "falling")
    if drift.since is None or (chart.stayed_weeks and drift.until is None):
        ago = phrase(" until {weeks} ago", weeks=weeks_text(chart.stayed_weeks)) if chart.stayed_weeks else ""
        return phrase("{word} for {weeks}{ago}", word=word, weeks=weeks_text(chart.weeks), ago=ago)
    began = _month(drift.since, chart.weeks + chart.stayed_weeks)
    if drift.until is None:
        return phrase("{word} since {began}", word=word, began=began)
    ended = _month(drift.until, chart.stayed_weeks)
    verb = phrase("rose" if rises else "fell")
    if began == ended:
        return phrase("{verb} in {began}", verb=verb, began=began)
    return phrase("{verb} from {began} to {ended}", verb=verb, began=began, ended=ended)


def _month(day: str, weeks_ago: float) -> str:
    """Month of a date, with its year where a month alone could be this year's."""
    when = date.fromisoformat(day)
    month = phrase(MONTHS[when.month - 1])
    return f"{month} {when.year}" if weeks_ago >= _YEAR_TOLD_WEEKS else month
