"""Contract of `compare --json`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.compare.dynamics import Dynamics  # noqa: TC001 - the schema is made from the types
from deskhand.measure.readings import Readings  # noqa: TC001

if TYPE_CHECKING:
    from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentReport:
    """Delay, polarity, gain and clock of AFTER against BEFORE."""

    delay_samples: float
    """Samples by which AFTER comes later, without what its filters hold back (minimum phase)."""
    polarity: int
    """1, or -1 where AFTER is upside down."""
    gain_db: float
    """Gain that all frequencies and levels get alike."""
    drift_ppm: float
    """Parts in a million by which the clock of AFTER is fast."""
    same_performance: bool
    """False where nothing of one is found in the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponsePoint:
    """Response of one leg at one frequency."""

    frequency_hz: float
    magnitude_db: float
    low_db: float
    """Lower end of the interval, up to `high_db`, that holds the truth in 95 of 100 cases."""
    high_db: float
    phase_deg: float
    """Phase without the delay."""
    leg: str
    """left, right, mid or side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeReport:
    """Filter that explains a part of the response."""

    block: str
    on: str
    """both, left, right, mid or side."""
    frequency_hz: float
    gain_db: float | None
    q: float | None
    slope_db_per_octave: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareResult:
    """Result of `deskhand compare`, as `--json` writes it."""

    schema: int
    deskhand: str
    before_file: str
    after_file: str
    sample_rate_hz: int
    duration_s: float
    channels: int
    alignment: AlignmentReport
    response: tuple[ResponsePoint, ...]
    shapes: tuple[ShapeReport, ...]
    shapes_rms_db: float | None
    """RMS of the response that the shapes leave unexplained."""
    dynamics: tuple[Dynamics, ...]
    residual_db: float | None
    """Level of what response and moving gain leave of AFTER, against AFTER."""
    distortion_db: float | None
    """Level of what is new in AFTER while it plays, against its own."""
    noise_dbfs: float | None
    """Level of what is new in the pauses of AFTER."""
    loudness_change_lu: float | None
    before: Readings
    after: Readings
    chain_residual_db: float | None
    """Level of what the nearest chain of our blocks leaves of AFTER, against AFTER."""
    verdict: tuple[str, ...]
    not_measured: dict[str, str]


def compare_schema() -> dict[str, Any]:
    """JSON Schema of the result."""
    from pydantic import TypeAdapter

    schema = TypeAdapter(CompareResult).json_schema(mode="serialization")
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "deskhand compare"
    return schema
