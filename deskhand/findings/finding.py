"""One thing measured outside what is expected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

Kind = Literal[
    "missing", "silent", "level-low", "level-high", "headroom", "clipped", "dc", "hum", "noise", "dropout", "clicks",
    "wireless-hit", "one-sided", "duplicate", "wrong-patch", "swapped", "polarity", "delay", "howl", "in-the-mix", "tone",
    "dynamics", "tail", "articulation", "width", "mono-loss", "harsh", "sound-step", "vocal-covered", "drift",
    "unmatched-track",
]  # fmt: skip
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
Severity = Literal["note", "listen", "fix"]
Stage = Literal["tap", "after"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing measured outside what is expected, with the number, the expectation and the time."""

    id: str
    """Unique in the result: source and kind, and a number where there are several."""
    kind: Kind
    stage: Stage
    """Measured at the tap, or after the house chain."""
    severity: Severity
    text: str
    """What was found and what to do, in plain words, without the source's name."""
    metric: str | None = None
    """The reading it was seen in."""
    measured: float | None = None
    expected: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    band_hz: tuple[float, float] | None = None
    track: str | None = None
    """The side or track concerned, where it is not the whole source."""
    at_s: tuple[tuple[float, float], ...] = ()
    """When, in seconds from the start of the recording; empty when it holds throughout."""
    hear_s: tuple[float, float] | None = None
    """Two seconds in which to hear it, for a judgement."""
    noticeable: float | None = None
    """Distance from what is expected, in just noticeable differences, for a judgement."""
