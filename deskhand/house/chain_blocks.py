"""Blocks of a chain with their settings, typed; facts about each kind stand in `house.blocks`."""

from __future__ import annotations

import copy
import functools
from dataclasses import fields
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, TypeVar, get_args, get_type_hints

from pydantic import Field, TypeAdapter
from pydantic.dataclasses import dataclass as checked

from deskhand.house.values import (
    STRICT,
    BellGain,
    Delay,
    Frequency,
    Gain,
    Level,
    Name,
    NotNegative,
    PanLaw,
    Quality,
    RangeDb,
    Ratio,
    Slope,
    Time,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

AnyBlock = TypeVar("AnyBlock")

On = Literal["left", "right", "mid", "side", "both"]
Detector = Literal["linked", "dual", "mid-side"]
Alignment = Literal["butterworth", "linkwitz-riley"]


@checked(config=STRICT, kw_only=True)
class GainBlock:
    """Gain of the preamp, as a change against the recording."""

    block: Literal["gain"]
    gain_db: Gain = Field(alias="gain")
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class TrimBlock:
    """Digital gain after the preamp."""

    block: Literal["trim"]
    gain_db: Gain = Field(alias="gain")
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class PolarityBlock:
    """Polarity reversed."""

    block: Literal["polarity"]
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class DelayBlock:
    """Delay by a time, or by the time sound takes over a distance."""

    block: Literal["delay"]
    time_s: Delay = Field(alias="time")
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class HighPassBlock:
    """Filter that takes away everything below a frequency."""

    block: Literal["high-pass"]
    frequency_hz: Frequency = Field(alias="frequency")
    slope_db_per_octave: Slope = Field(default=12.0, alias="slope")
    shape: Alignment = "butterworth"
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class LowPassBlock:
    """Filter that takes away everything above a frequency."""

    block: Literal["low-pass"]
    frequency_hz: Frequency = Field(alias="frequency")
    slope_db_per_octave: Slope = Field(default=12.0, alias="slope")
    shape: Alignment = "butterworth"
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class BellBlock:
    """Equaliser band that lifts or lowers the range around a frequency."""

    block: Literal["bell"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 1.0
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class LowShelfBlock:
    """Equaliser band that lifts or lowers everything below a frequency."""

    block: Literal["low-shelf"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 0.707
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class HighShelfBlock:
    """Equaliser band that lifts or lowers everything above a frequency."""

    block: Literal["high-shelf"]
    frequency_hz: Frequency = Field(alias="frequency")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 0.707
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class SaturationBlock:
    """Saturation: rounds off loud peaks."""

    block: Literal["saturation"]
    drive_db: BellGain = Field(default=0.0, alias="drive")
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class GateBlock:
    """Gate that lowers the signal while it is below a threshold."""

    block: Literal["gate"]
    threshold_dbfs: Level = Field(alias="threshold")
    range_db: Gain = Field(default=-20.0, alias="range")
    attack_s: Time = Field(default=0.001, alias="attack")
    hold_s: Time = Field(default=0.05, alias="hold")
    release_s: Time = Field(default=0.2, alias="release")
    hysteresis_db: NotNegative = Field(default=3.0, alias="hysteresis")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class CompressorBlock:
    """Compressor that lowers the signal while it is above a threshold."""

    block: Literal["compressor"]
    threshold_dbfs: Level = Field(alias="threshold")
    ratio: Ratio | Literal["rising"] = 2.0
    knee_db: NotNegative = Field(default=6.0, alias="knee")
    attack_s: Time = Field(default=0.01, alias="attack")
    release_s: Time | Literal["two-stage"] = Field(default=0.15, alias="release")
    detector: Detector = "linked"
    senses: Literal["peak", "rms"] = "peak"
    """Measure of the detector: peaks or mean squares; a sine has the same level either way."""
    side_threshold_dbfs: Level | None = Field(default=None, alias="side_threshold")
    """Threshold of the sides, where mid and sides are compressed apart; without it, that of the mid."""
    high_pass_hz: Frequency | None = Field(default=None, alias="high_pass")
    """High-pass in the detector's path."""
    makeup_db: Gain = Field(default=0.0, alias="makeup")
    reduction_db: RangeDb | None = Field(default=None, alias="reduction")
    """Gain reduction the house wants, lowest and highest."""
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class DynamicBellBlock:
    """Bell that moves only while its band is above a threshold."""

    block: Literal["dynamic-bell"]
    frequency_hz: Frequency = Field(alias="frequency")
    threshold_dbfs: Level = Field(alias="threshold")
    gain_db: BellGain = Field(alias="gain")
    q: Quality = 1.0
    attack_s: Time = Field(default=0.01, alias="attack")
    release_s: Time = Field(default=0.15, alias="release")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class MidSideBlock:
    """Trims of the mid and the sides of a pair."""

    block: Literal["mid-side"]
    mid_db: Gain = Field(default=0.0, alias="mid")
    side_db: Gain = Field(default=0.0, alias="side")


@checked(config=STRICT, kw_only=True)
class PanBlock:
    """Position between left (-100), centre (0) and right (100)."""

    block: Literal["pan"]
    position: Annotated[float, Field(ge=-100, le=100)] = 0.0
    law_db: PanLaw = Field(default=-3.0, alias="law")


@checked(config=STRICT, kw_only=True)
class LimiterBlock:
    """Limiter that lets no peak pass a ceiling."""

    block: Literal["limiter"]
    ceiling_dbfs: Level = Field(default=-1.0, alias="ceiling")
    release_s: Time = Field(default=0.1, alias="release")
    detector: Detector = "linked"
    on: On = "both"


@checked(config=STRICT, kw_only=True)
class CurveBlock:
    """Filter with a measured response."""

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


@functools.cache
def _adapter() -> TypeAdapter[ChainBlock]:
    # only where a block is made by itself: a house file's are read with it
    return TypeAdapter(ChainBlock)


def make_block(written: Mapping[str, Any]) -> ChainBlock:
    """A block from its keys as the house file has them, like `{"block": "bell", "frequency": "1 kHz", "gain": "-3 dB"}`."""
    return _adapter().validate_python(written)


_WRITTEN_UNITS: Final = {"db": "dB", "dbfs": "dBFS", "hz": "Hz", "db_per_octave": "dB/oct"}


def defaults_of(block: str) -> dict[str, str]:
    """Defaults of a block's keys, written as the house file would have them.

    Parameters
    ----------
    block : str
        Its name, such as "bell".
    """
    defaults = {}
    for item in fields(BLOCK_TYPES[block]):
        description = BLOCK_TYPES[block].__pydantic_fields__[item.name]
        value = description.default
        if item.name == "block" or value is None or not isinstance(value, int | float | str):
            continue
        defaults[description.alias or item.name] = _written(item.name, value)
    return defaults


def _written(name: str, value: float | str) -> str:
    """Value of a key in the unit that its name ends with."""
    if isinstance(value, str):
        return value
    if name.endswith("_s"):
        return f"{1000 * value:g} ms"
    endings = sorted(_WRITTEN_UNITS, key=len, reverse=True)
    ending = next((candidate for candidate in endings if name.endswith(f"_{candidate}")), None)
    return f"{value:g} {_WRITTEN_UNITS[ending]}" if ending else f"{value:g}"


_SOLE_UNITS: Final = {"db": "dB", "dbfs": "dBFS", "db_per_octave": "dB/oct"}
"""Endings of keys that are written in one unit; hertz and seconds have several."""


def sole_units(block: str) -> dict[str, str]:
    """Keys of a block that are written in one unit only, to that unit.

    Parameters
    ----------
    block : str
        Its name, such as "bell".
    """
    described = BLOCK_TYPES[block].__pydantic_fields__
    found = (
        (item.name, next((end for end in _SOLE_UNITS if item.name.endswith(f"_{end}")), None))
        for item in fields(BLOCK_TYPES[block])
    )
    return {described[name].alias or name: _SOLE_UNITS[end] for name, end in found if end is not None}


def changed(block: AnyBlock, **values: float | str) -> AnyBlock:
    """Copy of a block with some values changed, numbers in the unit of their name."""
    copied = copy.copy(block)
    for name, value in values.items():
        # frozen against mistakes, not against a copy of its own being finished
        object.__setattr__(copied, name, value)
    return copied
