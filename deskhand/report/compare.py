"""A comparison as text, page and house-file blocks."""

from __future__ import annotations

from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.measure.provider import providers
from deskhand.report.compare_pictures import effect_pictures
from deskhand.report.page import compiled, environment
from deskhand.report.volume import LOWEST_DB, START_DB
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from deskhand.compare.run import Comparison

_WIDTH, _HEIGHT = 560, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 44, 10, 10, 28
_SINE_OFFSET_DB: Final = 3.01
"""A full-scale sine reads 0 dBFS (AES17-2020, 3.12.1): levels are raised by 3.01 dB, to the two places that are drawn."""
_QUIET_DB: Final = 45.0
"""Moments this far below the loud ones are not drawn. Common practice, no source."""
_UNREAD: Final = {
    "residual_db": "What is left unexplained", "distortion_db": "Distortion", "noise_dbfs": "Noise in pauses",
    "loudness_change_lu": "Change of loudness", "shapes_rms_db": "What the shapes leave", "chain_residual_db": "What the chain leaves",
}  # fmt: skip
"""Number to its name for people, where it is said that it was not measured."""
_MARKS_HZ: Final = ((31.5, "31"), (63, "63"), (125, "125"), (250, "250"), (500, "500"), (1000, "1k"), (2000, "2k"), (4000, "4k"), (8000, "8k"), (16000, "16k"))  # fmt: skip


