"""The sheet as data: rows of inputs, each with its settings, curves and changes."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from deskhand.house.blocks import Group

Paper = Literal["a4", "letter"]
Change = Literal["same", "new", "changed", "out"]
Leg = Literal["both", "left", "right", "mid", "side"]

_DIRECTION_SIGNS: Final = re.compile("[\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Signs that turn the direction of what follows them: in a name they would turn the rest of the line as well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingLine:
    """One block of a chain, in the words used at a desk."""

    text: str
    group: Group
    change: Change = "same"
    was: str = ""
    """Old values of a changed block; empty for one that is new or the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """Text of a channel, a patch, a preamp or a fader on the sheet, with the old text where it changed."""

    text: str
    """Empty where nobody wrote it down."""
    was: str = ""
    """Old text; empty where it is the same."""
    is_new: bool = False
    """True where nothing was written down before."""

    @property
    def changed(self) -> bool:
        """True where it differs from before."""
        return self.is_new or bool(self.was)


UNKNOWN: Final = Entry(text="")
"""Entry that nobody wrote down: it is not printed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseCurve:
    """Response of all equaliser blocks of an input together."""

    on: Leg
    gain_db: tuple[float, ...]
    """Gain in dB at the sheet's frequencies; nothing below -60 dB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputRow:
    """One input of the sheet."""

    channel: Entry
    patch: Entry
    name: str
    role: str
    player: str
    tracks: tuple[str, ...]
    new: bool
    """Not there before."""
    to_do: str
    """Work that is left at it, in a few words; empty when it is well."""
    cautions: tuple[str, ...]
    """Cautions that belong to the changes of this input."""
    settings: tuple[SettingLine, ...]
    fader: Entry
    fader_db: float | None
    mute: bool
    curves: tuple[ResponseCurve, ...]
    """One, or one for each leg where they differ; none where no equaliser is set."""
    sketch: str
    """The curves in words, for those who cannot see them."""
    preamp: Entry = UNKNOWN
    """Gain that its preamp shows."""
    pad: Entry = UNKNOWN
    phantom: Entry = UNKNOWN
    microphone: Entry = UNKNOWN
    """Microphone, or how it is picked up."""
    stand: Entry = UNKNOWN
    group: Entry = UNKNOWN
    effects: Entry = UNKNOWN
    sends: Entry = UNKNOWN

    @property
    def entries(self) -> dict[str, Entry]:
        """Everything of it that is no block of its chain, by the heading of its column in the table."""
        return {
            "channel": self.channel, "patch": self.patch, "microphone": self.microphone, "stand": self.stand,
            "preamp": self.preamp, "pad": self.pad, "phantom": self.phantom, "group": self.group,
            "effects": self.effects, "sends": self.sends, "fader": self.fader,
        }  # fmt: skip

    @property
    def changed(self) -> bool:
        """True where anything of it differs from before."""
        return (
            self.new
            or any(line.change != "same" for line in self.settings)
            or any(entry.changed for entry in self.entries.values())
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """Everything that is printed; data only."""

    house: str
    show: str
    phase: str
    deskhand: str
    """Version that wrote it."""
    paper: Paper
    since: str | None
    """Name of the house file that changes are told against; None when nothing is said of them."""
    gone: tuple[str, ...]
    """Inputs that were there before."""
    unclaimed: tuple[str, ...]
    """Recorded, but in no source of the house file."""
    rows: tuple[InputRow, ...]
    notes: tuple[str, ...]
    first: tuple[str, ...]
    """Things to do before doors, in a few words each."""
    next: tuple[str, ...]
    """Everything else that is to be put right, in order."""
    frequency_hz: tuple[float, ...]
    """Frequencies of the curves."""
    read_from: str = ""
    """House file that the settings were read from, and how many moves are written in; empty where that is not said."""
    limits: tuple[str, ...] = ()
    """Limits of the room and of the lead voice that the house wrote down."""
    turned: tuple[str, ...] = ()
    """Moves that a person did at this show, a line each."""
    tell: tuple[str, ...] = ()
    """Words for the players before anything is turned, a line for each mix on the stage."""
    jobs: tuple[str, ...] = ()
    """Jobs that stay open for next week, a line each."""


def one_line(text: str) -> str:
    """Text on one line: no control characters, and nothing that turns the direction of what follows."""
    text = _DIRECTION_SIGNS.sub("", text.encode("utf-8", "replace").decode())
    return " ".join("".join(" " if unicodedata.category(sign) == "Cc" else sign for sign in text).split())
