"""Input or pair of inputs that a rig delivers: its sound before gain, and what its microphone and cable are like."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from tests.support.stage.effects import Sound

if TYPE_CHECKING:
    from deskhand.house import RoleName

PREAMP_FLOOR_DBFS: Final = -90.0
"""Noise of a microphone preamplifier at 40 dB of gain against a full scale of +18 dBu: equivalent input noise of -128 dBu. Common practice, no source."""
LINE_FLOOR_DBFS: Final = -100.0
"""Noise of a line input: common practice, no source."""
AMPLIFIER_FLOOR_DB: Final = -52.0
"""Hiss of a driven amplifier against its playing: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """Source of a show, one or two tracks."""

    name: str
    role: RoleName
    tracks: tuple[str, ...]
    sound: Sound
    """(tracks, frames), at no level in particular."""
    is_struck: bool = False
    """True where its level is the level of its loud strokes."""
    is_open: bool = False
    """True where its microphone hears the stage."""
    stage_db: float | None = None
    """Level at which it is heard on the stage by other microphones, against the drums; None where it is not heard."""
    floor_dbfs: float = PREAMP_FLOOR_DBFS
    hiss_db: float | None = None
    """Noise of its amplifier against its playing."""
    player: str | None = None
    fader_db: float = -16.0
    """A mix in which the voice lies well above all others: nobody is covered."""
    high_pass_hz: float | None = None
    """Corner of the high-pass in its chain."""
    rig: str = ""
    """Name of the rig that it belongs to."""


def mono(name: str, role: RoleName, track: str, sound: Sound, **facts: object) -> Part:
    """Part of one track from (frames,) or (channels, frames), of which the first is taken."""
    row = sound if sound.ndim == 1 else sound[0]
    return Part(name=name, role=role, tracks=(track,), sound=row[None, :], **facts)  # type: ignore[arg-type]


def pair(name: str, role: RoleName, track: str, sound: Sound, **facts: object) -> Part:
    """Part of a left and a right track from (2, frames)."""
    return Part(name=name, role=role, tracks=(f"{track} l", f"{track} r"), sound=sound, **facts)  # type: ignore[arg-type]
