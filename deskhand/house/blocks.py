"""The table of blocks: where on a desk each sits, what it does to the signal, and how it is shown; nowhere else.

Where a fact names no source it is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Group = Literal["gain", "equaliser", "dynamics", "stereo"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Facts about one kind of block."""

    name: str
    group: Group
    """Column of the sheet, and section of a channel."""
    at_preamp: bool = False
    """Analogue, before the converter: every tap and every player's mix follows it."""
    at_input: bool = False
    """Digital, at the channel's input, where a tap after gain and mixes taken after gain follow it."""
    first_at_input: bool = False
    """The first one of a chain sits at the channel's input, where a tap after gain holds it."""
    is_gain: bool = False
    """Changes nothing but the level."""
    moves_gain: bool = False
    """Gain depends on the signal, and is metered as gain reduction."""
    is_bell_or_shelf: bool = False
    """Has a gain at a frequency, which equalising moves may set."""
    acts: Literal["below", "above"] | None = None
    """Side of its corner that a shelf turns or a pass takes away; None for what has no such side."""
    shapes_tone: bool = False
    """Changes tone in a way that equalising moves may set."""
    label: str | None = None
    """Words on the sheet, where its name does not do."""
    page_keys: tuple[str, ...] = ()
    """Keys that the page offers; others that are written stay as they are."""
    neutral: Mapping[str, Any] = field(default_factory=dict)
    """Settings with which it does nothing, or next to nothing: how it begins when it is added on the page."""

    unturned: Mapping[str, Any] | None = None
    """Settings with which nothing changes that can be heard, as it stands in a chain that is begun; None where it has none."""

    @property
    def words(self) -> str:
        """Name in a sentence for people."""
        return self.label or self.name


_TABLE: Final = (
    Block(
        name="gain", group="gain", at_preamp=True, at_input=True, is_gain=True, label="preamp",
        page_keys=("gain", "on"), neutral={"gain": "0 dB"}, unturned={"gain": "0 dB"},
    ),
    Block(
        name="trim", group="gain", at_input=True, is_gain=True,
        page_keys=("gain", "on"), neutral={"gain": "0 dB"}, unturned={"gain": "0 dB"},
    ),
    Block(name="polarity", group="gain", at_input=True, page_keys=("on",)),
    Block(name="delay", group="gain", page_keys=("time", "on"), neutral={"time": "1 ms"}),
    Block(
        name="high-pass", group="equaliser", acts="below", shapes_tone=True, first_at_input=True,
        page_keys=("frequency", "slope", "on"), neutral={"frequency": "80 Hz", "slope": "12 dB/oct"},
        # the lowest that can be written: at 20 Hz it takes away less than a thousandth of a dB (Butterworth, arithmetic)
        unturned={"frequency": "1 Hz", "slope": "12 dB/oct"},
    ),
    Block(
        name="low-pass", group="equaliser", acts="above",
        page_keys=("frequency", "slope", "on"), neutral={"frequency": "12 kHz", "slope": "12 dB/oct"},
    ),
    Block(
        name="bell", group="equaliser", is_bell_or_shelf=True, shapes_tone=True,
        page_keys=("frequency", "gain", "q", "on"), neutral={"frequency": "1 kHz", "gain": "0 dB", "q": 1},
        unturned={"frequency": "1 kHz", "gain": "0 dB", "q": 1},
    ),
    Block(
        name="low-shelf", group="equaliser", is_bell_or_shelf=True, acts="below", shapes_tone=True, label="low shelf",
        page_keys=("frequency", "gain", "q", "on"), neutral={"frequency": "120 Hz", "gain": "0 dB"},
        unturned={"frequency": "120 Hz", "gain": "0 dB"},
    ),
    Block(
        name="high-shelf", group="equaliser", is_bell_or_shelf=True, acts="above", shapes_tone=True, label="high shelf",
        page_keys=("frequency", "gain", "q", "on"), neutral={"frequency": "8 kHz", "gain": "0 dB"},
        unturned={"frequency": "8 kHz", "gain": "0 dB"},
    ),
    Block(name="saturation", group="dynamics", page_keys=("drive", "on"), neutral={"drive": "0 dB"}),
    Block(
        name="gate", group="dynamics", moves_gain=True,
        page_keys=("threshold", "range", "attack", "hold", "release", "hysteresis"), neutral={"threshold": "-50 dBFS"},
        unturned={"threshold": "-50 dBFS", "range": "0 dB"},
    ),
    Block(
        name="compressor", group="dynamics", moves_gain=True,
        page_keys=("threshold", "ratio", "knee", "attack", "release", "makeup", "detector", "high_pass"),
        neutral={"threshold": "-18 dBFS", "ratio": 2}, unturned={"threshold": "-18 dBFS", "ratio": 1},
    ),
    Block(
        name="dynamic-bell", group="dynamics", moves_gain=True, label="dynamic bell",
        page_keys=("frequency", "threshold", "gain", "q", "attack", "release"),
        neutral={"frequency": "3 kHz", "threshold": "-24 dBFS", "gain": "-3 dB", "q": 1},
        unturned={"frequency": "3 kHz", "threshold": "-24 dBFS", "gain": "0 dB", "q": 1},
    ),
    Block(
        name="mid-side", group="stereo", label="", page_keys=("mid", "side"),
        neutral={"mid": "0 dB", "side": "0 dB"}, unturned={"mid": "0 dB", "side": "0 dB"},
    ),
    Block(name="pan", group="stereo", page_keys=("position",), neutral={"position": 0}),
    Block(
        name="limiter", group="dynamics", moves_gain=True,
        page_keys=("ceiling", "release"), neutral={"ceiling": "-1 dBFS"},
    ),
    Block(name="curve", group="equaliser", page_keys=("file",)),
)  # fmt: skip
BLOCKS: Final[dict[str, Block]] = {block.name: block for block in _TABLE}
"""From a block's name to what is true of it."""


def unturned_chain(names: Sequence[str]) -> list[dict[str, Any]]:
    """Chain in the words of the house file in which nothing is turned yet; blocks that have no such settings are left out.

    Parameters
    ----------
    names : sequence of str
        Kinds of blocks, in order.

    Examples
    --------
    >>> unturned_chain(["trim", "limiter"])
    [{'block': 'trim', 'gain': '0 dB'}]
    """
    return [{"block": name, **settings} for name in names if (settings := BLOCKS[name].unturned) is not None]
