"""The mix: each source after its chain, weighed by its fader and placed by its pan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.chain.blocks import pan_gains
from deskhand.house import ROLES
from deskhand.measure.tone import LISTENING_DBA
from deskhand.units import amplitude_from_db, db_from_power

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from deskhand.house import HouseFile, Room, Source

    Array = NDArray[np.float64]

_BOTH_SIDES_DB: Final = db_from_power(2.0)
"""Loudness of one channel on both sides above that of one side: powers add (ITU-R BS.1770-5, Annex 1)."""
CENTRE_LAW_DB: Final = -3.0
"""A single channel without a pan block lies in the centre: equal power. Common practice, no source."""


def source_matrix(channels: int, fader_db: float) -> Array:
    """(2, channels) gains to left and right: a pair as it is, a single channel in the centre."""
    gain = amplitude_from_db(fader_db)
    if channels == 2:
        return np.asarray(gain * np.eye(2))
    left, _ = pan_gains(0.0, CENTRE_LAW_DB)
    return np.asarray(gain * np.array([[left], [left]]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip:
    """One source in the mix."""

    source: str
    rows: tuple[int, ...]
    """Rows it comes from: one or two."""
    fader_db: float

    def matrix(self) -> Array:
        """(2, rows) gains to left and right."""
        return source_matrix(len(self.rows), self.fader_db)


def in_the_mix(source: Source, *, in_song: bool = False) -> bool:
    """True where a source is heard: used, not muted, with a fader that is written down, and not one for ears only.

    With `in_song`, what is muted in songs alone is not heard either.
    """
    muted = bool(source.mute) if in_song else source.mute is True
    return source.used and not muted and source.fader_db is not None and ROLES[source.role].in_a_mix


def strips(house: HouseFile, rows: Mapping[str, tuple[int, ...]]) -> list[Strip]:
    """Strips of the sources whose faders are written down; none when no fader is.

    Parameters
    ----------
    house : HouseFile
    rows : mapping
        Source name to where its signal after its chain lies.
    """
    return [
        Strip(source=source.name, rows=rows[source.name], fader_db=source.fader_db or 0.0)
        for source in house.source
        if in_the_mix(source) and source.name in rows
    ]


def gains(strips: Sequence[Strip], rows: int) -> NDArray[np.float32]:
    """(2, rows) gains from all rows to left and right."""
    matrix = np.zeros((2, rows))
    for strip in strips:
        matrix[:, list(strip.rows)] += strip.matrix()
    return matrix.astype(np.float32)


def note_gains(house: HouseFile, rows: Mapping[str, tuple[int, ...]], total: int) -> NDArray[np.float32]:
    """(2, total) gains that sum what carries notes, and the voices among it, each source as loud as the others at its nominal level.

    Parameters
    ----------
    house : HouseFile
    rows : mapping
        Source name to its tracks.
    total : int
        Number of all tracks.
    """
    matrix = np.zeros((2, total))
    for source in house.source:
        role = ROLES[source.role]
        if source.name in rows and role.carries_notes:
            tracks = list(rows[source.name])
            # two sides add by their powers
            gain = amplitude_from_db(-house.nominal_dbfs(source)) / np.sqrt(len(tracks))
            matrix[0, tracks] = gain
            matrix[1, tracks] = gain if role.sings else 0.0
    return matrix.astype(np.float32)


def level_dba(room: Room, loudness_lufs: float) -> float:
    """Sound level at the mix position that a mix of some loudness makes, by the room's calibration."""
    return room.level_dba + loudness_lufs - room.mix_loudness_lufs


def listening_dba(house: HouseFile) -> float:
    """Level at which the house listens: the room's, or 80 dB where none is stated."""
    return house.room.level_dba if house.room else LISTENING_DBA


def level_offset_db(room: Room | None, loudness_lufs: float) -> float:
    """DB SPL of one channel with a mean square of 1 that both sides play.

    By the room's calibration, or as if this mix were played at 80 dB. Loudness adds the powers of both sides (ITU-R BS.1770):
    one channel on both counts twice.
    """
    if room is None:
        return LISTENING_DBA - loudness_lufs + _BOTH_SIDES_DB
    return room.level_dba - room.mix_loudness_lufs + _BOTH_SIDES_DB
