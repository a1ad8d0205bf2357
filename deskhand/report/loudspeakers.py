"""Loudspeakers at each seat, as blocks of lines under a heading."""

from __future__ import annotations

from typing import TYPE_CHECKING

from deskhand.report.words import text

if TYPE_CHECKING:
    from deskhand.result import CheckResult


def loudspeaker_blocks(result: CheckResult) -> list[tuple[str, list[str]]]:
    """Heading and lines of each seat, what is wrong first; none without a seat.

    Parameters
    ----------
    result : CheckResult
    """
    blocks = []
    for seat in result.loudspeakers:
        lines = [*(finding.text for finding in seat.findings), *seat.feed.lines]
        if seat.feed.noise is not None and seat.feed.noise.calibrated:
            lines.append(text("week.estimate"))
        blocks.append((text("loudspeakers.heading", seat=seat.feed.seat), lines))
    return blocks
