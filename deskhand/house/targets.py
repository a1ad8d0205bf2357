"""Loudness targets of a recorded mix: those of the EBU by name, or a house's own loudness."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from pydantic import BeforeValidator

from deskhand.units import number, parse

_LIVE_TOLERANCE_LU: Final = 1.0
"""Tolerance where a mix is made live: EBU R 128 (v5.0, 2023)."""
_MOST_PEAK_DBTP: Final = -1.0
"""Highest true peak: EBU R 128 (v5.0, 2023), and its supplement 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessTarget:
    """Loudness and true peak that a mix is to keep."""

    name: str
    low_lufs: float
    high_lufs: float
    peak_dbtp: float = _MOST_PEAK_DBTP

    @property
    def middle_lufs(self) -> float:
        """Loudness in the middle of what is allowed."""
        return (self.low_lufs + self.high_lufs) / 2.0


TARGETS: Final = (
    LoudnessTarget(name="EBU R 128", low_lufs=-23.0 - _LIVE_TOLERANCE_LU, high_lufs=-23.0 + _LIVE_TOLERANCE_LU),
    # what a stream may be adapted to where it cannot stay at -23 LUFS
    LoudnessTarget(name="EBU R 128 s2", low_lufs=-20.0, high_lufs=-16.0),
)
"""Targets by name: EBU R 128 (v5.0, November 2023) and its supplement 2, loudness in streaming (v3, November 2023)."""


def loudness_target(text: object) -> LoudnessTarget:
    """Target that a text means: a name, capitals and spaces as they come, or a loudness, which is kept to 1 LU.

    Raises
    ------
    ValueError
        Neither; the message lists the names.

    Examples
    --------
    >>> loudness_target("EBU R128").middle_lufs, loudness_target("-18 LUFS").high_lufs
    (-23.0, -17.0)
    """
    letters = "".join(str(text).split()).casefold()
    for target in TARGETS:
        if "".join(target.name.split()).casefold() == letters:
            return target
    names = ", ".join(f"'{target.name}'" for target in TARGETS)
    try:
        loudness_lufs = parse(str(text), "loudness_lufs")
    except ValueError:
        raise ValueError(f"{text!r} is no loudness target; use {names}, or a loudness like '-18 LUFS'") from None
    return LoudnessTarget(
        name=f"{number(loudness_lufs, 1)} LUFS",
        low_lufs=loudness_lufs - _LIVE_TOLERANCE_LU,
        high_lufs=loudness_lufs + _LIVE_TOLERANCE_LU,
    )


Target = Annotated[LoudnessTarget, BeforeValidator(loudness_target)]
