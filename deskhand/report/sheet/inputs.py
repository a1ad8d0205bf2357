"""Input of a source in the words of a desk: preamp, pad, phantom power, microphone, stand, group, effects and sends."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.report.sheet.model import UNKNOWN, Entry, one_line
from deskhand.report.sheet.settings import gain_text
from deskhand.units import number
from deskhand.words import phrase

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from deskhand.house import Send, Source


def shown_gain(gain_db: float) -> str:
    """Gain as a preamp shows it: without a plus sign."""
    return f"{number(gain_db, 2)} dB"


def _preamp(source: Source) -> str:
    return "" if source.preamp_db is None else shown_gain(source.preamp_db)


def _pad(source: Source) -> str:
    if source.pad_db is None:
        return ""
    return f"{phrase('pad')} {number(-source.pad_db, 1)} dB" if source.pad_db else phrase("pad out")


def _phantom(source: Source) -> str:
    return "" if source.phantom is None else phrase("48 V on" if source.phantom else "48 V off")


def _send(send: Send) -> str:
    return (
        f"{one_line(send.mix)} {gain_text(send.level_db)} {phrase('post-fader' if send.after_fader else 'pre-fader')}"
    )


_TEXTS: Final[Mapping[str, Callable[[Source], str]]] = {
    "preamp": _preamp,
    "pad": _pad,
    "phantom": _phantom,
    "microphone": lambda source: one_line(source.microphone or ""),
    "stand": lambda source: one_line(source.stand or ""),
    "group": lambda source: one_line(source.group or ""),
    "effects": lambda source: ", ".join(map(one_line, source.effects)),
    "sends": lambda source: ", ".join(map(_send, source.send)),
}
"""Each entry of an input by its name, and how it is written. "48 V" is the voltage of phantom power P48 (IEC 61938)."""


def input_entries(source: Source, old: Source | None) -> dict[str, Entry]:
    """Entries of an input by their names, each with its old text where it changed.

    Parameters
    ----------
    source : Source
    old : Source, optional
        As it was before; None: nothing is compared.
    """
    entries = {}
    for name, text_of in _TEXTS.items():
        text = text_of(source)
        was = text if old is None else text_of(old)
        entries[name] = Entry(text=text, was=was if was != text else "", is_new=bool(text) and not was)
    return {name: entry if entry.text or entry.was else UNKNOWN for name, entry in entries.items()}
