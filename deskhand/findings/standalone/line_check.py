"""Input whose turn in the line check is not as it was in kept line checks."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind, kinds

ENTRY: Final = KindEntry(
    kind=Kind(
        name="line-check",
        words="not as in its line checks",
        meaning="with kept line checks: the level, tone or noise of an input's turn is not what it was in its turns before (*listen*); one input in "
        "200 is so by chance",
        act="what it says: the microphone, its place, the player's end",
        tier="judgement",
        before="width",
        explains=kinds("tone", "harsh", "dynamics"),
    ),
    sentences={"unlike": "{change}"},
    who="stage",
    advice={
        "check-gain": Advice(
            text="look at its gain and pad, and at the level of the instrument or how far from the microphone it is played",
            who="stage",
        ),
        "check-distance": Advice(
            text="look at its gain and pad, how far the mouth is from the microphone, and ask for the usual voice",
            who="stage",
        ),
        "check-microphone": Advice(
            text="is it the usual microphone, in its usual place, with nothing over it? Nothing is to be turned at the desk before that",
            who="stage",
        ),
        "check-player-end": Advice(
            text="ask about tone controls, pick-up and preset before turning an equaliser", who="player"
        ),
        "check-cable": Advice(text="look at its cable, its box and its supply", who="stage"),
    },
)
