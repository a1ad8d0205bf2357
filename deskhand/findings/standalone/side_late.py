"""Loudspeaker side whose sound comes later at the seat than in the kept weeks."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

ENTRY: Final = KindEntry(
    kind=Kind(
        name="side-late",
        words="loudspeaker side late",
        meaning="with a seat and the recorded main mix: one side arrives at the seat 3 ms or more later against the other than in at least three kept "
        "weeks (*listen*). A microphone that stands half a metre elsewhere changes less",
        act="that side's delay in the processor, and what else lies in its path",
        urgency=2,
        done_at="rig",
    ),
    sentences={"late": "the {side} side comes {late_ms:1} ms later against the other side since {since}"},
    who="stage",
    advice={
        "check-delay": Advice(
            text="compare the delays of both sides in the processor; was a loudspeaker, or the microphone, moved by more than half a metre?",
            who="stage",
        )
    },
)
