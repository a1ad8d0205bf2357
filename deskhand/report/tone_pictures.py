"""Pictures of the tone as SVG: by third-octave, by octave, against the normal range, and as one block changes it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.dsp.spectrum import NOMINAL_HZ
from deskhand.report.drawing import HEIGHT, LEFT, WIDTH, escaped, grid, ring, y_of
from deskhand.units import number
from deskhand.words import phrase

if TYPE_CHECKING:
    from deskhand.baseline.normal import Normal

_TONE_HIGH_DB: Final = 0.0
"""Top of a picture of the tone: a third-octave that holds everything (arithmetic)."""
_TONE_LOW_DB: Final = -50.0
"""Bottom of a picture of the tone. Common practice, no source."""
_RANGE_HIGH_DB: Final = 0.0
"""Top of a picture of normal ranges, as above."""
_RANGE_LOW_DB: Final = -32.0
"""Bottom of a picture of normal ranges. Common practice, no source."""


def octave_word(hz: int) -> str:
    """An octave's centre as an axis has it."""
    return f"{hz / 1000:g}k" if hz >= 1000 else f"{hz}"


def tone_picture(name: str, tone_db: dict[str, float]) -> str:
    """Third-octave levels as steps over a logarithmic frequency axis."""
    count = len(NOMINAL_HZ)
    span = WIDTH - LEFT
    label = phrase("{name}: tone in third-octaves", name=name)
    parts = [f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escaped(label)}">']
    parts += grid((0, -10, -20, -30, -40), _TONE_LOW_DB, _TONE_HIGH_DB)
    base = y_of(_TONE_LOW_DB, _TONE_LOW_DB, _TONE_HIGH_DB)
    path = [f"M{LEFT},{base:.1f}"]
    for index, band in enumerate(NOMINAL_HZ):
        y = y_of(tone_db.get(f"{band:g}", _TONE_LOW_DB), _TONE_LOW_DB, _TONE_HIGH_DB)
        path.append(f"L{LEFT + span * index / count:.1f},{y:.1f} L{LEFT + span * (index + 1) / count:.1f},{y:.1f}")
        if band in (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000):
            text = f"{band / 1000:g}k" if band >= 1000 else f"{band:g}"
            middle = LEFT + span * (index + 0.5) / count
            parts.append(f'<text x="{middle:.1f}" y="{HEIGHT - 5}" text-anchor="middle">{text}</text>')
    parts.append(f'<path class="level" d="{" ".join(path)} L{WIDTH},{base:.1f} Z"/></svg>')
    return "".join(parts)


def octave_picture(
    label: str,
    low: float,
    high: float,
    marks: tuple[float, ...],
    standing: dict[str, float],
    tried: dict[str, float] | None = None,
) -> str:
    """A number by octave: dots for how it stands, rings for how it is with what is tried."""
    names = list(dict.fromkeys((*standing, *(tried or {}))))
    names.sort(key=float)
    values = ", ".join(
        f"{octave_word(round(float(hz)))} Hz {number(standing[hz], 1)}" for hz in names if hz in standing
    )
    parts = [f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escaped(f"{label}: {values}")}">']
    for mark in marks:
        y = y_of(mark, low, high)
        parts.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{LEFT - 5}" y="{y + 4:.1f}" text-anchor="end">{mark:g}</text>')
    step = (WIDTH - LEFT) / max(len(names), 1)
    for column, hz in enumerate(names):
        x = LEFT + step * (column + 0.5)
        if hz in standing:
            parts.append(f'<circle class="dot-new" cx="{x:.1f}" cy="{y_of(standing[hz], low, high):.1f}" r="4.5"/>')
        if tried is not None and hz in tried:
            parts.append(ring(x, y_of(tried[hz], low, high)))
        parts.append(f'<text x="{x:.1f}" y="{HEIGHT - 5}" text-anchor="middle">{octave_word(round(float(hz)))}</text>')
    return "".join(parts) + "</svg>"


def change_picture(name: str, octave_db: dict[int, float]) -> str:
    """Change of tone by one block: a bar up or down for each octave, 12 dB at most."""
    wide, tall, limit_db = 160, 44, 12.0
    changes = ", ".join(
        f"{octave_word(hz)} Hz {number(value, 1)} dB" for hz, value in octave_db.items() if abs(value) >= 0.5
    )
    label = f"{name}: {changes or phrase('tone as it was')}"
    parts = [
        (
            f'<svg class="change" viewBox="0 0 {wide} {tall}" role="img" aria-label="{escaped(label)}">'
            f'<line class="grid" x1="0" x2="{wide}" y1="{tall / 2}" y2="{tall / 2}"/>'
        )
    ]
    for hz, value in octave_db.items():
        octave = round(float(np.log2(hz / 62.5)))
        reach = min(abs(value), limit_db) / limit_db * (tall / 2 - 2)
        top = tall / 2 - reach if value > 0 else tall / 2
        parts.append(
            f'<rect class="plays" x="{octave * 20 + 3}" y="{top:.1f}" width="14" height="{max(reach, 0.8):.1f}"/>'
        )
    return "".join(parts) + "</svg>"


def range_picture(name: str, normal: Normal, tried_db: dict[str, float] | None = None) -> str:
    """Tone by octave as dots, with the bar that holds 19 of 20 clean takes and a tick at what is usual; rings: as tried."""
    assert normal.bands_db is not None
    outside = [band for band, (today, _, low, high) in normal.bands_db.items() if not low <= today <= high]
    listed = ", ".join(f"{hz} Hz" for hz in outside) or phrase("none")
    label = phrase("{name}: tone by octave against the kept takes; outside: {listed}", name=name, listed=listed)
    parts = [f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escaped(label)}">']
    parts += grid((0, -10, -20, -30), _RANGE_LOW_DB, _RANGE_HIGH_DB)
    step = (WIDTH - LEFT) / len(normal.bands_db)
    for column, (band, (today, usual, low, high)) in enumerate(normal.bands_db.items()):
        x = LEFT + step * (column + 0.5)
        top, bottom, middle, dot = (y_of(value, _RANGE_LOW_DB, _RANGE_HIGH_DB) for value in (high, low, usual, today))
        parts.append(f'<line class="range" x1="{x:.1f}" x2="{x:.1f}" y1="{top:.1f}" y2="{bottom:.1f}"/>')
        parts.append(f'<line class="usual" x1="{x - 9:.1f}" x2="{x + 9:.1f}" y1="{middle:.1f}" y2="{middle:.1f}"/>')
        kind = "dot-new" if low <= today <= high else "dot-out"
        # outside the range is told by the shape too: a square, not a dot
        parts.append(
            f'<circle class="{kind}" cx="{x:.1f}" cy="{dot:.1f}" r="4.5"/>'
            if kind == "dot-new"
            else f'<rect class="{kind}" x="{x - 5:.1f}" y="{dot - 5:.1f}" width="10" height="10"/>'
        )
        if tried_db is not None and band in tried_db:
            parts.append(ring(x, y_of(tried_db[band], _RANGE_LOW_DB, _RANGE_HIGH_DB)))
        parts.append(f'<text x="{x:.1f}" y="{HEIGHT - 5}" text-anchor="middle">{octave_word(int(band))}</text>')
    parts.append("</svg>")
    return "".join(parts)
