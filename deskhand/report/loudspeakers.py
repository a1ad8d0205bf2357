"""Loudspeakers at each seat: lines, and a dot an octave with what changed since the kept weeks in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.report.words import text
from deskhand.seat.feed import OCTAVES_HZ
from deskhand.seat.feed_weeks import SIDE_DB
from deskhand.units import hertz, number
from deskhand.words import phrase

if TYPE_CHECKING:
    from rich.console import Console

    from deskhand.findings import Finding
    from deskhand.result import CheckResult
    from deskhand.seat.feed_result import FeedAtSeat

_KNOWN, _UNKNOWN = "●", "○"
"""Dots of an octave that is known, and of one that cannot be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OctaveDot:
    """Dot of one octave."""

    name: str
    dot: str
    words: str
    """Side that has less than in the kept weeks, and by how much; empty where nothing changed enough to be told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudspeakerCard:
    """Loudspeakers at one seat, ready to be shown."""

    heading: str
    findings: tuple[Finding, ...]
    octaves: tuple[OctaveDot, ...]
    """None before there are kept weeks to compare with."""
    lines: tuple[str, ...]


def loudspeaker_cards(result: CheckResult) -> list[LoudspeakerCard]:
    """Card of each seat; none without a seat.

    Parameters
    ----------
    result : CheckResult
    """
    cards = []
    for seat in result.loudspeakers:
        noise = seat.feed.noise
        estimate = [text("week.estimate")] if noise is not None and noise.calibrated else []
        cards.append(
            LoudspeakerCard(
                heading=text("loudspeakers.heading", seat=seat.feed.seat),
                findings=seat.findings,
                octaves=octave_dots(seat.feed),
                lines=(*seat.feed.lines, *estimate),
            )
        )
    return cards


def loudspeaker_blocks(result: CheckResult) -> list[tuple[str, list[str]]]:
    """Heading and lines of each seat, what is wrong first.

    Parameters
    ----------
    result : CheckResult
    """
    blocks = []
    for card in loudspeaker_cards(result):
        dots = "  ".join(f"{octave.name} {octave.dot} {octave.words}".strip() for octave in card.octaves)
        octaves = [f"{dots} ({text('loudspeakers.dots')})"] if dots else []
        blocks.append((card.heading, [*(finding.text for finding in card.findings), *octaves, *card.lines]))
    return blocks


def print_loudspeakers(result: CheckResult, console: Console) -> None:
    """Print what the loudspeakers do at each seat, what is wrong first."""
    from rich.text import Text

    for heading, lines in loudspeaker_blocks(result):
        console.print(Text(heading, style="bold"))
        console.print(Text("\n".join(f"  {line}" for line in lines) + "\n"), soft_wrap=True)


def octave_dots(feed: FeedAtSeat) -> tuple[OctaveDot, ...]:
    """Dot of each octave, left against right since the kept weeks."""
    if not feed.against_kept_db:
        return ()
    dots = []
    for hz in OCTAVES_HZ:
        change_db = feed.against_kept_db.get(str(hz))
        words = ""
        if change_db is not None and abs(change_db) >= SIDE_DB:
            side = "left" if change_db < 0.0 else "right"
            words = text("loudspeakers.less", side=phrase(side), amount=number(abs(change_db), 0))
        dots.append(OctaveDot(name=hertz(float(hz)), dot=_UNKNOWN if change_db is None else _KNOWN, words=words))
    return tuple(dots)
