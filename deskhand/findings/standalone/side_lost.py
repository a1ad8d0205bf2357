"""Loudspeaker side that is gone or down at the seat, against the kept weeks."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind, kinds

ENTRY: Final = KindEntry(
    kind=Kind(
        name="side-lost",
        words="loudspeaker side down",
        meaning="with a seat and the recorded main mix: one side reaches the seat 3.4 dB or more below the other than in at least three kept weeks, "
        "in the middle as well as at the top. From 10 dB on (*fix*) it is gone",
        act="that side's amplifier, processor, speaker line and send",
        urgency=0,
        done_at="rig",
        explains=kinds("driver-lost"),
    ),
    sentences={
        "gone": "the {side} side does not reach this seat since {since}, or is {fall_db:0} dB down",
        "down": "the {side} side is {fall_db:0} dB down at every pitch since {since}",
    },
    who="stage",
    advice={
        "check-side": Advice(
            text="check that side's send, processor, amplifier and speaker line, with the level turned down first",
            who="stage",
        )
    },
)
