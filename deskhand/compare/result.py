"""Contract of `compare --json`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from deskhand.compare.dynamics import Dynamics  # noqa: TC001 - the schema is made from the types
from deskhand.compare.interval import Interval  # noqa: TC001
from deskhand.measure.readings import Readings  # noqa: TC001

if TYPE_CHECKING:
    from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class JumpReport:
    """Moment at which something was cut from AFTER, or put into it."""

    after_s: float
    """Time in BEFORE after which it happens."""
    until_s: float
    """Time in BEFORE by which it has happened."""
    gone_s: float
    """Seconds that AFTER lacks; negative where it holds more."""


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
    used_from_s: float | None = None
    used_to_s: float | None = None
    """Both: stretch of BEFORE that the two share and that is described; None where that is all of it."""
    jumps: tuple[JumpReport, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponsePoint:
    """Response of one leg at one frequency."""

    frequency_hz: float
    magnitude_db: float
    low_db: float
    """Lower end of the interval, up to `high_db`, made to hold the truth in 95 of 100 points; docs/validation-compare.md counts how many do."""
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
class Echo:
    """Sound that comes back later."""

    time_ms: float
    """Time after the direct sound."""
    level_db: float
    """Level against the direct sound."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OctaveDecay:
    """Decay of a reverberation in one octave."""

    frequency_hz: float
    decay_s: float
    """Time to fall by 60 dB (ISO 3382-1)."""
    interval_s: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Reverb:
    """Reverberation behind the direct sound."""

    decay_s: float | None
    """Time to fall by 60 dB, the mean of 500 Hz and 1 kHz where they can be told (ISO 3382-1); None where it cannot."""
    decay_interval_s: Interval | None
    octaves: tuple[OctaveDecay, ...]
    pre_delay_ms: float
    """Time after the direct sound at which it sets in."""
    wet_db: float
    """Level against the direct sound, over this programme."""
    wet_interval_db: Interval
    note: str
    """Reasons for what cannot be told; empty when all can."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """Corner of a saturation's curve, of samples between -1 and 1."""

    input: float
    output: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Saturation:
    """Curve that bends each sample, whatever came before it."""

    curve: tuple[CurvePoint, ...]
    squash_db: float
    """Decibels by which the highest peaks get less gain than soft samples."""
    squash_interval_db: Interval
    uneven: bool
    """True where the two halves of the wave are bent differently: even harmonics."""
    harmonics_db: float
    """Level of all harmonics against the fundamental, of a sine as high as the peaks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HumLine:
    """Line of a hum."""

    frequency_hz: float
    level_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Addition:
    """Noise and hum that do not follow the programme."""

    noise_dbfs: float
    """Level of what is no line of the mains, dBFS of a sine's RMS (AES17)."""
    noise_interval_dbfs: Interval
    hum_dbfs: float | None
    """Level of all lines of the mains together; None where they are not most of it."""
    hum_interval_dbfs: Interval | None
    mains_hz: float | None
    lines: tuple[HumLine, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class GainMovement:
    """Gain that moves slowly and does not ask for the level."""

    lowest_db: float
    highest_db: float
    gains_db: tuple[float, ...]
    step_s: float
    """Seconds between two of `gains_db`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Modulation:
    """Movement at a steady rate: told, not taken out where it is a delay."""

    kind: str
    """tremolo, a gain that moves; or chorus, a second sound whose delay moves."""
    rate_hz: float
    rate_interval_hz: Interval
    depth_db: float | None
    """Gain of a tremolo between its highest and lowest."""
    depth_ms: float | None
    """Delay of a chorus between its longest and shortest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """Explanation that was tried, and what it leaves."""

    model: str
    residual_db: float
    """Level of what it leaves of AFTER, against AFTER."""
    parameters: int
    """Numbers that it takes."""
    cost_db: float
    """What it leaves with the price of its parameters; the lowest is chosen."""


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
    behaviours: tuple[str, ...] = ()
    """What it did, by name: tone, width, compressor, limiter, gate, saturation, reverb, echo, tremolo, chorus, noise, hum, gain movement,
    polarity, delay, drift, cut."""
    flat_gain_db: float | None = None
    """Gain at which all frequencies of the response end up alike."""
    side_gain_db: float | None = None
    """Gain of the sides against the middle's; None where it works on left and right."""
    saturation: Saturation | None = None
    reverb: Reverb | None = None
    echoes: tuple[Echo, ...] = ()
    modulation: Modulation | None = None
    addition: Addition | None = None
    gain_movement: GainMovement | None = None
    rivals: tuple[Rival, ...] = ()
    """Explanations that were tried, the chosen one first."""
    left_db: float | None = None
    """Level of what the chosen explanation leaves of AFTER, against AFTER."""
    doubt: str = ""
    """Why no single explanation is given, where none is; empty otherwise."""


def compare_schema() -> dict[str, Any]:
    """JSON Schema of the result."""
    from pydantic import TypeAdapter

    schema = TypeAdapter(CompareResult).json_schema(mode="serialization")
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "deskhand compare"
    return schema
