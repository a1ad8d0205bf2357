"""Loudspeakers tonight against the kept weeks: one side gone or down, its high driver down, later than it was, or what no single loudspeaker does.

Left is judged against right: dry air, a full room, the microphone, its gain and the mix act on both alike. How loud both are together is never judged.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from deskhand.seat.feed import OCTAVES_HZ, SIDES, Side

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from deskhand.seat.feed import FeedResponse

ChangeKind = Literal["side down", "top down", "late", "both duller", "both brighter"]
"""Side gone or down throughout; down at the top alone; later against the other side; both changed at the top alike."""
NotJudged = Literal[
    "", "no recorded mix", "line check", "too little music", "too few kept weeks", "sides not apart in the kept weeks", "sides not apart tonight",
]  # fmt: skip
"""Reason why nothing is compared; empty where it is."""
LEAST_KEPT: Final = 3
"""Kept weeks that it takes: fewer do not show what is usual. Common practice, no source."""
HIGH_HZ: Final = (4000, 8000)
"""Octaves of the high driver: most take over between 1 and 3 kHz. Common practice, no source."""
MIDDLE_HZ: Final = (500, 1000, 2000)
"""Octaves against which they are judged. Common practice, no source."""
_USABLE_PM_DB: Final = 2.0
"""Half of the 95 % band up to which a level enters a mean of several. Common practice, no source."""
SIDE_DB: Final = 3.4
"""Change of one side against the other at the top from which it is told: the microphone moved by half a metre does 2 dB. Set by the study
(docs/validation-feed-to-seat.md)."""
_GONE_DB: Final = 10.0
"""Fall throughout from which a side counts as gone. Common practice, no source."""
_ALONE_SHARE: Final = 0.5
"""Share of the fall at the top that the middle may have and the high driver is still named. Common practice, no source."""
_BOTH_DB: Final = 3.0
"""Change at the top of both sides alike that is mentioned. Common practice, no source."""
_KNOWN_SPREADS: Final = 2.6
"""A house whose kept weeks differ more than those of the study is told less: standard deviations of its own weeks, as a limit. With the study's
1.3 dB or less it is `SIDE_DB`."""
_OF_MEDIAN: Final = 1.4826
"""Standard deviation of a normal distribution against its median absolute deviation. Arithmetic."""
LATE_MS: Final = 3.0
"""Change of the delay between the sides that is told: half a metre towards one and away from the other is 2.9 ms at 20 °C. Arithmetic."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedWeek:
    """Loudspeakers in one week, as the history keeps them."""

    date: str
    delays_ms: Mapping[Side, float | None]
    levels_db: Mapping[Side, Mapping[int, float]]
    """Side to octave to its level, where that is known well enough."""
    most_db: Mapping[Side, Mapping[int, float]]
    """Side to octave to what the level is at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedChange:
    """One thing that is not as in the kept weeks."""

    kind: ChangeKind
    side: Side
    change_db: float | None = None
    """Against the kept weeks; negative: less."""
    change_ms: float | None = None
    at_least: bool = False
    """True where noise covers what is left: it is down by that much or more."""
    gone: bool = False
    """True where it is down so far that nothing of the side is left."""
    above_hz: float | None = None
    """Lower edge of the lowest octave that is down; None: all are."""
    since: str = ""
    """First week that shows it: tonight, or an earlier kept one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedVerdict:
    """All that a comparison with the kept weeks says."""

    changes: tuple[FeedChange, ...] = ()
    octaves_db: Mapping[int, float] = field(default_factory=dict)
    """Octave to the change of left against right since the kept weeks, where it is known."""
    not_judged: NotJudged = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shift:
    """Mean change of left against right over some octaves."""

    change_db: float
    at_least: bool
    octaves_db: Mapping[int, float]


def feed_week(response: FeedResponse, date: str) -> FeedWeek:
    """Week of a response."""
    levels_db: dict[Side, dict[int, float]] = {}
    for side, row in response.sides.items():
        known = {
            hz: octave
            for hz, octave in row.octaves.items()
            if octave.pm_db is not None and octave.pm_db <= _USABLE_PM_DB
        }
        levels_db[side] = {hz: octave.level_db for hz, octave in known.items() if octave.level_db is not None}
    return FeedWeek(
        date=date,
        delays_ms={side: row.delay_ms for side, row in response.sides.items()},
        levels_db=levels_db,
        most_db={
            side: {hz: octave.most_db for hz, octave in row.octaves.items()} for side, row in response.sides.items()
        },
    )


