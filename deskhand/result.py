"""The result of a check: what `--json` writes, and the schema that describes it."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Final

from deskhand.baseline.normal import Normal
from deskhand.baseline.songs import SongsResult
from deskhand.chain.meter import Stage
from deskhand.desk import EarlierMove
from deskhand.findings import KINDS, Finding, FirstThing
from deskhand.findings.first import Status
from deskhand.findings.line_memory import LineMemory
from deskhand.house import RoleName
from deskhand.measure.readings import Readings
from deskhand.measure.sounds import Sound
from deskhand.mix.clearance import Clearance
from deskhand.mix.faders import Fader
from deskhand.mix.recorded import RecordedMix
from deskhand.moves.monitors import MonitorTelling
from deskhand.moves.move import Move
from deskhand.recording.show import Phase, Tap
from deskhand.seat.exposure import SeatExposure
from deskhand.seat.feed_result import FeedAtSeat
from deskhand.seat.words_path import WordsPath

SCHEMA: Final = 1
"""Number of the form of the JSON: the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShowResult:
    """Show and stretch that were checked."""

    name: str
    date: str | None
    phase: Phase
    tap: Tap
    players: dict[str, str]
    house_file: str | None
    """Name of the house file that was read: the standing one, or this week's; null when it was guessed."""
    start_s: float
    """Where the stretch begins in the recording."""
    duration_s: float
    sample_rate_hz: int
    tracks: int
    notes: tuple[str, ...]
    """What was joined, trimmed, resampled, guessed or found unfinished."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceResult:
    """One source."""

    name: str
    role: RoleName
    tracks: tuple[str, ...]
    channel: str | None
    status: Status
    before: Readings | None
    """At the tap; null when the source is missing."""
    after: Readings | None
    """After the house chain; null when it has none, or was recorded behind it."""
    findings: tuple[Finding, ...]
    stages: tuple[Stage, ...]
    """What comes out of each block of the house chain."""
    sounds: tuple[Sound, ...]
    """The distinct sounds it uses, found in the audio, the most used first; none for less than 30 s of playing."""
    moves: tuple[Move, ...]
    """What to turn, in the order of causes; those that help most first."""
    earlier_moves: tuple[EarlierMove, ...]
    """Moves of this show that a person did or declined before, and what this take says of them."""
    with_moves: Readings | None
    """Behind the chain as the moves leave it, run and measured again; null when no setting moves."""
    left_over: tuple[str, ...]
    """What the moves do not mend."""
    normal: tuple[Normal, ...]
    """Its numbers against the kept takes, each with its expected range; none while nothing is kept."""
    step_db: float | None
    """Level step (LU) between the loudest and the quietest of them; null when there is one."""
    line_check: LineMemory | None = None
    """Its turn against its turns in kept line checks; null in another phase, and while none is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MixResult:
    """The mix of the faders that are written down, behind the house's chains."""

    loudness_lufs: float | None
    true_peak_dbtp: float | None
    loudness_range_lu: float | None
    width_db: float | None
    mono_loss_db: float | None
    level_dba: float | None
    """At the mix position, estimated from the room's calibration; null when the house states none."""
    share_pct: dict[str, dict[str, float]]
    """Each source's share of the energy in each octave, 63 Hz to 8 kHz."""
    balance_shift_phon: dict[str, float] | None
    """By how much more than 1 kHz each octave grows to the ear when this take's mix is played at the room's level (ISO 226)."""
    normal: tuple[Normal, ...]
    """Its numbers against the kept takes."""
    findings: tuple[Finding, ...]
    faders: tuple[Fader, ...]
    """Where the recording holds the desk's own mix: what its faders were."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceResult:
    """Kept takes that the take was set against."""

    kept: int
    """Takes of the same phase that the house keeps."""
    first_date: str | None
    last_date: str | None
    learned: bool
    """Whether they are enough for judgements to be raised; until then they are notes."""
    set_aside: dict[str, int]
    """Source to kept readings behind another chain than today's: they are not compared with."""
    other_tap: dict[str, int]
    """Source to kept readings taken elsewhere."""
    set_aside_versions: dict[str, int]
    """Number to how many kept takes hold it by an earlier definition: those are not compared with."""
    measured_again: int
    """Kept takes that were measured again since they were kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatLoudspeakers:
    """Loudspeakers as one seat gets them, against the kept weeks."""

    feed: FeedAtSeat
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeatResult:
    """Sound in the house at one seat."""

    exposure: SeatExposure
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """All of `deskhand check --json`. What later versions measure is absent, not empty."""

    schema: int
    deskhand: str
    """Version that wrote it."""
    house: str
    show: ShowResult
    sources: tuple[SourceResult, ...]
    vocal: Clearance | None
    """Whether the lead voice can be heard in the feed; null when it is silent, or no faders are written down."""
    voices: tuple[Clearance, ...]
    """The same for everyone who speaks."""
    mix: MixResult | None
    """Null when no fader is written down."""
    reference: ReferenceResult | None
    """Null while nothing is kept."""
    recorded_mix: RecordedMix | None = None
    """The desk's own mix against the loudness it is to keep; null where none is recorded, or no target is written down."""
    songs: SongsResult | None = None
    """Songs that were played in kept takes; null while none with a fingerprint is kept, and in a line check."""
    seats: tuple[SeatResult, ...] = ()
    """Sound level and exposure at each measurement microphone where people sit; none where no seat is recorded."""
    words: tuple[WordsPath, ...] = ()
    """What is left of the words at each seat whose room is kept: today's feed, and the room as it was measured; none while no room is kept."""
    loudspeakers: tuple[SeatLoudspeakers, ...] = ()
    """Recorded main mix against each seat; none without a seat."""
    monitors: tuple[MonitorTelling, ...] = ()
    """Mixes on the stage that the moves change, and what the people who hear each are told first; none where no send is written down."""
    first: tuple[FirstThing, ...]
    """At most three things to do before doors."""
    next: tuple[FirstThing, ...]
    """Everything else that is to be put right, most urgent first: next, if there is time."""


