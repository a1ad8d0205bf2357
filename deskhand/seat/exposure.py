"""Sound level and exposure at a seat over an evening: by song and speech, against the chosen limit, for staff, and against kept weeks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from deskhand.seat.levels import LevelReadings, Sensitivity, equivalent_db, level_readings
from deskhand.seat.limit import (
    QUARTER_S,
    LimitStanding,
    WindowLevel,
    half_hours,
    sliding_squares,
    standing,
)
from deskhand.seat.staff import WorkTask, daily_exposure, weekly_exposure_db
from deskhand.seat.usual import UsualLevel, kept_levels, usual_level
from deskhand.units import db_from_power

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.house import LevelLimit, Source, StaffMember
    from deskhand.seat.meter import LevelCourse
    from deskhand.seat.stretches import ShowStretch

LEVEL_VERSION: Final = 1
"""Version of what the history holds of a week's levels."""
NO_OFFSET: Final = "no-offset"
NOT_CALIBRATED: Final = "not-calibrated"
REFUSED: Final = "refused"
"""Reasons why a standing against the limit is not told: names of the catalogue of words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StretchLevel:
    """Song or speech with its level."""

    kind: str
    """"song" or "speech"."""
    name: str
    """As the show's note calls it; empty where nobody did."""
    readings: LevelReadings
    usual: UsualLevel | None = None
    """Of the same song, or of this house's speeches, in kept weeks."""

    @property
    def is_louder(self) -> bool:
        """True where it is louder than kept weeks lead to expect."""
        level_db = self.readings.laeq_db
        return self.usual is not None and level_db is not None and level_db > self.usual.high_db


@dataclass(frozen=True, slots=True, kw_only=True)
class StaffExposure:
    """Exposure of a person who worked at the seat."""

    name: str
    from_s: float
    to_s: float
    laeq_db: float | None
    lex_8h_db: float | None
    uncertainty_db: float | None
    """Expanded, one-sided 95 % (ISO 9612:2009)."""
    week_db: float | None = None
    """Of this week's kept shows and this one, averaged over five days; None while this is the only one."""
    week_shows: int = 1
    not_measured: str = ""
    """Reason why there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatExposure:
    """Sound level and exposure at a seat in one recording."""

    seat: str
    microphone: str
    calibrated: bool
    calibrated_at: str | None
    uncertainty_db: float | None
    """Expanded uncertainty of an average level, one-sided 95 %; null where the microphone is not calibrated."""
    notes: tuple[str, ...]
    whole: LevelReadings
    whole_usual: UsualLevel | None
    stretches: tuple[StretchLevel, ...]
    songs_db: float | None
    """LAeq of all songs together."""
    speech_db: float | None
    """LAeq of all speech together."""
    quarter: WindowLevel | None
    """Loudest 15 minutes; null for a shorter recording."""
    half_hours: tuple[WindowLevel, ...]
    clock_s: float | None
    """Time of day at which the recording begins; null where nobody said: half hours are then counted from its beginning."""
    limit: LimitStanding | None
    """Standing at the loudest place that the public can reach; null where no limit was chosen, or it cannot be told."""
    limit_reason: str | None
    staff: tuple[StaffExposure, ...]
    usual: dict[str, UsualLevel]
    """Usual levels of the kept weeks by what they are of: "whole", "songs", "speech"."""

    @property
    def louder(self) -> tuple[StretchLevel, ...]:
        """Songs and speeches that are louder than usual."""
        return tuple(stretch for stretch in self.stretches if stretch.is_louder)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeatFacts:
    """Facts about a seat and its evening, beside what was measured."""

    seat: Source
    sensitivity: Sensitivity
    notes: tuple[str, ...] = ()
    calibrated_at: str | None = None
    stretches: Sequence[ShowStretch] = ()
    limit: LevelLimit | None = None
    staff: Sequence[StaffMember] = ()
    phase: str = "show"
    shift_s: float = 0.0
    """Where in the recording the course begins."""
    clock_s: float | None = None
    kept: Sequence[Mapping[str, Any]] = ()
    """Contents of the kept weeks' records of this seat."""
    kept_this_week: Sequence[Mapping[str, Any]] = ()
    """Those of the same calendar week, for staff."""


