"""Values of the house file as people write them, read into numbers: "-18 dBFS", "1.6 kHz", "12 dB/oct"."""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field

from deskhand.units import Kind, parse, parse_range_db

STRICT: Final = ConfigDict(extra="forbid", frozen=True, defer_build=True)
"""Settings of every table of the file: an unknown key is a mistake, and nothing changes once it is read. What checks a table is built when the
table is first read, with those that are parts of it."""


def _value(kind: Kind) -> BeforeValidator:
    return BeforeValidator(lambda text: parse(text if isinstance(text, str) else str(text), kind))


SPEED_OF_SOUND_M_S: Final = 343.2
"""In dry air at 20 °C: ISO 9613-1:1993."""
# limits of what can be typed, wide enough for any desk: common practice, no source
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


def _mains(text: object) -> float:
    frequency_hz = parse(str(text), "frequency_hz")
    if frequency_hz not in (50.0, 60.0):
        raise ValueError(f"{text!r} is not a mains frequency; allowed are '50 Hz' and '60 Hz'")
    return frequency_hz


def _sound_level(text: object) -> float:
    return parse(str(text), "level_dba")


def _peak_level(text: object) -> float:
    return parse(str(text), "level_dbc")


def _delay(text: object) -> float:
    """Seconds, from a time or from the time sound takes over a distance."""
    try:
        return parse(str(text), "time_s")
    except ValueError:
        return parse(str(text), "distance_m") / SPEED_OF_SOUND_M_S


Temperature = Annotated[float, _value("temperature_c"), Field(ge=-20, le=50)]
Mains = Annotated[float, BeforeValidator(_mains)]
SoundLevel = Annotated[float, BeforeValidator(_sound_level)]
PeakLevel = Annotated[float, BeforeValidator(_peak_level)]
Delay = Annotated[float, BeforeValidator(_delay), Field(ge=0, le=10)]
