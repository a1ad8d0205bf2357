"""High driver of one loudspeaker side that is down at the seat, against the kept weeks."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

ENTRY: Final = KindEntry(
    kind=Kind(
        name="driver-lost",
        words="high driver of one side down",
        meaning="with a seat and the recorded main mix: above 2.8 kHz one side reaches the seat 3.4 dB or more below the other than in at least three "
        "kept weeks (6 dB: *fix*), below it by less than half as much. Dry air, a full room and the microphone act on both sides",
        act="that loudspeaker's high driver, amplifier and processor",
        urgency=1,
        done_at="rig",
    ),
    sentences={
        "down": "the {side} side is {fall_db:0} dB down above {above_hz:hertz} since {since}",
        "at-least": "the {side} side is {fall_db:0} dB or more down above {above_hz:hertz} since {since}",
    },
    who="stage",
    advice={
        "check-high-driver": Advice(
            text="check that loudspeaker's high driver, amplifier and processor, and whether anything covers it",
            who="stage",
        )
    },
)