def seat_exposure(course: LevelCourse, facts: SeatFacts) -> SeatExposure:
    """Levels and exposure of an evening at a seat.

    Parameters
    ----------
    course : LevelCourse
    facts : SeatFacts
    """
    sensitivity = facts.sensitivity
    whole = level_readings(course, sensitivity, shift_s=facts.shift_s)
    kept = kept_levels(facts.kept, phase=facts.phase, calibrated=sensitivity.calibrated)
    usual = {name: level for name in kept if (level := usual_level(kept[name])) is not None}
    songs = [stretch for stretch in facts.stretches if stretch.kind == "song"]
    speeches = [stretch for stretch in facts.stretches if stretch.kind == "speech"]
    clock_s = None if facts.clock_s is None else facts.clock_s + facts.shift_s
    limit, reason = _limit_standing(course, facts, whole, clock_s)
    refused = whole.laeq_db is None
    return SeatExposure(
        seat=facts.seat.name,
        microphone=facts.seat.microphone or facts.seat.name,
        calibrated=sensitivity.calibrated,
        calibrated_at=facts.calibrated_at,
        uncertainty_db=sensitivity.uncertainty_db if sensitivity.calibrated else None,
        notes=facts.notes,
        whole=whole,
        whole_usual=usual.get("whole"),
        stretches=tuple(_stretch_level(course, stretch, facts, usual) for stretch in facts.stretches),
        songs_db=None if refused else _joined_db(course, songs, sensitivity),
        speech_db=None if refused else _joined_db(course, speeches, sensitivity),
        quarter=None if refused else _quarter(course, sensitivity, facts.shift_s),
        half_hours=() if refused else tuple(
            replace(window, from_s=window.from_s + facts.shift_s, to_s=window.to_s + facts.shift_s)
            for window in half_hours(course.a_square, sensitivity.offset_db, clock_s=clock_s)
        ),
        clock_s=facts.clock_s,
        limit=limit,
        limit_reason=reason,
        staff=tuple(_staff_exposure(course, member, facts) for member in facts.staff),
        usual=usual,
    )  # fmt: skip


def _stretch_level(
    course: LevelCourse, stretch: ShowStretch, facts: SeatFacts, usual: Mapping[str, UsualLevel]
) -> StretchLevel:
    """Song or speech with its level and what is usual."""
    readings = level_readings(course, facts.sensitivity, start=stretch.start, end=stretch.end, shift_s=facts.shift_s)
    expected = usual.get("speech") if stretch.kind == "speech" else usual.get(f"song:{stretch.name}")
    return StretchLevel(kind=stretch.kind, name=stretch.name, readings=readings, usual=expected)


def _joined_db(course: LevelCourse, stretches: Sequence[ShowStretch], sensitivity: Sensitivity) -> float | None:
    """LAeq of several stretches together; None where there are none."""
    squares = [course.a_square[stretch.start : stretch.end] for stretch in stretches]
    joined = np.concatenate(squares) if squares else np.empty(0)
    return equivalent_db(joined, sensitivity.offset_db) if joined.size else None


def _quarter(course: LevelCourse, sensitivity: Sensitivity, shift_s: float) -> WindowLevel | None:
    """Loudest 15 minutes; None for a shorter course."""
    if course.seconds < QUARTER_S:
        return None
    means = sliding_squares(course.a_square, QUARTER_S)
    begin = int(np.argmax(means))
    level_db = float(db_from_power(float(means[begin]))) + sensitivity.offset_db
    return WindowLevel(from_s=shift_s + begin, to_s=shift_s + begin + QUARTER_S, laeq_db=level_db)


