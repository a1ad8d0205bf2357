"""One change a person can make: where it is turned, from and to, what it does, who else hears it, and how to undo it."""

from __future__ import annotations

from collections.abc import Mapping  # noqa: TC003 - pydantic reads the annotations at run time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from deskhand.house import BLOCKS

if TYPE_CHECKING:
    from deskhand.house import Desk

Where = Literal["rig", "preamp", "trim", "channel", "fader", "send", "patch"]
Hearer = Literal["house", "monitors", "stream"]
Caution = Literal["feedback", "tell-stage"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting, from and to."""

    before: float | None
    """None where the block is new."""
    after: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MixChange:
    """Change of a source in one mix on the stage, by one move."""

    mix: str
    people: tuple[str, ...]
    """People who hear that mix tonight; none where nobody wrote it down."""
    change_db: float | None
    """By how much the source gets louder in it; null where its sound changes, or one side of it, and no one number says by how much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """One reason of a plan, or one problem that it leaves, as data: rendered last, by `moves.text`."""

    name: str
    """Name of the sentence, as the catalogue has it."""
    facts: Mapping[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One change a person can make, in the steps of the thing they turn."""

    id: str = ""
    """Unique in the result: source and what is turned. Made last."""
    where: Where
    block: str | None
    """The kind of block; None for what is no block (a cable, a patch)."""
    index: int | None
    """Its place in the chain, from 0; null when it is new."""
    place: int | None = None
    """Of a new block that is saved: its place in the chain with all such blocks of the source. Made last."""
    on: str
    settings: dict[str, Setting]
    effect: str = ""
    """What it will do, in numbers. Made last, like `undo` and `text`: empty until the result is put together."""
    who_hears: tuple[Hearer, ...]
    mixes: tuple[MixChange, ...] = ()
    """Mixes on the stage that hear it, of the sends that are written down. Set when the result is put together."""
    undo: str = ""
    text: str = ""
    action: str = ""
    """Name of the sentences, as the catalogue has them."""
    facts: Mapping[str, float | str] = field(default_factory=dict)
    """Further values of the sentences, by name; the unit is the name's ending."""
    cautions: tuple[Caution, ...] = ()
    """What to mind when it is done."""
    advice: tuple[str, ...] = ()
    """Names of further sentences, in order: how to go about it, and what to set beside it."""
    finding: str | None = None
    """Id of the finding that it answers, which may be another source's: the voice's, that others give room to. None where nothing asks
    for it but the moves before it. Set when the result is put together."""

    @property
    def control(self) -> str:
        """Name of the control that is turned, or of where the hand goes."""
        if "mute" in self.settings:
            return "mute"
        return self.where if self.where in ("preamp", "trim", "fader") or self.block is None else self.block

    @property
    def adds_block(self) -> bool:
        """True where it puts a new block into the house file's chain."""
        return self.block is not None and self.is_saved and self.index is None

    @property
    def is_setting(self) -> bool:
        """True where something at the desk is set; else it is a cable, a patch or the player's end."""
        return self.block is not None or self.where in ("fader", "send")

    @property
    def is_saved(self) -> bool:
        """True where it is written into this week's house file: all settings but the preamp's, which belongs to one moment.

        The next recording is made behind the turned preamp. A file that held the change would make it once more.
        """
        return self.is_setting and self.where != "preamp"


def who_hears(block: str, desk: Desk, *, first_high_pass: bool = False) -> tuple[Hearer, ...]:
    """Hearers of a change of a block: the house and its stream always, the players where their mixes are taken after it."""
    if desk.monitors == "after-chain":
        return ("house", "monitors", "stream")
    if desk.monitors == "after-gain" and (BLOCKS[block].at_input or first_high_pass):
        return ("house", "monitors", "stream")
    if desk.monitors == "preamp" and BLOCKS[block].at_preamp:
        return ("house", "monitors", "stream")
    return ("house", "stream")


def cautions(hearers: tuple[Hearer, ...], *, raises: bool, open_microphone: bool) -> tuple[Caution, ...]:
    """Cautions of a move: feedback where an open microphone gets louder, and the players who hear it."""
    feedback: tuple[Caution, ...] = ("feedback",) if raises and open_microphone else ()
    return (*feedback, "tell-stage") if "monitors" in hearers else feedback
