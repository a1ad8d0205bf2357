"""Pictures of saturation, decay, echoes, gain over time and hum, one for each that a comparison tells."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.units import number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.compare.result import CompareResult

_WIDTH, _HEIGHT = 560, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 44, 10, 14, 28
_MARKS: Final = 5
"""Marks on an axis. Common practice, no source."""


def _ends(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = 0.05 * max(high - low, 1e-3)
    return low - room, high + room


def _chart(
    label: str, horizontal: str, vertical: str, points: Sequence[tuple[float, float]], *,
    bars: bool = False, across: tuple[float, float] | None = None, up: tuple[float, float] | None = None,
    marks: Sequence[tuple[float, str]] = (),
) -> str:  # fmt: skip
    """Line or bars over two axes, each with its unit.

    Parameters
    ----------
    label : str
        What the picture shows, for those who do not see it.
    horizontal, vertical : str
        Names of the axes with their units.
    points : sequence of (across, up)
    bars : bool
        True for a bar at each point, from the bottom.
    across, up : (low, high), optional
        Ends of the axes.
    marks : sequence of (across, words), optional
        Marks of the horizontal axis in place of even ones.
    """
    left, right = across or _ends([point[0] for point in points])
    bottom, top = up or _ends([point[1] for point in points])

    def x(value: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * (value - left) / (right - left)

    def y(value: float) -> float:
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (top - min(max(value, bottom), top)) / (top - bottom)

    digits = 0 if top - bottom > 8 else 1 if top - bottom > 0.8 else 2
    digits_across = 0 if right - left > 8 else 1
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(label, quote=True)}">']
    for value in np.linspace(bottom, top, _MARKS):
        height = y(float(value))
        parts.append(f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{height:.1f}" y2="{height:.1f}"/>')
        parts.append(
            f'<text x="{_LEFT - 5}" y="{height + 4:.1f}" text-anchor="end">{number(float(value), digits)}</text>'
        )
    for value, words in marks or [
        (float(value), number(float(value), digits_across)) for value in np.linspace(left, right, _MARKS)
    ]:
        mark_x = min(max(x(value), _LEFT + 8.0), _WIDTH - 16.0)
        parts.append(f'<text x="{mark_x:.1f}" y="{_HEIGHT - 10}" text-anchor="middle">{words}</text>')
    parts.append(f'<text x="{_LEFT + 4}" y="{_TOP + 10}">{escape(vertical)}</text>')
    parts.append(
        f'<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - _BOTTOM - 4}" text-anchor="end">{escape(horizontal)}</text>'
    )
    if bars:
        parts += [
            f'<polyline class="leg-1" points="{x(across_):.1f},{y(bottom):.1f} {x(across_):.1f},{y(up_):.1f}"/>'
            for across_, up_ in points
        ]
    else:
        line = " ".join(f"{x(across_):.1f},{y(up_):.1f}" for across_, up_ in points)
        parts.append(f'<polyline class="leg-1" points="{line}"/>')
    return "".join(parts) + "</svg>"


def effect_pictures(result: CompareResult) -> list[tuple[str, str, str]]:
    """(heading, picture, caption) of saturation, decay, echoes, gain over time and hum that a comparison tells.

    Parameters
    ----------
    result : CompareResult
    """
    pictures: list[tuple[str, str, str]] = []
    if result.saturation is not None:
        points = [(point.input, point.output) for point in result.saturation.curve]
        pictures.append(
            (
                "Saturation",
                _chart("Output of each sample over its input", "in", "out", points),
                "Each sample of AFTER over the sample of BEFORE it is made from, 1 being full scale.",
            )
        )
    reverb = result.reverb
    if reverb is not None and len(reverb.octaves) > 1:
        points = [(float(np.log2(octave.frequency_hz / 1000.0)), octave.decay_s) for octave in reverb.octaves]
        top = 1.2 * max(octave.decay_s for octave in reverb.octaves)
        marks = [
            (across, f"{2.0**across:g}k" if across >= 0 else f"{1000.0 * 2.0**across:.0f}") for across, _ in points
        ]
        picture = _chart("Decay by octave", "", "s", points, up=(0.0, top), marks=marks)
        pictures.append(("Decay", picture, "Time in which the reverb falls by 60 dB, in each octave that tells it."))
    if result.echoes:
        points = [(0.0, 0.0), *((echo.time_ms, echo.level_db) for echo in result.echoes)]
        picture = _chart("Echoes", "ms", "dB", points, bars=True, up=(-40.0, 0.0))
        pictures.append(("Echo", picture, "Direct sound at 0, and what comes back later, by its level."))
    ride = result.gain_movement
    if ride is not None and len(ride.gains_db) > 1:
        points = [(index * ride.step_s, gain_db) for index, gain_db in enumerate(ride.gains_db)]
        pictures.append(("Gain over time", _chart("Gain over time", "s", "dB", points), "Whatever the level."))
    addition = result.addition
    if addition is not None and addition.lines:
        points = [(line.frequency_hz, line.level_dbfs) for line in addition.lines]
        low = min(level for _, level in points) - 10.0
        picture = _chart("Lines of the hum", "Hz", "dBFS", points, bars=True, up=(low, max(p[1] for p in points) + 3.0))
        pictures.append(("Hum", picture, "Lines of the mains that were added."))
    return pictures