def _limit_standing(
    course: LevelCourse, facts: SeatFacts, whole: LevelReadings, clock_s: float | None
) -> tuple[LimitStanding | None, str | None]:
    """Standing at the loudest public place, or the reason why there is none; neither where no limit was chosen."""
    if facts.limit is None:
        return None, None
    if not facts.sensitivity.calibrated:
        return None, NOT_CALIBRATED
    offset = facts.seat.offset
    if offset is None:
        return None, NO_OFFSET
    if whole.laeq_db is None:
        return None, REFUSED
    peak_db = None
    if whole.lcpeak_db is not None and offset.lcpeak_db is not None:
        peak_db = whole.lcpeak_db + offset.lcpeak_db
    offset_db = facts.sensitivity.offset_db + offset.laeq_db
    stand = standing(facts.limit, course.a_square, offset_db, clock_s=clock_s, lcpeak_db=peak_db)
    return replace(_shifted(stand, facts.shift_s), offset_db=offset.laeq_db), None


def _shifted(stand: LimitStanding, shift_s: float) -> LimitStanding:
    """Standing with its moments from the start of the recording."""
    return replace(
        stand,
        level_from_s=None if stand.level_from_s is None else stand.level_from_s + shift_s,
        passed_s=None if stand.passed_s is None else stand.passed_s + shift_s,
    )


def _staff_exposure(course: LevelCourse, member: StaffMember, facts: SeatFacts) -> StaffExposure:
    """Exposure of a person from the time spent at this seat, and the rest of the day as far as it was written down."""
    end_s = facts.shift_s + course.seconds if member.to_s is None else member.to_s
    start, end = (max(0, round(moment_s - facts.shift_s)) for moment_s in (member.from_s, end_s))
    readings = level_readings(course, facts.sensitivity, start=start, end=end, shift_s=facts.shift_s)
    person = StaffExposure(
        name=member.name,
        from_s=member.from_s,
        to_s=end_s,
        laeq_db=readings.laeq_db,
        lex_8h_db=None,
        uncertainty_db=None,
    )
    if not facts.sensitivity.calibrated:
        return replace(person, laeq_db=None, not_measured="the microphone is not calibrated")
    if readings.laeq_db is None:
        return replace(person, not_measured=readings.not_measured.get("laeq_db", "was not there while it was recorded"))
    recorded_s = float(min(end, course.seconds) - start)
    tasks = [WorkTask(duration_s=recorded_s, samples_db=(readings.laeq_db,))]
    tasks += [WorkTask(duration_s=work.hours_s, samples_db=(work.level_dba,)) for work in member.besides]
    day = daily_exposure(tasks)
    others = [_kept_lex(content, member.name) for content in facts.kept_this_week]
    week = [level_db for level_db in others if level_db is not None]
    return replace(
        person,
        to_s=facts.shift_s + min(end, course.seconds),
        lex_8h_db=day.lex_8h_db,
        uncertainty_db=day.uncertainty_db,
        week_db=weekly_exposure_db([*week, day.lex_8h_db]) if week else None,
        week_shows=1 + len(week),
    )


def _kept_lex(content: Mapping[str, Any], name: str) -> float | None:
    """Daily exposure of a person in a kept show; None where there was none."""
    table = content.get("staff_lex_8h_db")
    value = table.get(name) if isinstance(table, dict) else None
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def level_content(exposure: SeatExposure, *, phase: str) -> dict[str, Any]:
    """Levels of a week as the history keeps them."""
    levels: dict[str, float | None] = {
        "whole": exposure.whole.laeq_db, "songs": exposure.songs_db, "speech": exposure.speech_db,
    }  # fmt: skip
    for stretch in exposure.stretches:
        if stretch.kind == "song" and stretch.name:
            levels[f"song:{stretch.name}"] = stretch.readings.laeq_db
    return {
        "phase": phase,
        "calibrated": exposure.calibrated,
        "levels_db": {name: level_db for name, level_db in levels.items() if level_db is not None},
        "staff_lex_8h_db": {person.name: person.lex_8h_db for person in exposure.staff if person.lex_8h_db is not None},
    }
