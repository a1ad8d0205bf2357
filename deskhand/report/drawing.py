"""Parts that all pictures share: their measures, level lines, and text as HTML may hold it."""

from __future__ import annotations

from typing import Final

from deskhand.units import number

WIDTH: Final = 640
"""Width of a picture in units of the drawing. Common practice, no source."""
HEIGHT: Final = 160
"""Height of a picture. Common practice, no source."""
LEFT: Final = 40
"""Room at the left for numbers. Common practice, no source."""
BOTTOM: Final = 26
"""Room at the bottom for numbers. Common practice, no source."""
TOP: Final = 14
"""Room at the top. Common practice, no source."""


def y_of(value: float, low: float, high: float) -> float:
    """Height in a picture at which a value lies, between the lowest and the highest it shows."""
    share = (min(max(value, low), high) - low) / (high - low)
    return TOP + (1 - share) * (HEIGHT - TOP - BOTTOM)


def grid(marks_db: tuple[int, ...], low: float, high: float) -> list[str]:
    """Lines across the picture at some levels, with their numbers."""
    parts = []
    for mark_db in marks_db:
        y = y_of(mark_db, low, high)
        parts.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{number(mark_db, 0)}</text>')
    return parts


def time_axis(left: float, right: float, start_s: float, duration_s: float) -> str:
    """Attributes that say where time begins and ends in a picture, for a page on which a click tells a moment."""
    return f' data-left="{left:g}" data-right="{right:g}" data-start="{start_s:.3f}" data-length="{duration_s:.3f}"'


def ring(x: float, y: float) -> str:
    """A ring around a place: a value as it is tried."""
    return f'<circle class="ring" cx="{x:.1f}" cy="{y:.1f}" r="7"/>'


def escaped(text: str) -> str:
    """Text as HTML may hold it."""
    from markupsafe import escape

    return str(escape(text))
