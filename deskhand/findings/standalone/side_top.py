"""One side of a pair brighter or duller than the other, against the kept weeks."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

ENTRY: Final = KindEntry(
    kind=Kind(
        name="side-top",
        words="sides unlike in the top",
        meaning="the top of one side against the other's is outside the house's normal range: other songs change both sides alike, a "
        "microphone that was moved or covered, or a worn cable, one",
        act="compare the two microphones, their places and cables; then the two channels' equalisers",
        tier="judgement",
        before="width",
    ),
    sentences={
        "more": "its right is {off_db:1} dB brighter against its left than usual, from 2 to 8 kHz",
        "less": "its right is {off_db:1} dB duller against its left than usual, from 2 to 8 kHz",
    },
    number="side-top",
    number_advice={"more": "compare-sides", "less": "compare-sides"},
    who="stage",
    advice={
        "compare-sides": Advice(
            text="compare the two microphones or lines, their places and cables, then the equalisers of both sides",
            who="stage",
        )
    },
)
