"""Values as people say them ("1.6 kHz", "+3 dB", "1:30") to numbers and back, and levels to and from decibels.

Amplitudes become decibels only here: elsewhere no bare `20 * log10`.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Final, Literal, get_args, overload

from deskhand.language import language

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

AES17_OFFSET_DB: Final = 10.0 * math.log10(2.0)
"""A full-scale sine has an RMS of 1/sqrt(2) and reads 0 dBFS (AES17-2020, 3.12.1): RMS levels are raised by 3.01 dB."""

Kind = Literal[
    "level_dbfs", "gain_db", "loudness_lufs", "level_dba", "level_dbc", "frequency_hz", "time_s", "distance_m",
    "temperature_c", "share_pct", "slope_db_per_octave", "interval_octave", "range_db",
]  # fmt: skip

# kind -> {unit as written: (factor to the kind's own unit)}; the first is how it is written back
_UNITS: Final[dict[str, dict[str, float]]] = {
    "level_dbfs": {"dBFS": 1.0},
    "gain_db": {"dB": 1.0},
    "loudness_lufs": {"LUFS": 1.0, "LKFS": 1.0},
    "level_dba": {"dBA": 1.0, "dB(A)": 1.0},
    "level_dbc": {"dBC": 1.0, "dB(C)": 1.0},
    "frequency_hz": {"Hz": 1.0, "kHz": 1000.0},
    "time_s": {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0},
    "distance_m": {"m": 1.0, "cm": 0.01},
    "temperature_c": {"°C": 1.0, "C": 1.0},
    "share_pct": {"%": 1.0},
    "slope_db_per_octave": {"dB/oct": 1.0, "dB/octave": 1.0},
    "interval_octave": {"octave": 1.0, "octaves": 1.0, "oct": 1.0},
    "range_db": {"dB": 1.0},
}
_EXAMPLES: Final[dict[str, str]] = {
    "level_dbfs": "-18 dBFS", "gain_db": "+3 dB", "loudness_lufs": "-23 LUFS", "level_dba": "88 dBA", "level_dbc": "94 dBC",
    "frequency_hz": "1.6 kHz", "time_s": "20 ms", "distance_m": "3.4 m", "temperature_c": "21 °C", "share_pct": "70 %",
    "slope_db_per_octave": "12 dB/oct", "interval_octave": "1/12 octave", "range_db": "1 to 2 dB",
}  # fmt: skip
_POINT_LANGUAGES: Final = ("en",)
"""Languages that write 1.5; the others write 1,5 (ISO 80000-1:2022, 7.3.2, allows both)."""
_NUMBER: Final = r"[+\-−]?(?:\d+(?:\.\d*)?|\.\d+)(?:/\d+)?"
_VALUE: Final = re.compile(rf"\s*({_NUMBER})\s*(.*?)\s*")
_RANGE: Final = re.compile(rf"\s*({_NUMBER})\s*(?:to|\.\.|–)\s*({_NUMBER})\s*(.*?)\s*")
_CLOCK: Final = re.compile(r"\s*(?:(\d+):)?(\d+):(\d{1,2}(?:\.\d+)?)\s*")


def _with_point(text: str) -> str:
    """Value with a point for the comma that people write where numbers are told with one."""
    return text if language() in _POINT_LANGUAGES else text.replace(",", ".")


def pointed(text: str) -> str:
    """Digits as they are printed: with a point, or with the comma of the chosen language."""
    return text if language() in _POINT_LANGUAGES else text.replace(".", ",")


def _number(text: str) -> float:
    top, _, bottom = _with_point(text).replace("−", "-").partition("/")
    if bottom and float(bottom) == 0:
        raise ValueError("a number is divided by 0")
    return float(top) / (float(bottom) if bottom else 1.0)


def example(kind: Kind) -> str:
    """A value of this kind as it is written, for messages and docs."""
    return _EXAMPLES[kind]


def _factor(kind: Kind, unit: str, text: str) -> float:
    known = {name.lower(): factor for name, factor in _UNITS[kind].items()}
    if unit.lower() not in known:
        allowed = " or ".join(_UNITS[kind])
        problem = f"the unit {unit!r}" if unit else "no unit"
        raise ValueError(f"{text!r} has {problem}; write it in {allowed}, like {_EXAMPLES[kind]!r}")
    return known[unit.lower()]


def parse(text: str, kind: Kind) -> float:
    """Number in a value as people write it, in the unit the kind's name ends with.

    Parameters
    ----------
    text : str
        Such as "1.6 kHz", "+3 dB", "1/12 octave".
    kind : Kind
        What is expected.

    Raises
    ------
    ValueError
        No number, or a unit that does not belong to the kind; the message says how to write it.

    Examples
    --------
    >>> parse("1.6 kHz", "frequency_hz")
    1600.0
    >>> parse("20 ms", "time_s")
    0.02
    """
    if kind not in get_args(Kind):
        raise ValueError(f"unknown kind {kind!r}; allowed: {', '.join(get_args(Kind))}")
    match = _VALUE.fullmatch(_with_point(str(text)))
    if not match:
        raise ValueError(f"{text!r} is not a value; write it like {_EXAMPLES[kind]!r}")
    return _number(match[1]) * _factor(kind, match[2], text)


def parse_range_db(text: str) -> tuple[float, float]:
    """Both ends of a range such as "1 to 2 dB", lowest first.

    Raises
    ------
    ValueError
        Not a range in dB.

    Examples
    --------
    >>> parse_range_db("1 to 2 dB")
    (1.0, 2.0)
    """
    match = _RANGE.fullmatch(_with_point(str(text)))
    if not match:
        raise ValueError(f"{text!r} is not a range; write it like {_EXAMPLES['range_db']!r}")
    factor = _factor("range_db", match[3], text)
    low, high = sorted((_number(match[1]) * factor, _number(match[2]) * factor))
    return low, high


def parse_clock(text: str) -> float:
    """Seconds from "1:30", "0:01:30.5", "90 s" or "90".

    Raises
    ------
    ValueError
        Not a time.

    Examples
    --------
    >>> parse_clock("1:30")
    90.0
    """
    match = _CLOCK.fullmatch(text)
    if match:
        minutes, seconds = int(match[2]), float(match[3])
        if seconds >= 60 or (match[1] and minutes >= 60):
            raise ValueError(f"{text!r} is not a time; minutes and seconds end at 59, like '1:05:30'")
        return int(match[1] or 0) * 3600.0 + minutes * 60.0 + seconds
    try:
        seconds = float(text)
    except ValueError:
        pass
    else:
        if math.isfinite(seconds):
            return seconds
    try:
        return parse(text, "time_s")
    except ValueError:
        raise ValueError(f"{text!r} is not a time; write it like '1:30' or '90 s'") from None


def clock(seconds: float) -> str:
    """A time into a recording: "3:12", or "1:03:12" from an hour on.

    Examples
    --------
    >>> clock(192.4)
    '3:12'
    """
    whole = int(seconds)
    hours, minutes, secs = whole // 3600, whole % 3600 // 60, whole % 60
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def number(value: float, digits: int = 1) -> str:
    """A number as printed for people: a real minus sign, no trailing zeros, never "-0".

    Examples
    --------
    >>> number(-18.0)
    '−18'
    """
    text = f"{value:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    if text == "-0":
        text = "0"
    return pointed(text).replace("-", "−")


@overload
def db_from_power(power: float) -> float: ...
@overload
def db_from_power(power: NDArray[np.floating]) -> NDArray[np.float64]: ...
def db_from_power(power: float | NDArray[np.floating]) -> float | NDArray[np.float64]:
    """10 lg of a power ratio; -inf for nothing."""
    import numpy as np

    with np.errstate(divide="ignore"):
        level = 10.0 * np.log10(np.asarray(power, dtype=np.float64))
    return float(level) if level.ndim == 0 else level


@overload
def db_from_amplitude(amplitude: float) -> float: ...
@overload
def db_from_amplitude(amplitude: NDArray[np.floating]) -> NDArray[np.float64]: ...
def db_from_amplitude(amplitude: float | NDArray[np.floating]) -> float | NDArray[np.float64]:
    """20 lg of an amplitude ratio; -inf for nothing."""
    import numpy as np

    with np.errstate(divide="ignore"):
        level = 20.0 * np.log10(np.abs(np.asarray(amplitude, dtype=np.float64)))
    return float(level) if level.ndim == 0 else level


def dbfs_from_mean_square(mean_square: NDArray[np.floating]) -> NDArray[np.float64]:
    """RMS level to AES17 (a full-scale sine reads 0 dBFS); -inf for nothing."""
    return db_from_power(mean_square) + AES17_OFFSET_DB


@overload
def power_from_db(level_db: float) -> float: ...
@overload
def power_from_db(level_db: NDArray[np.floating]) -> NDArray[np.float64]: ...
def power_from_db(level_db: float | NDArray[np.floating]) -> float | NDArray[np.float64]:
    """The power ratio of a level in dB."""
    import numpy as np

    power = 10.0 ** (np.asarray(level_db, dtype=np.float64) / 10.0)
    return float(power) if power.ndim == 0 else power


def amplitude_from_db(level_db: float) -> float:
    """The amplitude ratio of a level in dB."""
    return float(10.0 ** (level_db / 20.0))


def hertz(frequency_hz: float, places: int = 1) -> str:
    """A frequency as people say it, in Hz or kHz.

    Examples
    --------
    >>> hertz(250.0), hertz(3150.0), hertz(3150.0, 2)
    ('250 Hz', '3.1 kHz', '3.15 kHz')
    """
    if frequency_hz >= 1000:
        return f"{number(frequency_hz / 1000, places)} kHz"
    return f"{number(frequency_hz, 0)} Hz"


def finite(value: float) -> float | None:
    """The value, or None for what is no number or without end."""
    return float(value) if math.isfinite(value) else None


def mean_square_from_dbfs(level_dbfs: float) -> float:
    """The mean square of a signal at an RMS level to AES17."""
    return power_from_db(level_dbfs - AES17_OFFSET_DB)
