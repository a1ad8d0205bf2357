"""A comparison as text, page and house-file blocks."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.report.page import environment
from deskhand.report.volume import LOWEST_DB, START_DB
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from deskhand.compare.run import Compared

_WIDTH, _HEIGHT = 560, 240
_LEFT, _RIGHT, _TOP, _BOTTOM = 44, 10, 10, 28
_MARKS_HZ: Final = ((31.5, "31"), (63, "63"), (125, "125"), (250, "250"), (500, "500"), (1000, "1k"), (2000, "2k"), (4000, "4k"), (8000, "8k"), (16000, "16k"))  # fmt: skip


def _small(compared: Compared) -> list[str]:
    """What is worth knowing besides, in small print."""
    result = compared.result
    out = []
    if result.residual_db is not None:
        out.append(
            f"Response and moving gain together leave {number(-result.residual_db, 0)} dB below the level of AFTER unexplained."
        )
    if result.chain_residual_db is not None:
        out.append(
            f"The nearest chain of our blocks (--as-chain) leaves {number(-result.chain_residual_db, 0)} dB below its level: an approximation."
        )
    out += [
        f"{name}: not measured, {why}" for name, why in result.not_measured.items() if result.alignment.same_performance
    ]
    return out


def print_comparison(compared: Compared, console: Console) -> None:
    """Print it for people."""
    from rich.text import Text

    result = compared.result
    console.print(Text(f"{result.before_file} and {result.after_file}, {clock(result.duration_s)}"), style="dim")
    console.print()
    for text in result.verdict:
        console.print(Text(text))
    console.print()
    for text in _small(compared):
        console.print(Text(text), style="dim")


def chain_text(compared: Compared) -> str:
    """The nearest chain as house-file blocks, to be pasted under a source."""
    import tomlkit

    result = compared.result
    left = (
        "unknown" if result.chain_residual_db is None else f"{number(-result.chain_residual_db, 0)} dB below its level"
    )
    lines = [
        f"# What was done between {result.before_file} and {result.after_file}, as the nearest chain of blocks.",
        f"# An approximation: run on the first, it leaves {left} of the second.",
    ]
    document = tomlkit.document()
    chain = tomlkit.aot()
    for block in compared.chain:
        chain.append(tomlkit.item(block))
    source = tomlkit.table(is_super_table=True)
    source.append("chain", chain)
    document.append("source", source)
    return "\n".join(lines) + "\n" + tomlkit.dumps(document)


def _x(hz: float) -> float:
    low, high = np.log2(20.0), np.log2(20000.0)
    return float(_LEFT + (_WIDTH - _LEFT - _RIGHT) * (np.log2(hz) - low) / (high - low))


def _drawn(compared: Compared) -> list[str]:
    """The legs whose responses are drawn: one for both where nothing sets them apart."""
    legs = list(dict.fromkeys(point.leg for point in compared.result.response))
    return legs if any(one.on != "both" for one in compared.result.shapes) else legs[:1]


def response_picture(compared: Compared) -> str:
    """The response of each leg over frequency, with its confidence band."""
    points = compared.result.response
    if not points:
        return ""
    legs = _drawn(compared)
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
    for place, leg in enumerate(legs, 1):
        own = [point for point in points if point.leg == leg]
        above = " ".join(f"{_x(point.frequency_hz):.1f},{y(point.high_db):.1f}" for point in own)
        below = " ".join(f"{_x(point.frequency_hz):.1f},{y(point.low_db):.1f}" for point in reversed(own))
        line = " ".join(f"{_x(point.frequency_hz):.1f},{y(point.magnitude_db):.1f}" for point in own)
        parts.append(f'<polygon class="band" points="{above} {below}"/><polyline class="leg-{place}" points="{line}"/>')
    return "".join(parts) + "</svg>"


def level_map(compared: Compared, row: int, makeup_db: float) -> str:
    """What one moving gain takes off against the level that goes in; `makeup_db` is what it gives back."""
    joint = compared.joint
    if joint is None:
        return ""
    gain, level = joint.gain_db[row][::20] - makeup_db, joint.level_db[row][::20] + 3.01
    heard = level > np.percentile(level, 98) - 45.0
    gain, level = gain[heard], level[heard]
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
    some = np.unique(np.linspace(0, gain.size - 1, min(1000, gain.size)).astype(int))
    parts += [f'<circle class="map" cx="{x(level[at]):.1f}" cy="{y(gain[at]):.1f}" r="2"/>' for at in some]
    return "".join(parts) + "</svg>"


def _rows(compared: Compared) -> list[tuple[str, str, str]]:
    """Readings before and after that both have."""
    names = (
        ("Loudness", "loudness_lufs", "LUFS", 1), ("True peak", "true_peak_dbtp", "dBTP", 1), ("Loudness range", "loudness_range_lu", "LU", 1),
        ("Peaks above level", "crest_db", "dB", 1), ("Slope of the tone", "tilt_db_per_octave", "dB/oct", 1),
        ("Notes stand out at 2 to 8 kHz by", "articulation_db", "dB", 1), ("Notes die away by 60 dB in", "tail_s", "s", 2),
        ("Sharpness", "sharpness_acum", "acum", 2), ("Width", "width_db", "dB", 1), ("Right against left", "balance_db", "dB", 1),
        ("Correlation", "correlation", "", 2), ("Lost in mono", "mono_loss_db", "dB", 1),
    )  # fmt: skip
    out = []
    for label, name, unit, digits in names:
        one, other = getattr(compared.result.before, name), getattr(compared.result.after, name)
        if one is not None and other is not None:
            out.append((label, f"{number(one, digits)} {unit}".strip(), f"{number(other, digits)} {unit}".strip()))
    return out


def page(compared: Compared, audio: Sequence[tuple[str, str]] = ()) -> str:
    """The comparison as a page of its own.

    Parameters
    ----------
    compared : Compared
    audio : sequence of (name, file)
        What can be heard, by its address relative to the page.
    """
    from importlib import resources

    result = compared.result
    text = resources.files("deskhand.report").joinpath("compare.html.j2").read_text("utf-8")
    engine, style = environment()
    legs = list(dict.fromkeys(point.leg for point in result.response))
    drawn = _drawn(compared)
    legend = f" ({drawn[0]}: line, {drawn[1]}: dashed)" if len(drawn) == 2 else ""
    maps = []
    if compared.joint is not None and result.dynamics:
        words = ("Dynamics",) if compared.joint.gain_db.shape[0] == 1 else tuple(f"Dynamics, {leg}" for leg in legs)
        makeup = {one.on: one.makeup_db for one in result.dynamics}
        named = ("both",) if len(words) == 1 else tuple(legs)
        maps = [(word, level_map(compared, row, makeup.get(named[row], 0.0))) for row, word in enumerate(words)]
    return engine.from_string(text).render(
        style=style,
        result=result,
        length=clock(result.duration_s),
        response=response_picture(compared),
        legend=legend,
        shapes_rms=number(result.shapes_rms_db or 0.0, 2),
        maps=maps,
        rows=_rows(compared),
        small=_small(compared),
        audio=audio,
        start_db=START_DB,
        lowest_db=LOWEST_DB,
    )
