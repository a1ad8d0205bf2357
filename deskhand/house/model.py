"""Tables of the house file, typed: the house, its desk and room, its sources and their chains."""

from __future__ import annotations

import re
from dataclasses import field, replace
from typing import Annotated, Final, Literal

from pydantic import Field
from pydantic.dataclasses import dataclass as checked

from deskhand.house.chain_blocks import ChainBlock
from deskhand.house.limits import Limits
from deskhand.house.monitors import MonitorMix
from deskhand.house.roles import ROLES, RoleName
from deskhand.house.seats import PublicOffset, StaffMember
from deskhand.house.sharing import SharingTerms
from deskhand.house.targets import Target
from deskhand.house.values import (
    STRICT,
    Gain,
    Interval,
    Level,
    Loudness,
    Mains,
    Name,
    NotNegative,
    Quality,
    Share,
    SoundLevel,
    Temperature,
)
from deskhand.recording.show import Tap
from deskhand.words import phrase

_BY_CABLE: Final = re.compile(r"\b(d\.?i\.?s?|lines?|direct|pick-?ups?|model+ers?)(\b|$)", re.IGNORECASE)
"""Words for a pick-up that hears no room. Common practice, no source."""
_BY_MICROPHONE: Final = re.compile(r"\bmic(rophone)?s?\b", re.IGNORECASE)
"""Words in a source's name that tell of a microphone where the house file names none. Common practice, no source."""
IN_SONGS: Final = "in songs"
"""Value of `mute` for a source that is open for the talk and muted while the band plays."""


@checked(config=STRICT, kw_only=True)
class House:
    """Settings that hold for every source unless it says otherwise."""

    name: Name
    nominal_dbfs: Level = Field(default=-18.0, alias="nominal")
    mains_hz: Mains = Field(default=50.0, alias="mains")
    tap: Tap = "preamp"
    level_listen_db: NotNegative = Field(default=2.0, alias="level_listen")
    """Distance from nominal from which on a level is worth listening to."""
    level_fix_db: NotNegative = Field(default=4.0, alias="level_fix")
    """Distance from nominal from which on a level is to be put right."""
    temperature_c: Temperature = Field(default=20.0, alias="temperature")
    """Of the air in the room, for milliseconds that are told as metres."""
    language: Literal["en", "de"] = "en"
    """Language in which people are told things."""
    was: list[Name] = field(default_factory=list)
    """Earlier names, under which takes were kept."""
    room: Name | None = None
    """Room of the house that the file is about; None where there is one only."""
    desk: Name | None = None
    """Desk that it is about; None where there is one only."""


@checked(config=STRICT, kw_only=True)
class Equaliser:
    """Settings that the desk's equaliser has."""

    bells: Annotated[int, Field(ge=0, le=32)] = 4
    gain_step_db: Gain = Field(default=0.5, alias="gain_step")
    gain_max_db: Gain = Field(default=15.0, alias="gain_max")
    frequency_step_octave: Interval = Field(default=1 / 12, alias="frequency_step")
    q: list[Quality] = field(default_factory=lambda: [0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6])
    per_side: bool = False
    mid_side: bool = False


@checked(config=STRICT, kw_only=True)
class Desk:
    """Settings that the desk has; a move never asks for more."""

    gain_step_db: Gain = Field(default=1.0, alias="gain_step")
    trim_step_db: Gain = Field(default=0.5, alias="trim_step")
    equaliser: Equaliser = field(default_factory=Equaliser)
    monitors: Tap = "after-gain"
    mix: list[str | int] = field(default_factory=list)
    """Tracks that hold the desk's own mix, when it is recorded too."""
    mix_target: Target | None = None
    """Loudness that this mix is to keep; None: nobody said."""


@checked(config=STRICT, kw_only=True)
class Room:
    """Sound level at the mix position when the mix sits at a loudness."""

    level_dba: SoundLevel = Field(alias="level")
    mix_loudness_lufs: Loudness = Field(alias="mix_loudness")
    limit_dba: SoundLevel | None = Field(default=None, alias="limit")
    """Sound level at the mix position that the house does not go over."""


@checked(config=STRICT, kw_only=True)
class Vocal:
    """Voice whose words must be heard, and how clear."""

    source: Name
    clearance_pct: Share | None = Field(default=None, alias="clearance")
    margin_db: NotNegative | None = Field(default=None, alias="margin")
    """By how much the voice's fader may go up before others come down; None: nobody said."""


@checked(config=STRICT, kw_only=True)
class Send:
    """Send of a source to another mix of the desk: a wedge, in-ear monitors, an effect."""

    mix: Name
    level_db: Gain = Field(alias="level")
    after_fader: bool = False
    """Whether it follows the source's fader."""