def judge_week(tonight: FeedWeek, kept: Sequence[FeedWeek]) -> FeedVerdict:
    """Changes of the loudspeakers against the kept weeks.

    Parameters
    ----------
    tonight : FeedWeek
    kept : sequence of FeedWeek
        Of the same seat, in any order.
    """
    if len(kept) < LEAST_KEPT:
        return FeedVerdict(not_judged="too few kept weeks")
    weeks = sorted(kept, key=lambda week: week.date)
    if not any(_differences(week, HIGH_HZ) for week in weeks):
        return FeedVerdict(not_judged="sides not apart in the kept weeks")
    top, middle = _shift(tonight, weeks, HIGH_HZ), _shift(tonight, weeks, MIDDLE_HZ)
    changes = [
        change for change in (_level_change(tonight, weeks, top, middle), _late(tonight, weeks)) if change is not None
    ]
    all_octaves = _shift(tonight, weeks, OCTAVES_HZ)
    octaves_db = {} if all_octaves is None else all_octaves.octaves_db
    if top is None and not changes:
        return FeedVerdict(not_judged="sides not apart tonight")
    if not changes:
        changes = [change for change in (_both(tonight, weeks, top),) if change is not None]
    return FeedVerdict(changes=tuple(changes), octaves_db=octaves_db)


def _differences(week: FeedWeek, octaves_hz: Sequence[int]) -> dict[int, float]:
    """Left against right by octave, where both are known."""
    left, right = week.levels_db.get("left", {}), week.levels_db.get("right", {})
    return {hz: left[hz] - right[hz] for hz in octaves_hz if hz in left and hz in right}


def _usual(kept: Sequence[FeedWeek], octaves_hz: Sequence[int]) -> dict[int, float]:
    """Median of the kept weeks' differences by octave."""
    rows = [_differences(week, octaves_hz) for week in kept]
    return {
        hz: float(np.median([row[hz] for row in rows if hz in row]))
        for hz in octaves_hz
        if any(hz in row for row in rows)
    }


def _shift(tonight: FeedWeek, kept: Sequence[FeedWeek], octaves_hz: Sequence[int]) -> _Shift | None:
    """Change of left against right; None where no octave tells it.

    Where noise covers one side and not the other, the upper end of its band stands for it: the change is at least that.
    """
    usual_db = _usual(kept, octaves_hz)
    octaves_db: dict[int, float] = {}
    at_least = False
    left, right = tonight.levels_db.get("left", {}), tonight.levels_db.get("right", {})
    for hz, expected_db in usual_db.items():
        if hz in left and hz in right:
            octaves_db[hz] = left[hz] - right[hz] - expected_db
        elif (hz in right and (bound_db := _most_db(tonight, "left", hz) - right[hz] - expected_db) < 0.0) or (
            hz in left and (bound_db := left[hz] - _most_db(tonight, "right", hz) - expected_db) > 0.0
        ):
            octaves_db[hz], at_least = bound_db, True
    if not octaves_db:
        return None
    return _Shift(change_db=float(np.mean(list(octaves_db.values()))), at_least=at_least, octaves_db=octaves_db)


def _most_db(week: FeedWeek, side: Side, octave_hz: int) -> float:
    """Upper end of a level's band; infinite where nothing is known."""
    return week.most_db.get(side, {}).get(octave_hz, float("inf"))


def _own_spread_db(kept: Sequence[FeedWeek], octaves_hz: Sequence[int]) -> float:
    """Standard deviation of the kept weeks' mean difference, by its median so that a kept week with a fault does not widen it."""
    usual_db = _usual(kept, octaves_hz)
    rows = [_differences(week, octaves_hz) for week in kept]
    off_db = [abs(float(np.mean([row[hz] - usual_db[hz] for hz in row]))) for row in rows if row]
    return _OF_MEDIAN * float(np.median(off_db)) if off_db else 0.0


def _level_change(
    tonight: FeedWeek, kept: Sequence[FeedWeek], top: _Shift | None, middle: _Shift | None
) -> FeedChange | None:
    """Side that fell against the other, at the top or throughout."""
    if top is None:
        return None
    limit_db = max(SIDE_DB, _KNOWN_SPREADS * _own_spread_db(kept, HIGH_HZ))
    if abs(top.change_db) < limit_db:
        return None
    side: Side = "left" if top.change_db < 0.0 else "right"
    fall_db = abs(top.change_db)
    middle_db = 0.0 if middle is None else middle.change_db * np.sign(top.change_db)
    if middle is not None and middle_db >= _ALONE_SHARE * fall_db:
        octaves_db = [*top.octaves_db.values(), *middle.octaves_db.values()]
        change_db, at_least = -abs(float(np.mean(octaves_db))), top.at_least or middle.at_least
        gone = tonight.delays_ms.get(side) is None or -change_db >= _GONE_DB
        kind: ChangeKind = "side down"
        lowest = None
    else:
        change_db, at_least, gone, kind = -fall_db, top.at_least, False, "top down"
        lowest = _lower_edge_hz(
            min(hz for hz, octave_db in top.octaves_db.items() if abs(octave_db) >= _ALONE_SHARE * fall_db)
        )
    return FeedChange(
        kind=kind,
        side=side,
        change_db=change_db,
        at_least=at_least,
        gone=gone,
        above_hz=lowest,
        since=_since(tonight, kept, lambda week: _is_down(week, kept, side, limit_db)),
    )