def _small(comparison: Comparison) -> list[str]:
    """Small print: residuals, and what is not measured."""
    result = comparison.result
    texts = []
    if result.residual_db is not None and not result.rivals:
        texts.append(
            f"Response and moving gain together leave {number(-result.residual_db, 0)} dB below the level of AFTER unexplained."
        )
    if result.rivals and result.left_db is not None:
        tried = "; ".join(f"{rival.model} {number(-rival.residual_db, 0)} dB" for rival in result.rivals[1:4])
        texts.append(
            f"Explained as {result.rivals[0].model}: leaves {number(-result.left_db, 0)} dB below the level of AFTER."
            + (f" Tried besides: {tried}." if tried else "")
        )
    if result.chain_residual_db is not None:
        texts.append(
            f"The nearest chain of our blocks (--as-chain) leaves {number(-result.chain_residual_db, 0)} dB below its level: an approximation."
        )
    texts += [
        f"{_UNREAD[name]}: not measured, {why}."
        for name, why in result.not_measured.items()
        if result.alignment.same_performance
    ]
    return texts


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Print a comparison for people."""
    from rich.text import Text

    result = comparison.result
    console.print(Text(f"{result.before_file} and {result.after_file}, {clock(result.duration_s)}"), style="dim")
    console.print()
    for text in result.verdict:
        console.print(Text(text))
    console.print()
    for text in _small(comparison):
        console.print(Text(text), style="dim")


def chain_text(comparison: Comparison) -> str:
    """Nearest chain as house-file blocks, to be pasted under a source."""
    import tomlkit

    result = comparison.result
    left = (
        "what is not known"
        if result.chain_residual_db is None
        else f"what is {number(-result.chain_residual_db, 0)} dB below the level of the second"
    )
    lines = [
        f"# What was done between {result.before_file} and {result.after_file}, as the nearest chain of blocks.",
        f"# An approximation: run on the first, it leaves {left}.",
    ]
    document = tomlkit.document()
    chain = tomlkit.aot()
    for block in comparison.chain:
        chain.append(tomlkit.item(block))
    source = tomlkit.table(is_super_table=True)
    source.append("chain", chain)
    document.append("source", source)
    return "\n".join(lines) + "\n" + tomlkit.dumps(document)


def _x(hz: float) -> float:
    low, high = np.log2(20.0), np.log2(20000.0)
    return float(_LEFT + (_WIDTH - _LEFT - _RIGHT) * (np.log2(hz) - low) / (high - low))


def _drawn(comparison: Comparison) -> list[str]:
    """Legs whose responses are drawn: one for both where nothing sets them apart."""
    legs = list(dict.fromkeys(point.leg for point in comparison.result.response))
    return legs if any(shape.on != "both" for shape in comparison.result.shapes) else legs[:1]


def flat_gain_db(comparison: Comparison) -> float:
    """Gain that all frequencies get alike, in dB, without what a moving gain gives back: zero of the words and of the picture."""
    return comparison.result.flat_gain_db or 0.0


def response_picture(comparison: Comparison) -> str:
    """Picture of the response of each leg over frequency, with its confidence band, against the gain that all frequencies get."""
    flat_db = flat_gain_db(comparison)
    points = [
        replace(
            point,
            magnitude_db=point.magnitude_db - flat_db,
            low_db=point.low_db - flat_db,
            high_db=point.high_db - flat_db,
        )
        for point in comparison.result.response
    ]
    if not points:
        return ""
    legs = _drawn(comparison)
    every = [value for point in points if point.leg in legs for value in (point.low_db, point.high_db)]
    low, high = min([-3.0, *every]), max([3.0, *every])
    low = max(low, high - 48.0)
    step = 3.0 if high - low <= 15 else 6.0 if high - low <= 30 else 12.0
    low, high = step * np.floor(low / step), step * np.ceil(high / step)

    def y(value_db: float) -> float:
        return float(_TOP + (high - max(value_db, low)) / (high - low) * (_HEIGHT - _TOP - _BOTTOM))

    label = f"Response from {number(points[0].frequency_hz, 0)} Hz to {number(max(p.frequency_hz for p in points), 0)} Hz, {', '.join(legs)}"
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(label, quote=True)}">']
    for value in np.arange(low, high + 0.1, step):
        parts.append(
            f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>'
        )
        parts.append(f'<text x="{_LEFT - 5}" y="{y(value) + 4:.1f}" text-anchor="end">{number(float(value), 0)}</text>')
    parts.append(f'<text x="{_LEFT + 4}" y="{_TOP + 12}">dB</text>')
    for hz, word in _MARKS_HZ:
        parts.append(f'<line class="grid" x1="{_x(hz):.1f}" x2="{_x(hz):.1f}" y1="{_TOP}" y2="{_HEIGHT - _BOTTOM}"/>')
        parts.append(f'<text x="{_x(hz):.1f}" y="{_HEIGHT - 10}" text-anchor="middle">{word}</text>')
    for order, leg in enumerate(legs, 1):
        leg_points = [point for point in points if point.leg == leg]
        above = " ".join(f"{_x(point.frequency_hz):.1f},{y(point.high_db):.1f}" for point in leg_points)
        below = " ".join(f"{_x(point.frequency_hz):.1f},{y(point.low_db):.1f}" for point in reversed(leg_points))
        line = " ".join(f"{_x(point.frequency_hz):.1f},{y(point.magnitude_db):.1f}" for point in leg_points)
        parts.append(f'<polygon class="band" points="{above} {below}"/><polyline class="leg-{order}" points="{line}"/>')
    return "".join(parts) + "</svg>"


def level_map(comparison: Comparison, row: int, makeup_db: float) -> str:
    """Picture of what one moving gain takes off against the level that goes in; `makeup_db` is what it gives back."""
    joint = comparison.joint
    if joint is None:
        return ""
    gain, level = joint.gain_db[row][::20] - makeup_db, joint.level_db[row][::20] + _SINE_OFFSET_DB
    playing = level > np.percentile(level, 98) - _QUIET_DB
    gain, level = gain[playing], level[playing]
    left, right = 10.0 * np.floor(level.min() / 10.0), 10.0 * np.ceil(level.max() / 10.0)
    bottom = min(-3.0, 3.0 * np.floor(np.percentile(gain, 0.5) / 3.0))
    top = max(1.0, float(np.ceil(np.percentile(gain, 99.5))))

    def x(value: float) -> float:
        return float(_LEFT + (_WIDTH - _LEFT - _RIGHT) * (value - left) / (right - left))

    def y(value: float) -> float:
        return float(_TOP + (top - min(max(value, bottom), top)) / (top - bottom) * (_HEIGHT - _TOP - _BOTTOM))

    label = f"Gain from {number(float(gain.min()), 1)} to {number(float(gain.max()), 1)} dB over levels from {number(left, 0)} to {number(right, 0)} dBFS"
    parts = [f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(label, quote=True)}">']
    for value in np.arange(bottom, top + 0.1, 3.0):
        parts.append(
            f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>'
        )
        parts.append(f'<text x="{_LEFT - 5}" y="{y(value) + 4:.1f}" text-anchor="end">{number(float(value), 0)}</text>')
    parts += [
        f'<text x="{min(x(value), _WIDTH - 14.0):.1f}" y="{_HEIGHT - 10}" text-anchor="middle">{number(float(value), 0)}</text>'
        for value in np.arange(left, right + 0.1, 10.0)
    ]
    parts.append(f'<text x="{_LEFT + 4}" y="{_TOP + 12}">dB</text>')
    parts.append(f'<text x="{_WIDTH - _RIGHT}" y="{_HEIGHT - _BOTTOM - 4}" text-anchor="end">level, dBFS</text>')
    # at most a thousand dots, evenly over time
    dots = np.unique(np.linspace(0, gain.size - 1, min(1000, gain.size)).astype(int))
    parts += [f'<circle class="map" cx="{x(level[dot]):.1f}" cy="{y(gain[dot]):.1f}" r="2"/>' for dot in dots]
    return "".join(parts) + "</svg>"


def _rows(comparison: Comparison) -> list[tuple[str, str, str]]:
    """(label, before, after) of the readings that both have."""
    names: tuple[tuple[str, str, str, int], ...] = (
        ("Loudness", "loudness_lufs", "LUFS", 1), ("True peak", "true_peak_dbtp", "dBTP", 1), ("Loudness range", "loudness_range_lu", "LU", 1),
        ("Peaks above level", "crest_db", "dB", 1), ("Slope of the tone", "tilt_db_per_octave", "dB/oct", 1),
        ("Notes stand out at 2 to 8 kHz by", "articulation_db", "dB", 1), ("Notes die away by 60 dB in", "tail_s", "s", 2),
        ("Sharpness", "sharpness_acum", "acum", 2), ("Width", "width_db", "dB", 1), ("Right against left", "balance_db", "dB", 1),
        ("Correlation", "correlation", "", 2), ("Lost in mono", "mono_loss_db", "dB", 1),
    )  # fmt: skip
    listed = {name for _, name, _, _ in names}
    names += tuple(
        (entry.label, entry.name, entry.unit, entry.digits) for entry in providers() if entry.name not in listed
    )
    rows = []
    for label, name, unit, digits in names:
        before, after = getattr(comparison.result.before, name), getattr(comparison.result.after, name)
        if before is not None and after is not None:
            rows.append((label, f"{number(before, digits)} {unit}".strip(), f"{number(after, digits)} {unit}".strip()))
    return rows


def page(comparison: Comparison, audio: Sequence[tuple[str, str]] = ()) -> str:
    """Page of a comparison.

    Parameters
    ----------
    comparison : Comparison
    audio : sequence of (name, file)
        Audio files to listen to, by their addresses relative to the page.
    """
    from importlib import resources

    result = comparison.result
    text = resources.files("deskhand.report").joinpath("compare.html.j2").read_text("utf-8")
    _, style = environment()
    legs = list(dict.fromkeys(point.leg for point in result.response))
    drawn = _drawn(comparison)
    flat_db = flat_gain_db(comparison)
    legend = f" ({drawn[0]}: line, {drawn[1]}: dashed)" if len(drawn) == 2 else ""
    maps = []
    if comparison.joint is not None and result.dynamics:
        makeup = {gain.on: gain.makeup_db for gain in result.dynamics}
        moved = ("mid", "side") if {"mid", "side"} & set(makeup) else tuple(legs)
        named = ("both",) if comparison.joint.gain_db.shape[0] == 1 else moved
        words = ("Dynamics",) if len(named) == 1 else tuple(f"Dynamics, {leg}" for leg in named)
        maps = [(word, level_map(comparison, row, makeup.get(named[row], 0.0))) for row, word in enumerate(words)]
    return compiled(text).render(
        style=style,
        result=result,
        length=clock(result.duration_s),
        response=response_picture(comparison),
        legend=legend,
        flat=f"{'+' if flat_db > 0 else ''}{number(flat_db, 1)} dB",
        shapes_rms=number(result.shapes_rms_db or 0.0, 2),
        maps=maps,
        effects=effect_pictures(result),
        rows=_rows(comparison),
        small=_small(comparison),
        audio=audio,
        start_db=START_DB,
        lowest_db=LOWEST_DB,
    )
