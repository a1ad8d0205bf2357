"""One change a person can make: where it is turned, from and to, what it does, who else hears it, and how to undo it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from deskhand.units import number

if TYPE_CHECKING:
    from deskhand.house import Desk

Where = Literal["rig", "preamp", "trim", "channel", "fader", "patch"]
Hearer = Literal["house", "monitors", "stream"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting, from and to."""

    before: float | None
    """None where the block is new."""
    after: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One change a person can make, in the steps of the thing they turn."""

    where: Where
    block: str | None
    """The kind of block; None for what is no block (a cable, a patch)."""
    index: int | None
    """Its place in the chain, from 0; null when it is new."""
    on: str
    settings: dict[str, Setting]
    effect: str
    """What it will do, in numbers."""
    who_hears: tuple[Hearer, ...]
    undo: str
    text: str

    @property
    def is_setting(self) -> bool:
        """Whether something at the desk is set; else it is a cable, a patch or the player's end."""
        return self.block is not None or self.where == "fader"

    @property
    def is_saved(self) -> bool:
        """Whether it is written into this week's house file: all settings but the preamp's, which belongs to one moment.

        The next recording is made behind the turned preamp. A file that held the change would make it once more.
        """
        return self.is_setting and self.where != "preamp"


_EARLY: Final = frozenset({"gain"})
_AT_GAIN: Final = frozenset({"gain", "trim"})


def who_hears(block: str, desk: Desk, *, first_high_pass: bool = False) -> tuple[Hearer, ...]:
    """Who hears a change of a block: the house and its stream always, the players where their mixes are taken behind it."""
    if desk.monitors == "after-chain":
        return ("house", "monitors", "stream")
    at_gain = block in _AT_GAIN or (block == "high-pass" and first_high_pass)
    if desk.monitors == "after-gain" and at_gain:
        return ("house", "monitors", "stream")
    if desk.monitors == "preamp" and block in _EARLY:
        return ("house", "monitors", "stream")
    return ("house", "stream")


def signed(value_db: float) -> str:
    """A gain with its sign."""
    return f"{'+' if value_db > 0 else ''}{number(value_db, 1)} dB"


def with_caution(text: str, hearers: tuple[Hearer, ...], *, raises: bool, open_microphone: bool) -> str:
    """The text with what belongs to it: feedback where an open microphone gets louder, and the players who hear it."""
    parts = [text]
    if raises and open_microphone:
        parts.append("open microphone: mind feedback")
    if "monitors" in hearers:
        parts.append("tell the stage first: the players hear it")
    return "; ".join(parts)
