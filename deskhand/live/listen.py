"""Stretches of some inputs, measured and judged as a check does: the same kernels, the same words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from deskhand.baseline.keep import source_parts, turn_part
from deskhand.desk import DeskState
from deskhand.findings import Context, causes_only, judge
from deskhand.house import ROLES
from deskhand.measure.figures import measure_figures
from deskhand.measure.readings import read_source
from deskhand.recording.held import held_recording

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.findings import Finding
    from deskhand.house import HouseFile, Source
    from deskhand.measure.readings import SourceReading
    from deskhand.recording import Recording
    from deskhand.recording.show import Tap
    from deskhand.store import KeptPart


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InputStretch:
    """One stretch of one source, measured and judged."""

    source: str
    start_s: float
    end_s: float
    reading: SourceReading
    findings: tuple[Finding, ...]
    parts: tuple[KeptPart, ...]
    """Readings as the history keeps them; none when it did not play."""


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
) -> dict[str, InputStretch]:
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
        Sound level at which the house listens, for the readings that depend on it.
    """
    recording = held_recording(samples, names, sample_rate_hz, start_s=start_s)
    context = _context(recording, house, sources, start_s=start_s, level_dba=level_dba)
    readings = context.readings
    by_source = judge(context, absent={}, similar={})
    end_s = start_s + recording.duration_s
    return {
        source.name: InputStretch(
            source=source.name,
            start_s=start_s,
            end_s=end_s,
            reading=readings[source.name],
            findings=tuple(causes_only(by_source.get(source.name, ()))),
            parts=_parts_of(
                source,
                readings[source.name],
                tap=taps[source.name],
                player=players.get(source.name),
                duration_s=end_s - start_s,
            ),
        )
        for source in sources
    }


def _context(
    recording: Recording, house: HouseFile, sources: Sequence[Source], *, start_s: float, level_dba: float
) -> Context:
    """Readings of the sources, with all that findings are judged from."""
    rows = _rows_of(sources)
    pairs = [(of_source[0], of_source[1]) for of_source in rows.values() if len(of_source) == 2]
    figures = measure_figures(recording, sum(map(len, rows.values())), pairs=pairs, threads=1)
    readings = {
        source.name: read_source(
            figures,
            rows[source.name],
            strikes=ROLES[source.role].strikes,
            parted=not ROLES[source.role].hears_kit,
            mains_hz=house.house.mains_hz,
            by_cable=source.by_cable,
            level_dba=level_dba,
        )
        for source in sources
    }
    return Context(
        house=replace(house, source=list(sources)),
        figures=figures,
        tracks=recording.tracks,
        readings=readings,
        offset_s=start_s,
        desk=DeskState(tap=house.house.tap),
        line_check=True,
    )


def _rows_of(sources: Sequence[Source]) -> dict[str, tuple[int, ...]]:
    """Rows of each source, by its name, where the tracks of the sources follow one another."""
    rows: dict[str, tuple[int, ...]] = {}
    count = 0
    for source in sources:
        rows[source.name] = tuple(range(count, count + len(source.tracks)))
        count += len(source.tracks)
    return rows


def _parts_of(
    source: Source, reading: SourceReading, *, tap: Tap, player: str | None, duration_s: float
) -> tuple[KeptPart, ...]:
    """Readings as the history keeps them; none of a source that did not play."""
    if reading.readings.level_dbfs is None:
        return ()
    parts = source_parts(
        source.name,
        role=source.role,
        player=player,
        tap=tap,
        chain=None,
        duration_s=duration_s,
        before=reading.readings,
        after=None,
        sounds=reading.sounds,
    )
    turn = turn_part(
        source.name,
        role=source.role,
        player=player,
        tap=tap,
        playing=reading.activity,
        readings=reading.readings,
    )
    return (*parts, turn)
