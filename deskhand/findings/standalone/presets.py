"""Presets that are not level with one another: for the player, when there is time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.context import Context, Gathering, role_of
from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind, Limit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding
    from deskhand.house import Source
    from deskhand.measure.readings import SourceReading

_KIND: Final = Kind(
    name="sound-step",
    words="presets not level",
    meaning="the sounds of a guitar, bass or keys player lie {step_lu} or more apart (*note*)",
    act="the player levels the presets at the rig",
    tier="judgement",
    before="vocal-covered",
    limits={
        "step_lu": Limit(
            value=4.0,
            unit="LU",
            meaning="a lead sound is meant to be some dB louder",
            source="docs/validation-lead-steps.md: between one sound and lead sounds that are planted 5 dB and more above it",
        )
    },
)


def sounds(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """Presets that are not level with one another: for the player, when there is time."""
    step_lu = reading.step_lu
    if not role_of(source).has_presets or step_lu is None or step_lu < _KIND["step_lu"]:
        return []
    gathering = Gathering(source.name, earlier)
    loudest = max(reading.sounds, key=lambda sound: -np.inf if sound.loudness_lufs is None else sound.loudness_lufs)
    gathering.add(
        "sound-step",
        "note",
        "step",
        advice=("level-presets",),
        metric="step_db",
        measured=round(step_lu, 1),
        high=_KIND["step_lu"],
        unit="LU",
        at_s=tuple(
            (round(begin_s + context.offset_s, 1), round(end_s + context.offset_s, 1))
            for begin_s, end_s in loudest.stretches_s
        ),
    )
    return gathering.new


ENTRY: Final = KindEntry(
    kind=_KIND,
    sentences={"step": "its sounds lie {measured:1} dB apart in loudness, the loudest {at_s:times}"},
    who="player",
    advice={
        "level-presets": Advice(
            text="unless it is a lead sound, ask the player to level the presets at the rig", who="player"
        )
    },
    fault=sounds,
)
