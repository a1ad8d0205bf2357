"""The house file: the venue's standing description, typed, validated, and written back with its comments kept."""

from __future__ import annotations

import copy
from dataclasses import field, fields
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeVar, get_args, get_type_hints

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, TypeAdapter
from pydantic.dataclasses import dataclass as checked

from deskhand.house.roles import RoleName
from deskhand.recording.show import Tap
from deskhand.units import Kind, parse, parse_range_db

if TYPE_CHECKING:
    from collections.abc import Mapping

AnyBlock = TypeVar("AnyBlock")

_FORBID: Final = ConfigDict(extra="forbid", frozen=True)


def _value(kind: Kind) -> BeforeValidator:
    return BeforeValidator(lambda given: parse(given if isinstance(given, str) else str(given), kind))


Level = Annotated[float, _value("level_dbfs")]
Gain = Annotated[float, _value("gain_db"), Field(ge=-200, le=60)]
BellGain = Annotated[float, _value("gain_db"), Field(ge=-60, le=60)]
NotNegative = Annotated[float, _value("gain_db"), Field(ge=0, le=60)]
PanLaw = Annotated[float, _value("gain_db"), Field(ge=-6, le=-3)]
Frequency = Annotated[float, _value("frequency_hz"), Field(ge=1, le=96000)]
Time = Annotated[float, _value("time_s"), Field(ge=0)]


def _whole_orders(slope_db_per_octave: float) -> float:
    if slope_db_per_octave % 6.0:
        raise ValueError("a slope is a multiple of 6 dB/oct")
    return slope_db_per_octave


Slope = Annotated[float, _value("slope_db_per_octave"), Field(ge=6, le=48), AfterValidator(_whole_orders)]
Interval = Annotated[float, _value("interval_octave"), Field(gt=0)]
Loudness = Annotated[float, _value("loudness_lufs")]
Share = Annotated[float, _value("share_pct"), Field(ge=0, le=100)]
Quality = Annotated[float, Field(ge=0.01, le=100)]
Ratio = Annotated[float, Field(ge=1)]
RangeDb = Annotated[tuple[float, float], BeforeValidator(parse_range_db)]
Name = Annotated[str, Field(min_length=1)]


def _mains(given: object) -> float:
    frequency_hz = parse(str(given), "frequency_hz")
    if frequency_hz not in (50.0, 60.0):
        raise ValueError(f"{given!r} is not a mains frequency; allowed are '50 Hz' and '60 Hz'")
    return frequency_hz


def _sound_level(given: object) -> float:
    return parse(str(given), "level_dba")


def _delay(given: object) -> float:
    """Seconds, from a time or from a distance at 20 °C (343.2 m/s: ISO 9613-1:1993, dry air)."""
    try:
        return parse(str(given), "time_s")
    except ValueError:
        return parse(str(given), "distance_m") / 343.2


@checked(config=_FORBID, kw_only=True)
class House:
    """What holds for every source unless it says otherwise."""

    name: Name
    nominal_dbfs: Level = Field(default=-18.0, alias="nominal")
    mains_hz: Annotated[float, BeforeValidator(_mains)] = Field(default=50.0, alias="mains")
    tap: Tap = "preamp"
    level_listen_db: NotNegative = Field(default=2.0, alias="level_listen")
    """How far from nominal a level may be before it is worth listening to."""
    level_fix_db: NotNegative = Field(default=4.0, alias="level_fix")
    """How far from nominal it is to be put right."""


@checked(config=_FORBID, kw_only=True)
class Equaliser:
    """What the desk's equaliser can be set to."""

    bells: Annotated[int, Field(ge=0, le=32)] = 4
    gain_step_db: Gain = Field(default=0.5, alias="gain_step")
    gain_max_db: Gain = Field(default=15.0, alias="gain_max")
    frequency_step_octave: Interval = Field(default=1 / 12, alias="frequency_step")
    q: list[Quality] = field(default_factory=lambda: [0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6])
    per_side: bool = False
    mid_side: bool = False


@checked(config=_FORBID, kw_only=True)
class Desk:
    """What can be set at all; a move never asks for more."""

    gain_step_db: Gain = Field(default=1.0, alias="gain_step")
    trim_step_db: Gain = Field(default=0.5, alias="trim_step")
    equaliser: Equaliser = field(default_factory=Equaliser)
    monitors: Tap = "after-gain"
    mix: list[str | int] = field(default_factory=list)
    """Tracks that hold the desk's own mix, when it is recorded too."""


@checked(config=_FORBID, kw_only=True)
class Room:
    """The sound level at the mix position when the mix sits at a loudness."""

    level_dba: Annotated[float, BeforeValidator(_sound_level)] = Field(alias="level")
    mix_loudness_lufs: Loudness = Field(alias="mix_loudness")


