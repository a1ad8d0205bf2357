"""Faults that are there all the time: offset, hum, noise."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from deskhand.findings.context import Context, Gathering, role_of
from deskhand.findings.kinds import KINDS
from deskhand.measure.readings import LEAST_ACTIVE_S
from deskhand.units import db_from_amplitude

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding
    from deskhand.house import Source
    from deskhand.measure.hum import Hum
    from deskhand.measure.readings import SourceReading

_DC: Final = KINDS["dc"]
_HUM: Final = KINDS["hum"]
_NOISE: Final = KINDS["noise"]
_OTHER_MAINS_HZ: Final = 5.0
"""Further from the house's mains than this is the other mains frequency: half of the 10 Hz between 50 and 60 Hz."""
_NAMED_LINES: Final = 4
"""Lines of a hum that are named: the rest follow from them. Common practice, no source."""


def steady(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """Offset and hum of each track; where there is neither, noise in the pauses of a line source."""
    gathering = Gathering(source.name, earlier)
    humming = False
    for track, hum in zip(reading.tracks, reading.hums, strict=True):
        _offset(reading, track, context, gathering)
        if hum is not None:
            humming |= _hum(reading, track, hum, context, gathering)
    noise_dbfs, level_dbfs = reading.readings.noise_dbfs, reading.readings.level_dbfs
    # an offset fills the pauses too: it is said already
    if humming or gathering.has("dc") or noise_dbfs is None or level_dbfs is None:
        return gathering.new
    if not role_of(source).line or _is_microphone(source):
        return gathering.new
    below_db = level_dbfs - noise_dbfs
    if reading.steady_noise and below_db < _NOISE["listen_db"]:
        gathering.add(
            "noise",
            "listen",
            "pauses",
            advice=("hiss-first",),
            facts={"below_db": below_db},
            metric="noise_dbfs",
            measured=round(noise_dbfs, 1),
            high=round(level_dbfs - _NOISE["listen_db"], 1),
            unit="dBFS",
        )
    return gathering.new


def _offset(reading: SourceReading, track: int, context: Context, gathering: Gathering) -> None:
    """Constant offset of one track."""
    offset = abs(context.figures.tracks[track].mean)
    # a wave cut flat on one side more than on the other has an offset that is no fault of its own
    least = _DC["fix"] if gathering.has("clipped") else _DC["listen"]
    if offset < least or context.figures.duration_s < LEAST_ACTIVE_S:
        return
    gathering.add(
        "dc",
        "fix" if offset >= _DC["fix"] else "listen",
        "offset",
        advice=("converter-first",),
        facts={"offset_pct": 100 * offset},
        measured=round(db_from_amplitude(offset), 1),
        high=round(db_from_amplitude(_DC["listen"]), 1),
        unit="dBFS",
        track=context.side(reading, track),
    )


def _hum(reading: SourceReading, track: int, hum: Hum, context: Context, gathering: Gathering) -> bool:
    """Gather the mains hum of one track; True where it hums."""
    level_dbfs = reading.readings.level_dbfs
    if level_dbfs is None or hum.level_dbfs < _HUM["least_dbfs"]:
        return False
    below_db = hum.level_dbfs - level_dbfs
    if below_db < _HUM["listen_db"]:
        return False
    single = len(hum.lines_hz) == 1
    mains_hz = context.house.house.mains_hz
    advice = ["ground"]
    if single:
        advice.append("held-note")
    if abs(hum.frequency_hz - mains_hz) > _OTHER_MAINS_HZ:
        advice.append("other-mains")
    gathering.add(
        "hum",
        "fix" if below_db >= _HUM["fix_db"] and not single else "listen",
        "hum",
        advice=tuple(advice),
        facts={
            "below_db": -below_db,
            "lines_hz": [float(line_hz) for line_hz in hum.lines_hz[:_NAMED_LINES]],
            "house_mains_hz": mains_hz,
        },
        metric="hum_db",
        measured=round(below_db, 1),
        high=_HUM["listen_db"],
        unit="dB",
        track=context.side(reading, track),
    )
    return True


def _is_microphone(source: Source) -> bool:
    """True where the names say that a line source comes by microphone, which hears the stage."""
    words = re.findall(r"[a-z]+", " ".join([source.name, *map(str, source.tracks)]).casefold())
    return any(word in ("mic", "amp", "cab") for word in words)
