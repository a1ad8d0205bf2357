"""Sound level at a seat that is over the house's limit, or louder than usual in this house."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.finding import Finding
from deskhand.findings.kind import Kind
from deskhand.units import clock, number
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.findings.finding import Fact
    from deskhand.seat.exposure import SeatExposure
    from deskhand.seat.limit import LimitStanding

ENTRY: Final = KindEntry(
    kind=Kind(
        name="too-loud",
        words="too loud",
        meaning="at a seat: the limit that the house chose is passed at the loudest place the public can reach (*fix*); a song, the speech or "
        "the whole show is louder than its kept weeks lead to expect (*listen*)",
        act="the whole mix, or the song; ask your safety officer",
    ),
    sentences={
        "level": "{measured:1} dBA over {window} at the loudest place the public can reach, {over_db:1} dB over {limit}; passed at {passed}",
        "dose": "{measured:0} % of a day's exposure by {limit} at the loudest place the public can reach; all of it was reached at {passed}",
        "peak": "a peak of {measured:1} dBC at the loudest place the public can reach, {over_db:1} dB over {limit}",
        "song": "{name} at {begins}: {measured:1} {level_unit}, {off_db:1} dB louder than it usually is here",
        "speech": "the speech at {begins}: {measured:1} {level_unit}, {off_db:1} dB louder than speech usually is here",
        "whole": "{measured:1} {level_unit} over the whole recording, {off_db:1} dB louder than usual here",
    },
    who="desk",
    advice={
        "mix-down": Advice(text="bring the whole mix down", who="desk"),
        "ask-safety": Advice(text="ask your safety officer what holds here", who="office"),
    },
)


def seat_findings(exposure: SeatExposure) -> list[Finding]:
    """Findings of an evening at a seat, the most serious first; without their sentences.

    Parameters
    ----------
    exposure : SeatExposure
    """
    findings = [*_over_the_limit(exposure), *_louder_than_usual(exposure)]
    return [
        finding if count == 1 else replace(finding, id=f"{finding.id}-{count}")
        for count, finding in enumerate(findings, 1)
    ]


def _louder_than_usual(exposure: SeatExposure) -> list[Finding]:
    """Findings of levels above what kept weeks lead to expect."""
    unit = "dBA" if exposure.calibrated else phrase("dB re full scale")
    findings = []
    usual, level_db = exposure.whole_usual, exposure.whole.laeq_db
    if usual is not None and level_db is not None and level_db > usual.high_db:
        facts: dict[str, Fact] = {"level_unit": unit, "off_db": level_db - usual.expected_db}
        findings.append(
            Finding(
                id=f"{exposure.seat}/too-loud",
                kind="too-loud",
                stage="tap",
                severity="listen",
                what="whole",
                advice=("mix-down",),
                facts=facts,
                metric="laeq_db",
                measured=level_db,
                expected=usual.expected_db,
                high=usual.high_db,
                unit="dB",
            )
        )
    for stretch in exposure.louder:
        readings, expected = stretch.readings, stretch.usual
        if readings.laeq_db is None or expected is None:
            continue
        off_db = readings.laeq_db - expected.expected_db
        begins, name = clock(readings.from_s), stretch.name or phrase("the song")
        findings.append(
            Finding(
                id=f"{exposure.seat}/too-loud",
                kind="too-loud",
                stage="tap",
                severity="listen",
                what="song" if stretch.kind == "song" else "speech",
                advice=("mix-down",),
                facts={"level_unit": unit, "off_db": off_db, "begins": begins, "name": name},
                metric="laeq_db",
                measured=readings.laeq_db,
                expected=expected.expected_db,
                high=expected.high_db,
                unit="dB",
                at_s=((readings.from_s, readings.to_s),),
            )
        )
    return findings


def _over_the_limit(exposure: SeatExposure) -> list[Finding]:
    """Findings of a limit that was passed."""
    standing = exposure.limit
    if standing is None:
        return []
    findings = []
    if standing.passed_s is not None:
        dosed = standing.dose_pct is not None
        measured = standing.dose_pct if standing.dose_pct is not None else standing.level_db
        expected = 100.0 if dosed else standing.limit_db
        over_db = 0.0 if dosed or measured is None else measured - standing.limit_db
        moment, window = spoken_moment(exposure, standing.passed_s), window_words(standing)
        findings.append(
            Finding(
                id=f"{exposure.seat}/too-loud",
                kind="too-loud",
                stage="tap",
                severity="fix",
                what="dose" if dosed else "level",
                advice=("mix-down", "ask-safety"),
                facts={"limit": standing.name, "passed": moment, "window": window, "over_db": over_db},
                metric="dose_pct" if dosed else "laeq_db",
                measured=measured,
                expected=expected,
                high=expected,
                unit="%" if dosed else "dB",
            )
        )
    peak_db, limit_db = standing.lcpeak_db, standing.lcpeak_limit_db
    if peak_db is not None and limit_db is not None and peak_db > limit_db:
        findings.append(
            Finding(
                id=f"{exposure.seat}/too-loud",
                kind="too-loud",
                stage="tap",
                severity="fix",
                what="peak",
                advice=("mix-down", "ask-safety"),
                facts={"limit": standing.name, "over_db": peak_db - limit_db},
                metric="lcpeak_db",
                measured=peak_db,
                expected=limit_db,
                high=limit_db,
                unit="dB",
            )
        )
    return findings


def window_words(standing: LimitStanding) -> str:
    """Window of a limit in words."""
    if standing.window == "half-hours":
        return phrase("a half hour of the clock")
    return f"{number(standing.window_s / 60.0)} min" if standing.window == "sliding" else phrase("the day")


def spoken_moment(exposure: SeatExposure, moment_s: float) -> str:
    """Moment of the evening as people say it: the time of day where it is known, else the time into the recording."""
    if exposure.clock_s is None:
        return clock(moment_s)
    minutes = int((exposure.clock_s + moment_s) // 60.0) % 1440
    return f"{minutes // 60}:{minutes % 60:02d} h"