@checked(config=_FORBID, kw_only=True)
class Vocal:
    """Whose words must be heard, and how clear."""

    source: Name
    clearance_pct: Share | None = Field(default=None, alias="clearance")


On = Literal["left", "right", "mid", "side", "both"]
Detector = Literal["linked", "dual", "mid-side"]
Alignment = Literal["butterworth", "linkwitz-riley"]


@checked(config=_FORBID, kw_only=True)
class GainBlock:
    """The preamp's gain, as a change against the recording."""

    block: Literal["gain"]
    gain_db: Gain = Field(alias="gain")
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class TrimBlock:
    """Digital gain behind the preamp."""

    block: Literal["trim"]
    gain_db: Gain = Field(alias="gain")
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class PolarityBlock:
    """Turns the signal upside down."""

    block: Literal["polarity"]
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class DelayBlock:
    """Holds the signal back by a time or a distance."""

    block: Literal["delay"]
    time_s: Annotated[float, BeforeValidator(_delay), Field(ge=0, le=10)] = Field(alias="time")
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class HighPassBlock:
    """Takes away what lies below a frequency."""

    block: Literal["high-pass"]
    frequency_hz: Frequency = Field(alias="frequency")
    slope_db_per_octave: Slope = Field(default=12.0, alias="slope")
    shape: Alignment = "butterworth"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class LowPassBlock:
    """Takes away what lies above a frequency."""

    block: Literal["low-pass"]
    frequency_hz: Frequency = Field(alias="frequency")
    slope_db_per_octave: Slope = Field(default=12.0, alias="slope")
    shape: Alignment = "butterworth"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class BellBlock:
    """Lifts or lowers a band."""

    block: Literal["bell"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 1.0
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class LowShelfBlock:
    """Lifts or lowers all below a frequency."""

    block: Literal["low-shelf"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 0.707
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class HighShelfBlock:
    """Lifts or lowers all above a frequency."""

    block: Literal["high-shelf"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 0.707
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class SaturationBlock:
    """Bends loud peaks softly."""

    block: Literal["saturation"]
    drive_db: BellGain = Field(default=0.0, alias="drive")
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class GateBlock:
    """Lowers what falls below a threshold."""

    block: Literal["gate"]
    threshold_dbfs: Level = Field(alias="threshold")
    range_db: Gain = Field(default=-20.0, alias="range")
    attack_s: Time = Field(default=0.001, alias="attack")
    hold_s: Time = Field(default=0.05, alias="hold")
    release_s: Time = Field(default=0.2, alias="release")
    hysteresis_db: NotNegative = Field(default=3.0, alias="hysteresis")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class CompressorBlock:
    """Lowers what rises above a threshold."""

    block: Literal["compressor"]
    threshold_dbfs: Level = Field(alias="threshold")
    ratio: Ratio | Literal["rising"] = 2.0
    knee_db: NotNegative = Field(default=6.0, alias="knee")
    attack_s: Time = Field(default=0.01, alias="attack")
    release_s: Time | Literal["two-stage"] = Field(default=0.15, alias="release")
    detector: Detector = "linked"
    senses: Literal["peak", "rms"] = "peak"
    """Whether the detector looks at peaks or at mean squares; a sine has the same level either way."""
    side_threshold_dbfs: Level | None = Field(default=None, alias="side_threshold")
    """Of the sides, where middle and sides are compressed apart; the same as the middle's without it."""
    high_pass_hz: Frequency | None = Field(default=None, alias="high_pass")
    """Of what the detector hears."""
    makeup_db: Gain = Field(default=0.0, alias="makeup")
    reduction_db: RangeDb | None = Field(default=None, alias="reduction")
    """What the house wants it to take off."""
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class DynamicBellBlock:
    """A bell that moves only while its band is too loud."""

    block: Literal["dynamic-bell"]
    frequency_hz: Frequency = Field(alias="frequency")
    threshold_dbfs: Level = Field(alias="threshold")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 1.0
    attack_s: Time = Field(default=0.01, alias="attack")
    release_s: Time = Field(default=0.15, alias="release")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class MidSideBlock:
    """Trims the middle and the sides of a pair."""

    block: Literal["mid-side"]
    mid_db: Gain = Field(default=0.0, alias="mid")
    side_db: Gain = Field(default=0.0, alias="side")


@checked(config=_FORBID, kw_only=True)
class PanBlock:
    """Places a source: -100 left, 0 centre, 100 right."""

    block: Literal["pan"]
    position: Annotated[float, Field(ge=-100, le=100)] = 0.0
    law_db: PanLaw = Field(default=-3.0, alias="law")


@checked(config=_FORBID, kw_only=True)
class LimiterBlock:
    """Lets no peak pass a ceiling."""

    block: Literal["limiter"]
    ceiling_dbfs: Level = Field(default=-1.0, alias="ceiling")
    release_s: Time = Field(default=0.1, alias="release")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=_FORBID, kw_only=True)
class CurveBlock:
    """A measured response."""

    block: Literal["curve"]
    file: Name
    phase: Literal["linear", "minimum"] = "minimum"
    on: On = "both"


ChainBlock = Annotated[
    GainBlock | TrimBlock | PolarityBlock | DelayBlock | HighPassBlock | LowPassBlock | BellBlock | LowShelfBlock
    | HighShelfBlock | SaturationBlock | GateBlock | CompressorBlock | DynamicBellBlock | MidSideBlock | PanBlock
    | LimiterBlock | CurveBlock,
    Field(discriminator="block"),
]  # fmt: skip
BLOCK_TYPES: Final[dict[str, Any]] = {
    get_args(get_type_hints(kind)["block"])[0]: kind for kind in get_args(get_args(ChainBlock)[0])
}
BLOCK_NAMES: Final = tuple(BLOCK_TYPES)
BLOCK_ADAPTER: Final[TypeAdapter[ChainBlock]] = TypeAdapter(ChainBlock)


def make_block(written: Mapping[str, Any]) -> ChainBlock:
    """A block from its keys as the house file has them, like `{"block": "bell", "frequency": "1 kHz", "gain": "-3 dB"}`."""
    return BLOCK_ADAPTER.validate_python(written)


_SAID: Final = {"db": "dB", "dbfs": "dBFS", "hz": "Hz", "db_per_octave": "dB/oct"}


def defaults_of(block: str) -> dict[str, str]:
    """What a block's keys are when nobody writes them, as the house file would have them."""
    out = {}
    for item in fields(BLOCK_TYPES[block]):
        found = BLOCK_TYPES[block].__pydantic_fields__[item.name]
        value = found.default
        if item.name == "block" or value is None or not isinstance(value, int | float | str):
            continue
        ending = next((one for one in sorted(_SAID, key=len, reverse=True) if item.name.endswith(f"_{one}")), None)
        if isinstance(value, str):
            said = value
        elif item.name.endswith("_s"):
            said = f"{1000 * value:g} ms"
        else:
            said = f"{value:g} {_SAID[ending]}" if ending else f"{value:g}"
        out[found.alias or item.name] = said
    return out


def changed(block: AnyBlock, **values: float | str) -> AnyBlock:
    """A block with some values changed, numbers in the unit of their name."""
    made = copy.copy(block)
    for name, value in values.items():
        # frozen against mistakes, not against a copy of its own being finished
        object.__setattr__(made, name, value)
    return made


@checked(config=_FORBID, kw_only=True)
class Source:
    """What a track, or a left and right pair of tracks, carries."""

    name: Name
    role: RoleName
    tracks: Annotated[list[str | int], Field(min_length=1, max_length=2)]
    channel: str | int | None = None
    patch: str | None = None
    fader_db: Gain | None = Field(default=None, alias="fader")
    nominal_dbfs: Level | None = Field(default=None, alias="nominal")
    level_listen_db: NotNegative | None = Field(default=None, alias="level_listen")
    level_fix_db: NotNegative | None = Field(default=None, alias="level_fix")
    tap: Tap | None = None
    used: bool = True
    mute: bool = False
    """Not in the mix this time."""
    chain: list[ChainBlock] = field(default_factory=list)

    @property
    def is_pair(self) -> bool:
        """Whether it has a left and a right track."""
        return len(self.tracks) == 2

    @property
    def where(self) -> str:
        """Where it is, on the desk and on the stage; empty when nobody wrote it down."""
        parts = (f"channel {self.channel}" if self.channel is not None else "", self.patch or "")
        return ", ".join(part for part in parts if part)


@checked(config=_FORBID, kw_only=True)
class HouseFile:
    """All of `house.toml`."""

    house: House
    desk: Desk = field(default_factory=Desk)
    room: Room | None = None
    source: list[Source] = field(default_factory=list)
    vocal: Vocal | None = None

    def nominal_dbfs(self, source: Source) -> float:
        """Where the source should sit."""
        return self.house.nominal_dbfs if source.nominal_dbfs is None else source.nominal_dbfs

    def level_limits_db(self, source: Source) -> tuple[float, float]:
        """How far from nominal it is to be listened to, and to be put right."""
        listen = self.house.level_listen_db if source.level_listen_db is None else source.level_listen_db
        fix = self.house.level_fix_db if source.level_fix_db is None else source.level_fix_db
        return listen, max(listen, fix)
