"""Missing tracks, and inputs that are silent throughout or from a time on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.context import Context, Gathering, role_of
from deskhand.findings.kinds import KINDS
from deskhand.measure.readings import LEAST_ACTIVE_S
from deskhand.units import dbfs_from_mean_square

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.findings.finding import Finding, Severity
    from deskhand.house import Source
    from deskhand.measure.readings import SourceReading

_SILENT: Final = KINDS["silent"]
_QUIETER_THAN_EVER_DB: Final = 10.0
"""A player who stops leaves the input's noise behind; a dead input is quieter than its quietest early block by this. Common practice,
no source."""
_EDGE_BLOCKS: Final = 3
"""Blocks before and after a stop that tell how much it fell at once. Common practice, no source."""
_FALL_BLOCKS: Final = 8
"""Blocks before a stop over which a song dies away: 2.4 s of 300 ms. Common practice, no source."""


def missing(source: Source, absent: Sequence[str], similar: Sequence[str]) -> list[Finding]:
    """Tracks of the house file that the recording lacks; `similar` are its unclaimed names most like them."""
    gathering = Gathering(source.name)
    gathering.add(
        "missing",
        "fix",
        "track",
        advice=("near-name",) if similar else ("arm",),
        facts={"tracks": list(absent), **({"near": similar[0]} if similar else {})},
    )
    return gathering.new


def silent(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """An input on which nothing arrives, throughout or from a time on."""
    gathering = Gathering(source.name, earlier)
    if not reading.activity.windows.any():
        loudest_dbfs = float(np.max(reading.activity.level_dbfs, initial=-np.inf))
        digital = not np.isfinite(loudest_dbfs)
        gathering.add(
            "silent",
            _silence_severity(source),
            "digital" if digital else "quiet",
            advice=("mute-and-look",),
            metric="level_dbfs",
            measured=None if digital else round(loudest_dbfs, 1),
            unit="dBFS",
        )
        return gathering.new
    level_dbfs = dbfs_from_mean_square(reading.mean_square.astype(np.float64))
    stop = _stop_block(level_dbfs, reading, context)
    if (
        stop is not None
        and context.others_play(source.name, stop)
        and (level_dbfs.size - stop) * context.hop_s >= _SILENT["went_silent_s"]
        and reading.activity.blocks[:stop].sum() * context.hop_s >= LEAST_ACTIVE_S
    ):
        begin_s = stop * context.hop_s + context.offset_s
        gathering.add(
            "silent",
            "note" if role_of(source).finished else "fix",
            "from-then-on",
            advice=("mute-and-check-cable-battery",),
            facts={"begin_s": begin_s},
            metric="level_dbfs",
            at_s=((round(begin_s, 2), round(level_dbfs.size * context.hop_s + context.offset_s, 2)),),
        )
    return gathering.new


def _silence_severity(source: Source) -> Severity:
    """Severity of an input on which nothing arrives all along: a spare one may wait for a guest."""
    role = role_of(source)
    # one that nobody wrote down has no fader: what should be there is not known
    if role.unclear and source.player is None and source.fader_db is not None:
        return "note"
    return "listen" if role.may_be_silent else "fix"


def _stop_block(level_dbfs: NDArray[np.float64], reading: SourceReading, context: Context) -> int | None:
    """First block from which on an input is dead, where it stopped at once; a song that ends dies away."""
    early_dbfs = level_dbfs[: max(1, level_dbfs.size // 4)]
    if not np.isfinite(early_dbfs).all():
        return None
    alive = np.flatnonzero(level_dbfs >= float(early_dbfs.min()) - _QUIETER_THAN_EVER_DB)
    stop = int(alive[-1]) + 1 if alive.size else 0
    before_dbfs = level_dbfs[max(0, stop - _EDGE_BLOCKS) : stop]
    after_dbfs = level_dbfs[stop + 1 : stop + 1 + _EDGE_BLOCKS]
    if after_dbfs.size and not np.isfinite(after_dbfs).any():
        abrupt = any(context.figures.tracks[track].cut_s is not None for track in reading.tracks)
    else:
        dying_dbfs = level_dbfs[max(0, stop - _FALL_BLOCKS) : stop]
        # what holds digital silence does not fall steadily
        steady = bool(np.isfinite(dying_dbfs).all()) and bool((np.diff(dying_dbfs) < 0).all())
        falling = steady and float(dying_dbfs[0] - dying_dbfs[-1]) > _SILENT["dying_db"]
        abrupt = (
            after_dbfs.size > 0
            and not falling
            and float(before_dbfs.min()) - float(after_dbfs.max()) > _SILENT["at_once_db"]
        )
    return stop if abrupt else None
