"""One side of a pair brighter, duller, thicker or thinner than the other, against the kept weeks."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

ENTRY: Final = KindEntry(
    kind=Kind(
        name="side-tone",
        words="sides unlike in tone",
        meaning="the tone of one side against the other's, or of one input of an instrument (not of drums) against another, is outside the house's normal range, octave by octave: other songs change both sides "
        "alike, a microphone that was moved or covered, or a worn cable, one",
        act="compare the two microphones, their places and cables; then the two channels' equalisers",
        tier="judgement",
        before="width",
    ),
    sentences={
        "more": "its right is {word} against its left than usual: {off_db:1} dB more {band}",
        "less": "its right is {word} against its left than usual: {off_db:1} dB less {band}",
        "more-than": "{word} against {other} than usual: {off_db:1} dB more {band}",
        "less-than": "{word} against {other} than usual: {off_db:1} dB less {band}",
    },
    number="side-tone",
    number_advice={
        "more": "compare-sides",
        "less": "compare-sides",
        "more-than": "compare-sides",
        "less-than": "compare-sides",
    },
    who="stage",
    advice={
        "compare-sides": Advice(
            text="compare the two microphones or lines, their places and cables, then the equalisers of both",
            who="stage",
        )
    },
)
