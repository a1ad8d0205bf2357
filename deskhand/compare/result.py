"""The contract of `compare --json`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.compare.dynamics import Dynamics  # noqa: TC001 - the schema is made from the types
from deskhand.measure.readings import Readings  # noqa: TC001

if TYPE_CHECKING:
    from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Aligned:
    """How AFTER lies to BEFORE."""

    delay_samples: float
    """By how much it comes later, without what its filters hold back (minimum phase)."""
    polarity: int
    """1, or -1 when it is upside down."""
    gain_db: float
    """What all frequencies and levels get alike."""
    drift_ppm: float
    """By how much its clock is fast."""
    same_performance: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """The response at one frequency."""

    frequency_hz: float
    magnitude_db: float
    low_db: float
    """From here to `high_db` lies the truth in 95 of 100 cases."""
    high_db: float
    phase_deg: float
    """Without the delay."""
    leg: str
    """left, right, mid or side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedShape:
    """A shape that explains the response."""

    block: str
    on: str
    """both, left, right, mid or side."""
    frequency_hz: float
    gain_db: float | None
    q: float | None
    slope_db_per_octave: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareResult:
    """All of `deskhand compare --json`."""

    schema: int
    deskhand: str
    before_file: str
    after_file: str
    sample_rate_hz: int
    duration_s: float
    channels: int
    alignment: Aligned
    response: tuple[Point, ...]
    shapes: tuple[NamedShape, ...]
    shapes_rms_db: float | None
    """What the shapes leave of the response."""
    dynamics: tuple[Dynamics, ...]
    residual_db: float | None
    """What response and moving gain leave of AFTER."""
    distortion_db: float | None
    """What is new in AFTER while it plays, against its level."""
    noise_dbfs: float | None
    """What is new in its pauses."""
    loudness_change_lu: float | None
    before: Readings
    after: Readings
    chain_residual_db: float | None
    """What the nearest chain of our blocks leaves of AFTER."""
    verdict: tuple[str, ...]
    not_measured: dict[str, str]


def compare_schema() -> dict[str, Any]:
    """JSON Schema of the result."""
    from pydantic import TypeAdapter

    schema = TypeAdapter(CompareResult).json_schema(mode="serialization")
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "deskhand compare"
    return schema
