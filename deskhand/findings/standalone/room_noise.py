"""Background noise at the seat that is louder than before kept weeks' shows."""

from __future__ import annotations

from typing import Final

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

ENTRY: Final = KindEntry(
    kind=Kind(
        name="room-noise",
        words="noisy room",
        meaning="with a calibrated seat: while the recorded main mix is silent, an octave is 6 dB or more louder than in at least three kept weeks of the "
        "same phase (*listen*)",
        act="air handling, projectors, doors; then the seat's preamp",
        urgency=2,
        done_at="rig",
    ),
    sentences={
        "louder": "the room is {louder_db:0} dB noisier around {octave_hz:hertz} than in the kept weeks, with nothing playing"
    },
    who="stage",
    advice={
        "find-noise": Advice(
            text="is the air handling on another setting, a projector running, a door or window open?", who="stage"
        )
    },
)
