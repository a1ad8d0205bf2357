"""Interval of a setting."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Ends of a setting, made to hold the truth in 95 of 100 cases; docs/validation-compare-cases.md counts how many do."""

    low: float
    high: float
