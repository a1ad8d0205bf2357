"""Loudspeakers against the kept weeks: what is a loudspeaker's fault, what is not, and what cannot be told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from deskhand.findings.loudspeakers import loudspeaker_findings
from deskhand.findings.text import say
from deskhand.report.loudspeakers import octave_dots
from deskhand.seat.feed import OCTAVES_HZ
from deskhand.seat.feed_result import feed_at_seat
from deskhand.seat.feed_weeks import FeedWeek, judge_week, week_content, week_of_content

if TYPE_CHECKING:
    from collections.abc import Mapping

FLAT = dict.fromkeys(OCTAVES_HZ, -20.0)
HIGH = (4000, 8000)


def week(
    date: str = "2026-05-03",
    *,
    left: Mapping[int, float] | None = None,
    right: Mapping[int, float] | None = None,
    late_ms: float = 0.0,
    gain_db: float = 0.0,
    apart: bool = True,
) -> FeedWeek:
    """Week whose sides differ from a flat one in some octaves; a side changed by None is covered by noise at -45 dB."""
    changes = {"left": left or {}, "right": right or {}}
    sides = {
        side: {hz: level + gain_db + change.get(hz, 0.0) for hz, level in FLAT.items()}
        for side, change in changes.items()
    }
    covered = {side: {hz: level for hz, level in row.items() if level > -45.0} for side, row in sides.items()}
    both = {hz: (sides["left"][hz] + sides["right"][hz]) / 2 for hz in OCTAVES_HZ}
    return FeedWeek(
        date=date,
        delays_ms={"left": 40.0 + late_ms if covered["left"] else None, "right": 41.0, "both": 40.0},
        levels_db={**(covered if apart else {}), "both": both},  # type: ignore[dict-item]
        most_db={side: {hz: max(level, -45.0) for hz, level in row.items()} for side, row in sides.items()},  # type: ignore[misc]
    )


KEPT = [week(f"2026-04-{day:02d}", left={1000: off}, late_ms=off) for day, off in ((5, 0.4), (12, -0.5), (19, 0.2))]


def everywhere(change_db: float) -> dict[int, float]:
    """Change of all octaves."""
    return dict.fromkeys(OCTAVES_HZ, change_db)


def top(change_db: float) -> dict[int, float]:
    """Change of the highest octaves."""
    return dict.fromkeys(HIGH, change_db)


@pytest.mark.parametrize(
    ("tonight", "said"),
    [
        pytest.param(week(left=top(-7.0)), "the left side is 7 dB down above 2.8 kHz since 3 May 2026; check that loudspeaker's high driver", id="driver"),
        pytest.param(week(right=top(-4.0), gain_db=5.0), "the right side is 4 dB down above 2.8 kHz", id="other side, preamp turned"),
        pytest.param(week(left=top(-40.0)), "the left side is 25 dB or more down above 2.8 kHz", id="nothing left of it"),
        pytest.param(week(right=everywhere(-40.0)), "the right side does not reach this seat since 3 May 2026, or is 25 dB down", id="side gone"),
        pytest.param(week(left=everywhere(-5.0)), "the left side is 5 dB down at every pitch since 3 May 2026", id="side down"),
        pytest.param(week(late_ms=5.0), "the left side comes 4.8 ms later against the other side", id="late"),
        pytest.param(week(late_ms=-5.0), "the right side comes 5.2 ms later against the other side", id="late by the other's delay"),
    ],
)  # fmt: skip
def test_a_changed_loudspeaker_is_named(tonight: FeedWeek, said: str) -> None:
    (finding,) = loudspeaker_findings("balcony", judge_week(tonight, KEPT).changes)
    assert said in say(finding)
    assert finding.severity == ("fix" if finding.unit == "dB" and abs(finding.measured or 0.0) >= 6 else "listen")


@pytest.mark.parametrize(
    ("tonight", "said"),
    [
        pytest.param(week(), "loudspeakers as in 3 kept weeks", id="as always"),
        pytest.param(week(gain_db=-12.0), "loudspeakers as in 3 kept weeks", id="preamp"),
        pytest.param(week(left=top(-4.5), right=top(-4.0)), "both sides 4 dB less above 2.8 kHz than in the kept weeks: the air", id="dry air, full room"),
        pytest.param(week(left=top(5.0), right=top(5.0)), "both sides 5 dB more above 2.8 kHz", id="brighter"),
        pytest.param(week(left=top(-1.5), right={500: 2.0, 1000: -2.0}, late_ms=2.5), "loudspeakers as in 3 kept weeks", id="moved microphone"),
        pytest.param(week(apart=False), "cannot tell the loudspeakers apart tonight", id="narrow mix"),
    ],
)  # fmt: skip
def test_what_no_loudspeaker_does_is_no_finding(tonight: FeedWeek, said: str) -> None:
    verdict = judge_week(tonight, KEPT)
    assert loudspeaker_findings("balcony", verdict.changes) == []
    assert any(said in line for line in feed_at_seat("balcony", None, verdict, kept=3).lines)


def test_it_takes_three_kept_weeks_in_which_the_sides_are_apart() -> None:
    broken = week(left=top(-9.0))
    assert judge_week(broken, KEPT[:2]).not_judged == "too few kept weeks"
    assert judge_week(broken, [week(apart=False)] * 3).not_judged == "sides not apart in the kept weeks"


def test_since_when_is_the_first_kept_week_of_the_last_ones_that_show_it() -> None:
    kept = [*KEPT, week("2026-04-26", left=top(-7.0))]
    (change,) = judge_week(week(left=top(-7.0)), kept).changes
    assert change.since == "2026-04-26"


def test_a_house_whose_weeks_differ_much_is_told_less() -> None:
    restless = [week(f"2026-04-{day:02d}", left=top(off)) for day, off in ((5, 3.0), (12, 0.0), (19, -3.0))]
    assert judge_week(week(left=top(-6.0)), restless).changes == ()
    assert judge_week(week(left=top(-13.0)), restless).changes[0].kind == "top down"


def test_what_the_history_holds_is_read_back() -> None:
    known = week(left=top(-30.0))
    assert week_of_content(week_content(known), known.date) == known
    damaged = week_of_content({"levels_db": {"left": {"1000": "loud"}}, "delays_ms": 3}, "2026-01-01")
    assert damaged.levels_db == {"left": {}}
    assert judge_week(damaged, KEPT).not_judged == "sides not apart tonight"


def test_a_dot_an_octave_says_which_side_has_less() -> None:
    tonight = week(left=top(-7.0), right={63: -40.0})
    dots = octave_dots(feed_at_seat("balcony", None, judge_week(tonight, KEPT), kept=3))
    assert [dot.words for dot in dots] == ["right 25 dB less", "", "", "", "", "", "left 7 dB less", "left 7 dB less"]
    without = octave_dots(feed_at_seat("balcony", None, judge_week(tonight, KEPT[:2]), kept=2))
    assert without == ()
