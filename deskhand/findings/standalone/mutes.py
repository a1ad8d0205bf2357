"""Speech microphones of which nobody has said whether they are muted in songs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings.context import Context, Gathering, role_of
from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding
    from deskhand.house import Source
    from deskhand.measure.readings import SourceReading

_KIND: Final = Kind(
    name="mute-untold",
    words="mute in songs not told",
    meaning="a speech microphone in the mix of a house with a lead voice, of which nobody has said whether it is muted in songs (*note*, until it is said)",
    act="say it in its set-up, or as `mute` in the house file",
    tier="judgement",
)


def mutes(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """Speech microphone whose mute in songs nobody has told."""
    del reading
    vocal = context.house.vocal
    in_mix = source.fader_db is not None and source.mute is None
    if vocal is None or vocal.source == source.name or not role_of(source).speaks or not in_mix or context.line_check:
        return []
    gathering = Gathering(source.name, earlier)
    gathering.add("mute-untold", "note", "untold", advice=("say-mute",))
    return gathering.new


ENTRY: Final = KindEntry(
    kind=_KIND,
    sentences={"untold": "is it muted in songs? nobody has said so, and the lead voice is judged with it open"},
    who="desk",
    advice={"say-mute": Advice(text="say in its set-up whether it is open or muted in songs", who="office")},
    fault=mutes,
)
