"""Reads each source of a take at its tap and after its chain; readings that are kept already are not worked out again."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from deskhand.house import ROLES
from deskhand.measure.activity import Activity
from deskhand.measure.bleed import bleed
from deskhand.measure.excerpt import telling_start_s
from deskhand.measure.hum import Hum
from deskhand.measure.loud_moments import LENGTH_S, exceeded_loudness_sone
from deskhand.measure.readings import Readings, SourceReading, read_source, source_mean_square
from deskhand.measure.sounds import Sound
from deskhand.measure.stereo import Alignment
from deskhand.mix.bus import listening_dba
from deskhand.reuse.kept import digest_of

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from deskhand.house import Source
    from deskhand.measure.figures import Figures
    from deskhand.reuse import KeptMeasurements
    from deskhand.tasks.check.chained import ChainedTake
    from deskhand.tasks.check.take_input import TakeInput
    from deskhand.tasks.check.take_readings import TakeReadings

_READING_TYPES: Final = (SourceReading, Readings, Activity, Alignment, Hum, Sound)
"""Dataclasses that a kept reading is made of."""


def source_readings(
    take: TakeInput,
    present: dict[str, tuple[int, ...]],
    groups: list[tuple[str, str]],
    figures: Figures,
    chained: ChainedTake,
) -> tuple[dict[str, SourceReading], dict[str, SourceReading]]:
    """Readings of each source at the tap, and after its chain.

    Parameters
    ----------
    take : TakeInput
    present : dict
        Source to its tracks.
    groups : list of (str, str)
        Sources that are microphones of one instrument.
    figures : Figures
        Of the recorded tracks.
    chained : ChainedTake
    """
    not_mix = {name: tracks for name, tracks in present.items() if set(tracks) - set(take.matched.mix)}
    by_cable = {source.name for source in take.house.source if source.by_cable}
    bleed_of = _bleed(figures, not_mix, groups, by_cable)

    def readings_of(source: Source) -> tuple[SourceReading, SourceReading | None]:
        before = _at_the_tap(take, source, present[source.name], figures, bleed_of.get(source.name), chained)
        after = _after_its_chain(take, source, before, chained) if source.name in chained.rows else None
        return before, after

    sources = [source for source in take.house.source if source.name in present]
    with ThreadPoolExecutor(take.threads) as pool:
        by_source = dict(zip((source.name for source in sources), pool.map(readings_of, sources), strict=True))
    return (
        {name: before for name, (before, _) in by_source.items()},
        {name: after for name, (_, after) in by_source.items() if after is not None},
    )


def _kept_reading(take: TakeInput, settings: dict[str, Any], read: Callable[[], SourceReading]) -> SourceReading:
    """Reading that is kept, or is worked out and kept."""
    if take.reuse is None:
        return read()
    reading: SourceReading = take.reuse.get_or_make("reading", settings, _READING_TYPES, read)
    return reading


def _at_the_tap(
    take: TakeInput,
    source: Source,
    tracks: tuple[int, ...],
    figures: Figures,
    bled: NDArray[np.float64] | None,
    chained: ChainedTake,
) -> SourceReading:
    """Reading of a source at its tap, given what the others put into its microphones."""
    role = ROLES[source.role]
    bled = None if role.hears_kit else bled
    settings = {
        "recorded": chained.settings[""],
        "tracks": tracks,
        "strikes": role.strikes,
        "mains_hz": take.house.house.mains_hz,
        "by_cable": source.by_cable,
        "parted": not role.hears_kit,
        "level_dba": listening_dba(take.house),
    }
    return _kept_reading(
        take,
        settings | {"bleed": None if bled is None else digest_of(bled)},
        lambda: read_source(
            figures,
            tracks,
            strikes=role.strikes,
            mains_hz=take.house.house.mains_hz,
            by_cable=source.by_cable,
            parted=not role.hears_kit,
            bleed=bled,
            level_dba=listening_dba(take.house),
        ),
    )


def _after_its_chain(take: TakeInput, source: Source, before: SourceReading, chained: ChainedTake) -> SourceReading:
    """Reading of a source after its chain, over what counts as playing at its tap."""
    playing, rows = before.activity, chained.rows[source.name]
    settings = {
        "chain": chained.settings[source.name],
        "strikes": ROLES[source.role].strikes,
        "mains_hz": take.house.house.mains_hz,
        "level_dba": listening_dba(take.house),
        "playing": [digest_of(playing.level_dbfs, playing.windows, playing.blocks), playing.level_rule],
    }
    # rows are numbers of this check alone: another may have other chains before this one
    reading = _kept_reading(
        take,
        settings,
        lambda: read_source(
            chained.figures,
            rows,
            strikes=ROLES[source.role].strikes,
            mains_hz=take.house.house.mains_hz,
            level_dba=listening_dba(take.house),
            playing=playing,
        ),
    )
    return replace(reading, tracks=rows)


def _bleed(
    figures: Figures, present: dict[str, tuple[int, ...]], groups: list[tuple[str, str]], by_cable: set[str]
) -> dict[str, NDArray[np.float64]]:
    """Bleed of all others in each source's microphones, by name; sources that come by cable hear nobody."""
    position = {name: number for number, name in enumerate(present)}
    siblings = [
        (position[first], position[second]) for first, second in groups if first in position and second in position
    ]
    powers = bleed(
        [source_mean_square(figures, tracks) for tracks in present.values()],
        siblings=siblings,
        deaf={position[name] for name in by_cable if name in position},
    )
    return dict(zip(present, powers, strict=True))


