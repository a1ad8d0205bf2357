"""Recorded mix against the kept mixes, in one line: its loudness, and the lead voice against the band, each with what is usual."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.baseline.numbers import BY_NAME, MIX_LUFS, MIX_NUMBERS, VOICE_TO_BAND_DB
from deskhand.units import number
from deskhand.words import phrase

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
    entry = "Against {kept} kept mixes: {clauses}." if kept > 1 else "Against {kept} kept mix: {clauses}."
    return phrase(entry, kept=kept, clauses=clauses)


def _clause(normal: Normal) -> str:
    """Number with its normal range."""
    label = "" if normal.unit == "LUFS" else phrase(BY_NAME[normal.name].label)
    value = f"{number(normal.measured, 1)} {normal.unit}"
    usual = phrase("usually {low:1} to {high:1}", low=normal.low, high=normal.high)
    return f"{label} {value} ({usual})".strip()
