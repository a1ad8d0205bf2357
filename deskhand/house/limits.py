"""Limits of sound level and exposure: those of published standards by name, or a house's own figures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final, Literal

from pydantic import BeforeValidator, Field
from pydantic.dataclasses import dataclass as checked

from deskhand.house.values import STRICT, PeakLevel, SoundLevel, Time
from deskhand.units import number

Window = Literal["sliding", "half-hours", "day"]
"""Stretch over which a level is averaged: any of its length, each half hour of the clock, or all that a day brings."""
_FROM_MEMORY: Final = 140.0
"""Peak of OSHA 29 CFR 1910.95(b) for impulses, and the ceiling of NIOSH 98-126, in dB: confirmed in no second text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelLimit:
    """Limit of a level over a time, and of a peak."""

    name: str
    laeq_dba: float
    window: Window
    window_s: float
    """Length over which the level may last; for a day's dose, the time at `laeq_dba` that makes 100 %."""
    exchange_db: float | None = None
    """Change of level that halves the time, as its text counts; None: equal energy."""
    threshold_dba: float | None = None
    """Level below which nothing counts; None: all counts."""
    lcpeak_dbc: float | None = None
    for_staff: bool = False
    """True where its text is about people at work, not about an audience."""

    @property
    def is_dose(self) -> bool:
        """True where a day's exposure counts, not a level over a window."""
        return self.window == "day"


LIMITS: Final = (
    # WHO Global standard for safe listening venues and events (2022), feature 1
    LevelLimit(name="WHO 2022", laeq_dba=100.0, window="sliding", window_s=900.0),
    # DIN 15905-5:2007-11 with Corrigendum 1:2013-02; a newer edition was not seen
    LevelLimit(name="DIN 15905-5", laeq_dba=99.0, window="half-hours", window_s=1800.0, lcpeak_dbc=135.0),
    # Directive 2003/10/EC, Article 3, upper exposure action values: what counts before hearing protection
    LevelLimit(name="2003/10/EC", laeq_dba=85.0, window="day", window_s=28800.0, lcpeak_dbc=137.0, for_staff=True),
    # NIOSH 98-126 (1998), chapter 1
    LevelLimit(
        name="NIOSH 98-126", laeq_dba=85.0, window="day", window_s=28800.0, exchange_db=3.0, lcpeak_dbc=_FROM_MEMORY, for_staff=True,
    ),
    # US 29 CFR 1910.95, Tables G-16 and G-16a: what lies below the threshold counts nothing
    LevelLimit(
        name="OSHA", laeq_dba=90.0, window="day", window_s=28800.0, exchange_db=5.0, threshold_dba=90.0, lcpeak_dbc=_FROM_MEMORY,
        for_staff=True,
    ),
)  # fmt: skip
"""Limits by name. That one is named here says nothing about what holds at a place."""


def named_limit(text: object) -> LevelLimit:
    """Limit of a published standard, capitals and spaces as they come.

    Raises
    ------
    ValueError
        There is none of that name; the message lists the names.

    Examples
    --------
    >>> named_limit("din15905-5").laeq_dba
    99.0
    """
    letters = "".join(str(text).split()).casefold()
    for limit in LIMITS:
        if "".join(limit.name.split()).casefold() == letters:
            return limit
    names = ", ".join(f"'{limit.name}'" for limit in LIMITS)
    raise ValueError(f"{text!r} is no standard known here; use {names}, or figures of your own: laeq, over, lcpeak")


@checked(config=STRICT, kw_only=True)
class Limits:
    """Limit that a house chose: a standard by name, or figures of its own."""

    standard: Annotated[LevelLimit, BeforeValidator(named_limit)] | None = None
    laeq_dba: SoundLevel | None = Field(default=None, alias="laeq")
    over_s: Annotated[Time, Field(ge=60, le=86400)] | None = Field(default=None, alias="over")
    """Length of any stretch over which `laeq` is not to be passed."""
    lcpeak_dbc: PeakLevel | None = Field(default=None, alias="lcpeak")

    @property
    def mistake(self) -> str:
        """Mistake between its keys, and what to do; empty where there is none."""
        figures = (self.laeq_dba, self.over_s)
        if self.standard is not None and any(value is not None for value in (*figures, self.lcpeak_dbc)):
            return "names a standard and figures of its own; keep one of them"
        if self.standard is None and None in figures:
            return 'has no whole limit; write standard = "WHO 2022", or laeq = "96 dBA" and over = "15 min"'
        return ""

    @property
    def limit(self) -> LevelLimit:
        """Limit that holds.

        Raises
        ------
        ValueError
            There is none: `mistake` tells why.
        """
        if self.standard is not None:
            return self.standard
        if self.laeq_dba is None or self.over_s is None:
            raise ValueError(self.mistake)
        return LevelLimit(
            name=f"{number(self.laeq_dba)} dBA over {number(self.over_s / 60.0)} min",
            laeq_dba=self.laeq_dba,
            window="sliding",
            window_s=self.over_s,
            lcpeak_dbc=self.lcpeak_dbc,
        )
