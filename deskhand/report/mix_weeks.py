"""Recorded mix against the kept mixes, in one line: its loudness, and the lead voice against the band, each with what is usual."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.baseline.numbers import BY_NAME, MIX_LUFS, MIX_NUMBERS, VOICE_TO_BAND_DB
from deskhand.units import number

if TYPE_CHECKING:
    from deskhand.baseline.normal import Normal
    from deskhand.result import CheckResult

_TOLD: Final = tuple(number.name for number in MIX_NUMBERS if number.metric in (MIX_LUFS, VOICE_TO_BAND_DB))
"""Numbers of the recorded mix that are told, in this order."""


def recorded_mix_line(result: CheckResult) -> str:
    """Sentence on the recorded mix against the kept ones; empty where none is recorded, or none was kept.

    Parameters
    ----------
    result : CheckResult
    """
    by_name = {normal.name: normal for source in result.sources for normal in source.normal if normal.stage == "mix"}
    numbers = [by_name[name] for name in _TOLD if name in by_name]
    if not numbers:
        return ""
    kept = max(normal.kept for normal in numbers)
    clauses = ", ".join(_clause(normal) for normal in numbers)
    return f"Against {kept} kept mix{'es' if kept > 1 else ''}: {clauses}."


def _clause(normal: Normal) -> str:
    """Number with its normal range."""
    label = "" if normal.unit == "LUFS" else BY_NAME[normal.name].label
    value = f"{number(normal.measured, 1)} {normal.unit}"
    usual = f"usually {number(normal.low, 1)} to {number(normal.high, 1)}"
    return f"{label} {value} ({usual})".strip()