def _lower_edge_hz(octave_hz: int) -> float:
    """Lower edge of an octave."""
    return octave_hz / float(np.sqrt(2.0))


def _is_down(week: FeedWeek, kept: Sequence[FeedWeek], side: Side, limit_db: float) -> bool:
    """True where that side is down at the top in a week too."""
    shift = _shift(week, kept, HIGH_HZ)
    sign = -1.0 if side == "left" else 1.0
    return shift is not None and sign * shift.change_db >= limit_db


def _since(tonight: FeedWeek, kept: Sequence[FeedWeek], shows: Callable[[FeedWeek], bool]) -> str:
    """Date of the first of the last weeks in a row that show it."""
    date = tonight.date
    for week in reversed(kept):
        if not shows(week):
            break
        date = week.date
    return date


def _between_ms(week: FeedWeek) -> float | None:
    """Delay of left against right."""
    left_ms, right_ms = week.delays_ms.get("left"), week.delays_ms.get("right")
    return None if left_ms is None or right_ms is None else left_ms - right_ms


def _late(tonight: FeedWeek, kept: Sequence[FeedWeek]) -> FeedChange | None:
    """Side that comes later against the other than it did."""
    usual_ms = [between_ms for between_ms in map(_between_ms, kept) if between_ms is not None]
    now_ms = _between_ms(tonight)
    if now_ms is None or len(usual_ms) < LEAST_KEPT:
        return None
    middle_ms = float(np.median(usual_ms))
    change_ms = now_ms - middle_ms
    if abs(change_ms) < LATE_MS:
        return None
    side: Side = "left" if change_ms > 0.0 else "right"

    def shows(week: FeedWeek) -> bool:
        between_ms = _between_ms(week)
        return between_ms is not None and (between_ms - middle_ms) * np.sign(change_ms) >= LATE_MS

    return FeedChange(kind="late", side=side, change_ms=abs(change_ms), since=_since(tonight, kept, shows))


def _both(tonight: FeedWeek, kept: Sequence[FeedWeek], top: _Shift | None) -> FeedChange | None:
    """Both sides duller or brighter alike, more so than unlike: the air, the audience or the microphone."""
    usual = [tilt_db for tilt_db in map(_tilt_db, kept) if tilt_db is not None]
    now_db = _tilt_db(tonight)
    if now_db is None or len(usual) < LEAST_KEPT:
        return None
    change_db = now_db - float(np.median(usual))
    unlike_db = 0.0 if top is None else abs(top.change_db)
    if abs(change_db) < _BOTH_DB or unlike_db > abs(change_db) / 2.0:
        return None
    return FeedChange(
        kind="both duller" if change_db < 0.0 else "both brighter",
        side="both",
        change_db=change_db,
        above_hz=_lower_edge_hz(HIGH_HZ[0]),
        since=tonight.date,
    )


def _tilt_db(week: FeedWeek) -> float | None:
    """Top against middle of both sides fed alike."""
    levels_db = week.levels_db.get("both", {})
    if not all(hz in levels_db for hz in (*HIGH_HZ, *MIDDLE_HZ)):
        return None
    return float(np.mean([levels_db[hz] for hz in HIGH_HZ]) - np.mean([levels_db[hz] for hz in MIDDLE_HZ]))


def week_content(week: FeedWeek) -> dict[str, Any]:
    """Week as the history keeps it."""
    return {
        "delays_ms": dict(week.delays_ms),
        "levels_db": {side: {str(hz): value for hz, value in row.items()} for side, row in week.levels_db.items()},
        "most_db": {side: {str(hz): value for hz, value in row.items()} for side, row in week.most_db.items()},
    }


def week_of_content(content: Mapping[str, Any], date: str) -> FeedWeek:
    """Week that the history holds; what is damaged is left out."""

    def octaves(name: str) -> dict[Side, dict[int, float]]:
        rows = content.get(name)
        sides = rows if isinstance(rows, dict) else {}
        return {
            side: {hz: float(row[str(hz)]) for hz in OCTAVES_HZ if isinstance(row.get(str(hz)), int | float)}
            for side in SIDES
            if isinstance(row := sides.get(side), dict)
        }

    delays = content.get("delays_ms")
    times = delays if isinstance(delays, dict) else {}
    return FeedWeek(
        date=date,
        delays_ms={side: float(times[side]) if isinstance(times.get(side), int | float) else None for side in SIDES},
        levels_db=octaves("levels_db"),
        most_db=octaves("most_db"),
    )
