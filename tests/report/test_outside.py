"""What is said of numbers that lie outside and are not raised, and of what would be."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from deskhand.baseline.normal import Normal
from deskhand.report.outside import outside_line, quietly_outside, told_line

if TYPE_CHECKING:
    from collections.abc import Sequence

OCTAVES = ("63", "125", "250", "500", "1000", "2000", "4000", "8000")


def tone(off_db: Sequence[float], *, probability: float = 3e-3, reach_db: float = 4.0) -> Normal:
    """Tone that lies so far from what is usual, whose ranges reach so far."""
    bands = {octave: (off, 0.0, -reach_db, reach_db) for octave, off in zip(OCTAVES, off_db, strict=True)}
    worst = max(off_db, key=abs)
    return Normal(
        name="tone", stage="tap", measured=worst, expected=0.0, low=-reach_db, high=reach_db, unit="dB", kept=8,
        by_player=8, probability=probability, noticeable=abs(worst), bands_db=bands,
    )  # fmt: skip


def source(normal: Normal, *kinds: str) -> Any:
    return SimpleNamespace(name="lead voice", normal=[normal], findings=[SimpleNamespace(kind=kind) for kind in kinds])


THIN = (-15.0, -12.0, -6.0, 0.0, 0.0, 0.0, 0.0, 0.0)
"""As behind a high-pass at 300 Hz."""


@pytest.mark.source("common practice, no source: a voice without its lows is not well, however much it varies")
def test_a_tone_far_outside_is_marked_where_it_is_not_raised() -> None:
    line = outside_line(SimpleNamespace(sources=[source(tone(THIN))]))  # type: ignore[arg-type]
    assert line == (
        "* outside what is normal here, not far enough to be raised: lead voice: 15 dB less from 63 Hz to 125 Hz than in other weeks."
    )


@pytest.mark.parametrize(
    ("normal", "kinds"),
    [
        pytest.param(tone(THIN), ("tone",), id="raised"),
        pytest.param(tone(THIN), ("swapped",), id="explained"),
        pytest.param(tone(THIN, probability=0.02), (), id="as-in-many-weeks"),
        pytest.param(tone([0.3 * off_db for off_db in THIN]), (), id="hardly-heard"),
        pytest.param(tone(THIN, reach_db=20.0), (), id="inside"),
    ],
)
def test_what_is_told_or_usual_has_no_mark(normal: Normal, kinds: tuple[str, ...]) -> None:
    assert not quietly_outside(source(normal, *kinds))


def test_what_would_be_said_is_rounded_to_what_is_kept() -> None:
    normal = replace(tone(THIN), least_told={"lows": 5.2, "middle": 3.0, "top": 4.1})
    assert told_line(normal) == (
        "A change of its tone would be said from 6 dB in its lows, 3 dB in its middle and 5 dB in its top."
    )
    only = replace(normal, least_told={"lows": 5.2})
    assert told_line(only) == "A change of its tone would be said from 6 dB in its lows."
    assert told_line(replace(normal, least_told=None)) == told_line(None) == ""


def test_what_cannot_be_told_is_said() -> None:
    normal = replace(tone(THIN), least_told={"lows": 30.0, "middle": 7.0, "top": 15.1})
    assert told_line(normal) == (
        "A change of its tone would be said from 7 dB in its middle. Of its lows and its top nothing can be told yet: weeks differ by more."
    )