@checked(config=STRICT, kw_only=True)
class Source:
    """Source that a track, or a left and right pair of tracks, carries."""

    name: Name
    was: list[Name] = field(default_factory=list)
    """Earlier names, under which takes were kept and older files know it."""
    role: RoleName
    tracks: Annotated[list[str | int], Field(min_length=1, max_length=2)]
    sides: Literal["left and right", "unlike"] = "left and right"
    """Unlike: its two tracks are pick-ups of different kinds, such as a DI and a microphone, or a near and a far one."""
    channel: str | int | None = None
    patch: str | None = None
    fader_db: Gain | None = Field(default=None, alias="fader")
    nominal_dbfs: Level | None = Field(default=None, alias="nominal")
    asked_level_dbfs: Level | None = Field(default=None, alias="asked_level")
    """Level at which it came in when the house file was proposed, far from nominal: a question while nobody has answered."""
    level_listen_db: NotNegative | None = Field(default=None, alias="level_listen")
    level_fix_db: NotNegative | None = Field(default=None, alias="level_fix")
    tap: Tap | None = None
    used: bool = True
    mute: bool | Literal["in songs"] | None = None
    """Not in the mix this time; or not while the band plays, and open for the talk; None: open, and nobody has said so."""
    preamp_db: Gain | None = Field(default=None, alias="preamp")
    """Gain that its preamp shows."""
    pad_db: NotNegative | None = Field(default=None, alias="pad")
    """What its pad takes off; 0 where it has one that is out."""
    phantom: bool | None = None
    """Whether phantom power is on."""
    microphone: Name | None = None
    """Microphone, or how it is picked up ("DI")."""
    response: Name | None = None
    """File with the frequency response of a seat's microphone, beside the house file: a frequency in Hz and a level in dB a line."""
    own_noise_dba: SoundLevel | None = Field(default=None, alias="own_noise")
    """Own noise of a seat's microphone, from its data sheet."""
    offset: PublicOffset | None = None
    """Levels at the loudest place that the public can reach, against those at this seat; None: nobody measured it."""
    stand: Name | None = None
    player: Name | None = None
    """Usual player; `show.toml` names who plays in one show."""
    group: Name | None = None
    """Group of the desk that it runs through."""
    effects: list[Name] = field(default_factory=list)
    send: list[Send] = field(default_factory=list)
    chain: list[ChainBlock] = field(default_factory=list)

    @property
    def by_cable(self) -> bool:
        """True where it comes by cable and hears nobody else: an instrument's or a machine's output, or a DI."""
        if self.microphone is not None:
            return _BY_CABLE.search(self.microphone) is not None
        role = ROLES[self.role]
        return (role.line or role.metronome) and _BY_MICROPHONE.search(self.name) is None

    @property
    def is_pair(self) -> bool:
        """True where it has a left and a right track."""
        return len(self.tracks) == 2

    @property
    def unlike_sides(self) -> bool:
        """True where its two tracks are pick-ups of different kinds and no left and right."""
        return self.is_pair and self.sides == "unlike"

    @property
    def where(self) -> str:
        """Channel of the desk and patch of the stage; empty when nobody wrote them down."""
        parts = (f"{phrase('channel')} {self.channel}" if self.channel is not None else "", self.patch or "")
        return ", ".join(part for part in parts if part)


@checked(config=STRICT, kw_only=True)
class HouseFile:
    """Contents of `house.toml`."""

    house: House
    desk: Desk = field(default_factory=Desk)
    room: Room | None = None
    source: list[Source] = field(default_factory=list)
    """Sources of the show; once the file is read, without its seats."""
    seat: list[Source] = field(default_factory=list)
    """Sources of role `seat`, which are no part of the show; the file has them among its sources."""
    vocal: Vocal | None = None
    limits: Limits | None = None
    """Sound levels and times that the house chose not to go over; None: nobody chose."""
    staff: list[StaffMember] = field(default_factory=list)
    monitor: list[MonitorMix] = field(default_factory=list)
    """Mixes on the stage and who hears each; none where nobody wrote it down."""
    sharing: SharingTerms = field(default_factory=SharingTerms)

    def nominal_dbfs(self, source: Source) -> float:
        """Nominal level of a source, in dBFS: its own, or the house's."""
        return self.house.nominal_dbfs if source.nominal_dbfs is None else source.nominal_dbfs

    def level_limits_db(self, source: Source) -> tuple[float, float]:
        """Distances from nominal from which on a level is to be listened to, and to be put right."""
        listen = self.house.level_listen_db if source.level_listen_db is None else source.level_listen_db
        fix = self.house.level_fix_db if source.level_fix_db is None else source.level_fix_db
        return listen, max(listen, fix)

    @property
    def with_seats_apart(self) -> HouseFile:
        """House whose seats stand by themselves, so that nothing takes them for a part of the show."""
        seats = [source for source in self.source if ROLES[source.role].measures_room]
        sources = [source for source in self.source if not ROLES[source.role].measures_room]
        return replace(self, source=sources, seat=[*self.seat, *seats]) if seats else self
