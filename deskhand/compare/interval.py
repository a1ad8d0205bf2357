"""Interval of a setting."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Ends between which the truth lies in 95 of 100 cases."""

    low: float
    high: float
