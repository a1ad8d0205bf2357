"""Keys of the house file about the seats: the way to the loudest public place, and who works there."""

from __future__ import annotations

from dataclasses import field
from typing import Annotated

from pydantic import BeforeValidator, Field
from pydantic.dataclasses import dataclass as checked

from deskhand.house.values import STRICT, Gain, Name, SoundLevel, Time
from deskhand.units import parse_clock

Clock = Annotated[float, BeforeValidator(lambda text: parse_clock(str(text))), Field(ge=0)]


@checked(config=STRICT, kw_only=True)
class PublicOffset:
    """Levels at the loudest place that the public can reach, less those at the seat, measured with the same sound at once.

    References
    ----------
    DIN 15905-5:2007-11: correction values of a substitute place for LAeq and for LCpeak.
    """

    laeq_db: Gain = Field(alias="laeq")
    lcpeak_db: Gain | None = Field(default=None, alias="lcpeak")


@checked(config=STRICT, kw_only=True)
class QuietWork:
    """Rest of a working day, at a level that somebody measured or knows."""

    hours_s: Time = Field(alias="hours")
    level_dba: SoundLevel = Field(alias="level")


@checked(config=STRICT, kw_only=True)
class StaffMember:
    """Person who works at a seat during the show."""

    name: Name
    seat: Name
    from_s: Clock = Field(default=0.0, alias="from")
    """Time into the recording at which the work there begins."""
    to_s: Clock | None = Field(default=None, alias="to")
    """Time at which it ends; None: with the recording."""
    besides: list[QuietWork] = field(default_factory=list)
    """Work of the same day elsewhere."""
