"""A stretch of some inputs, measured and judged as a check does: the same kernels, the same words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from deskhand.findings import Context, causes_only, judge
from deskhand.house import ROLES
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.recording.held import held_recording
from deskhand.reference.keep import source_parts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.findings import Finding
    from deskhand.house import HouseFile, Source
    from deskhand.measure.readings import SourceReading
    from deskhand.recording.show import Tap
    from deskhand.store import KeptPart


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """What was heard of one source in one stretch."""

    source: str
    start_s: float
    end_s: float
    reading: SourceReading
    findings: tuple[Finding, ...]
    parts: tuple[KeptPart, ...]


def listen(
    house: HouseFile,
    sources: Sequence[Source],
    samples: NDArray[np.float32],
    names: Sequence[str],
    sample_rate_hz: int,
    *,
    start_s: float,
    taps: Mapping[str, Tap],
    players: Mapping[str, str],
    level_dba: float,
) -> dict[str, Heard]:
    """Measure and judge a stretch.

    Parameters
    ----------
    house : HouseFile
    sources : sequence of Source
        Whose tracks are the rows of `samples`, one after the other.
    samples : (tracks, frames) array
    names : sequence of str
        Of the tracks.
    sample_rate_hz : int
    start_s : float
        Where the stretch begins.
    taps, players : mapping
        By source.
    level_dba : float
        At which it is listened to.
    """
    rows, at = {}, 0
    for source in sources:
        rows[source.name] = tuple(range(at, at + len(source.tracks)))
        at += len(source.tracks)
    pairs = [(own[0], own[1]) for own in rows.values() if len(own) == 2]
    recording = held_recording(samples, names, sample_rate_hz, start_s=start_s)
    figures = measure_figures(recording, at, pairs=pairs, threads=1)
    readings = {
        source.name: read_source(
            figures,
            rows[source.name],
            strikes=ROLES[source.role].strikes,
            mains_hz=house.house.mains_hz,
            level_dba=level_dba,
        )
        for source in sources
    }
    context = Context(
        house=replace(house, source=list(sources)),
        figures=figures,
        tracks=recording.tracks,
        readings=readings,
        offset_s=start_s,
        tap=house.house.tap,
        line_check=True,
    )
    by_source = judge(context, absent={}, similar={})
    end_s = start_s + recording.duration_s
    out = {}
    for source in sources:
        reading = readings[source.name]
        parts: list[KeptPart] = []
        if reading.readings.level_dbfs is not None:
            parts = source_parts(
                source.name,
                role=source.role,
                player=players.get(source.name),
                tap=taps[source.name],
                chain=None,
                duration_s=end_s - start_s,
                before=reading.readings,
                after=None,
                sounds=reading.sounds,
            )
        out[source.name] = Heard(
            source=source.name,
            start_s=start_s,
            end_s=end_s,
            reading=reading,
            findings=tuple(causes_only(by_source.get(source.name, ()))),
            parts=tuple(parts),
        )
    return out