_MOST: Final = 1e12
"""Far above any frame, byte or level of a result: arithmetic with more overflows. Common practice, no source."""


def plain(value: Any) -> Any:
    """Dataclasses to JSON's own kinds: numbers that are not finite become null, floats keep six digits."""
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, dict):
        return {str(name): plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()  # a file's name may hold bytes that are no text
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    return value


def to_json(result: CheckResult) -> str:
    """The result as text; the same result gives the same bytes."""
    return json.dumps(plain(result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def from_plain(data: Any) -> CheckResult:
    """Read a result back from what `plain` made of it, or from its JSON.

    Raises
    ------
    ValueError
        It is none, or one of another version.
    """
    from pydantic import TypeAdapter

    if _largest(data) > _MOST:
        raise ValueError("a result holds a number that nothing measures")
    # strictly: text is no number, however many digits it has; what JSON does not hold fits nowhere
    text = json.dumps(data, default=lambda value: {"": repr(value)})
    result = TypeAdapter(CheckResult).validate_json(text, strict=True)
    by_source = [*(source.findings for source in result.sources), result.mix.findings if result.mix else ()]
    by_source += [seat.findings for seat in result.seats]
    by_source += [seat.findings for seat in result.loudspeakers]
    unknown = {finding.kind for findings in by_source for finding in findings} - KINDS.keys()
    if unknown:
        raise ValueError(f"no kind of finding is called {', '.join(sorted(unknown))}")
    told = [(source.name, source.findings) for source in result.sources]
    told += [(seat.feed.seat, seat.findings) for seat in result.loudspeakers]
    findings = {(name, finding.id) for name, several in told for finding in several}
    if any((thing.source, thing.finding) not in findings for thing in (*result.first, *result.next)):
        raise ValueError("a thing to do is no finding of its source")
    return result


def _largest(data: Any) -> float:
    """Largest magnitude of all numbers in JSON's kinds; 0 without any."""
    if isinstance(data, dict):
        return max(map(_largest, data.values()), default=0.0)
    if isinstance(data, list | tuple):
        return max(map(_largest, data), default=0.0)
    return abs(data) if isinstance(data, int | float) else 0.0


def json_schema() -> dict[str, Any]:
    """JSON Schema of the result."""
    from pydantic import TypeAdapter

    schema = TypeAdapter(CheckResult).json_schema(mode="serialization")
    kind = schema["$defs"]["Finding"]["properties"]["kind"]
    schema["$defs"]["Finding"]["properties"]["kind"] = {"enum": list(KINDS), **kind}
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "deskhand check"
    return schema