def with_loud_moments(readings: TakeReadings, take: TakeInput, level_dba: float) -> TakeReadings:
    """Readings with the loudness of each source's loud moments, from a second look at a few seconds of it.

    Parameters
    ----------
    readings : TakeReadings
    take : TakeInput
    level_dba : float
        Level at which the house listens.
    """
    sources, reuse, rate_hz = list(readings.before.values()), take.reuse, take.recording.sample_rate_hz

    def starts_of(reading: SourceReading) -> tuple[float, float]:
        return _telling_starts_s(readings.figures, reading, reuse)

    def loudness_of(excerpt: tuple[int, NDArray[np.float32]]) -> float | None:
        return exceeded_loudness_sone(excerpt[1], sample_rate_hz=rate_hz, level_dba=level_dba)

    loudness_sone: dict[int, float | None] = {}
    with ThreadPoolExecutor(take.threads) as pool:
        both_starts_s = list(pool.map(starts_of, sources))
        starts_s = [short for short, _ in both_starts_s]
        settings = [
            {"tracks": reading.tracks, "start": start_s, "length": LENGTH_S, "level_dba": level_dba}
            for reading, start_s in zip(sources, starts_s, strict=True)
        ]
        for index in range(len(sources)):
            recalled = None if reuse is None else reuse.get("loud-moment", settings[index])
            if recalled is not None:
                loudness_sone[index] = recalled["sone"]
        missing = [index for index in range(len(sources)) if index not in loudness_sone]
        wanted = [(sources[index].tracks, starts_s[index]) for index in missing]
        for batch in take.recording.excerpts(wanted, LENGTH_S):
            for (number, _), value in zip(batch, pool.map(loudness_of, batch), strict=True):
                loudness_sone[missing[number]] = value
                if reuse is not None:
                    reuse.put("loud-moment", settings[missing[number]], {"sone": value})
    with_loudness = {}
    for index, (name, reading) in enumerate(readings.before.items()):
        silent = reading.readings.level_dbfs is None
        with_loudness[name] = reading.with_loud_moments(None if silent else loudness_sone[index])
    telling_s = {name: start_s for name, (_, start_s) in zip(readings.before, both_starts_s, strict=True)}
    return replace(readings, before=with_loudness, telling_s=telling_s)


def _telling_starts_s(figures: Figures, reading: SourceReading, reuse: KeptMeasurements | None) -> tuple[float, float]:
    """Starts of the stretches that tell most of a source: that whose loudness is measured, and that which is run and shown."""

    def starts_s() -> tuple[float, float]:
        return (
            telling_start_s(figures, reading.tracks, reading.activity, length_s=LENGTH_S),
            telling_start_s(figures, reading.tracks, reading.activity),
        )

    if reuse is None:
        return starts_s()
    playing = reading.activity
    settings = {"tracks": reading.tracks, "playing": digest_of(playing.level_dbfs, playing.windows, playing.blocks)}
    kept_starts_s: tuple[float, float] = reuse.get_or_make("telling", settings, (), starts_s)
    return kept_starts_s
