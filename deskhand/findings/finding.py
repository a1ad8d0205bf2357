"""One thing measured outside what is expected, as data; its sentence is made last, by `findings.text`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from deskhand.findings.kind import KindName

Severity = Literal["note", "listen", "fix"]
Stage = Literal["tap", "after"]
Caution = Literal["feedback", "tell-stage"]
Fact = float | str | list[float] | list[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing measured outside what is expected, with the number, the expectation and the time."""

    id: str
    """Unique in the result: source and kind, and a number where there are several."""
    kind: KindName
    stage: Stage
    """Measured at the tap, or after the house chain."""
    severity: Severity
    text: str = ""
    """Sentence for people: what was found and what to do, without the source's name. Made last: empty until the result is put together."""
    what: str
    """Name of what was found among the cases of its kind, as the catalogue of sentences has it."""
    advice: tuple[str, ...] = ()
    """Names of what to do, in order, as the catalogue of sentences has them."""
    cautions: tuple[Caution, ...] = ()
    """What to mind when it is done."""
    facts: Mapping[str, Fact] = field(default_factory=dict)
    """Further values of the sentence, by name; the unit is the name's ending."""
    metric: str | None = None
    """The reading it was seen in."""
    measured: float | None = None
    expected: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    change_db: float | None = None
    """By how much the advice turns a gain, in the steps of the desk: up is positive."""
    band_hz: tuple[float, float] | None = None
    track: str | None = None
    """The side or track concerned, where it is not the whole source."""
    other: str | None = None
    """Another source or track that it is about."""
    at_s: tuple[tuple[float, float], ...] = ()
    """When, in seconds from the start of the recording; empty when it holds throughout."""
    dismissed: Literal["tonight", "for-good", "done"] | None = None
    """Left alone by a person, for this show or from now on; or done since the take was recorded: the next one shows it."""
    dismissed_by: str | None = None
    hear_s: tuple[float, float] | None = None
    """Two seconds in which to hear it, for a judgement."""
    noticeable: float | None = None
    """Distance from what is expected, in just noticeable differences, for a judgement."""
